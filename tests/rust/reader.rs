//! Reads golden vectors. A key or column that is not known here, or is missing, is an error.

use serde::Deserialize;
use serde::de::DeserializeOwned;
use stopline::law::Law;
use stopline::plan::{Aim, Checks, Closing, Design};
use stopline::{Call, Dispersion, K, Lines, Mean, Plants, Risk, Risks, Row, Score, Share, Stop, Thresholds};

/// The vectors of one function.
pub fn read<T: DeserializeOwned>(name: &str) -> T {
    let path = format!("{}/vectors/{name}.json", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}"))
}

#[derive(Debug, Clone, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum LawText {
    NegBin { k: f64 },
    Poisson {},
    Binomial { units: u16 },
    Table { first: i64, p: Vec<f64> },
}

impl LawText {
    /// The law at a mean; for positive units the mean is their share. A table has no mean to move.
    pub fn at(&self, mean: Option<f64>) -> Law {
        let known = || mean.expect("a mean");
        match self {
            LawText::NegBin { k } => Law::NegBin { mean: Mean::new(known()).unwrap(), k: K::new(*k).unwrap() },
            LawText::Poisson {} => Law::Poisson { mean: Mean::new(known()).unwrap() },
            LawText::Binomial { units } => Law::Binomial { p: Share::new(known()).unwrap(), units: *units },
            LawText::Table { first, p } => Law::table(*first, p.to_vec()).unwrap(),
        }
    }

    /// The score and dispersion that give this law; `None` for a table.
    pub fn model(&self) -> Option<(Score, Dispersion)> {
        match self {
            LawText::NegBin { k } => Some((Score::Count, Dispersion::ConstantK { k: K::new(*k).unwrap() })),
            LawText::Poisson {} => Some((Score::Count, Dispersion::Poisson)),
            LawText::Binomial { units } => Some((Score::positive(0, *units).unwrap(), Dispersion::Binomial)),
            LawText::Table { .. } => None,
        }
    }
}

/// A design for two calls; checks as first, cap and every.
pub fn design(law: &LawText, thresholds: [f64; 2], risks: [f64; 2], checks: (u32, u32, u32)) -> Design {
    let (score, dispersion) = law.model().expect("no table");
    let [low, high] = thresholds.map(|m| Mean::new(m).unwrap());
    let [false_adequate, false_inadequate] = risks.map(|r| Risk::new(r).unwrap());
    let aim = Aim::TwoCalls {
        thresholds: Some(Thresholds::new(low, high).unwrap()),
        risks: Some(Risks::new(false_adequate, false_inadequate).unwrap()),
    };
    let checks = Checks::every(checks.0, checks.1, checks.2).unwrap();
    Design { score, plants: Plants::new(1).unwrap(), dispersion, aim, checks, closing: Closing::Call }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct StopText {
    from: Option<i64>,
    to: Option<i64>,
    call: String,
}

/// The same stops at every site from `at` to `through`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RowText {
    at: u32,
    through: Option<u32>,
    stops: Vec<StopText>,
}

pub fn call(word: &str) -> Call {
    Call::ALL.into_iter().find(|c| c.as_str() == word).unwrap_or_else(|| panic!("no call {word}"))
}

pub fn lines(rows: &[RowText]) -> Lines {
    let expanded = rows.iter().flat_map(|row| {
        (row.at..=row.through.unwrap_or(row.at)).map(|at| Row {
            at,
            stops: row.stops.iter().map(|s| Stop { from: s.from, to: s.to, call: call(&s.call) }).collect(),
        })
    });
    Lines::new(expanded.collect()).unwrap()
}

/// Keeps the largest deviation, as a share of what is allowed, and where it was.
#[derive(Default)]
pub struct Worst {
    share: f64,
    place: String,
    pub compared: usize,
}

impl Worst {
    /// Requires |got − want| ≤ allowed.
    pub fn compare(&mut self, place: impl FnOnce() -> String, got: f64, want: f64, allowed: f64) {
        self.compared += 1;
        let share = if got == want { 0.0 } else { (got - want).abs() / allowed };
        if share.is_nan() || share > self.share {
            self.share = share;
            self.place = format!("{}: {got:e}, wanted {want:e}", place());
        }
        assert!(share <= 1.0, "{} (allowed {allowed:e})", self.place);
    }

    pub fn report(&self, what: &str) {
        println!("{what}: {} compared, at most {:.1e} of what is allowed ({})", self.compared, self.share, self.place);
    }
}
