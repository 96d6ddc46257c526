//! What was noticed while reading counts, as numbers and in words.

use super::Counts;

/// Where the number of plants of a site is known from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PlantsFrom {
    /// The table has a column of plants.
    Column,
    /// It has a row for every plant.
    Apart,
    /// It has none; the caller gave the number.
    Asked,
    /// Nobody gave it: one plant.
    Assumed,
}

/// What was noticed while reading, beside the counts themselves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub struct Noticed {
    /// Sites read: rows without the header and blank rows, where a row is a site.
    pub rows: u64,
    /// Of these, rows dropped since their sites have another number of plants than wanted.
    pub dropped_other_plants: u64,
    /// Sites without a count.
    pub missing_sites: u64,
    /// Numbers of sites left out within walks.
    pub skipped_sites: u64,
    /// Where the number of plants comes from.
    pub plants_from: PlantsFrom,
    /// Whether the order of the sites along the walks is known: not from frequencies.
    pub order_known: bool,
    /// Whether a column names the visit; if not, all rows are of one visit.
    pub visit_column: bool,
}

impl Counts {
    /// What a person should know about how the counts were read, in words; empty if there is nothing.
    ///
    /// ```
    /// use stopline::counts::{Counts, Reading};
    /// let table = "field,site,count\nheron,1,2\nheron,2,\nheron,4,0\n";
    /// let notes = Counts::read(table.as_bytes(), &Reading::default())?.notes();
    /// assert_eq!(notes[2], "1 of 3 sites is missing (a site without a count, or without one of its groups; never 0)");
    /// # Ok::<(), stopline::Errors>(())
    /// ```
    #[must_use]
    pub fn notes(&self) -> Vec<String> {
        let Noticed {
            rows,
            dropped_other_plants: dropped,
            missing_sites,
            skipped_sites,
            plants_from,
            visit_column,
            order_known,
        } = self.noticed;
        let plants = match self.plants.get() {
            1 => "1 plant".to_owned(),
            n => format!("{n} plants"),
        };
        let is = |n: u64| if n == 1 { "is" } else { "are" };
        let mut notes = Vec::new();
        if !visit_column {
            notes.push("no column of visits: all rows are taken as one visit".to_owned());
        }
        if !order_known {
            notes.push("counts come as frequencies: the order of the sites along the walks is not known".to_owned());
        }
        match plants_from {
            PlantsFrom::Apart => notes.push(format!("plants stand apart: {plants} make a site")),
            PlantsFrom::Column => {}
            PlantsFrom::Asked => notes.push(format!("no column of plants: every site is taken as {plants}, as asked")),
            PlantsFrom::Assumed => notes.push(format!("no column of plants: every site is taken as {plants}")),
        }
        if dropped > 0 {
            notes.push(format!("{dropped} of {rows} rows {} dropped: not sites of {plants}", is(dropped)));
        }
        if missing_sites > 0 {
            notes.push(format!(
                "{missing_sites} of {} sites {} missing (a site without a count, or without one of its groups; never 0)",
                rows - dropped,
                is(missing_sites)
            ));
        }
        if skipped_sites > 0 {
            let walks = self.walks.iter().filter(|walk| walk.skipped() > 0).count();
            let walks = if walks == 1 { "1 walk".to_owned() } else { format!("{walks} walks") };
            let numbers = if skipped_sites == 1 { "site number" } else { "site numbers" };
            notes.push(format!("{skipped_sites} {numbers} {} skipped, in {walks}", is(skipped_sites)));
        }
        notes
    }
}
