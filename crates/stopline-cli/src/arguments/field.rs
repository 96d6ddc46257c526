//! Flags of the commands for the field, and for what came of a walk.

use clap::Args;
use std::path::PathBuf;

/// Decide.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples (in the first, the third site could not be counted):
  stopline decide plan.json --counts 3,0,NA,2
  stopline decide --log plover.jsonl --words --record plover.csv")]
pub struct Decide {
    /// Plan file (`-`: standard input); not needed with --log, which holds it
    #[arg(required_unless_present = "log")]
    pub plan: Option<PathBuf>,
    /// Counts of the sites in the order walked; NA for a site not counted; + between groups or units
    #[arg(long, value_name = "COUNT,...", required_unless_present = "log", conflicts_with = "log")]
    pub counts: Option<String>,
    /// The log of a walk instead of counts
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
    /// In plain words, for a grower
    #[arg(long, conflicts_with = "json")]
    pub words: bool,
    /// The plan for a lower k (see plan --fallback): what it says is told where counts are more clumped than planned
    #[arg(long, value_name = "PLAN")]
    pub fallback: Option<PathBuf>,
    /// Also write a record of the decision, as JSON or (.csv) as a table
    #[arg(long, value_name = "FILE")]
    pub record: Option<PathBuf>,
    /// The walk ended here (rain, dusk): without a stop that is no call
    #[arg(long, conflicts_with = "log")]
    pub ended: bool,
    /// Level of the interval of the mean
    #[arg(long, value_name = "LEVEL", default_value = "0.9")]
    pub level: String,
    /// How stops are put in order for the interval
    #[arg(long, value_name = "ORDER", default_value = "plain_mean", value_parser = ["plain_mean", "stage"])]
    pub order: String,
}

/// Walk.
#[derive(Debug, Args)]
#[command(after_help = "\
A log that is there is gone on with. Without a plan, counts alone are kept, as fit reads them.

Examples:
  stopline walk plan.json --field Plover --log plover.jsonl
  stopline walk --field Plover --groups lady_beetles,spiders --plants 3 --log counts.csv
  stopline walk plan.json --practice")]
pub struct Walk {
    /// Plan file; none: only count, for a first calibration
    pub plan: Option<PathBuf>,
    /// Name of the field [default: it is asked for]
    #[arg(long, value_name = "NAME")]
    pub field: Option<String>,
    /// Name of the visit [default: today's date]
    #[arg(long, value_name = "NAME")]
    pub visit: Option<String>,
    /// File that keeps every entry [default: walk-FIELD-VISIT.jsonl; without a plan counts.csv]
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
    /// The plan for a lower k (see plan --fallback): what it says is told where counts are more clumped than planned
    #[arg(long, value_name = "PLAN", requires = "plan", conflicts_with = "practice")]
    pub fallback: Option<PathBuf>,
    /// Groups of enemies that are counted apart; they are added
    #[arg(long, value_name = "NAME,...", value_delimiter = ',')]
    pub groups: Vec<String>,
    /// Plants of a site, where there is no plan to tell [default: 3]
    #[arg(long, value_name = "N", conflicts_with = "plan")]
    pub plants: Option<String>,
    /// A made-up field with a hidden mean; nothing is kept
    #[arg(long, conflicts_with_all = ["log", "field", "visit"])]
    pub practice: bool,
    /// Where the made-up counts begin: the same seed gives the same field
    #[arg(long, value_name = "N", requires = "practice")]
    pub seed: Option<String>,
}

/// The card.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  stopline card plan.json --out card.txt")]
pub struct Card {
    /// Plan file (`-`: standard input)
    pub plan: PathBuf,
    /// Write the card here instead of printing it
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}

/// Verify.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  stopline verify plan.json")]
pub struct Verify {
    /// Plan file (`-`: standard input)
    pub plan: PathBuf,
}
