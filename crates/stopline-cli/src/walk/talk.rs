//! The conversation: lines out and lines in, without colour, in columns that any terminal has.

use crate::failure::Failure;
use crate::output;
use crate::words;
use std::io::{self, BufRead};

/// Columns of a narrow terminal.
const WIDTH: usize = 44;
/// Most bytes of one line that is typed.
const LONGEST: usize = 4096;

pub struct Talk {
    /// With `--json` standard output is for the result alone.
    aside: bool,
}

impl Talk {
    pub fn new(json: bool) -> Self {
        Self { aside: json }
    }

    /// Text as it is.
    pub fn raw(&self, text: &str) -> Result<(), Failure> {
        if self.aside {
            output::message(text);
            return Ok(());
        }
        output::print(text)
    }

    /// A paragraph.
    pub fn say(&self, text: &str) -> Result<(), Failure> {
        self.raw(&words::wrapped_to(WIDTH, "", &words::one_line(text)))
    }

    /// What everybody must see.
    pub fn loud(&self, text: &str) -> Result<(), Failure> {
        let bar = "=".repeat(WIDTH);
        self.raw(&format!("\n{bar}\n{}{bar}\n", words::wrapped_to(WIDTH, "   ", text)))
    }

    /// Asks for a line; `None` where there is no more to read. Of a line that is too long nothing is taken.
    pub fn ask(&self, prompt: &str) -> Result<Option<String>, Failure> {
        let mut input = io::stdin().lock();
        loop {
            self.raw(&format!("{prompt} "))?;
            let (mut line, mut too_long) = (Vec::new(), false);
            loop {
                let before = line.len();
                match io::Read::take(&mut input, LONGEST as u64).read_until(b'\n', &mut line) {
                    Ok(0) if before == 0 && !too_long => return Ok(None),
                    Err(_) => return Ok(None),
                    Ok(read) if read < LONGEST || line.ends_with(b"\n") => break,
                    Ok(_) => {
                        too_long = true;
                        line.clear();
                    }
                }
            }
            if !too_long {
                return Ok(Some(String::from_utf8_lossy(&line).trim().to_owned()));
            }
            self.say(&format!("Not taken: a line of more than {LONGEST} bytes."))?;
        }
    }

    /// Asks until the answer is yes or no.
    pub fn yes(&self, question: &str) -> Result<Option<bool>, Failure> {
        self.say(question)?;
        loop {
            match self.ask("yes or no?")?.map(|answer| answer.to_lowercase()).as_deref() {
                None => return Ok(None),
                Some("yes" | "y") => return Ok(Some(true)),
                Some("no" | "n") => return Ok(Some(false)),
                Some(_) => {}
            }
        }
    }
}
