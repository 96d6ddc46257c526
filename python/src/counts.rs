//! Counts and their dispersion.

use crate::errors::{many, one, plain, released, watched};
use crate::plan::Plan;
use crate::recipe::{Recipe, recipe};
use numpy::{AllowTypeChange, PyArray1, PyArrayLike1};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::PathBuf;
use stopline::counts::{self as core, Columns, Layout, Reading, Separator};
use stopline::dispersion::{self, Draws, Minutes, Studying, Values, fit_counts, study_counts};
use stopline::{Code, Error, Level, Mean, Plants};

type Numbers<'py> = PyArrayLike1<'py, f64, AllowTypeChange>;

/// Site counts that were read and checked; made by ``Counts.read`` or ``Counts.from_columns``.
///
/// Attributes
/// ----------
/// plants : int
///     Plants beaten at every site.
/// count_columns : list of str
///     The columns that were added to a site's count.
/// walks : list of dict
///     ``field``, ``visit``, ``sites`` (uint32 array) and ``counts`` (float array of the same length, NaN
///     where missing), in the order walked.
/// notes : list of str
///     What was noticed while reading.
#[pyclass(frozen, module = "stopline", eq)]
#[derive(PartialEq)]
pub struct Counts(pub core::Counts);

/// Numbers as the core takes them: NaN is a missing value.
fn column(numbers: &Numbers<'_>) -> Vec<Option<f64>> {
    numbers.as_array().iter().map(|&x| (!x.is_nan()).then_some(x)).collect()
}

/// A column of its own.
fn own<'py>(numbers: &Bound<'py, PyAny>) -> PyResult<Bound<'py, PyAny>> {
    let numbers: Numbers<'py> = numbers.extract()?;
    Ok(PyArray1::from_iter(numbers.py(), numbers.as_array().iter().copied()).into_any())
}

/// The texts of any sequence.
fn texts(values: &Bound<'_, PyAny>) -> PyResult<Vec<String>> {
    values.try_iter()?.map(|v| Ok(v?.str()?.to_string())).collect()
}

fn plants_of(py: Python<'_>, plants: Option<u16>) -> PyResult<Option<Plants>> {
    plants.map(|n| Plants::new(n).map_err(|e| one(py, e))).transpose()
}

#[pymethods]
impl Counts {
    /// Reads a CSV or TSV file, one row a site.
    ///
    /// Parameters
    /// ----------
    /// path : path-like
    ///     File with a header; UTF-8.
    /// count : sequence of str, optional
    ///     Columns to add; by default the column ``count``.
    /// field, visit, site, plants_column : str, optional
    ///     Names of the columns; ``site`` holds the number of sites with ``rows="frequencies"`` (then by default
    ///     ``sites``).
    /// rows : {"sites", "walks", "plants", "frequencies"}
    ///     What a row is: a site; a walk with its sites across, in columns headed by their numbers, an empty cell
    ///     being a site not visited; a plant of a site (added); a count with the number of sites that have it.
    /// fill_down : sequence of str, optional
    ///     Columns whose empty cells repeat the one above.
    /// missing : sequence of str, optional
    ///     What stands for a missing count; by default nothing and ``NA``. Missing is never zero.
    /// separator : {"comma", "semicolon", "tab"}, optional
    ///     By default the one under which the header holds the asked columns.
    /// plants : int, optional
    ///     Keep sites of this many plants only; the others are dropped and counted, never rescaled.
    /// counted_to : int, optional
    ///     Sites were counted to this and no further: a larger count is read as this, and a cell may say ``10+``.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     With every bad row at once: codes ``counts_*``, ``file_read``.
    #[staticmethod]
    #[pyo3(signature = (path, *, count=None, field="field", visit=None, site=None, plants_column=None, missing=None, separator=None, plants=None, rows="sites", fill_down=None, counted_to=None))]
    fn read(
        py: Python<'_>,
        path: PathBuf,
        count: Option<Vec<String>>,
        field: &str,
        visit: Option<String>,
        site: Option<&str>,
        plants_column: Option<String>,
        missing: Option<Vec<String>>,
        separator: Option<&str>,
        plants: Option<u16>,
        rows: &str,
        fill_down: Option<Vec<String>>,
        counted_to: Option<u32>,
    ) -> PyResult<Self> {
        let layout = match rows {
            "sites" => Layout::Sites,
            "walks" => Layout::Walks,
            "plants" => Layout::Plants,
            "frequencies" => Layout::Frequencies,
            _ => return Err(one(py, Error::new(Code::Usage, "rows", rows, "sites, walks, plants or frequencies"))),
        };
        let usual = if layout == Layout::Frequencies { "sites" } else { "site" };
        let reading = Reading {
            field: field.to_owned(),
            visit,
            site: site.unwrap_or(usual).to_owned(),
            plants: plants_column,
            plant: None,
            count: count.unwrap_or_default(),
            missing: missing.unwrap_or_else(|| Reading::default().missing),
            separator: separator.map(Separator::parse).transpose().map_err(|e| one(py, e))?,
            layout,
            fill_down: fill_down.unwrap_or_default(),
            counted_to,
            plants_wanted: plants_of(py, plants)?,
        };
        let name = path.display().to_string();
        let file = std::fs::File::open(&path)
            .map_err(|e| one(py, Error::new(Code::FileRead, "file", e, "a readable file").in_file(&name)))?;
        let counts = py.detach(|| core::Counts::read(file, &reading));
        counts.map(Self).map_err(|e| many(py, e.map(|e| e.in_file(&name))))
    }

