//! Counting without a plan: a table that `fit` reads, one row a site, grown row by row.

use super::journal::Journal;
use super::line::{self, Typed};
use super::talk::Talk;
use super::tally::Next;
use super::{named, today};
use crate::arguments;
use crate::failure::Failure;
use crate::output::Answer;
use crate::values;
use crate::words::many;
use std::path::PathBuf;
use stopline::{Code, Error, Plants, Score};

pub fn run(args: &arguments::Walk, talk: &Talk) -> Result<Answer, Failure> {
    if args.practice {
        return Err(Error::about(Code::Usage, "practice without a plan", "a plan file").into());
    }
    let plants = args.plants.as_deref().map(|text| values::plants("--plants", text)).transpose()?;
    let plants = plants.unwrap_or(Plants::USUAL);
    let columns = if args.groups.is_empty() { vec!["count".to_owned()] } else { args.groups.clone() };
    let header = row(&[&["field", "visit", "site", "plants"].map(str::to_owned)[..], &columns].concat())?;
    let mut field = args.field.clone();
    talk.say("Counting without a plan: for a first calibration, count every site of the walk and do not stop early.")?;
    while let Some(name) = named(talk, field.take())? {
        let visit = args.visit.clone().unwrap_or_else(today);
        let path = args.log.clone().unwrap_or_else(|| PathBuf::from("counts.csv"));
        let (mut journal, text) = Journal::open(&path)?;
        if text.is_empty() {
            journal.push(&header);
        } else if !text.starts_with(&header) {
            let found = text.lines().next().unwrap_or_default().to_owned();
            let file = path.display().to_string();
            return Err(Failure::from(Error::new(Code::CountsColumn, "header", found, header.trim())).in_file(&file));
        }
        let mut table =
            Table { journal, field: name, visit, plants, columns: columns.len(), rows: Vec::new(), site: 0 };
        table.count_earlier(&text);
        let next = table.run(talk, &args.groups)?;
        table.journal.close(talk)?;
        match next {
            Next::Field(name) => field = Some(name),
            Next::Done => break,
        }
    }
    Ok(Answer::default())
}

/// Cells as one row of CSV.
fn row(cells: &[String]) -> Result<String, Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let failed = |e: String| Failure::from(Error::new(Code::CountsRow, "row", e, "text"));
    writer.write_record(cells).map_err(|e| failed(e.to_string()))?;
    let bytes = writer.into_inner().map_err(|e| failed(e.to_string()))?;
    String::from_utf8(bytes).map_err(|e| failed(e.to_string()))
}

struct Table {
    journal: Journal,
    field: String,
    visit: String,
    plants: Plants,
    columns: usize,
    /// Length of the file before each row of this walk.
    rows: Vec<u64>,
    site: u32,
}

impl Table {
    /// Goes on after the sites of this field and visit that are there.
    fn count_earlier(&mut self, text: &str) {
        let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(text.as_bytes());
        let mut starts: Vec<u64> = Vec::new();
        let mut records = reader.records();
        while let Some(Ok(record)) = records.next() {
            if record.get(0) == Some(&self.field) && record.get(1) == Some(&self.visit) {
                starts.push(record.position().map_or(0, csv::Position::byte));
                self.site += 1;
            } else {
                starts.clear(); // only the last rows of the file can be taken back
            }
        }
        self.rows = starts;
    }

    /// Asks for sites of the field.
    fn run(&mut self, talk: &Talk, groups: &[String]) -> Result<Next, Failure> {
        self.save(talk)?;
        loop {
            let sites = many(self.site, "site");
            let Some(text) = talk.ask(&format!("{}, {sites} so far. Site {}:", self.field, self.site + 1))? else {
                talk.raw("\n")?;
                return Ok(Next::Done);
            };
            match line::read(&text, &Score::Count, groups) {
                Ok(Typed::Site(site)) => {
                    // A total where groups are asked is no count of each.
                    if site.groups.len() != self.columns {
                        talk.say(&format!("Not taken: {} counts, one a group.", self.columns))?;
                        continue;
                    }
                    let counts = site.groups.iter().map(|count| count.map_or_else(|| "NA".to_owned(), |c| c.to_string()));
                    self.add(counts.collect())?;
                }
                Ok(Typed::Skip) => self.add(vec!["NA".to_owned(); self.columns])?,
                Ok(Typed::Undo) => match self.rows.pop() {
                    Some(before) => {
                        self.journal.cut(before);
                        self.site -= 1;
                        talk.say("The last site is taken back.")?;
                    }
                    None => talk.say("There is no site of this walk to take back.")?,
                },
                // The file is opened anew: it may hold sites of that field.
                Ok(Typed::Field(name)) if self.journal.pending().is_empty() => return Ok(Next::Field(name)),
                Ok(Typed::Field(_)) => talk.say("Not to the next field while counts of this one are not on disk.")?,
                Ok(Typed::End | Typed::Leave) => {
                    if self.journal.pending().is_empty() {
                        let path = self.journal.path().display();
                        talk.say(&format!("Kept in {path}. Next: stopline fit on that file."))?;
                    }
                    return Ok(Next::Done);
                }
                Ok(Typed::Nothing) => {}
                Ok(Typed::Short) => talk.say(&format!(
                    "A site is {}. Beat the next plants of the row until there are enough, or type skip. Never guess, never scale up.",
                    many(self.plants.get(), "plant")
                ))?,
                Ok(_) => talk.say("Type counts, or: undo, skip, short, field NAME, end.")?,
                Err(e) => talk.say(&format!("Not taken: {e}"))?,
            }
            self.save(talk)?;
        }
    }

    fn add(&mut self, counts: Vec<String>) -> Result<(), Failure> {
        let site = (self.site + 1).to_string();
        let head = [self.field.clone(), self.visit.clone(), site, self.plants.get().to_string()];
        self.rows.push(self.journal.length());
        self.journal.push(&row(&[&head[..], &counts].concat())?);
        self.site += 1;
        Ok(())
    }

    fn save(&mut self, talk: &Talk) -> Result<(), Failure> {
        if let Err(e) = self.journal.save() {
            talk.loud("NOT ON DISK")?;
            talk.say(&format!(
                "The table cannot be written ({e}). Counts are kept in memory: make room and press Enter."
            ))?;
        }
        Ok(())
    }
}
