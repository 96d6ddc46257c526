//! `stopline evaluate --simulate`: what a plan does over simulated walks.

use crate::arguments::SharedArguments;
use crate::evaluate::under;
use crate::output;
use crate::watch::Watched;
use crate::words::{figures, in_100, many};
use crate::{arguments, values};
use stopline::evaluate::CurveRow;
use stopline::plan::{Alike, Plan, Recalibrated};
use stopline::simulate::{Clustered, Estimate, Origin, Run, Simulated, SimulatedRow, Source, simulate};
use stopline::{Call, Code, Dispersion, Error, MOST_SITES, Mean, Share};

/// The walks asked for.
pub struct Simulation {
    walks: u64,
    seed: u64,
}

impl Simulation {
    /// What the flags ask for; `None` where nothing is to be simulated.
    pub fn of(args: &arguments::SimulationArguments) -> Result<Option<Self>, Error> {
        let Some(walks) = &args.simulate else {
            return match &args.seed {
                Some(seed) => Err(Error::new(Code::Combination, "--seed", seed, "only with --simulate or --resample")),
                None => Ok(None),
            };
        };
        let walks = values::whole("--simulate", walks, 2, 1_000_000_000_000)?;
        let seed = args.seed.as_deref().map_or(Ok(1), |text| values::whole("--seed", text, 0, (1 << 53) - 1))?;
        Ok(Some(Self { walks, seed }))
    }

    /// Walks the plan, with a bar of how far the work has come.
    pub fn run(&self, plan: &Plan, source: &dyn Source, means: &[Mean]) -> Result<Simulated, Error> {
        simulate(plan, source, means, self.walks, self.seed, &Watched::with_bar())
    }
}

impl SharedArguments {
    /// The share and what it is common to, if sites are alike.
    pub fn shared(&self) -> Result<Option<(Share, Run)>, Error> {
        let one = |text: &String| Ok((values::share("--shared", text)?, run(self.run.as_deref(), self.whole_walk)?));
        self.shared.as_ref().map(one).transpose()
    }
}

/// Sites that are alike.
pub fn clustered(under: Dispersion, (share, run): (Share, Run)) -> Result<Clustered, Error> {
    Clustered::new(under, share, run).map_err(|e| e.named("--shared"))
}

/// What a shared part is common to.
pub fn run(sites: Option<&str>, whole_walk: bool) -> Result<Run, Error> {
    match sites {
        Some(text) => values::whole("--run", text, 1, MOST_SITES).map(Run::Sites),
        None if whole_walk => Ok(Run::WholeWalk),
        None => Err(Error::new(Code::Usage, "--run or --whole-walk", "missing", "one of them beside --shared")),
    }
}

/// The table of a simulation.
pub fn text(simulated: &Simulated) -> String {
    let walks = many(simulated.walks, "simulated walk");
    let mut text = format!("{walks} at each mean for {}, seed {}", under(&simulated.under), simulated.seed);
    text += &common(&simulated.source);
    text += "\n± is the Monte-Carlo standard error; sites are on average\n\n";
    let calls = [Call::Adequate, Call::Marginal, Call::Inadequate, Call::Enough, Call::Undecided];
    // A call that the plan cannot make has no error.
    let made = |call: &Call| simulated.rows.iter().any(|row| row.p(*call).se > 0.0);
    let calls: Vec<Call> = calls.into_iter().filter(made).collect();
    let mut headings = vec!["mean"];
    headings.extend(calls.iter().map(|call| call.as_str()));
    headings.extend(["sites", "sd", "half by", "90 % by", "at the cap"]);
    let quantile =
        |value: u32, se: f64| if se > 0.0 { format!("{value} ± {}", figures(se)) } else { value.to_string() };
    let row = |row: &SimulatedRow| {
        let mut cells = vec![figures(row.mean)];
        cells.extend(calls.iter().map(|&call| with_error(row.p(call))));
        cells.extend([with_error(row.expected_sites), with_error(row.sites_sd)]);
        cells.extend([quantile(row.sites_p50, row.sites_p50_se), quantile(row.sites_p90, row.sites_p90_se)]);
        cells.push(with_error(row.at_cap));
        cells
    };
    text + &output::table(&headings, simulated.rows.iter().map(row), 0)
}

/// What a plan for sites that are alike costs.
pub fn price(found: &Recalibrated) -> String {
    let alike = found.plan.alike().map_or_else(String::new, Alike::in_words);
    let risks = |[low, _, high]: &[CurveRow; 3]| {
        format!(
            "{} low fields of 100 called adequate and {} high ones inadequate",
            in_100(low.adequate),
            in_100(high.inadequate)
        )
    };
    let sites = |rows: &[CurveRow; 3]| {
        let [low, middle, high] = rows.each_ref().map(|row| format!("{:.1}", row.expected_sites));
        format!("{low}, {middle} and {high}")
    };
    let [low, middle, high] = found.rows.each_ref().map(|row| figures(row.mean));
    let mut said = format!(
        "{alike}: there this plan has {}, and takes {} sites on average at {low}, {middle} and {high}.",
        risks(&found.rows),
        sites(&found.rows)
    );
    match &found.rows_before {
        Some(before) => {
            said += &format!(
                " A plan for independent sites would have {} and take {}: the difference is the price.",
                risks(before),
                sites(before)
            );
        }
        None => said += " For independent sites the method finds no plan at these checks.",
    }
    said
}

/// What sites have in common, in words after others.
pub fn common(source: &Origin) -> String {
    let Origin::Clustered { shared, run, first } = source else { return String::new() };
    let share = figures(shared.get());
    match run {
        Some(sites) if *first => format!("; {share} of the clumping is common to the first {}", many(*sites, "site")),
        Some(sites) => format!("; {share} of the clumping is common to runs of {}", many(*sites, "site")),
        None => {
            format!("; {share} of the clumping is common to the whole walk:\nthe part walked differs from the field")
        }
    }
}

/// A number and its error, to the error's first digit.
pub fn with_error(Estimate { value, se }: Estimate) -> String {
    let decimals = if se > 0.0 { (-se.log10().floor()).clamp(0.0, 12.0) } else { 0.0 };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // clamped to 0..=12
    let decimals = decimals as usize;
    format!("{value:.decimals$} ± {se:.decimals$}")
}
