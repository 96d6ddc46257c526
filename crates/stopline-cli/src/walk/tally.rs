//! One field: its log, its prompts and its verdict.

use super::conditions::{self, Answers};
use super::journal::Journal;
use super::line::{self, Typed};
use super::talk::Talk;
use super::{now, today};
use crate::clumped::{self, Fallback};
use crate::decide;
use crate::failure::Failure;
use crate::words::many;
use std::path::Path;
use std::sync::Arc;
use stopline::decide::{Decision, Entry, Log, LogHead};
use stopline::plan::Plan;
use stopline::{Code, Error, Score, Site};

/// What comes after a field.
pub enum Next {
    /// Another field.
    Field(String),
    /// Nothing.
    Done,
}

pub struct Tally {
    log: Log,
    journal: Journal,
    groups: Vec<String>,
}

impl Tally {
    /// Goes on with a log, or begins it; `None` where the walk does not begin.
    pub fn open(
        talk: &Talk,
        path: &Path,
        plan: &Arc<Plan>,
        field: &str,
        visit: Option<&str>,
        groups: &[String],
    ) -> Result<Option<Self>, Failure> {
        let (mut journal, text) = Journal::open(path)?;
        let name = path.display().to_string();
        if !text.is_empty() {
            let (log, _) = Log::read(&text).map_err(|e| Failure::from(e).in_file(&name))?;
            let differs = |what: &str, here: &str, there: &str| -> Result<(), Failure> {
                if here == there {
                    return Ok(());
                }
                let allowed = format!("{there}, as in the log; another walk needs another log");
                Err(Failure::from(Error::new(Code::Log, what, here, allowed)).in_file(&name))
            };
            differs("plan", plan.digest().as_str(), log.walk().plan().digest().as_str())?;
            differs("field", field, &log.head().field)?;
            differs("visit", visit.unwrap_or(&log.head().visit), &log.head().visit)?;
            talk.say(&format!("Going on with {name}, visit {}.", log.head().visit))?;
            if !log.head().at.starts_with(&today()) {
                talk.say(&format!(
                    "By the clock it was begun on another day ({}). Another day starts from zero: unless the clock is wrong, begin a new walk.",
                    log.head().at
                ))?;
            }
            let tally = Self { log, journal, groups: groups.to_vec() };
            return Ok(Some(tally));
        }
        let notes = match conditions::ask(talk, plan) {
            Ok(Answers::Begin(notes)) => notes,
            Ok(Answers::NotToday) => {
                talk.say("Not begun.")?;
                journal.forget();
                return Ok(None);
            }
            Err(e) => return Err(e),
        };
        let visit = visit.map_or_else(today, str::to_owned);
        let head = LogHead { field: field.to_owned(), visit, at: now() };
        let (log, first) = Log::start(Arc::clone(plan), head)?;
        journal.push(&first);
        let mut tally = Self { log, journal, groups: groups.to_vec() };
        tally.save(talk)?;
        for note in notes {
            tally.enter(talk, Entry::Note(note))?;
        }
        talk.say(&format!("Field {field}. Every entry is kept in {name}."))?;
        talk.say(line::HELP)?;
        Ok(Some(tally))
    }

    pub fn decision(&self) -> Decision {
        self.log.walk().decision()
    }

    /// Asks for entries until the field is done.
    pub fn run(&mut self, talk: &Talk, fallback: Option<&Fallback>) -> Result<Next, Failure> {
        self.show(talk, fallback)?;
        loop {
            let Some(text) = talk.ask(&self.prompt())? else {
                talk.raw("\n")?;
                return Ok(Next::Done);
            };
            let typed = line::read(&text, &self.log.walk().plan().asked().score, &self.groups);
            let done = typed.map_err(Failure::from).and_then(|typed| self.take(talk, typed, fallback));
            match done {
                Ok(None) => {}
                Ok(Some(next)) => return Ok(next),
                Err(failure) if failure.is_of_entry() => talk.say(&format!("Not taken: {}", failure.words()))?,
                Err(failure) => return Err(failure),
            }
        }
    }

