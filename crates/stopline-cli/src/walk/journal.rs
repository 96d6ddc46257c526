//! A file that only grows by whole lines, each on disk before the next question is asked.
//!
//! It is locked, so that two windows cannot write it. What a crash tore off is cut away on opening; what a
//! full disk refuses stays in memory and is tried again.

use super::talk::Talk;
use crate::failure::Failure;
use crate::watch;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use stopline::{Code, Error};

/// Most bytes of a file that is read back.
const LARGEST: u64 = 1 << 30;

#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    file: File,
    /// Bytes known to be on disk.
    length: u64,
    /// Whole lines that are not.
    pending: String,
}

impl Journal {
    /// Opens or makes the file, and reads its whole lines.
    pub fn open(path: &Path) -> Result<(Self, String), Failure> {
        let name = path.display().to_string();
        let refused = |e: &io::Error| -> Failure {
            Error::new(Code::FileWrite, &name, format!("not opened ({e})"), "a file that may be written").into()
        };
        let file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path);
        let mut file = file.map_err(|e| refused(&e))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let allowed = "one window at a time: go on there, or leave that walk first";
                return Err(Error::new(Code::Log, &name, "open in another window", allowed).into());
            }
            Err(TryLockError::Error(e)) => return Err(refused(&e)),
        }
        let mut bytes = Vec::new();
        (&mut file).take(LARGEST).read_to_end(&mut bytes).map_err(|e| refused(&e))?;
        bytes.truncate(bytes.iter().rposition(|&b| b == b'\n').map_or(0, |last| last + 1));
        let text = String::from_utf8(bytes)
            .map_err(|_| Error::new(Code::Log, &name, "not UTF-8 text", "a file this program wrote"))?;
        let journal = Self { path: path.to_owned(), file, length: text.len() as u64, pending: String::new() };
        journal.file.set_len(journal.length).map_err(|e| refused(&e))?;
        Ok((journal, text))
    }

    /// Takes a whole line; [`Self::save`] brings it to disk.
    pub fn push(&mut self, line: &str) {
        self.pending += line;
    }

    /// Takes lines back, down to `length` bytes in all, those not yet on disk included.
    pub fn cut(&mut self, length: u64) {
        let kept = usize::try_from(length.saturating_sub(self.length)).unwrap_or(usize::MAX);
        self.pending.truncate(kept);
        self.length = self.length.min(length);
    }

    /// Bytes of all lines.
    pub fn length(&self) -> u64 {
        self.length + self.pending.len() as u64
    }

    /// Brings everything to disk; where that fails nothing is there of it, and it can be tried again.
    pub fn save(&mut self) -> io::Result<()> {
        let _whole = watch::while_writing();
        let length = self.length;
        let done = self.write();
        if done.is_err() {
            let _ = self.file.set_len(length); // half a line; if this fails too, the next attempt does it
        }
        done
    }

    fn write(&mut self) -> io::Result<()> {
        self.file.set_len(self.length)?;
        self.file.seek(SeekFrom::Start(self.length))?;
        self.file.write_all(self.pending.as_bytes())?;
        self.file.sync_all()?;
        if self.length == 0 {
            self.sync_folder();
        }
        self.length += self.pending.len() as u64;
        self.pending.clear();
        Ok(())
    }

    /// A new name must be on disk too. Not every system can be asked for that.
    fn sync_folder(&self) {
        let folder = self.path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let _ = File::open(folder).and_then(|folder| folder.sync_all());
    }

    /// What is not on disk.
    pub fn pending(&self) -> &str {
        &self.pending
    }

    /// The last attempt to save, before the file is left; what still finds no room is told.
    pub fn close(mut self, talk: &Talk) -> Result<(), Failure> {
        if self.pending.is_empty() {
            return Ok(());
        }
        match self.save() {
            Ok(()) => talk.say("Everything is on disk."),
            Err(e) => {
                talk.say("These entries are not on disk:")?;
                talk.raw(&self.pending)?;
                let (name, cause) = (self.path.display().to_string(), format!("not written ({e})"));
                Err(Error::new(Code::FileWrite, name, cause, "a disk with room").into())
            }
        }
    }

    /// Nothing is kept in the file: it is taken away again.
    pub fn forget(self) {
        if self.length == 0 {
            let _ = std::fs::remove_file(&self.path);
        }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;

    #[test]
    fn lines_are_added_taken_back_and_read_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        let (mut journal, text) = Journal::open(&path).unwrap();
        assert_eq!(text, "");
        journal.push("one\n");
        journal.save().unwrap();
        let one = journal.length();
        journal.push("two\n");
        journal.cut(one);
        journal.save().unwrap();
        journal.push("three\n");
        journal.save().unwrap();
        journal.cut(one);
        journal.save().unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "one\n");
        assert_eq!(Journal::open(&path).unwrap_err().first_code(), Some(Code::Log), "locked");
        drop(journal);
        std::fs::write(&path, "one\ntw").unwrap();
        let (journal, text) = Journal::open(&path).unwrap();
        assert_eq!((text.as_str(), journal.length()), ("one\n", 4));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "one\n");
    }
}
