//! What a step works with: the folders, the packages, and running programs.

use crate::python::Python;
use anyhow::Context;
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Why a step did not pass.
#[derive(Debug)]
pub enum Halt {
    /// It ran and found something wrong.
    Failed(String),
    /// It could not run here, because …
    NotRun(String),
}

impl std::fmt::Display for Halt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Halt::Failed(why) => f.write_str(why),
            Halt::NotRun(why) => write!(f, "not run, because {why}"),
        }
    }
}

impl std::error::Error for Halt {}

impl From<std::io::Error> for Halt {
    fn from(error: std::io::Error) -> Self {
        Halt::Failed(error.to_string())
    }
}

/// How a step ended.
pub type Ran = Result<(), Halt>;

/// `Err(NotRun(because))` unless `met`.
pub fn need(met: bool, because: impl Into<String>) -> Ran {
    if met { Ok(()) } else { Err(Halt::NotRun(because.into())) }
}

/// A package of the workspace and its features.
#[derive(serde::Deserialize)]
pub struct Package {
    pub name: String,
    pub features: BTreeMap<String, Vec<String>>,
}

#[derive(serde::Deserialize)]
struct Metadata {
    target_directory: PathBuf,
    packages: Vec<Package>,
}

/// The workspace as cargo sees it.
pub struct Kit {
    pub root: PathBuf,
    pub target: PathBuf,
    pub packages: Vec<Package>,
    pub python: Python,
}

impl Kit {
    /// Asks cargo about the workspace this program was built from.
    pub fn new() -> anyhow::Result<Self> {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize()?;
        let text = output(cargo(&root).args(["metadata", "--no-deps", "--format-version=1"]))
            .context("cargo metadata gave no answer")?;
        let Metadata { target_directory: target, packages } = serde_json::from_str(&text)?;
        Ok(Self { root, target, packages, python: Python::default() })
    }

    /// `cargo` at the root.
    pub fn cargo<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>) -> Command {
        let mut command = cargo(&self.root);
        command.args(arguments);
        command
    }
}

fn cargo(root: &Path) -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.current_dir(root);
    command
}

/// Runs a command with its output on the terminal.
pub fn run(command: &mut Command) -> Ran {
    let line = shown(command);
    eprintln!("$ {line}");
    match command.stdin(Stdio::null()).status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(Halt::Failed(format!("`{line}` ended with {status}"))),
        Err(error) => Err(Halt::Failed(format!("`{line}` did not start: {error}"))),
    }
}

/// What a command prints, if it is there and succeeds.
pub fn output(command: &mut Command) -> Option<String> {
    let output = command.stdin(Stdio::null()).stderr(Stdio::null()).output().ok()?;
    output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

/// What a command prints, its messages on the terminal.
pub fn printed(command: &mut Command) -> Result<String, Halt> {
    let line = shown(command);
    eprintln!("$ {line}");
    let output = command.stdin(Stdio::null()).stderr(Stdio::inherit()).output()?;
    if output.status.success() {
        Ok(String::from_utf8_lossy(&output.stdout).into_owned())
    } else {
        Err(Halt::Failed(format!("`{line}` ended with {}", output.status)))
    }
}

/// The command as a person would type it.
pub fn shown(command: &Command) -> String {
    let program = Path::new(command.get_program()).file_stem().unwrap_or_default();
    let words = std::iter::once(program).chain(command.get_args());
    words.map(|word| word.to_string_lossy()).collect::<Vec<_>>().join(" ")
}