    /// Counts from columns of equal length n, through the same checks as a file.
    ///
    /// Parameters
    /// ----------
    /// field, visit : sequence of n names
    ///     Without visit all sites are of one visit.
    /// site : array_like of n numbers
    ///     Rising along each walk.
    /// counts : array_like of n numbers, or dict of them
    ///     Several columns are added; NaN is missing.
    /// plants : array_like of n numbers, optional
    ///     Plants at each site; 1 if not given.
    /// plants_wanted : int, optional
    ///     Keep sites of this many plants only.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     Codes ``counts_*``, ``combination``; row 1 is the first place.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> counts = stopline.Counts.from_columns(field=["heron"] * 3, site=[1, 2, 3], counts=[2, 0, float("nan")])
    /// >>> counts
    /// <stopline.Counts: 1 walks, 3 sites of 1 plants>
    #[staticmethod]
    #[pyo3(signature = (*, field, site, counts, visit=None, plants=None, plants_wanted=None))]
    fn from_columns(
        py: Python<'_>,
        field: &Bound<'_, PyAny>,
        site: Numbers<'_>,
        counts: &Bound<'_, PyAny>,
        visit: Option<&Bound<'_, PyAny>>,
        plants: Option<Numbers<'_>>,
        plants_wanted: Option<u16>,
    ) -> PyResult<Self> {
        let field = texts(field)?;
        let visit = visit.map(texts).transpose()?;
        let mut columns: Vec<(String, Vec<Option<f64>>)> = Vec::new();
        if let Ok(groups) = counts.cast::<PyDict>() {
            for (name, values) in groups {
                columns.push((name.str()?.to_string(), column(&values.extract()?)));
            }
        } else {
            columns.push(("count".to_owned(), column(&counts.extract()?)));
        }
        fn borrowed(names: &[String]) -> Vec<&str> {
            names.iter().map(String::as_str).collect()
        }
        let (site, plants) = (column(&site), plants.as_ref().map(column));
        let counts: Vec<(&str, &[Option<f64>])> = columns.iter().map(|(n, c)| (n.as_str(), c.as_slice())).collect();
        let visit = visit.as_deref().map(borrowed);
        let columns = Columns {
            field: &borrowed(&field),
            visit: visit.as_deref(),
            site: Some(&site),
            plants: plants.as_deref(),
            counts: &counts,
        };
        core::Counts::from_columns(&columns, plants_of(py, plants_wanted)?).map(Self).map_err(|e| many(py, e))
    }

