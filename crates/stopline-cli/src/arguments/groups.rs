//! Flags that several commands take, or that belong together in one.

use crate::values;
use clap::Args;
use std::path::PathBuf;
use stopline::counts::{Layout, Reading, Separator};
use stopline::{Error, Plants};

/// How a table of counts is read.
#[derive(Debug, Args)]
#[command(next_help_heading = "Reading counts")]
pub struct ReadingArguments {
    /// Columns with counts, which are added [default: the column count]
    #[arg(long, value_name = "COLUMNS", value_delimiter = ',')]
    pub count: Vec<String>,
    /// Plants of a site. Where the table has a column of plants, sites of another size are dropped
    #[arg(long, value_name = "N")]
    pub plants: Option<String>,
    /// What a cell holds where nothing was recorded, beside an empty cell [default: NA]
    #[arg(long, value_name = "WORDS", value_delimiter = ',')]
    pub missing: Vec<String>,
    /// What stands between cells: `,` `;` or `tab` [default: the one that fits the header]
    #[arg(long, value_name = "SIGN")]
    pub separator: Option<String>,
    /// Sites are counted to this and no further: a larger count is read as this, and a cell may say `10+`.
    /// A plan scores its sites so too
    #[arg(long, value_name = "N")]
    pub counted_to: Option<String>,
    /// Sheet of an .xlsx or .ods file [default: the only one]
    #[arg(long, value_name = "NAME")]
    pub sheet: Option<String>,
    /// Row of the header; what stands above it is passed over [default: the first that is not blank]
    #[arg(long, value_name = "N")]
    pub header_row: Option<String>,
    /// One row a walk: its sites stand across, in columns headed by their numbers (or named by --count);
    /// an empty cell is a site not visited
    #[arg(long, conflicts_with_all = ["one_row_per", "frequencies"])]
    pub wide: bool,
    /// What a row is: a site, or a plant of a site (its plants are added) [default: site]
    #[arg(long, value_name = "WHAT", value_parser = ["site", "plant"], conflicts_with = "frequencies")]
    pub one_row_per: Option<String>,
    /// A row is a count with the number of sites that have it, in the column sites
    #[arg(long)]
    pub frequencies: bool,
    /// In these columns an empty cell repeats the one above, as merged cells come out
    #[arg(long, value_name = "COLUMNS", value_delimiter = ',')]
    pub fill_down: Vec<String>,
    /// Column that names the field
    #[arg(long, value_name = "COLUMN", default_value = "field")]
    pub field_column: String,
    /// Column that names the visit [default: visit, if there is one]
    #[arg(long, value_name = "COLUMN")]
    pub visit_column: Option<String>,
    /// Column with the number of the site, rising along a walk [default: site; sites with --frequencies or --summary]
    #[arg(long, value_name = "COLUMN")]
    pub site_column: Option<String>,
    /// Column with the plants at the site [default: plants, if there is one]
    #[arg(long, value_name = "COLUMN")]
    pub plants_column: Option<String>,
}

impl ReadingArguments {
    /// The most that a site is counted to, if any.
    pub fn counted_to(&self) -> Result<Option<u32>, Error> {
        self.counted_to.as_deref().map(|text| values::whole("--counted-to", text, 1, 10_000)).transpose()
    }

    /// The plants asked for, if any.
    pub fn plants(&self) -> Result<Option<Plants>, Error> {
        self.plants.as_deref().map(|text| values::plants("--plants", text)).transpose()
    }

    const fn usual_site_column(&self) -> &'static str {
        if self.frequencies { "sites" } else { "site" }
    }

    /// How to read, checked.
    pub fn reading(&self) -> Result<Reading, Error> {
        let separator = self.separator.as_deref().map(Separator::parse).transpose();
        let mut how = Reading {
            field: self.field_column.clone(),
            visit: self.visit_column.clone(),
            site: self.site_column.clone().unwrap_or_else(|| self.usual_site_column().to_owned()),
            plants: self.plants_column.clone(),
            count: self.count.clone(),
            separator: separator.map_err(|e| e.named("--separator"))?,
            counted_to: self.counted_to()?,
            plants_wanted: self.plants()?,
            layout: match self.one_row_per.as_deref() {
                Some("plant") => Layout::Plants,
                _ if self.wide => Layout::Walks,
                _ if self.frequencies => Layout::Frequencies,
                _ => Layout::Sites,
            },
            fill_down: self.fill_down.clone(),
            ..Reading::default()
        };
        if !self.missing.is_empty() {
            how.missing = self.missing.iter().cloned().chain([String::new()]).collect();
        }
        Ok(how)
    }
}

