//! The command line. Values of flags are kept as text: [`crate::values`] checks them.

mod field;
mod groups;

pub use field::*;
pub use groups::*;

use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Says when enough sites have been counted to call a field's natural enemies adequate or inadequate:
/// fits how clumped counts are, derives stop lines with exactly known risks, and decides in the field.
#[derive(Debug, Parser)]
#[command(name = "stopline", version, arg_required_else_help = true, after_help = EXAMPLE)]
pub struct Arguments {
    #[command(subcommand)]
    pub command: Command,
    /// Print one JSON object on standard output, messages on standard error
    #[arg(long, global = true)]
    pub json: bool,
}

const EXAMPLE: &str = "\
Example, in the order of the work:
  stopline fit counts.csv
  stopline levels --around 1.5 --per site --from counts.csv
  stopline plan --from counts.csv --per site --inadequate 1 --adequate 2 --out plan.json
  stopline evaluate plan.json --means 0.5,1,2
  stopline compare plan.json --from counts.csv
  stopline replay plan.json counts.csv
  stopline decide plan.json --counts 3,0,2
  stopline walk plan.json
  stopline card plan.json

Exit codes: 0 done; 1 the machine failed (disk, memory); 2 input refused;
3 no plan meets the request (the message says what would); 130 interrupted.";

#[derive(Debug, Subcommand)]
pub enum Command {
    /// How clumped are the counts? k of each walk, and one k common to all
    Fit(Fit),
    /// What would pairs of thresholds around a number cost in sites?
    Levels(Levels),
    /// Derive a stop plan, with a report of what it costs and whether fewer sites would do
    Plan(Box<Plan>),
    /// What does a plan really do? Chance of each call and number of sites, at true means
    Evaluate(Evaluate),
    /// Would fewer sites do? Fixed numbers of sites and plans side by side
    Compare(Compare),
    /// A plan run over full walks: where it stops, and whether it agrees with the whole walk
    Replay(Replay),
    /// A grid of simulations that goes on where it was stopped: plans, clumping, shared parts, repeats
    Study(Study),
    /// What do the counts of a walk come to under a plan?
    Decide(Decide),
    /// Count in the field, site by site: every entry is on disk at once, and the verdict is told after each
    Walk(Walk),
    /// The card to carry into the field: every check with its lines
    Card(Card),
    /// Recompute everything that a plan file states
    Verify(Verify),
}

/// Fit k to counts.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stopline fit counts.csv --count lady_beetles,spiders
  stopline fit counts.csv --study --draws 1999 --seed 7
  stopline fit counts.csv --weights lady_beetles=1,spiders=0.5 --each
  stopline fit counts.csv --place row=0.75,step=1 --observer scout
  stopline fit beats.xlsx --sheet June --one-row-per plant --fill-down field,visit")]