    #[getter]
    fn plants(&self) -> u16 {
        self.0.plants.get()
    }

    #[getter]
    fn count_columns(&self) -> Vec<String> {
        self.0.count_columns.clone()
    }

    #[getter]
    fn notes(&self) -> Vec<String> {
        self.0.notes()
    }

    #[getter]
    fn walks<'py>(&self, py: Python<'py>) -> PyResult<Vec<Bound<'py, PyDict>>> {
        let walk = |w: &core::FieldWalk| {
            let dict = PyDict::new(py);
            dict.set_item("field", &w.field)?;
            dict.set_item("visit", &w.visit)?;
            dict.set_item("sites", PyArray1::from_slice(py, &w.sites))?;
            let counts = w.counts.iter().map(|c| c.map_or(f64::NAN, f64::from)).collect();
            dict.set_item("counts", PyArray1::from_vec(py, counts))?;
            Ok(dict)
        };
        self.0.walks.iter().map(walk).collect()
    }

    fn __len__(&self) -> usize {
        self.0.walks.len()
    }

    fn __repr__(&self) -> String {
        let sites: usize = self.0.walks.iter().map(|w| w.sites.len()).sum();
        format!("<stopline.Counts: {} walks, {sites} sites of {} plants>", self.0.walks.len(), self.0.plants.get())
    }
}

/// Clumping fitted to counts; made by ``fit``.
///
/// Attributes
/// ----------
/// k : float or None
///     The k for a plan, common to all walks by conditional likelihood; None where it is infinite (Poisson).
/// k_low : float or None
///     Its lower limit.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Fit {
    pub fit: dispersion::Fit,
    pub plants: Option<Plants>,
    pub recipe: Recipe,
}

