//! Counts and walks travel between processes as what was entered.

use crate::counts::Counts;
use crate::errors::{many, one};
use crate::plan::Plan;
use crate::recipe::{Reduced, copies};
use crate::walk::{Decision, Walk};
use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;
use pyo3::types::PyType;
use std::sync::{Arc, Mutex};
use stopline::counts::{self as core, Columns, FieldWalk, PlantsFrom, Separator};
use stopline::decide::{self, Entry};
use stopline::{Plants, Site};

/// Field, visit, numbers of the sites, counts.
type WalkState = (String, String, Vec<u32>, Vec<Option<u32>>);
/// What stands beside the counts: of each group, places, names and numbers of observers.
type BesideState = (
    Option<Vec<Vec<Vec<Option<u32>>>>>,
    Option<Vec<Vec<Option<[f64; 2]>>>>,
    Option<(Vec<String>, Vec<Vec<Option<usize>>>)>,
);
/// Plants, columns, walks, counts of each plant, digest, separator, and what was noticed: rows, dropped, whence the
/// plants, order known, visit column; and what stands beside the counts.
type State = (
    u16,
    Vec<String>,
    Vec<WalkState>,
    Option<Vec<Vec<Vec<Option<u32>>>>>,
    Option<String>,
    Option<String>,
    (u64, u64, usize, bool, bool),
    BesideState,
);

copies!(Counts);
copies!(Decision);

const PLANTS_FROM: [PlantsFrom; 4] = [PlantsFrom::Column, PlantsFrom::Apart, PlantsFrom::Asked, PlantsFrom::Assumed];

#[pymethods]
impl Counts {
    fn __reduce__<'py>(&self, py: Python<'py>) -> PyResult<Reduced<'py, (State,)>> {
        let c = &self.0;
        let walk = |w: &FieldWalk| (w.field.clone(), w.visit.clone(), w.sites.clone(), w.counts.clone());
        let from = PLANTS_FROM.iter().position(|&from| from == c.noticed.plants_from).unwrap_or_default();
        let noticed =
            (c.noticed.rows, c.noticed.dropped_other_plants, from, c.noticed.order_known, c.noticed.visit_column);
        let observers = c.observers.as_ref().map(|of| (of.names.clone(), of.of_sites.clone()));
        let state = (
            c.plants.get(),
            c.count_columns.clone(),
            c.walks.iter().map(walk).collect(),
            c.by_plant.clone(),
            c.digest.as_ref().map(ToString::to_string),
            c.separator.map(|s| s.as_str().to_owned()),
            noticed,
            (c.by_group.clone(), c.places.clone(), observers),
        );
        Ok((PyType::new::<Self>(py).getattr("_from_state")?, (state,)))
    }

    /// Counts as they were pickled, through the checks of columns.
    #[staticmethod]
    fn _from_state(py: Python<'_>, state: State) -> PyResult<Self> {
        let (plants, count_columns, walks, by_plant, digest, separator, noticed, beside) = state;
        let (rows, dropped, from, order_known, visit_column) = noticed;
        let (mut field, mut visit, mut site, mut count) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for (of, on, sites, counts) in &walks {
            for (number, counted) in sites.iter().zip(counts) {
                field.push(of.as_str());
                visit.push(on.as_str());
                site.push(Some(f64::from(*number)));
                count.push(counted.map(f64::from));
            }
        }
        let size = vec![Some(f64::from(plants)); field.len()];
        let columns = Columns {
            field: &field,
            visit: Some(&visit),
            site: Some(&site),
            plants: Some(&size),
            place: None,
            observer: None,
            counts: &[("count", &count)],
        };
        let plants = Plants::new(plants).map_err(|e| one(py, e))?;
        let mut counts = core::Counts::from_columns(&columns, Some(plants)).map_err(|e| many(py, e))?;
        counts.count_columns = count_columns;
        counts.by_plant = by_plant;
        let observers;
        (counts.by_group, counts.places, observers) = beside;
        counts.observers = observers.map(|(names, of_sites)| core::Observers { names, of_sites });
        let digest = digest.map(|d| stopline::plan::Digest::parse(&d)).transpose();
        counts.digest = digest.map_err(|e| one(py, e))?;
        counts.separator = separator.map(|s| Separator::parse(&s)).transpose().map_err(|e| one(py, e))?;
        counts.noticed.rows = rows;
        counts.noticed.dropped_other_plants = dropped;
        counts.noticed.plants_from =
            *PLANTS_FROM.get(from).ok_or_else(|| PyValueError::new_err("not the state of counts"))?;
        counts.noticed.order_known = order_known;
        counts.noticed.visit_column = visit_column;
        Ok(Self(counts))
    }
}

/// What an entry is, with the groups of a site or the words of a note.
type EntryState = (String, Option<Vec<Option<u32>>>, Option<String>);

fn out(entry: &Entry) -> PyResult<EntryState> {
    let word = |w: &str| (w.to_owned(), None, None);
    Ok(match entry {
        Entry::Site(site) => ("site".to_owned(), Some(site.groups.clone()), None),
        Entry::Note(words) => ("note".to_owned(), None, Some(words.clone())),
        Entry::Skip => word("skip"),
        Entry::Undo => word("undo"),
        Entry::Pause => word("pause"),
        Entry::Resume => word("resume"),
        Entry::Close => word("close"),
        _ => return Err(PyValueError::new_err("a walk with entries of an unknown kind")),
    })
}

fn back(state: EntryState) -> PyResult<Entry> {
    Ok(match state {
        (kind, Some(groups), None) if kind == "site" => Entry::Site(Site { groups }),
        (kind, None, Some(words)) if kind == "note" => Entry::Note(words),
        (kind, None, None) => match kind.as_str() {
            "skip" => Entry::Skip,
            "undo" => Entry::Undo,
            "pause" => Entry::Pause,
            "resume" => Entry::Resume,
            "close" => Entry::Close,
            _ => return Err(PyValueError::new_err("not an entry of a walk")),
        },
        _ => return Err(PyValueError::new_err("not an entry of a walk")),
    })
}

/// As the decision of its walk.
#[pymethods]
impl Decision {
    fn __reduce__<'py>(&self, py: Python<'py>) -> PyResult<Reduced<'py, (Walk,)>> {
        let decision = py.import("operator")?.getattr("attrgetter")?.call1(("decision",))?;
        Ok((decision, (Walk(Mutex::new(Arc::clone(&self.walk))),)))
    }
}

#[pymethods]
impl Walk {
    fn __reduce__<'py>(&self, py: Python<'py>) -> PyResult<Reduced<'py, (Plan, Vec<EntryState>)>> {
        let walk = Arc::clone(&self.walk());
        let entries = walk.entries().iter().map(out).collect::<PyResult<_>>()?;
        Ok((PyType::new::<Self>(py).getattr("_from_entries")?, (Plan(Arc::clone(walk.plan())), entries)))
    }

    /// A walk as it was pickled, entry by entry.
    #[staticmethod]
    fn _from_entries(py: Python<'_>, plan: &Plan, entries: Vec<EntryState>) -> PyResult<Self> {
        let entries = entries.into_iter().map(back).collect::<PyResult<Vec<_>>>()?;
        let walk = decide::Walk::resume(Arc::clone(&plan.0), entries).map_err(|e| one(py, e))?;
        Ok(Self(Mutex::new(Arc::new(walk))))
    }

    fn __copy__(&self) -> Self {
        Self(Mutex::new(Arc::clone(&self.walk())))
    }

    fn __deepcopy__(&self, _memo: &Bound<'_, PyAny>) -> Self {
        self.__copy__()
    }
}