pub struct Fit {
    /// Table of site counts: CSV, .xlsx or .ods with one row a site (or as told below) (`-`: standard input)
    pub counts: PathBuf,
    /// Level of the intervals of k
    #[arg(long, value_name = "LEVEL", default_value = "0.95")]
    pub level: String,
    /// Everything that a paper reports: precision of k, tests of the fitted laws, spread of k over fields, laws of
    /// variance, order of sites
    #[arg(long)]
    pub study: bool,
    /// Sets of counts drawn at random for a study, and for groups, places and observers [default: 999]
    #[arg(long, value_name = "N")]
    pub draws: Option<String>,
    /// Where these random numbers begin: the same seed gives the same numbers [default: 1]
    #[arg(long, value_name = "N")]
    pub seed: Option<String>,
    /// Sites of a run along the walk, for a study of their order [default: 5]
    #[arg(long = "run", value_name = "N", requires = "study")]
    pub run_length: Option<String>,
    /// The table holds summaries: a row is a field with its sites, mean and variance (columns sites, mean, variance),
    /// which tell the laws of variance
    #[arg(long, conflicts_with_all = ["study", "stopped_by", "wide", "one_row_per", "frequencies", "csv"])]
    pub summary: bool,
    /// Means per site at which the power law's k is told, for a study or summaries
    #[arg(long, value_name = "MEAN,...")]
    pub at_means: Option<String>,
    /// How many fields and sites tell k with this standard error over k (0.2: to about a fifth)?
    #[arg(long, value_name = "PART")]
    pub quality: Option<String>,
    /// With --one-row-per plant, the best number of plants of a site: minutes for a site and the way to the next
    #[arg(long, value_name = "MINUTES", requires = "minutes_plant")]
    pub minutes_site: Option<String>,
    /// Minutes more for each plant
    #[arg(long, value_name = "MINUTES", requires = "minutes_site")]
    pub minutes_plant: Option<String>,
    /// Minutes more for each enemy counted [default: 0]
    #[arg(long, value_name = "MINUTES", requires = "minutes_site")]
    pub minutes_enemy: Option<String>,
    /// Write a table with a row for each walk here, as CSV
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Also fit the share of sites with more than this to the mean, for `plan --proportion`
    #[arg(long, value_name = "T")]
    pub above: Option<String>,
    /// The plan that stopped these walks: k is also fitted to where they stopped
    #[arg(long, value_name = "PLAN")]
    pub stopped_by: Option<PathBuf>,
    #[command(flatten)]
    pub apart: ApartArguments,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

/// Thresholds around a number.
#[derive(Debug, Args)]
#[command(after_help = "\
Nothing is recommended: thresholds come from local advice.

Example:
  stopline levels --around 1.5 --per site --k 0.8,1.2,2")]
pub struct Levels {
    /// The number of enemies in question
    #[arg(long, value_name = "NUMBER")]
    pub around: String,
    /// What it is counted per: site, plant or 100-plants [required unless a site is one plant]
    #[arg(long, value_name = "UNIT")]
    pub per: Option<String>,
    /// Clumping k to look at, one or several
    #[arg(long, value_name = "K,...")]
    pub k: Option<String>,
    /// Past counts: their common k and its lower limit, unless --k is given, and where their means fall
    #[arg(long, value_name = "COUNTS", required_unless_present = "k")]
    pub from: Option<PathBuf>,
    #[command(flatten)]
    pub risks: RiskArguments,
    /// First check of the plans
    #[arg(long, value_name = "N", default_value = "5")]
    pub min_sites: String,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

/// Derive a plan.
#[derive(Debug, Args)]
#[command(after_help = "\
The clumping comes from counts (--from), from a number (--k), or is none (--poisson). With
--score positive, units holding more than --above enemies are counted: thresholds are shares of
units, or with a clumping given means of counts.

Examples:
  stopline plan --from counts.csv --per site --inadequate 1 --adequate 2 \\
      --out plan.json --card card.txt
  stopline plan --k 1.2 --plants 3 --per 100-plants --inadequate 33 --adequate 67 --every 5
  stopline plan --score positive --above 0 --inadequate 0.1 --adequate 0.3 --checks 10,29
  stopline plan --method optimal --prior-from counts.csv --from counts.csv --per site \\
      --inadequate 1 --adequate 2
  stopline plan --lines table.csv --k 2 --per site --inadequate 1.5 --adequate 3
  stopline plan --aim interval --critical 1 --confidence 0.85 --sides one --power-law 3.05,1.02 \\
      --per site --min-sites 15 --max-sites 50
  stopline plan --aim precision --se-over-mean 0.25 --k 2 --max-sites 100
  stopline plan --aim three-calls --inadequate 1 --adequate 2 --upper-inadequate 4 \\
      --upper-adequate 7 --k 1.2 --per site --max-sites 60")]
pub struct Plan {
    /// Clumping k (variance m + m²/k at mean m): the smaller, the more clumped
    #[arg(long, value_name = "K", help_heading = "Clumping", conflicts_with_all = ["poisson", "from"])]
    pub k: Option<String>,
    /// Counts without clumping
    #[arg(long, help_heading = "Clumping", conflicts_with = "from")]
    pub poisson: bool,
    /// Variance a·m^b at mean m (Taylor's power law): k moves with the mean
    #[arg(long, value_name = "A,B", help_heading = "Clumping", conflicts_with_all = ["k", "poisson", "from"])]
    pub power_law: Option<String>,
    /// k is only known to lie in this interval: risks hold for all of it
    #[arg(long, value_name = "LOW,HIGH", help_heading = "Clumping", requires = "k", conflicts_with = "k_sd_log")]
    pub k_interval: Option<String>,
    /// k differs from field to field, log-normally with this standard deviation of ln k around --k:
    /// risks hold on average
    #[arg(long, value_name = "SD", help_heading = "Clumping", requires = "k")]
    pub k_sd_log: Option<String>,
    /// With --score positive: share P of positive units from the mean by ln m = a + b·ln(−ln(1 − P)),
    /// with scatter of ln m
    #[arg(
        long,
        value_name = "A,B[,SCATTER]",
        help_heading = "Clumping",
        conflicts_with_all = ["k", "poisson", "from", "power_law"]
    )]
    pub proportion: Option<String>,
    /// two-calls: adequate or inadequate; three-calls: marginal between two pairs of thresholds;
    /// interval: the side of one critical mean, by a nominal interval; precision: count until the
    /// standard error is small against the mean
    #[arg(
        long,
        value_name = "AIM",
        help_heading = "What is asked",
        default_value = "two-calls",
        value_parser = ["two-calls", "three-calls", "interval", "precision"]
    )]
    pub aim: String,
    /// Table of past counts: their common k is used
    #[arg(long, value_name = "COUNTS", help_heading = "Clumping")]
    pub from: Option<PathBuf>,
    /// Plan for sites of so many plants, others than those of --from: k then lies between two ends, and risks hold for
    /// all of them
    #[arg(long, value_name = "N", help_heading = "Clumping", requires = "from")]
    pub for_plants: Option<String>,
    /// Also tell what the plan's true risks may be, since k is only fitted: fits and plans from counts drawn like those
    /// of --from
    #[arg(long, help_heading = "Clumping", requires = "from", conflicts_with_all = ["for_plants", "shared"])]
    pub calibration: bool,
    /// Sets of counts drawn for --calibration [default: 999]
    #[arg(long, value_name = "N", help_heading = "Clumping", requires = "calibration")]
    pub draws: Option<String>,
    /// Where their random numbers begin [default: 1]
    #[arg(long, value_name = "SEED", help_heading = "Clumping", requires = "calibration")]
    pub seed: Option<String>,
    /// At or below this mean enemies are inadequate
    #[arg(long, value_name = "MEAN", help_heading = "What is asked")]
    pub inadequate: Option<String>,
    /// At or above this mean they are adequate
    #[arg(long, value_name = "MEAN", help_heading = "What is asked")]
    pub adequate: Option<String>,
    /// With --aim three-calls: from here to --upper-inadequate enemies are marginal, --adequate being
    /// the end of the lower pair
    #[arg(long, value_name = "MEAN", help_heading = "What is asked")]
    pub upper_inadequate: Option<String>,
    /// With --aim three-calls: at or above this mean enemies are adequate
    #[arg(long, value_name = "MEAN", help_heading = "What is asked")]
    pub upper_adequate: Option<String>,
    /// With --aim interval: the critical mean
    #[arg(long, value_name = "MEAN", help_heading = "What is asked")]
    pub critical: Option<String>,
    /// With --aim interval: nominal confidence [default: 0.9]
    #[arg(long, value_name = "LEVEL", help_heading = "What is asked")]
    pub confidence: Option<String>,
    /// With --aim interval: whether the confidence is of one side or of both, `one` or `two` [default: two]
    #[arg(long, value_name = "SIDES", help_heading = "What is asked")]
    pub sides: Option<String>,
    /// With --aim precision: standard error over mean to reach [default: 0.25]
    #[arg(long, value_name = "PART", help_heading = "What is asked")]
    pub se_over_mean: Option<String>,
    /// With --method tuned: means per site over which the true precision is kept
    #[arg(long, value_name = "LOW,HIGH", help_heading = "What is asked")]
    pub over: Option<String>,
    /// What thresholds are counted per: site, plant or 100-plants [required unless a site is one plant]
    #[arg(long, value_name = "UNIT", help_heading = "What is asked")]
    pub per: Option<String>,
    #[command(flatten, next_help_heading = "What is asked")]
    pub risks: RiskArguments,
    #[command(flatten)]
    pub score: ScoreArguments,
    #[command(flatten)]
    pub shape: ShapeArguments,
    #[command(flatten)]
    pub objective: ObjectiveArguments,
    #[command(flatten)]
    pub alike: SharedArguments,
    #[command(flatten)]
    pub times: TimeArguments,
    /// Write the plan here
    #[arg(long, value_name = "PLAN", help_heading = "Files")]
    pub out: Option<PathBuf>,
    /// Write the field card here
    #[arg(long, value_name = "FILE", help_heading = "Files")]
    pub card: Option<PathBuf>,
    /// Write here the plan of the same request for half the k, to walk by where counts turn out more clumped than planned
    #[arg(long, value_name = "PLAN", help_heading = "Files")]
    pub fallback: Option<PathBuf>,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

