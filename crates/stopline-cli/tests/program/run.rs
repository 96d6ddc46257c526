//! Running the program.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

/// The root of the repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// What a run came to.
#[derive(Debug)]
pub struct Ran {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

impl Ran {
    /// Standard output as one JSON object.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }
}

/// A folder of its own, in which the program runs.
pub struct Folder(TempDir);

impl Folder {
    pub fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) -> &Self {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, content).unwrap();
        self
    }

    pub fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    /// Names of everything in it, hidden files too.
    pub fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.0.path()).unwrap();
        let mut names: Vec<String> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    /// The program with words as a shell would split them (no quotes).
    pub fn command(&self, words: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stopline"));
        command.args(words.split_whitespace()).current_dir(self.0.path()).env_remove("COLUMNS");
        command
    }

    pub fn run(&self, words: &str) -> Ran {
        self.command(words).output().unwrap().into()
    }

    /// A run that must succeed, without a message.
    pub fn does(&self, words: &str) -> Ran {
        let ran = self.run(words);
        assert_eq!((ran.code, ran.err.as_str()), (Some(0), ""), "{words}: {ran:?}");
        ran
    }

    /// The demo counts, as the README names them.
    pub fn with_demo(self) -> Self {
        let counts = std::fs::read(root().join("demo-data/larkmoor.csv")).unwrap();
        self.write("demo-data/larkmoor.csv", counts);
        self
    }
}

/// A plan of the demo design in `plan.json`.
pub fn with_plan() -> Folder {
    let folder = Folder::new();
    folder.does("plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 2 --out plan.json");
    folder
}

/// Counts of two fields, means 1.7 and 2.4, that every command takes.
pub const TWO_FIELDS: &str = "field,visit,site,plants,count\n\
    heron,1,1,3,0\nheron,1,2,3,4\nheron,1,3,3,1\nheron,1,4,3,2\nheron,1,5,3,3\nheron,1,6,3,1\nheron,1,7,3,0\nheron,1,8,3,2\nheron,1,9,3,1\nheron,1,10,3,3\n\
    owl,1,1,3,2\nowl,1,2,3,0\nowl,1,3,3,5\nowl,1,4,3,1\nowl,1,5,3,3\nowl,1,6,3,4\nowl,1,7,3,0\nowl,1,8,3,2\nowl,1,9,3,6\nowl,1,10,3,1\n";
