//! The log of a walk: JSON Lines, appended only, each line bound to the one before by a hash.
//!
//! The first line holds the whole plan, so that a log can be read for ever; every other line is one
//! entry. A last line without its newline was torn by a crash and is dropped; any other line that
//! cannot be read, or does not follow from the one before, is refused by its number. Undoing appends.

use super::{Entry, Walk};
use crate::error::{Code, Error};
use crate::plan::{Digest, Plan, required};
use crate::score::Site;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::sync::Arc;

#[cfg(feature = "schema")]
use schemars::JsonSchema;

const FORMAT: &str = "stopline/walk";
const VERSION: u32 = 1;

/// What a log says of its walk beside the plan.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct LogHead {
    /// Field walked.
    pub field: String,
    /// Visit.
    pub visit: String,
    /// Start, RFC 3339; informational.
    pub at: String,
}

#[derive(Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
struct HeadLine {
    format: String,
    version: u32,
    field: String,
    visit: String,
    at: String,
    #[cfg_attr(feature = "schema", schemars(with = "serde_json::Map<String, serde_json::Value>"))]
    plan: Box<RawValue>,
}

#[derive(Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
struct EntryLine {
    seq: u64,
    at: String,
    entry: Kind,
    #[serde(deserialize_with = "required")]
    site: Option<u32>,
    #[serde(deserialize_with = "required")]
    plants: Option<u16>,
    #[serde(deserialize_with = "required")]
    counts: Option<Vec<Option<u32>>>,
    #[serde(deserialize_with = "required")]
    note: Option<String>,
    prev: String,
}

#[derive(Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(rename_all = "snake_case")]
enum Kind {
    Site,
    Undo,
    Skip,
    Note,
    Pause,
    Resume,
    Close,
}

/// One line of a log.
#[cfg(feature = "schema")]
#[derive(JsonSchema)]
#[serde(untagged)]
#[allow(dead_code)] // for its schema alone
enum LogLine {
    /// The first line; its plan is a plan file.
    Head(HeadLine),
    /// Any other.
    Entry(EntryLine),
}

/// The JSON schema of each line of a log.
#[cfg(feature = "schema")]
#[must_use]
pub fn log_schema() -> String {
    crate::plan::schema_of::<LogLine>()
}

/// A walk together with what its next line follows from.
#[derive(Debug, Clone)]
pub struct Log {
    walk: Walk,
    head: LogHead,
    seq: u64,
    prev: Digest,
}

impl Log {
    /// A new log and its first line, newline included.
    ///
    /// # Errors
    /// `plan_format` where the plan has no JSON form; cannot happen for a plan made here.
    pub fn start(plan: Arc<Plan>, head: LogHead) -> Result<(Self, String), Error> {
        let line = HeadLine {
            format: FORMAT.to_owned(),
            version: VERSION,
            field: head.field.clone(),
            visit: head.visit.clone(),
            at: head.at.clone(),
            plan: RawValue::from_string(one_line(&plan.to_json()?)).map_err(|e| bad(1, e.to_string()))?,
        };
        let line = text(&line)?;
        let log = Self { walk: Walk::new(plan), head, seq: 0, prev: Digest::of_bytes(line.as_bytes()) };
        Ok((log, line + "\n"))
    }

    /// Takes an entry and gives the line to append, newline included; `at` is when, RFC 3339.
    /// A refused entry leaves everything as it was.
    ///
    /// # Errors
    /// `entry`, as [`Walk::push`].
    pub fn append(&mut self, entry: Entry, at: &str) -> Result<String, Error> {
        let sites = self.walk.state();
        let number = sites.sites + sites.after_stop + sites.skipped + 1;
        let (kind, counts, note) = match &entry {
            Entry::Site(site) => (Kind::Site, Some(site.groups.clone()), None),
            Entry::Skip => (Kind::Skip, None, None),
            Entry::Undo => (Kind::Undo, None, None),
            Entry::Note(note) => (Kind::Note, None, Some(note.clone())),
            Entry::Pause => (Kind::Pause, None, None),
            Entry::Resume => (Kind::Resume, None, None),
            Entry::Close => (Kind::Close, None, None),
        };
        let at_site = matches!(kind, Kind::Site | Kind::Skip);
        let line = text(&EntryLine {
            seq: self.seq + 1,
            at: at.to_owned(),
            entry: kind,
            site: at_site.then_some(number),
            plants: (kind == Kind::Site).then_some(self.walk.plan().asked().plants.get()),
            counts,
            note,
            prev: self.prev.as_str().to_owned(),
        })?;
        self.walk.push(entry)?;
        self.seq += 1;
        self.prev = Digest::of_bytes(line.as_bytes());
        Ok(line + "\n")
    }

