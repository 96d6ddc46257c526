//! The private Python environment under the target folder, and the steps that use it.

use crate::kit::{Halt, Kit, Ran, need, output, run};
use std::cell::OnceCell;
use std::fs;
use std::num::NonZero;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, PoisonError};

const OLDEST: (u32, u32) = (3, 10);

/// Pinned packages the steps need, by file.
const REQUIREMENTS: [&str; 2] = ["tests/scripts/requirements.txt", "python/requirements-test.txt"];

/// The environment and the installed wheel, each made once, when a step first asks for it.
#[derive(Default)]
pub struct Python {
    environment: OnceCell<Result<PathBuf, String>>,
    wheel: OnceCell<bool>,
}

/// A program of the environment.
pub fn program(kit: &Kit, name: &str) -> Result<Command, Halt> {
    let made = kit.python.environment.get_or_init(|| environment(kit, "venv", &REQUIREMENTS));
    let mut command = Command::new(made.clone().map_err(Halt::NotRun)?.join(name));
    command.current_dir(&kit.root);
    Ok(command)
}

/// Makes an environment with what the files list and gives the folder of its programs, or says why there
/// can be none.
pub fn environment(kit: &Kit, name: &str, requirements: &[&str]) -> Result<PathBuf, String> {
    let host = std::env::var_os("PYTHON").unwrap_or_else(|| "python3".into());
    let ask = |code: &str| output(Command::new(&host).args(["-c", code]));
    let named = host.to_string_lossy().into_owned();
    let (major, minor) = OLDEST;
    let wanted = format!("install Python {major}.{minor} or later, or name one: PYTHON=/path/to/python");

    let version = ask("import sys; print(*sys.version_info[:3], sep='.')");
    let version = version.ok_or_else(|| format!("there is no `{named}`: {wanted}"))?;
    if ask(&format!("import sys; assert sys.version_info >= ({major}, {minor})")).is_none() {
        return Err(format!("`{named}` is Python {version}: {wanted}"));
    }
    if ask("import venv, ensurepip").is_none() {
        return Err(format!("`{named}` has no venv module: install it (Debian: apt-get install python3-venv)"));
    }

    let folder = kit.target.join(format!("{name}-{version}"));
    let programs = folder.join(if cfg!(windows) { "Scripts" } else { "bin" });
    let made = run(Command::new(&host).args(["-m", "venv"]).arg(&folder));
    made.map_err(|why| format!("no environment could be made: {why}"))?;

    let mut pip = Command::new(programs.join("pip"));
    pip.current_dir(&kit.root).args(["install", "--quiet", "--disable-pip-version-check"]);
    for file in requirements.iter().filter(|file| kit.root.join(file).exists()) {
        pip.args(["--requirement", file]);
    }
    run(&mut pip).map_err(|why| format!("the pinned packages could not be installed: {why}"))?;
    Ok(programs)
}

/// Builds the source distribution and from it the wheel, and installs that.
pub fn wheel(kit: &Kit) -> Ran {
    need(kit.root.join("python/pyproject.toml").exists(), "python/pyproject.toml is absent")?;
    let made = build_and_install(kit);
    // A later step then knows that what it would test is not this source.
    let _ = kit.python.wheel.set(made.is_ok());
    made
}

fn build_and_install(kit: &Kit) -> Ran {
    let python = program(kit, "python")?.get_program().to_owned();
    let folder = kit.target.join("wheels");
    let build = |how: &[&str], out: &Path| {
        let mut build = program(kit, "maturin")?;
        build.args(["build", "--manifest-path=python/Cargo.toml"]).args(how).arg("--interpreter").arg(&python);
        run(build.arg("--out").arg(out))
    };
    // First from here: cargo takes what that compiles for the same files unpacked elsewhere, whose times are too old to
    // tell of a change, and compiles only where one of them is missing. There the lock file names fewer packages, which
    // `--locked` refuses.
    build(&["--locked"], &folder.join("compiled"))?;
    let tested = folder.join("tested");
    if tested.exists() {
        fs::remove_dir_all(&tested)?;
    }
    build(&["--sdist", "--offline"], &tested)?;
    let built = files(&tested, "whl")?;
    run(program(kit, "pip")?.args(["install", "--quiet", "--force-reinstall", "--no-deps", "--no-index"]).args(built))
}

