//! An average season of the user's: what a way comes to over the means of past fields.

use super::Ground;
use super::way::{Way, minutes};
use crate::dispersion::FieldMeans;
use crate::error::Error;
use crate::evaluate::{evaluate_lines, stopped_by};
use crate::params::Mean;
use crate::watch::Watch;
use serde::Serialize;

/// What a way comes to over field means with their weights.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Season {
    /// Mean number of sites.
    pub expected_sites: f64,
    /// Smallest n by which at least half of the walks have stopped.
    pub sites_p50: u32,
    /// Smallest n by which at least 90 % have.
    pub sites_p90: u32,
    /// Mean minutes between the first site and the last; none without timings.
    pub minutes: Option<f64>,
    /// Share of field visits at or below the inadequate mean.
    pub low: f64,
    /// Share of field visits that are so and called adequate.
    pub low_called_adequate: f64,
    /// Share of field visits at or above the adequate mean.
    pub high: f64,
    /// Share of field visits that are so and called inadequate.
    pub high_called_inadequate: f64,
}

pub(super) fn season(way: &Way, ground: &Ground, past: &FieldMeans, watch: &dyn Watch) -> Result<Season, Error> {
    let means: Vec<Mean> = past.at.iter().map(|(mean, _)| *mean).collect();
    let curve = evaluate_lines(&way.lines, &ground.score, &ground.under, &means, watch)?;
    let by = stopped_by(&way.lines, &ground.score, &ground.under, &means, watch)?;
    let mut stopped = vec![0.0; way.lines.rows().len()];
    let (mut expected_sites, mut spent) = (0.0, 0.0);
    let [mut low, mut low_called_adequate, mut high, mut high_called_inadequate] = [0.0; 4];
    for (((mean, weight), row), by) in past.at.iter().zip(&curve.rows).zip(&by) {
        stopped.iter_mut().zip(by).for_each(|(sum, p)| *sum += weight * p);
        expected_sites += weight * row.expected_sites;
        spent += weight * minutes(ground, *mean, row.expected_sites)?.unwrap_or(0.0);
        if *mean <= ground.thresholds.inadequate() {
            low += weight;
            low_called_adequate += weight * row.adequate;
        } else if *mean >= ground.thresholds.adequate() {
            high += weight;
            high_called_inadequate += weight * row.inadequate;
        }
    }
    // Weights add to 1 up to rounding.
    let reached = |share: f64| {
        let rows = way.lines.rows().iter().zip(&stopped);
        { rows }.find(|(_, p)| **p >= share - 1e-12).map_or(way.lines.cap(), |(row, _)| row.at)
    };
    Ok(Season {
        expected_sites,
        sites_p50: reached(0.5),
        sites_p90: reached(0.9),
        minutes: ground.timings.map(|_| spent),
        low,
        low_called_adequate,
        high,
        high_called_inadequate,
    })
}