/// Fits how clumped counts are.
///
/// Parameters
/// ----------
/// counts : Counts, or array_like of n counts
///     Walks, or the counts of a single one.
/// level : float
///     Level of the intervals.
/// study : bool
///     Also tests of the fitted laws, spread of k over fields, laws of variance, order of sites; in
///     ``to_dict()`` under ``tests`` of each field and ``bliss_owen``, ``one_k``, ``spread``,
///     ``mean_variance``, ``laws`` and ``order``.
/// draws, seed : int
///     What a study draws at random.
/// run_length : int
///     Sites of a run along the walk, for a study of their order.
/// stopped_by : Plan, optional
///     The plan that stopped the walks; ``to_dict()["stopped"]`` is then k by where they stopped.
/// at_means : sequence of float, optional
///     For a study: means per site at which the power law's k is given.
/// quality : float, optional
///     Standard error over k that is wanted: ``to_dict()["needed"]`` says how many fields and sites give it.
/// minutes : (float, float, float), optional
///     Minutes for a site, a plant and an enemy, where plants were counted apart (``rows="plants"``): the best number of
///     plants of a site in ``to_dict()["plants_of_sites"]``.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// Fit
///     ``to_dict()`` gives every walk (ML and Cox-Reid k with profile intervals) and the common k
///     (conditional ML: Robinson & Smyth 2008, Biostatistics 9:321-332).
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for the level, ``counts_*`` for counts that are none.
///
/// Examples
/// --------
/// European red mites on 150 apple leaves (Bliss & Fisher 1953, Biometrics 9:176-200):
///
/// >>> import numpy as np, stopline
/// >>> mites = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
/// >>> round(stopline.fit(mites).to_dict()["fields"][0]["k"], 5)
/// 1.02459
#[pyfunction]
#[pyo3(signature = (counts, *, level=0.95, study=false, draws=999, seed=1, run_length=5, stopped_by=None, at_means=None, quality=None, minutes=None, progress=None))]
pub fn fit(
    py: Python<'_>,
    counts: &Bound<'_, PyAny>,
    level: f64,
    study: bool,
    draws: u32,
    seed: u64,
    run_length: u32,
    stopped_by: Option<Bound<'_, Plan>>,
    at_means: Option<Vec<f64>>,
    quality: Option<f64>,
    minutes: Option<(f64, f64, f64)>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Fit> {
    // A copy: the caller may write to theirs.
    let counts = &if counts.is_instance_of::<Counts>() { counts.clone() } else { own(counts)? };
    let recipe =
        recipe!(py, "fit", counts, level, study, draws, seed, run_length, stopped_by, at_means, quality, minutes);
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let held;
    let (counts, plants) = if let Ok(counts) = counts.cast::<Counts>() {
        (&counts.get().0, Some(counts.get().0.plants))
    } else {
        // One walk, as a plain column of counts.
        let counts = column(&counts.extract()?);
        let field = vec!["1"; counts.len()];
        let columns = Columns { field: &field, visit: None, site: None, plants: None, counts: &[("count", &counts)] };
        held = core::Counts::from_columns(&columns, None).map_err(|e| many(py, e))?;
        (&held, None)
    };
    let draws = Draws::new(draws, seed).map_err(|e| one(py, e))?;
    let how = Studying { level, draws, run_length };
    let plan = stopped_by.as_ref().map(|plan| &plan.get().0);
    let minutes = minutes.map(|(site, plant, enemy)| Minutes::new(site, plant, enemy));
    let minutes = minutes.transpose().map_err(|e| one(py, e))?;
    let fit = watched(py, progress, |watch| {
        let mut fit = if study { study_counts(counts, &how, watch) } else { fit_counts(counts, level, watch) }?;
        if let Some(quality) = quality {
            fit = fit.with_needed(counts, quality)?;
        }
        if counts.by_plant.is_some() || minutes.is_some() {
            fit = fit.with_plants(counts, minutes, draws, watch)?;
        }
        match plan {
            Some(plan) => fit.stopped_by(counts, plan.lines(), watch),
            None => Ok(fit),
        }
    })?;
    let at = means(py, at_means)?;
    let call = format!(
        "stopline.fit(level={}, study={study}, draws={}, seed={}, run_length={run_length})",
        level.get(),
        draws.number(),
        draws.seed()
    );
    let fit = fit.with_k_at(&at).with_command(call.replace("true", "True").replace("false", "False"));
    Ok(Fit { fit, plants, recipe })
}

fn means(py: Python<'_>, at: Option<Vec<f64>>) -> PyResult<Vec<Mean>> {
    at.unwrap_or_default().into_iter().map(|m| Mean::new(m).map_err(|e| one(py, e))).collect()
}

/// Laws of variance from means and variances alone, as papers print them.
///
/// Parameters
/// ----------
/// mean, variance : array_like of n numbers
///     Of each field; NaN for a variance that is missing.
/// level : float
///     Level of the limits.
/// at_means : sequence of float, optional
///     Means per site at which the power law's k is given.
///
/// Returns
/// -------
/// dict
///     ``power_law`` (a, b), ``patchiness`` (alpha, beta), what was left out, ``k_at``.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> laws = stopline.mean_variance([1, 2, 4], [2, 6, 20])
/// >>> round(laws["patchiness"]["beta"]["value"], 6)
/// 2.0
#[pyfunction]
#[pyo3(signature = (mean, variance, *, level=0.95, at_means=None))]
pub fn mean_variance<'py>(
    py: Python<'py>,
    mean: Numbers<'py>,
    variance: Numbers<'py>,
    level: f64,
    at_means: Option<Vec<f64>>,
) -> PyResult<Bound<'py, PyAny>> {
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let (mean, variance) = (column(&mean), column(&variance));
    if mean.len() != variance.len() {
        let allowed = format!("{}, as of mean", mean.len());
        return Err(one(py, Error::new(Code::Combination, "length of variance", variance.len(), allowed)));
    }
    let points: Vec<_> = mean.into_iter().map(|m| m.unwrap_or(f64::NAN)).zip(variance).collect();
    let laws = dispersion::mean_variance_of(&points, level).map_err(|e| one(py, e))?;
    plain(py, &laws.with_k_at(&means(py, at_means)?))
}