/// The wheel is built and installed, now or before.
fn built(kit: &Kit) -> Ran {
    if kit.python.wheel.get().is_none() {
        wheel(kit)?;
    }
    need(kit.python.wheel.get() == Some(&true), "the Python wheel was not built")
}

/// A program of the environment, run on the installed wheel.
pub fn on_wheel(kit: &Kit, name: &str, arguments: &[&str]) -> Ran {
    built(kit)?;
    run(program(kit, name)?.args(arguments))
}

/// The tests of the wheel, beside the program.
pub fn pytest(kit: &Kit) -> Ran {
    built(kit)?;
    // The one that the row `rust` has built.
    run(&mut kit.cargo(["test", "--workspace", "--exclude=xtask", "--no-run", "--test=program"]))?;
    let program = kit.target.join("debug").join(format!("stopline{}", std::env::consts::EXE_SUFFIX));
    let mut tests = self::program(kit, "pytest")?;
    run(tests.args(["--import-mode=importlib", "python/tests"]).env("STOPLINE_PROGRAM", program))
}

/// Builds the documentation of the wheel, in an environment of its own: every example is run, and a
/// warning or a link that leads nowhere fails.
pub fn docs(kit: &Kit) -> Ran {
    built(kit)?;
    let programs = environment(kit, "docs", &["python/requirements-docs.txt"]).map_err(Halt::NotRun)?;
    let wheels = files(&kit.target.join("wheels/tested"), "whl")?;
    let mut pip = Command::new(programs.join("pip"));
    run(pip.args(["install", "--quiet", "--force-reinstall", "--no-deps", "--no-index"]).args(wheels))?;
    let site = kit.target.join("python-docs");
    let mut sphinx = Command::new(programs.join("sphinx-build"));
    sphinx.current_dir(&kit.root).args(["-W", "--keep-going", "-q", "-E", "-b", "html", "-d"]);
    run(sphinx.arg(kit.target.join("python-doctrees")).arg("python/docs").arg(site))
}

/// Runs `SCRIPT --check` for every script of a folder that knows it, as many at once as there are cores; the others
/// are modules of these.
pub fn check_scripts(kit: &Kit, folder: &str) -> Ran {
    let scripts = files(&kit.root.join(folder), "py").unwrap_or_default();
    let knows = |script: &PathBuf| fs::read_to_string(script).is_ok_and(|text| text.contains("--check"));
    let scripts: Vec<_> = scripts.into_iter().filter(knows).collect();
    need(!scripts.is_empty(), format!("there is no script with --check in {folder}"))?;
    let checks = scripts.iter().map(|script| {
        let mut check = program(kit, "python")?;
        check.arg(script.strip_prefix(&kit.root).unwrap_or(script)).arg("--check");
        Ok(check)
    });
    let waiting = Mutex::new(checks.collect::<Result<Vec<_>, Halt>>()?);
    let next = || waiting.lock().unwrap_or_else(PoisonError::into_inner).pop();
    let work = || std::iter::from_fn(next).try_for_each(|mut check| run(&mut check));
    std::thread::scope(|scope| {
        let cores = std::thread::available_parallelism().map_or(1, NonZero::get);
        let workers: Vec<_> = (0..cores).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .try_for_each(|worker| worker.join().unwrap_or_else(|_| Err(Halt::Failed("a check panicked".into()))))
    })
}

/// Files of a folder with an extension, by name.
fn files(folder: &Path, extension: &str) -> std::io::Result<Vec<PathBuf>> {
    let entries = fs::read_dir(folder)?.collect::<std::io::Result<Vec<_>>>()?;
    let with_extension = |path: &PathBuf| path.extension().is_some_and(|e| e == extension);
    let mut found: Vec<_> = entries.iter().map(fs::DirEntry::path).filter(with_extension).collect();
    found.sort();
    Ok(found)
}