/// Evaluate a plan.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples; in the second and third neighbouring sites are alike:
  stopline evaluate plan.json --means 0.5,1,2 --k 0.8,1.2
  stopline evaluate plan.json --means 0.5,1,2 --shared 0.25 --run 5
  stopline evaluate plan.json --means 0.5,1,2 --simulate 100000 --shared 0.25 --run 5
  stopline evaluate plan.json --sensitivity
  stopline evaluate plan.json --check-of-k
  stopline evaluate plan.json --resample counts.csv --redraw blocks --hold-out")]
pub struct Evaluate {
    /// Plan file (`-`: standard input)
    pub plan: PathBuf,
    /// True means per site (for positive units, shares)
    #[arg(long, value_name = "MEAN,...", required_unless_present_any = ["sensitivity", "resample", "check_of_k"])]
    pub means: Option<String>,
    /// True clumping, one or several [default: the plan's own]
    #[arg(long, value_name = "K,...")]
    pub k: Option<String>,
    /// What if one thing is otherwise: k, what the bucket catches, an observer, a bare part, one corner
    #[arg(long, conflicts_with_all = ["k", "simulate", "shared"])]
    pub sensitivity: bool,
    /// How the check of k while walking behaves: false alarms, and how much clumping it notices, of one field and of a season
    #[arg(long, conflicts_with_all = ["k", "simulate", "shared", "sensitivity", "estimates", "stops", "resample"])]
    pub check_of_k: bool,
    /// Share of the enemies that the bucket catches [default: 0.8]
    #[arg(long, value_name = "SHARE", requires = "sensitivity")]
    pub caught: Option<String>,
    /// Also tell how estimates of the mean after stopping behave: bias and coverage, of the plain mean too
    #[arg(long, conflicts_with_all = ["simulate", "shared", "sensitivity"])]
    pub estimates: bool,
    /// Also list every stop with a plain mean up to this: its estimate and interval
    #[arg(long, value_name = "MEAN", conflicts_with_all = ["simulate", "shared", "sensitivity"])]
    pub stops: Option<String>,
    /// Level of those intervals
    #[arg(long, value_name = "LEVEL", default_value = "0.9")]
    pub level: String,
    /// How stops are put in order for them
    #[arg(long, value_name = "ORDER", default_value = "plain_mean", value_parser = ["plain_mean", "stage"])]
    pub order: String,
    #[command(flatten)]
    pub simulation: SimulationArguments,
    #[command(flatten)]
    pub alike: SharedArguments,
    #[command(flatten)]
    pub real: RealArguments,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

/// Compare.
#[derive(Debug, Args)]
#[command(after_help = "\
Clumping and thresholds are those of the plans, unless --k or --from and --inadequate with
--adequate say others.

Examples:
  stopline compare plan.json
  stopline compare --fixed 10,15,20,25,30 --k 1.2 --per site --inadequate 1 --adequate 2
  stopline compare plan.json --from counts.csv --minutes-site 2 --minutes-in-out 10 --visits 4")]
pub struct Compare {
    /// Plan files
    #[arg(value_name = "PLAN")]
    pub plans: Vec<PathBuf>,
    /// Fixed numbers of sites to show beside them [default: 10,15,20,25,30]
    #[arg(long, value_name = "N,...")]
    pub fixed: Option<String>,
    /// Clumping k (variance m + m²/k at mean m)
    #[arg(long, value_name = "K", conflicts_with = "from")]
    pub k: Option<String>,
    /// Table of past counts: their common k, and what their fields come to in a season
    #[arg(long, value_name = "COUNTS")]
    pub from: Option<PathBuf>,
    /// At or below this mean enemies are inadequate
    #[arg(long, value_name = "MEAN")]
    pub inadequate: Option<String>,
    /// At or above this mean they are adequate
    #[arg(long, value_name = "MEAN")]
    pub adequate: Option<String>,
    /// What these are counted per: site, plant or 100-plants [required unless a site is one plant]
    #[arg(long, value_name = "UNIT")]
    pub per: Option<String>,
    /// True means per site to look at [default: five around the thresholds]
    #[arg(long, value_name = "MEAN,...")]
    pub means: Option<String>,
    /// Visits to a field in a season [default: 1]
    #[arg(long, value_name = "N")]
    pub visits: Option<String>,
    #[command(flatten)]
    pub times: TimeArguments,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

/// Replay.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stopline replay plan.json counts.csv --minutes-site 2
  stopline replay plan.json counts.csv --leave-out --orders 0")]
pub struct Replay {
    /// Plan file (`-`: standard input)
    pub plan: PathBuf,
    /// Table of full walks: CSV, .xlsx or .ods with one row a site
    pub counts: PathBuf,
    /// Random orders of each walk beside the order walked [default: 1000]
    #[arg(long, value_name = "N")]
    pub orders: Option<String>,
    /// Where the random numbers begin [default: 1]
    #[arg(long, value_name = "SEED")]
    pub seed: Option<String>,
    /// Level of the interval of a field's mean [default: 0.9]
    #[arg(long, value_name = "LEVEL")]
    pub level: Option<String>,
    /// Also replay each field under a plan made without it: k fitted and lines derived anew
    #[arg(long)]
    pub leave_out: bool,
    #[command(flatten)]
    pub times: TimeArguments,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

/// Study.
#[derive(Debug, Args)]
#[command(after_help = "\
The folder keeps what is done: the same command goes on where it was stopped, and the results are
the same to the byte, however often it was stopped and with any number of workers.

Examples:
  stopline study a.json b.json --folder study --means 0.5,1,2 --k 0.6,1.2 --shared 0,0.25 --run 5 \\
      --simulate 100000 --repeats 3
  stopline study a.json b.json --folder real --resample counts.csv --redraw with-replacement,blocks \\
      --simulate 10000 --repeats 3")]
pub struct Study {
    /// Plan files
    #[arg(value_name = "PLAN", required = true)]
    pub plans: Vec<PathBuf>,
    /// Where what is done is kept
    #[arg(long, value_name = "FOLDER")]
    pub folder: PathBuf,
    /// True means per site
    #[arg(long, value_name = "MEAN,...", required_unless_present = "resample")]
    pub means: Option<String>,
    /// Clumping, one or several [default: each plan's own]
    #[arg(long, value_name = "K,...")]
    pub k: Option<String>,
    /// Shares of the counts' variance beyond that of Poisson counts that sites have in common [default: 0]
    #[arg(long, value_name = "SHARE,...")]
    pub shared: Option<String>,
    /// They are common to runs of so many sites
    #[arg(long, value_name = "N", requires = "shared", conflicts_with = "whole_walk")]
    pub run: Option<String>,
    /// They are common to all sites of a walk
    #[arg(long, requires = "shared")]
    pub whole_walk: bool,
    /// Also walk the plans over the sites of these real walks drawn again; without --means only that
    #[arg(long, value_name = "COUNTS", help_heading = "Real walks drawn again")]
    pub resample: Option<PathBuf>,
    /// How their sites are drawn, one or several ways; blocks: neighbours together
    #[arg(
        long,
        value_name = "HOW,...",
        requires = "resample",
        value_delimiter = ',',
        default_value = "with-replacement",
        value_parser = ["with-replacement", "without-replacement", "blocks"],
        help_heading = "Real walks drawn again"
    )]
    pub redraw: Vec<String>,
    /// Neighbours of a block [default: 5]
    #[arg(long, value_name = "N", requires = "resample", help_heading = "Real walks drawn again")]
    pub block: Option<String>,
    /// Walks at each mean, or over each real walk, of each cell
    #[arg(long, value_name = "WALKS")]
    pub simulate: String,
    /// Repeats of each cell from other random numbers [default: 1]
    #[arg(long, value_name = "N")]
    pub repeats: Option<String>,
    /// Where the random numbers begin [default: 1]
    #[arg(long, value_name = "SEED")]
    pub seed: Option<String>,
    /// Threads [default: one a core]
    #[arg(long, value_name = "N")]
    pub workers: Option<String>,
    /// Write the results here, as CSV [default: results.csv in the folder]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub reading: ReadingArguments,
}
