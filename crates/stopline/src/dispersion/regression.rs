//! A straight line through points by least squares, with Student's intervals.

use super::estimate::Why;
use crate::error::Error;
use crate::params::Level;
use crate::special::student_within;
use serde::Serialize;

/// A coefficient with its standard error and interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coefficient {
    /// Value.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// y = intercept + slope·x.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Line {
    /// Intercept.
    pub intercept: Coefficient,
    /// Slope.
    pub slope: Coefficient,
    /// Share of the squares of y that the line explains.
    pub r_squared: f64,
    /// Mean square around the line.
    pub mean_square: f64,
    /// Points.
    pub points: usize,
    /// Mean of x, Σ(x − mean)², and Student's t.
    #[serde(skip)]
    spread: (f64, f64, f64),
}

impl Line {
    /// The line at x, with its limits (of the line, not of a point).
    pub(super) fn at(&self, x: f64) -> Coefficient {
        let (centre, squares, t) = self.spread;
        let value = self.intercept.value + self.slope.value * x;
        let from = x - centre;
        let se = libm::sqrt(self.mean_square * (1.0 / self.points as f64 + from * from / squares));
        Coefficient { value, se, low: value - t * se, high: value + t * se }
    }
}

/// The line through points (x, y) with intervals at `level`, from three points on.
pub(super) fn line(points: &[(f64, f64)], level: Level) -> Result<Result<Line, Why>, Error> {
    let n = points.len() as f64;
    if points.len() < 3 {
        return Ok(Err(Why::FewPoints));
    }
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (x, y) = (mean(&|p| p.0), mean(&|p| p.1));
    let square = |of: &dyn Fn(f64, f64) -> f64| points.iter().map(|p| of(p.0 - x, p.1 - y)).sum::<f64>();
    let (xx, xy, yy) = (square(&|a, _| a * a), square(&|a, b| a * b), square(&|_, b| b * b));
    if xx <= 1e-20 * n * x * x {
        return Ok(Err(Why::OneMean));
    }
    let slope = xy / xx;
    let rest = square(&|a, b| (b - slope * a) * (b - slope * a));
    let mean_square = rest / (n - 2.0);
    let t = student_within(level.get(), n - 2.0)?;
    let coefficient = |value: f64, se: f64| Coefficient { value, se, low: value - t * se, high: value + t * se };
    Ok(Ok(Line {
        intercept: coefficient(y - slope * x, libm::sqrt(mean_square * (1.0 / n + x * x / xx))),
        slope: coefficient(slope, libm::sqrt(mean_square / xx)),
        r_squared: if yy > 0.0 { 1.0 - rest / yy } else { 1.0 },
        mean_square,
        points: points.len(),
        spread: (x, xx, t),
    }))
}