#[pymethods]
impl Fit {
    #[getter]
    fn k(&self, py: Python<'_>) -> PyResult<Option<f64>> {
        let found = self.fit.for_plan().map_err(|e| one(py, e))?;
        Ok(found.dispersion.constant_k().map(|k| k.get()))
    }

    #[getter]
    fn k_low(&self, py: Python<'_>) -> PyResult<Option<f64>> {
        let found = self.fit.for_plan().map_err(|e| one(py, e))?;
        Ok(found.lower.and_then(|d| d.constant_k()).map(|k| k.get()))
    }

    /// One row a walk, as columns for a data frame: ``pandas.DataFrame(fit.table())``, ``polars.DataFrame(fit.table())``.
    ///
    /// k is infinite for counts that are not clumped and NaN where it is undefined (``why`` says why); with a study
    /// the p of each walk's tests are there too.
    fn table<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let table = PyDict::new(py);
        for (name, column) in self.fit.table() {
            match column {
                Values::Text(all) => table.set_item(name, all)?,
                Values::Whole(all) => table.set_item(name, PyArray1::from_vec(py, all))?,
                Values::Numbers(all) => table.set_item(name, PyArray1::from_vec(py, all))?,
                _ => {}
            }
        }
        Ok(table)
    }

    /// The fit as plain objects: `fields` and `common`, every null explained beside it.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.fit)
    }

    fn __repr__(&self) -> String {
        format!("<stopline.Fit: {} walks>", self.fit.fields.len())
    }
}

/// Fits k to counts of sites that were counted up to a most, then no further.
///
/// Parameters
/// ----------
/// counts : Counts
/// counted_to : int
///     The most that a site was counted to; a count above is taken as that.
/// level : float
///     Level of the intervals.
///
/// Returns
/// -------
/// dict
///     ``fields`` with the mean of full counts and k of each walk; ``common`` with ``k_cox_reid``, adjusted for the
///     fitted means, which a plan should use, and ``k_ml``.
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for a most of 0 or above 10 000.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> counts = stopline.Counts.from_columns(field=["heron"] * 6, site=[1, 2, 3, 4, 5, 6], counts=[0, 4, 1, 0, 2, 9])
/// >>> stopline.fit_capped(counts, 4)["fields"][0]["at_most"]
/// 2
#[pyfunction]
#[pyo3(signature = (counts, counted_to, *, level=0.95))]
pub fn fit_capped<'py>(py: Python<'py>, counts: &Counts, counted_to: u32, level: f64) -> PyResult<Bound<'py, PyAny>> {
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let fit = released(py, |watch| stopline::dispersion::fit_capped(&counts.0, counted_to, level, watch))?;
    plain(py, &fit)
}

/// Fits the share of sites with more than a tally to the mean, over walks: ln m = a + b·ln(−ln(1 − P)).
///
/// Parameters
/// ----------
/// counts : Counts
/// above : int
///     A site is positive when it holds more than this.
/// level : float
///     Level of the limits of a and b.
///
/// Returns
/// -------
/// dict
///     ``a`` and ``b`` with their limits, ``scatter`` (standard deviation of ln m around the line), and the walks that
///     have no point; for ``plan(proportion=...)``.
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for a level not between 0 and 1.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> counts = stopline.Counts.from_columns(field=["heron"] * 4 + ["owl"] * 4 + ["plover"] * 4, site=[1, 2, 3, 4] * 3,
/// ...                                       counts=[0, 1, 0, 0, 2, 0, 3, 0, 4, 0, 2, 9])
/// >>> round(stopline.fit_proportion(counts)["b"]["value"], 2)
/// 1.73
#[pyfunction]
#[pyo3(signature = (counts, *, above=0, level=0.95))]
pub fn fit_proportion<'py>(py: Python<'py>, counts: &Counts, above: u32, level: f64) -> PyResult<Bound<'py, PyAny>> {
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let fit = released(py, |_| stopline::dispersion::fit_proportion(&counts.0, above, level))?;
    plain(py, &fit)
}
