//! The table of a study that is done: a row a cell and mean, or a cell and real walk, in the order of the grid.

use super::Grid;
use crate::error::{Code, Error};
use serde_json::Value;
use std::collections::BTreeMap;

/// Columns of the cell, then those of its rows.
const OF_CELL: [&str; 10] = ["plan", "digest", "k", "shared", "run", "draw", "block", "repeat", "walks", "seed"];
const OF_ROW: [&str; 19] = [
    "field",
    "visit",
    "mean",
    "adequate",
    "adequate_se",
    "inadequate",
    "inadequate_se",
    "undecided",
    "undecided_se",
    "marginal",
    "marginal_se",
    "enough",
    "enough_se",
    "expected_sites",
    "expected_sites_se",
    "sites_p50",
    "sites_p50_se",
    "sites_p90",
    "sites_p90_se",
];

/// The table as CSV; a number that a plan does not have is empty.
///
/// # Errors
/// `combination`, naming the first cell that is not done; `log` for text that is no cell.
pub fn table(grid: &Grid, cells: &BTreeMap<usize, String>) -> Result<String, Error> {
    let wrong = |what: &dyn std::fmt::Display| Error::new(Code::Log, "cell of a study", what, "as it was written");
    let mut out = csv::Writer::from_writer(Vec::new());
    out.write_record(OF_CELL.iter().chain(&OF_ROW)).map_err(|e| wrong(&e))?;
    for number in 0..grid.cells() {
        let Some(text) = cells.get(&number) else {
            return Err(Error::new(Code::Combination, "cell of a study", number, "done"));
        };
        let cell: Value = serde_json::from_str(text).map_err(|e| wrong(&e))?;
        for row in cell.get("rows").and_then(Value::as_array).ok_or_else(|| wrong(&number))? {
            let of = |from: &Value, name: &&str| match from.get(name) {
                None | Some(Value::Null) => String::new(),
                Some(Value::String(text)) => text.clone(),
                Some(other) => other.to_string(),
            };
            let cells = OF_CELL.iter().map(|name| of(&cell, name)).chain(OF_ROW.iter().map(|name| of(row, name)));
            out.write_record(cells).map_err(|e| wrong(&e))?;
        }
    }
    let bytes = out.into_inner().map_err(|e| wrong(&e))?;
    String::from_utf8(bytes).map_err(|e| wrong(&e))
}
