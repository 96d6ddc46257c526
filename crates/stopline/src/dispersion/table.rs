//! A fit as columns, one row a walk: for CSV and for data frames.

use super::estimate::{Bound, Clumping, Estimate, Why};
use super::examination::Examination;
use super::fit::{FieldFit, Fit};
use super::json::why;
use crate::error::{Code, Error};
use csv::Writer;

/// A column of a table.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Values {
    /// Words.
    Text(Vec<String>),
    /// Whole numbers.
    Whole(Vec<u64>),
    /// Numbers: NaN where there is none, infinity for the k of counts that are not clumped and for limits of k
    /// that are unbounded.
    Numbers(Vec<f64>),
}

impl Values {
    /// The cell of a row as text: empty for NaN, `inf` for infinity.
    fn cell(&self, row: usize) -> String {
        match self {
            Self::Text(all) => all.get(row).cloned(),
            Self::Whole(all) => all.get(row).map(u64::to_string),
            Self::Numbers(all) => all.get(row).filter(|x| !x.is_nan()).map(f64::to_string),
        }
        .unwrap_or_default()
    }
}

fn number(of: Clumping) -> f64 {
    match of {
        Clumping::Estimated(k) => k,
        Clumping::Poisson => f64::INFINITY,
        Clumping::Undefined(_) => f64::NAN,
    }
}

fn limits(of: &Estimate) -> [f64; 2] {
    let Some(interval) = of.interval else { return [f64::NAN; 2] };
    [interval.low, if let Bound::At(k) = interval.high { k } else { f64::INFINITY }]
}

impl Fit {
    /// The names and columns of a table with a row for each walk; with a study also the tests.
    ///
    /// ```
    /// use stopline::{Level, Quiet, dispersion::{Values, WalkCounts, fit}};
    /// let walk = WalkCounts { field: "heron", visit: "1", counts: &[1, 1, 2, 1, 1, 1], missing: 0 };
    /// let table = fit(&[walk], Level::new(0.95)?, &Quiet)?.table();
    /// let k = table.iter().find(|(name, _)| *name == "k").map(|(_, column)| column.clone());
    /// assert_eq!(k, Some(Values::Numbers(vec![f64::INFINITY])));
    /// # Ok::<(), stopline::Error>(())
    /// ```
    #[must_use]
    pub fn table(&self) -> Vec<(&'static str, Values)> {
        let fields = &self.fields;
        let text = |of: &dyn Fn(&FieldFit) -> String| Values::Text(fields.iter().map(of).collect());
        let whole = |of: &dyn Fn(&FieldFit) -> u64| Values::Whole(fields.iter().map(of).collect());
        let numbers = |of: &dyn Fn(&FieldFit) -> f64| Values::Numbers(fields.iter().map(of).collect());
        let known = |of: Option<f64>| of.unwrap_or(f64::NAN);
        let mut table = vec![
            ("field", text(&|f| f.field.clone())),
            ("visit", text(&|f| f.visit.clone())),
            ("sites", whole(&|f| f.sites)),
            ("missing", whole(&|f| f.missing as u64)),
            ("mean", numbers(&|f| known(f.mean))),
            ("variance", numbers(&|f| known(f.variance))),
            ("k", numbers(&|f| number(f.ml.k))),
            ("k_is", text(&|f| f.ml.k.name().to_owned())),
            ("why", text(&|f| why(f.ml.k).unwrap_or_default())),
            ("k_low", numbers(&|f| limits(&f.ml)[0])),
            ("k_high", numbers(&|f| limits(&f.ml)[1])),
            ("k_cox_reid", numbers(&|f| number(f.cox_reid.k))),
            ("k_cox_reid_low", numbers(&|f| limits(&f.cox_reid)[0])),
            ("k_cox_reid_high", numbers(&|f| limits(&f.cox_reid)[1])),
            ("k_se_observed", numbers(&|f| known(f.se_observed.ok()))),
            ("k_se_expected", numbers(&|f| known(f.se_expected.ok()))),
            ("k_moments", numbers(&|f| number(f.moments))),
            ("k_zero_class", numbers(&|f| number(f.zero_class))),
            ("efficiency_of_moments", numbers(&|f| known(f.efficiency.ok().map(|e| e.moments)))),
            ("efficiency_of_zero_class", numbers(&|f| known(f.efficiency.ok().map(|e| e.zero_class)))),
            ("morisita_index", numbers(&|f| known(f.morisita_index))),
            ("notice", text(&|f| f.notice.map(|notice| notice.to_string()).unwrap_or_default())),
            ("mean_crowding", numbers(&|f| known(f.mean_crowding))),
        ];
        if let Some(study) = &self.study {
            let tests = |of: &dyn Fn(&Examination) -> Option<f64>| {
                Values::Numbers(study.tests.iter().map(|tests| known(of(tests))).collect())
            };
            let p = |of: Result<super::P, Why>| of.ok().map(|p| p.p);
            table.extend([
                ("poisson_p", tests(&|t| p(t.clumping.map(|test| test.p)))),
                ("chi_square", tests(&|t| t.negative_binomial.as_ref().ok().map(|fit| fit.chi_square))),
                ("chi_square_p", tests(&|t| t.negative_binomial.as_ref().ok().and_then(|fit| fit.p.ok()))),
                ("u_p", tests(&|t| p(t.shape.u.p))),
                ("t_p", tests(&|t| p(t.shape.t.p))),
                ("more_empty_p", tests(&|t| p(t.shape.zeros.p))),
            ]);
        }
        table
    }

    /// The table as CSV, each row with the version that made it, the digest of the counts and the seed.
    ///
    /// # Errors
    /// `file_write` if the text cannot be put together: not known to happen.
    pub fn to_csv(&self) -> Result<String, Error> {
        let table = self.table();
        let written = || -> Result<String, csv::Error> {
            let mut csv = Writer::from_writer(Vec::new());
            csv.write_record(table.iter().map(|(name, _)| *name).chain(["made_by", "input", "seed"]))?;
            let made_by = format!("stopline {}", env!("CARGO_PKG_VERSION"));
            let input = self.origin.input.as_ref().map(ToString::to_string).unwrap_or_default();
            let seed = self.seed().map(|seed| seed.to_string()).unwrap_or_default();
            for row in 0..self.fields.len() {
                let made = [made_by.clone(), input.clone(), seed.clone()];
                csv.write_record(table.iter().map(|(_, column)| column.cell(row)).chain(made))?;
            }
            let bytes = csv.into_inner().map_err(|e| csv::Error::from(std::io::Error::other(e.to_string())))?;
            Ok(String::from_utf8_lossy(&bytes).into_owned())
        };
        written().map_err(|e| Error::new(Code::FileWrite, "CSV of a fit", e, "text"))
    }
}