    fn take(&mut self, talk: &Talk, typed: Typed, fallback: Option<&Fallback>) -> Result<Option<Next>, Failure> {
        let paused = self.paused();
        if paused && matches!(typed, Typed::Site(_) | Typed::Skip) {
            talk.say("The walk is paused: type resume first.")?;
            return Ok(None);
        }
        let plants = many(self.log.walk().plan().asked().plants.get(), "plant");
        match typed {
            Typed::Site(site) => {
                let said = said(&site);
                self.enter(talk, Entry::Site(site))?;
                talk.say(&format!("{said} taken."))?;
                self.show(talk, fallback)?;
            }
            Typed::Skip => {
                self.enter(talk, Entry::Skip)?;
                talk.say("Site skipped: it counts neither as a site nor as 0.")?;
            }
            Typed::Undo => {
                self.enter(talk, Entry::Undo)?;
                talk.say("The last entry is taken back.")?;
                self.show(talk, fallback)?;
            }
            Typed::Note(note) => self.enter(talk, Entry::Note(note))?,
            Typed::Pause if !paused => {
                self.enter(talk, Entry::Pause)?;
                talk.say("Paused. Type resume to go on; it is safe to switch off.")?;
            }
            Typed::Resume if paused => {
                self.enter(talk, Entry::Resume)?;
                self.show(talk, fallback)?;
            }
            Typed::Pause | Typed::Resume => talk.say(if paused { "It is paused." } else { "It is not paused." })?,
            Typed::Short => talk.say(&format!(
                "A site is {plants}. Too few here? Beat the next plants of the row until there are enough, or type skip. Never guess, never scale up."
            ))?,
            Typed::End => {
                if self.decision().ended_by.is_none() {
                    self.enter(talk, Entry::Close)?;
                    self.show(talk, fallback)?;
                }
                return Ok(Some(Next::Done));
            }
            Typed::Field(name) => {
                self.save(talk)?;
                if self.journal.pending().is_empty() {
                    return Ok(Some(Next::Field(name)));
                }
                talk.say("Not to the next field while entries of this one are not on disk; leave tells them.")?;
            }
            Typed::Leave => return Ok(Some(Next::Done)),
            Typed::Show => self.show(talk, fallback)?,
            Typed::Help => talk.say(line::HELP)?,
            Typed::Nothing => self.save(talk)?,
        }
        Ok(None)
    }

    /// Takes an entry, in memory and on disk.
    fn enter(&mut self, talk: &Talk, entry: Entry) -> Result<(), Failure> {
        let line = self.log.append(entry, &now())?;
        self.journal.push(&line);
        self.save(talk)
    }

    /// Brings to disk what is not; says so where it cannot.
    fn save(&mut self, talk: &Talk) -> Result<(), Failure> {
        if self.journal.pending().is_empty() {
            return Ok(());
        }
        let late = self.journal.pending().lines().count() as u64;
        match self.journal.save() {
            Ok(()) if late > 1 => {
                talk.say(&format!("On disk now: {}.", many(late, "entry").replace("entrys", "entries")))
            }
            Ok(()) => Ok(()),
            Err(e) => {
                talk.loud("NOT ON DISK")?;
                talk.say(&format!(
                    "{} cannot be written ({e}). What you entered is kept in memory. Make room and press Enter; each entry tries again. Write the counts down.",
                    self.journal.path().display()
                ))
            }
        }
    }

    /// Leaves the field.
    pub fn close(self, talk: &Talk) -> Result<(), Failure> {
        self.journal.close(talk)
    }

    fn paused(&self) -> bool {
        let last = self.log.walk().entries().iter().rev().find(|e| matches!(e, Entry::Pause | Entry::Resume));
        matches!(last, Some(Entry::Pause))
    }

    fn prompt(&self) -> String {
        let state = self.log.walk().state();
        let number = state.sites + state.after_stop + state.skipped + 1;
        let of = match &self.log.walk().plan().asked().score {
            Score::Positive { units, .. } => format!(" ({units} counts)"),
            _ if self.groups.is_empty() => String::new(),
            _ => format!(" ({})", self.groups.join(" + ")),
        };
        if self.paused() { "Paused:".to_owned() } else { format!("Site {number}{of}:") }
    }

