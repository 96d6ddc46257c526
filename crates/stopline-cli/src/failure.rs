//! What went wrong, as people and programs are told, and the exit code that goes with it.

use crate::arguments::Arguments;
use crate::{output, words};
use anstyle::{AnsiColor, Style};
use clap::CommandFactory;
use clap::error::{ContextKind, ContextValue, ErrorKind};
use serde::Serialize;
use std::process::ExitCode;
use stopline::counts::COUNT_COLUMN;
use stopline::{Code, Error, Errors};

/// Findings that people are shown of one file; the others are counted.
const SHOWN: usize = 20;

/// Why a command did not do what was asked.
#[derive(Debug)]
pub struct Failure {
    errors: Errors,
    /// What people are told beside the findings.
    help: String,
}

impl From<Errors> for Failure {
    fn from(errors: Errors) -> Self {
        Self { errors, help: String::new() }
    }
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        Errors::from(error).into()
    }
}

impl Failure {
    /// A command line that the parser refused.
    pub fn usage(e: &clap::Error) -> Self {
        if matches!(e.kind(), ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand | ErrorKind::MissingSubcommand) {
            let error = Error::new(Code::Usage, "command", "missing", commands());
            return Self { help: Arguments::command().render_help().to_string(), ..error.into() };
        }
        let rendered = e.render().to_string();
        let (message, help) = rendered.trim_end().split_once("\n\n").unwrap_or((rendered.trim_end(), ""));
        let message = words::one_line(message.trim_start_matches("error: "));
        let about = named(e, ContextKind::InvalidArg).join(", ");
        let value = named(e, ContextKind::InvalidValue).join(", ");
        let error = match e.kind() {
            ErrorKind::InvalidValue if !value.is_empty() => {
                Error::new(Code::Usage, about, value, named(e, ContextKind::ValidValue).join(", "))
            }
            ErrorKind::InvalidValue | ErrorKind::MissingRequiredArgument => {
                Error::new(Code::Usage, about, "missing", "a value")
            }
            ErrorKind::InvalidSubcommand => {
                let command = named(e, ContextKind::InvalidSubcommand).join(" ");
                Error::new(Code::Usage, "command", command, commands())
            }
            _ => Error::about(Code::Usage, message, ""),
        };
        Self { help: help.to_owned(), ..error.into() }
    }

    /// The person, or another program, asked to stop.
    pub fn interrupted() -> Self {
        Error::about(Code::Interrupted, "interrupted before the end", "").into()
    }

    /// The same failure in a named file.
    pub fn in_file(self, file: &str) -> Self {
        Self { errors: self.errors.map(|e| e.in_file(file)), ..self }
    }

    /// The same failure; where the column of counts was not chosen, with the command that chooses all
    /// candidates.
    pub fn with_counts_to_choose(mut self) -> Self {
        let [e] = self.errors.as_slice() else { return self };
        if e.code() == Code::CountsColumn && e.what() == COUNT_COLUMN && e.value() == Some("not chosen") {
            let mut command: Vec<String> =
                std::env::args_os().map(|word| word.to_string_lossy().into_owned()).collect();
            if let Some(program) = command.first_mut() {
                *program = "stopline".to_owned();
            }
            command.extend(["--count".to_owned(), e.allowed().to_owned()]);
            let command: Vec<String> = command.iter().map(|word| words::quoted(word)).collect();
            self.help =
                format!("Choose what to count; several columns are added. All of them:\n  {}", command.join(" "));
        }
        self
    }

    /// Code of the first finding.
    #[cfg(test)]
    pub fn first_code(&self) -> Option<Code> {
        self.errors.as_slice().first().map(Error::code)
    }

    /// Was only what a person typed refused?
    pub fn is_of_entry(&self) -> bool {
        self.errors.as_slice().iter().all(|e| matches!(e.code(), Code::Entry | Code::NotANumber | Code::OutOfRange))
    }

    /// The findings in one line.
    pub fn words(&self) -> String {
        let all: Vec<String> = self.errors.as_slice().iter().map(|e| words::one_line(&e.to_string())).collect();
        all.join("; ")
    }

    fn exit(&self) -> u8 {
        match self.errors.as_slice().first().map(Error::code) {
            None | Some(Code::FileWrite | Code::NotConverged) => 1,
            Some(Code::NoPlan) => 3,
            Some(Code::Interrupted) => 130,
            Some(_) => 2,
        }
    }

    /// Prints the failure, on standard output as JSON or on standard error in words.
    pub fn tell(&self, json: bool) -> ExitCode {
        if !json || output::print(&self.json()).is_err() {
            let red = Style::new().bold().fg_color(Some(AnsiColor::Red.into()));
            let mut text = String::new();
            let found = self.errors.as_slice();
            for error in found.iter().take(SHOWN) {
                text += &format!("{red}error{red:#}: {}\n", words::one_line(&error.to_string()));
            }
            let more = found.len().saturating_sub(SHOWN) as u64 + self.errors.more();
            if more > 0 {
                text += &format!("and {more} more\n");
            }
            if !self.help.is_empty() {
                text += &format!("\n{}\n", self.help.trim_end());
            }
            output::message(&text);
        }
        ExitCode::from(self.exit())
    }

    fn json(&self) -> String {
        let errors = self.errors.as_slice().iter().map(Told::of).collect();
        output::json(&All { errors, more: self.errors.more() })
    }
}

/// What the parser says of one kind, without the names of values.
fn named(e: &clap::Error, kind: ContextKind) -> Vec<String> {
    let bare = |text: &String| text.split(" <").next().unwrap_or_default().to_owned();
    match e.get(kind) {
        Some(ContextValue::String(text)) => vec![bare(text)],
        Some(ContextValue::Strings(texts)) => texts.iter().map(bare).collect(),
        _ => Vec::new(),
    }
}

/// The names of all commands.
fn commands() -> String {
    let command = Arguments::command();
    command.get_subcommands().map(clap::Command::get_name).collect::<Vec<_>>().join(", ")
}

/// All findings as programs see them; `more` only where some were not kept.
#[derive(Serialize)]
struct All<'a> {
    errors: Vec<Told<'a>>,
    #[serde(skip_serializing_if = "is_zero")]
    more: u64,
}

#[allow(clippy::trivially_copy_pass_by_ref)] // serde asks for a reference
fn is_zero(n: &u64) -> bool {
    *n == 0
}

#[derive(Serialize)]
struct Told<'a> {
    code: &'static str,
    message: String,
    what: &'a str,
    value: Option<&'a str>,
    allowed: &'a str,
    file: Option<&'a str>,
    row: Option<u64>,
    column: Option<&'a str>,
}

impl<'a> Told<'a> {
    fn of(e: &'a Error) -> Self {
        Self {
            code: e.code().as_str(),
            message: e.to_string(),
            what: e.what(),
            value: e.value(),
            allowed: e.allowed(),
            file: e.place().file.as_deref(),
            row: e.place().row,
            column: e.place().column.as_deref(),
        }
    }
}