    /// Reads a log; the second value is the length in bytes of what was read, shorter than `text` where
    /// a torn last line was dropped (cut the file there before appending).
    ///
    /// # Errors
    /// `log` naming the line, or the error of the plan in the first line.
    pub fn read(text: &str) -> Result<(Self, usize), Error> {
        let whole = text.rfind('\n').map_or(0, |i| i + 1);
        let mut lines = (1..).zip(text.get(..whole).unwrap_or_default().split_terminator('\n'));
        let (_, first) = lines.next().ok_or_else(|| bad(1, "empty".into()))?;
        let head: HeadLine = parse(first, 1)?;
        if head.format != FORMAT || head.version != VERSION {
            return Err(bad(1, format!("{} version {}", head.format, head.version)));
        }
        let plan = Plan::from_json(head.plan.get()).map_err(|e| e.at(1, None))?;
        let mut log = Self {
            walk: Walk::new(Arc::new(plan)),
            head: LogHead { field: head.field, visit: head.visit, at: head.at },
            seq: 0,
            prev: Digest::of_bytes(first.as_bytes()),
        };
        for (number, line) in lines {
            let entry = parse::<EntryLine>(line, number)?;
            if entry.seq != log.seq + 1 || entry.prev != log.prev.as_str() {
                return Err(bad(number, format!("entry {} that does not follow from the line before", entry.seq)));
            }
            log.walk.push(log.entry(&entry, number)?).map_err(|e| e.at(number, None))?;
            log.seq = entry.seq;
            log.prev = Digest::of_bytes(line.as_bytes());
        }
        Ok((log, whole))
    }

    fn entry(&self, line: &EntryLine, number: u64) -> Result<Entry, Error> {
        let wrong = |what: &str| Err(bad(number, what.to_owned()));
        if line.counts.is_some() != (line.entry == Kind::Site)
            || line.note.is_some() != (line.entry == Kind::Note)
            || line.site.is_some() != matches!(line.entry, Kind::Site | Kind::Skip)
        {
            return wrong("keys that do not go with this entry");
        }
        let plants = (line.entry == Kind::Site).then_some(self.walk.plan().asked().plants.get());
        if line.plants != plants {
            return wrong("a site of another size than the plan's");
        }
        Ok(match line.entry {
            Kind::Site => Entry::Site(Site { groups: line.counts.clone().unwrap_or_default() }),
            Kind::Undo => Entry::Undo,
            Kind::Skip => Entry::Skip,
            Kind::Note => Entry::Note(line.note.clone().unwrap_or_default()),
            Kind::Pause => Entry::Pause,
            Kind::Resume => Entry::Resume,
            Kind::Close => Entry::Close,
        })
    }

    /// The walk.
    #[must_use]
    pub fn walk(&self) -> &Walk {
        &self.walk
    }

    /// What the log says of the walk.
    #[must_use]
    pub fn head(&self) -> &LogHead {
        &self.head
    }
}

/// JSON without the spacing between its parts; numbers and strings keep every character.
fn one_line(json: &str) -> String {
    let (mut in_string, mut escaped) = (false, false);
    let mut keep = |c: char| {
        let kept = in_string || !c.is_ascii_whitespace();
        if c == '"' && !escaped {
            in_string = !in_string;
        }
        escaped = in_string && c == '\\' && !escaped;
        kept
    };
    json.chars().filter(|&c| keep(c)).collect()
}

fn bad(line: u64, value: String) -> Error {
    Error::new(Code::Log, "line of the log", value, "a line this program wrote, unchanged and in order").at(line, None)
}