    /// The verdict, where the walk stands and what comes.
    fn show(&self, talk: &Talk, fallback: Option<&Fallback>) -> Result<(), Failure> {
        let d = self.decision();
        talk.loud(&decide::verdict(&d))?;
        talk.say(&format!("Total {} after {}.", d.total, many(d.sites, "site")))?;
        if d.after_stop > 0 {
            talk.say(&format!("{} after the stop: they do not change the call.", many(d.after_stop, "more site")))?;
        }
        if let Some(check) = &d.next_check {
            talk.say(&decide::next_check(check, d.total))?;
        }
        if let Some(next) = &d.what_next {
            decide::what_next(next).iter().try_for_each(|text| talk.say(text))?;
        }
        if clumped::alarmed(&d) {
            talk.loud("MORE CLUMPED THAN PLANNED")?;
            d.check_of_k.iter().try_for_each(|look| talk.say(&look.reading))?;
            if let Some(fallback) = fallback {
                talk.say(&decide::by_fallback(&fallback.decision(self.log.walk())?, &fallback.name()))?;
            }
        } else if d.ended_by.is_some() {
            d.check_of_k.iter().try_for_each(|look| talk.say(&look.reading))?;
        }
        if d.ended_by.is_some() {
            let learnt = decide::learnt(&d, self.log.walk().plan().asked());
            learnt.iter().try_for_each(|text| talk.say(text))?;
            let cautions = d.cautions.iter().filter(|caution| caution.code != "more_clumped");
            cautions.into_iter().try_for_each(|caution| talk.say(&caution.text))?;
        }
        Ok(())
    }
}

/// A site as it was typed.
fn said(site: &Site) -> String {
    site.groups
        .iter()
        .map(|count| count.map_or_else(|| "NA".to_owned(), |c| c.to_string()))
        .collect::<Vec<_>>()
        .join(" + ")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
    use super::*;
    use stopline::plan::{Aim, Design, Table};
    use stopline::{Dispersion, K, Plants, Quiet};

    fn plan() -> Arc<Plan> {
        let table = Table::of(&[(2, None, Some(9)), (4, Some(3), Some(8))]).unwrap();
        let design = Design {
            score: Score::Count,
            plants: Plants::ONE,
            dispersion: Dispersion::ConstantK { k: K::new(1.0).unwrap() },
            aim: Aim::TwoCalls { thresholds: None, risks: None },
            checks: table.checks,
            closing: table.closing,
        };
        Arc::new(Plan::given(design, table.lines, &Quiet).unwrap())
    }

    /// A kill at each byte of the log: everything confirmed before it is there, and the walk goes on.
    #[test]
    fn a_kill_at_each_byte_loses_only_what_was_not_confirmed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plover.jsonl");
        let talk = Talk::new(true);
        let entries =
            [Entry::Site(Site::of(1)), Entry::Note("dew".into()), Entry::Skip, Entry::Undo, Entry::Site(Site::of(2))];
        let head = LogHead { field: "Plover".into(), visit: "1".into(), at: now() };
        let (mut log, mut text) = Log::start(plan(), head).unwrap();
        let mut ends = vec![text.len()];
        for entry in &entries {
            text += &log.append(entry.clone(), &now()).unwrap();
            ends.push(text.len());
        }
        for cut in 0..=text.len() {
            std::fs::write(&path, &text[..cut]).unwrap();
            let confirmed = ends.iter().filter(|&&end| end <= cut).count();
            let mut tally = Tally::open(&talk, &path, &plan(), "Plover", Some("1"), &[]).unwrap().unwrap();
            assert_eq!(tally.log.walk().entries(), &entries[..confirmed.saturating_sub(1)], "{cut}");
            tally.enter(&talk, Entry::Site(Site::of(3))).unwrap();
            let on_disk = std::fs::read_to_string(&path).unwrap();
            let (read, length) = Log::read(&on_disk).unwrap();
            assert_eq!((read.walk().entries().len(), length), (confirmed.max(1), on_disk.len()), "{cut}");
        }
    }
}
