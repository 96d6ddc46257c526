//! Counts and their dispersion.

use crate::errors::{many, one};
use numpy::{AllowTypeChange, PyArray1, PyArrayLike1};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::PathBuf;
use stopline::counts::{self as core, Columns, Layout, Reading, Separator};
use stopline::{Code, Error, Plants};

pub type Numbers<'py> = PyArrayLike1<'py, f64, AllowTypeChange>;

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
pub fn column(numbers: &Numbers<'_>) -> Vec<Option<f64>> {
    numbers.as_array().iter().map(|&x| (!x.is_nan()).then_some(x)).collect()
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
    /// place : (str, str), optional
    ///     Columns with both coordinates of a site, or its row and step.
    /// observer : str, optional
    ///     Column with who counted the site.
    ///
    /// Returns
    /// -------
    /// Counts
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     With every bad row at once: codes ``counts_*``, ``file_read``.
    ///
    /// Examples
    /// --------
    /// >>> import pathlib, stopline, tempfile
    /// >>> with tempfile.TemporaryDirectory() as folder:
    /// ...     path = pathlib.Path(folder, "counts.csv")
    /// ...     _ = path.write_text("field,site,spiders,lacewings\nheron,1,2,0\nheron,2,0,NA\nheron,3,1,4\n")
    /// ...     stopline.Counts.read(path, count=["spiders", "lacewings"]).walks[0]["counts"]
    /// array([ 2., nan,  5.])
    #[staticmethod]
    #[pyo3(signature = (path, *, count=None, field="field", visit=None, site=None, plants_column=None, missing=None, separator=None, plants=None, rows="sites", fill_down=None, counted_to=None, place=None, observer=None))]
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
        place: Option<[String; 2]>,
        observer: Option<String>,
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
            place,
            observer,
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
    /// place : (array_like, array_like) of n numbers each, optional
    ///     Both coordinates of each site, or its row and step; NaN is not known.
    /// observer : sequence of n names, optional
    ///     Who counted each site; empty is not known.
    ///
    /// Returns
    /// -------
    /// Counts
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
    #[pyo3(signature = (*, field, site, counts, visit=None, plants=None, plants_wanted=None, place=None, observer=None))]
    fn from_columns(
        py: Python<'_>,
        field: &Bound<'_, PyAny>,
        site: Numbers<'_>,
        counts: &Bound<'_, PyAny>,
        visit: Option<&Bound<'_, PyAny>>,
        plants: Option<Numbers<'_>>,
        plants_wanted: Option<u16>,
        place: Option<[Numbers<'_>; 2]>,
        observer: Option<&Bound<'_, PyAny>>,
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
        let place = place.as_ref().map(|both| both.each_ref().map(column));
        let observer = observer.map(texts).transpose()?;
        let observer = observer.as_deref().map(borrowed);
        let columns = Columns {
            field: &borrowed(&field),
            visit: visit.as_deref(),
            site: Some(&site),
            plants: plants.as_deref(),
            place: place.as_ref().map(|both| both.each_ref().map(Vec::as_slice)),
            observer: observer.as_deref(),
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

    /// Some of the columns by themselves, added: a site where only others are missing is there.
    ///
    /// Parameters
    /// ----------
    /// columns : str or sequence of str
    ///     Of ``count_columns``.
    ///
    /// Returns
    /// -------
    /// Counts
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``counts_column`` for a column that was not read, ``combination`` where columns were not kept apart.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> counts = stopline.Counts.from_columns(field=["heron"] * 3, site=[1, 2, 3],
    /// ...                                       counts={"spiders": [2, 0, 1], "lacewings": [0, 4, 1]})
    /// >>> counts.group("spiders").walks[0]["counts"]
    /// array([2., 0., 1.])
    fn group(&self, py: Python<'_>, columns: &Bound<'_, PyAny>) -> PyResult<Self> {
        let columns: Vec<String> = columns.extract::<String>().map(|one| vec![one]).or_else(|_| columns.extract())?;
        let columns: Vec<&str> = columns.iter().map(String::as_str).collect();
        self.0.chosen(&columns).map(Self).map_err(|e| one(py, e))
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