fn parse<'a, T: Deserialize<'a>>(line: &'a str, number: u64) -> Result<T, Error> {
    serde_json::from_str(line).map_err(|e| bad(number, e.to_string()))
}

fn text(line: &impl Serialize) -> Result<String, Error> {
    serde_json::to_string(line).map_err(|e| Error::new(Code::Log, "line of the log", e, "finite numbers"))
}

#[cfg(test)]
mod tests {
    use super::super::tests::plan;
    use super::*;

    fn written() -> (Log, String) {
        let (mut log, mut text) =
            Log::start(plan(), LogHead { field: "Plover".into(), visit: "1".into(), at: String::new() }).unwrap();
        for entry in [
            Entry::Site(Site::of(1)),
            Entry::Skip,
            Entry::Undo,
            Entry::Note("dew \"heavy\"\n".into()),
            Entry::Pause,
            Entry::Resume,
            Entry::Site(Site { groups: vec![Some(2), Some(1)] }),
            Entry::Close,
        ] {
            text += &log.append(entry, "2026-07-01T08:00:00Z").unwrap();
        }
        (log, text)
    }

    #[test]
    fn a_log_reads_back_as_the_same_walk() {
        let (log, text) = written();
        let (back, length) = Log::read(&text).unwrap();
        assert_eq!(length, text.len());
        assert_eq!(back.walk.entries(), log.walk.entries());
        assert_eq!(back.walk.state(), log.walk.state());
        assert_eq!((back.head, back.seq, &back.prev), (log.head, log.seq, &log.prev));
    }

    /// A clock that was set back, or tells nonsense, changes nothing: times are told, never relied on.
    #[test]
    fn clocks_may_change() {
        let (mut log, mut text) = Log::start(plan(), LogHead::default()).unwrap();
        for at in ["2026-07-01T08:00:00Z", "2026-06-30T23:00:00Z", "1970-01-01T00:00:00Z", "noon"] {
            text += &log.append(Entry::Site(Site::of(1)), at).unwrap();
        }
        assert_eq!(Log::read(&text).unwrap().0.walk.state(), log.walk.state());
    }

    #[test]
    fn the_plan_in_the_log_keeps_its_host_to_the_character() {
        let host = "{ \"a\\\"b\" : \"two  blanks \\\\\",\n \"n\": 1.50 }";
        let with_host = Arc::new(Plan::clone(&plan()).with_host(host).unwrap());
        let (_, text) = Log::start(with_host, LogHead::default()).unwrap();
        let (log, _) = Log::read(&text).unwrap();
        assert_eq!(log.walk.plan().host(), "{\"a\\\"b\":\"two  blanks \\\\\",\"n\":1.50}");
    }

    #[test]
    fn a_torn_last_line_is_dropped_and_nothing_else() {
        let (_, text) = written();
        let ends: Vec<usize> = text.match_indices('\n').map(|(i, _)| i + 1).collect();
        for cut in ends[0]..=text.len() {
            let part = &text[..cut];
            let (log, length) = Log::read(part).unwrap();
            let whole = ends.iter().copied().filter(|&e| e <= cut).max().unwrap();
            assert_eq!(length, whole);
            assert_eq!(log.walk.entries().len(), ends.iter().filter(|&&e| e <= cut).count() - 1);
        }
        assert!(Log::read(&text[..ends[0] - 1]).is_err());
    }

    #[test]
    fn a_changed_missing_or_moved_line_is_refused_by_number() {
        let (_, text) = written();
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        let row = |text: String| Log::read(&text).unwrap_err().place().row;
        for gone in 1..lines.len() - 1 {
            let kept: String = lines.iter().enumerate().filter(|(i, _)| *i != gone).map(|(_, l)| *l).collect();
            assert_eq!(row(kept), Some(gone as u64 + 1));
        }
        assert_eq!(row(text.replacen("\"counts\":[1]", "\"counts\":[9]", 1)), Some(3));
        assert_eq!(row(text.replacen("\"plants\":1", "\"plants\":2", 2)), Some(1)); // in the plan: edited
        assert_eq!(row(text.replacen("\"note\":null,", "", 1)), Some(2));
    }
}