/// What counts tell by group, place and observer.
#[derive(Debug, Args)]
#[command(next_help_heading = "Groups, places and observers")]
pub struct ApartArguments {
    /// Also fit each column of counts by itself
    #[arg(long, conflicts_with_all = ["summary", "counted_to"])]
    pub each: bool,
    /// Also fit a weighted sum of columns: numbers of at most 4 decimals, or fractions such as 1/3. Without --count these
    /// are the columns
    #[arg(long, value_name = "NAME=WEIGHT,...", conflicts_with_all = ["summary", "counted_to"])]
    pub weights: Option<String>,
    /// Columns with both coordinates of a site, or its row and step; with the length of one where the two differ, as
    /// row=0.75,step=1
    #[arg(long, value_name = "COLUMN,COLUMN", conflicts_with_all = ["summary", "counted_to"])]
    pub place: Option<String>,
    /// Sides of the square blocks that sites are gathered in [default: the rectangle of a walk's sites in 2, 3 and 4 parts
    /// each way]
    #[arg(long, value_name = "LENGTH,...", requires = "place")]
    pub blocks: Option<String>,
    /// Distances up to which sites are compared [default: five, up to half the largest]
    #[arg(long, value_name = "LENGTH,...", requires = "place")]
    pub distances: Option<String>,
    /// Column with who counted the site: do observers differ?
    #[arg(long, value_name = "COLUMN", conflicts_with_all = ["summary", "counted_to", "frequencies"])]
    pub observer: Option<String>,
}

/// The risks asked.
#[derive(Debug, Args)]
pub struct RiskArguments {
    /// Risk that a field truly at the inadequate threshold is called adequate [default: 0.1]
    #[arg(long, value_name = "RISK")]
    pub false_adequate: Option<String>,
    /// Risk that a field truly at the adequate threshold is called inadequate [default: 0.1]
    #[arg(long, value_name = "RISK")]
    pub false_inadequate: Option<String>,
}

/// What a site adds to the total.
#[derive(Debug, Args)]
#[command(next_help_heading = "What is scored")]
pub struct ScoreArguments {
    /// count: the enemies; positive: the units with more than --above enemies
    #[arg(long, value_name = "SCORE", default_value = "count", value_parser = ["count", "positive"])]
    pub score: String,
    /// A unit is positive when it holds more than this [default: 0]
    #[arg(long, value_name = "T")]
    pub above: Option<String>,
    /// Units looked at per site [default: 1]
    #[arg(long, value_name = "N")]
    pub units: Option<String>,
}

/// Checks, closing and method of a plan.
#[derive(Debug, Args)]
#[command(next_help_heading = "Shape of the plan")]
pub struct ShapeArguments {
    /// First site at which the total is compared with the lines [default: 5]
    #[arg(long, value_name = "N", conflicts_with = "lines")]
    pub min_sites: Option<String>,
    /// Most sites of a walk [default: 30]
    #[arg(long, value_name = "N", conflicts_with = "lines")]
    pub max_sites: Option<String>,
    /// Sites from one check to the next [default: 1]
    #[arg(long, value_name = "G", conflicts_with = "lines")]
    pub every: Option<String>,
    /// Check after these numbers of sites only
    #[arg(long, value_name = "N,...", conflicts_with_all = ["min_sites", "max_sites", "every", "lines"])]
    pub checks: Option<String>,
    /// calibrated: parallel lines as narrow as the exact risks allow; converging: straight lines that
    /// meet, likewise; optimal: fewest expected sites; fixed: one check; curtailed: the same, ended as soon as its call is certain; two-stage: two
    /// checks; two-stage-minimax: two checks, fewest sites at most; wald: lines of Wald (1947), whose
    /// risks are nominal; nominal: lines by formula, for an interval or a precision; tuned: the same, with
    /// the true precision kept over a range of means (--over)
    /// [default: calibrated; nominal for an interval or a precision]
    #[arg(long, value_name = "METHOD", conflicts_with = "lines")]
    pub method: Option<String>,
    /// With a two-stage method: the one call that its first check may make, `inadequate` or `adequate`
    /// [default: both]
    #[arg(long, value_name = "CALL", conflicts_with_all = ["lines", "shared"])]
    pub early: Option<String>,
    /// At the most sites: call, or undecided between the lines [default: call; undecided for a precision]
    #[arg(long, value_name = "HOW", conflicts_with = "lines")]
    pub closing: Option<String>,
    /// Most that an optimal plan may end undecided, as a probability
    #[arg(long, value_name = "SHARE", conflicts_with_all = ["lines", "shared"])]
    pub undecided_at_most: Option<String>,
    /// Lines typed in from a paper: CSV with sites,inadequate_at_most,adequate_at_least; for three calls
    /// also marginal_from,marginal_to; for a precision sites,enough_at_least
    #[arg(long, value_name = "TABLE")]
    pub lines: Option<PathBuf>,
}

