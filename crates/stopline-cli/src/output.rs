//! Everything that leaves the program: standard output, messages, files.
//!
//! Files are written whole or not at all: beside their place first, then renamed into it. A reader
//! of standard output that has gone away is no failure; a full disk is.

use crate::failure::Failure;
use crate::watch;
use comfy_table::{Cell, CellAlignment, Row, Table, presets};
use serde::Serialize;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use stopline::{Code, Error};
use tempfile::NamedTempFile;

/// What a command comes to.
#[derive(Debug, Default)]
pub struct Answer {
    /// For standard output: words, or one JSON object.
    pub printed: String,
    /// Beside a JSON object, what people should know.
    pub notes: Vec<String>,
    /// Files to write, with their content.
    pub files: Vec<(PathBuf, String)>,
}

impl Answer {
    /// Words for people.
    pub fn text(printed: String) -> Self {
        Self { printed, ..Self::default() }
    }

    /// One object for programs.
    pub fn json(value: &impl Serialize) -> Self {
        Self { printed: json(value), ..Self::default() }
    }

    /// Writes the files, and says so.
    pub fn write(mut self, is_json: bool) -> Result<Self, Failure> {
        write_files(&self.files)?;
        let names: Vec<String> = self.files.iter().map(|(path, _)| path.display().to_string()).collect();
        if !names.is_empty() {
            let written = format!("Written: {}", names.join(", "));
            if is_json {
                self.notes.push(written);
            } else {
                self.printed += &format!("{written}\n");
            }
        }
        Ok(self)
    }

    /// Prints it.
    pub fn print(&self) -> Result<(), Failure> {
        self.notes.iter().for_each(|note| message(&format!("{note}\n")));
        print(&self.printed)
    }
}

/// An object as text, with a newline at its end.
pub fn json(value: &impl Serialize) -> String {
    // The objects of this program have text keys and finite numbers: there is always a form.
    serde_json::to_string_pretty(value).unwrap_or_default() + "\n"
}

/// Prints on standard output.
pub fn print(text: &str) -> Result<(), Failure> {
    let mut out = anstream::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(not_written("standard output", &e)),
        _ => Ok(()),
    }
}

/// Prints on standard error; there is nobody to tell if that fails.
pub fn message(text: &str) {
    let _ = anstream::stderr().lock().write_all(text.as_bytes());
}

fn not_written(what: &str, e: &io::Error) -> Failure {
    let cause = e.to_string();
    let cause = cause.split(" at path ").next().unwrap_or_default(); // of the file beside, a name nobody knows
    let allowed = "a folder that is there, has room and may be written to";
    Error::new(Code::FileWrite, what, format!("not written ({cause})"), allowed).into()
}

/// Writes all files, or none if any of them finds no room.
pub fn write_files(files: &[(PathBuf, String)]) -> Result<(), Failure> {
    let _whole = watch::while_writing();
    let ready = files.iter().map(|(path, text)| Ready::new(path, text)).collect::<Result<Vec<_>, _>>()?;
    ready.into_iter().try_for_each(Ready::put)
}

/// A file written, but not yet in its place.
enum Ready {
    Beside {
        file: NamedTempFile,
        path: PathBuf,
    },
    /// A device or pipe cannot be replaced, only written to.
    Straight {
        text: String,
        path: PathBuf,
    },
}

impl Ready {
    fn new(path: &Path, text: &str) -> Result<Self, Failure> {
        let failed = |e: io::Error| not_written(&path.display().to_string(), &e);
        // Of a link, what it points to is replaced. What /dev/stdout points to may be in use.
        let system = path.starts_with("/dev") || path.starts_with("/proc");
        let path = if system { path.to_owned() } else { fs::canonicalize(path).unwrap_or_else(|_| path.to_owned()) };
        if system || fs::metadata(&path).is_ok_and(|m| !m.is_file() && !m.is_dir()) {
            return Ok(Self::Straight { text: text.to_owned(), path });
        }
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut how = tempfile::Builder::new();
        how.prefix(".stopline-");
        #[cfg(unix)]
        how.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666)); // less what the user's mask takes
        let mut file = how.tempfile_in(folder).map_err(failed)?;
        file.write_all(text.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(failed)?;
        if let Ok(old) = fs::metadata(&path) {
            fs::set_permissions(file.path(), old.permissions()).map_err(failed)?;
        }
        Ok(Self::Beside { file, path })
    }

    fn put(self) -> Result<(), Failure> {
        let (path, done) = match self {
            Self::Beside { file, path } => {
                let done = file.persist(&path).map(|_| ()).map_err(|e| e.error);
                (path, done)
            }
            Self::Straight { text, path } => {
                let done =
                    fs::OpenOptions::new().append(true).open(&path).and_then(|mut f| f.write_all(text.as_bytes()));
                (path, done)
            }
        };
        done.map_err(|e| not_written(&path.display().to_string(), &e))
    }
}

/// Columns under their headings: the first `left` to the left, the others to the right.
pub fn table(headings: &[&str], rows: impl IntoIterator<Item = Vec<String>>, left: usize) -> String {
    let align = |i: usize| if i < left { CellAlignment::Left } else { CellAlignment::Right };
    let cells = |cells: Vec<String>| -> Row {
        cells
            .into_iter()
            .enumerate()
            .map(|(i, text)| Cell::new(text).set_alignment(align(i)))
            .collect::<Vec<_>>()
            .into()
    };
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_header(cells(headings.iter().map(|&h| h.to_owned()).collect()));
    table.add_rows(rows.into_iter().map(cells));
    for column in table.column_iter_mut() {
        column.set_padding((0, 2));
    }
    table.lines().map(|line| line.trim_end().to_owned() + "\n").collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_replaced_whole_and_nothing_is_left_beside() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plan.json");
        for text in ["first", "second, longer"] {
            write_files(&[(path.clone(), text.to_owned())]).unwrap();
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
        // The second file has no folder: the first keeps its old content.
        let nowhere = folder.path().join("none/card.txt");
        assert!(write_files(&[(path.clone(), "third".into()), (nowhere, String::new())]).is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), "second, longer");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn tables_have_no_blanks_at_their_ends() {
        let text = table(&["field", "k"], [vec!["heron".into(), "1.25".into()], vec!["owl".into(), "-".into()]], 1);
        assert_eq!(text, "field     k\nheron  1.25\nowl       -\n");
    }
}