/// What an optimal plan has least of.
#[derive(Debug, Args)]
#[command(next_help_heading = "Fewest sites of an optimal plan")]
pub struct ObjectiveArguments {
    /// Fewest sites on average over these true means, counted like the thresholds [default: where most
    /// are needed]
    #[arg(long, value_name = "MEAN,...", conflicts_with_all = ["prior_from", "lines", "shared"])]
    pub at: Option<String>,
    /// How much each mean of --at counts [default: all the same]
    #[arg(long, value_name = "WEIGHT,...", requires = "at")]
    pub weights: Option<String>,
    /// Fewest sites on average over fields like those of past counts: their means, with the error of
    /// sampling taken out
    #[arg(long, value_name = "COUNTS", conflicts_with_all = ["lines", "shared"])]
    pub prior_from: Option<PathBuf>,
}

/// Walks to simulate.
#[derive(Debug, Args)]
#[command(next_help_heading = "Simulated walks, with their Monte-Carlo errors")]
pub struct SimulationArguments {
    /// Simulate so many walks at each mean instead of computing exactly
    #[arg(long, value_name = "WALKS")]
    pub simulate: Option<String>,
    /// Where their random numbers begin: the same seed gives the same numbers on any machine [default: 1]
    #[arg(long, value_name = "SEED")]
    pub seed: Option<String>,
}

/// What neighbouring sites have in common.
#[derive(Debug, Args)]
#[command(next_help_heading = "Sites that are alike")]
pub struct SharedArguments {
    /// Share of the counts' variance beyond that of Poisson counts that sites have in common
    #[arg(long, value_name = "SHARE")]
    pub shared: Option<String>,
    /// It is common to runs of so many sites: 1 to N, N + 1 to 2 N, ...
    #[arg(long, value_name = "N", requires = "shared", conflicts_with = "whole_walk")]
    pub run: Option<String>,
    /// It is common to all sites of a walk: the part of the field walked differs from the field
    #[arg(long, requires = "shared")]
    pub whole_walk: bool,
}

/// Real walks drawn again.
#[derive(Debug, Args)]
#[command(next_help_heading = "Real walks drawn again")]
pub struct RealArguments {
    /// Walk the plan over the sites of these walks drawn again (10000 times, or as --simulate says), beside the exact
    /// curve at the mean of each walk
    #[arg(long, value_name = "COUNTS", conflicts_with_all = ["means", "shared", "sensitivity"])]
    pub resample: Option<PathBuf>,
    /// How sites are drawn; blocks: neighbours together
    #[arg(
        long,
        value_name = "HOW",
        requires = "resample",
        default_value = "with-replacement",
        value_parser = ["with-replacement", "without-replacement", "blocks"]
    )]
    pub redraw: String,
    /// Neighbours of a block [default: 5]
    #[arg(long, value_name = "N", requires = "resample")]
    pub block: Option<String>,
    /// Beside each field, k fitted to the other fields
    #[arg(long, requires = "resample", conflicts_with = "k")]
    pub hold_out: bool,
    /// Sets of walks that the verdict is got from [default: 199]
    #[arg(long, value_name = "N", requires = "resample")]
    pub sets: Option<String>,
}

/// The user's own times; `--minutes-site` alone is enough.
#[derive(Debug, Args)]
#[command(next_help_heading = "Your own times")]
pub struct TimeArguments {
    /// Minutes for a site and the way to the next
    #[arg(long, value_name = "MINUTES")]
    pub minutes_site: Option<String>,
    /// Minutes more for each plant of a site
    #[arg(long, value_name = "MINUTES")]
    pub minutes_plant: Option<String>,
    /// Minutes more for each enemy counted
    #[arg(long, value_name = "MINUTES")]
    pub minutes_enemy: Option<String>,
    /// Minutes for walking into the field and out again, which stopping early may not save
    #[arg(long, value_name = "MINUTES")]
    pub minutes_in_out: Option<String>,
}
