//! Columns of results, told once: as arrays and lists for a data frame, and as a stream of Arrow.

use arrow_array::cast::AsArray;
use arrow_array::types::{ArrowPrimitiveType, Float64Type, Int64Type, UInt16Type, UInt32Type, UInt64Type};
use arrow_array::{Array, ArrayRef, PrimitiveArray, StructArray};
use arrow_cast::cast;
use arrow_schema::{ArrowError, DataType, Field};
use numpy::PyArray1;
use pyo3::exceptions::{PyTypeError, PyValueError};
use pyo3::prelude::*;
use pyo3::types::{PyCapsule, PyDict};
use pyo3_arrow::PyTable;
use pyo3_arrow::ffi::{ArrayIterator, to_stream_pycapsule};
use std::sync::Arc;

/// A number that a column holds.
pub trait Number: Sized {
    type Arrow: ArrowPrimitiveType<Native = Self>;

    fn known(self) -> Option<Self> {
        Some(self)
    }
}

impl Number for f64 {
    type Arrow = Float64Type;

    fn known(self) -> Option<Self> {
        (!self.is_nan()).then_some(self)
    }
}

impl Number for u16 {
    type Arrow = UInt16Type;
}

impl Number for u32 {
    type Arrow = UInt32Type;
}

impl Number for u64 {
    type Arrow = UInt64Type;
}

/// Columns of one length, by name.
#[derive(Default)]
pub struct Columns(Vec<(String, ArrayRef)>);

impl Columns {
    pub fn with(mut self, name: impl Into<String>, column: impl Array + 'static) -> Self {
        self.0.push((name.into(), Arc::new(column)));
        self
    }

    /// Numbers; where one is NaN there is none.
    pub fn numbers<T: Number>(self, name: impl Into<String>, all: impl IntoIterator<Item = T>) -> Self {
        self.with(name, all.into_iter().map(T::known).collect::<PrimitiveArray<T::Arrow>>())
    }

    /// Arrays, NaN for no number; lists where whole numbers, truths or words may be missing.
    pub fn dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let table = PyDict::new(py);
        for (name, column) in &self.0 {
            match column.data_type() {
                DataType::Float64 => table.set_item(name, PyArray1::from_vec(py, floats(column)))?,
                DataType::UInt16 => {
                    table.set_item(name, PyArray1::from_slice(py, column.as_primitive::<UInt16Type>().values()))?
                }
                DataType::UInt32 => {
                    table.set_item(name, PyArray1::from_slice(py, column.as_primitive::<UInt32Type>().values()))?
                }
                DataType::UInt64 => {
                    table.set_item(name, PyArray1::from_slice(py, column.as_primitive::<UInt64Type>().values()))?
                }
                DataType::Int64 => {
                    table.set_item(name, column.as_primitive::<Int64Type>().iter().collect::<Vec<_>>())?
                }
                DataType::Boolean => table.set_item(name, column.as_boolean().iter().collect::<Vec<_>>())?,
                _ => table.set_item(name, column.as_string::<i32>().iter().collect::<Vec<_>>())?,
            }
        }
        Ok(table)
    }

    /// The capsule of an Arrow stream of one batch; every column may hold nulls.
    pub fn stream<'py>(
        self,
        py: Python<'py>,
        schema: Option<Bound<'py, PyCapsule>>,
    ) -> PyResult<Bound<'py, PyCapsule>> {
        let fields = self.0.iter().map(|(name, column)| Field::new(name, column.data_type().clone(), true)).collect();
        let columns = self.0.into_iter().map(|(_, column)| column).collect();
        let rows = StructArray::try_new(fields, columns, None).map_err(refused)?;
        let field = Arc::new(Field::new("", rows.data_type().clone(), false));
        let batch: ArrayRef = Arc::new(rows);
        Ok(to_stream_pycapsule(py, Box::new(ArrayIterator::new(std::iter::once(Ok(batch)), field)), schema)?)
    }
}

fn refused(e: ArrowError) -> PyErr {
    PyValueError::new_err(e.to_string())
}

fn floats(column: &ArrayRef) -> Vec<f64> {
    column.as_primitive::<Float64Type>().iter().map(|x| x.unwrap_or(f64::NAN)).collect()
}

/// As what a column of counts, numbers or names is read.
fn read_as(of: &DataType) -> Option<DataType> {
    match of {
        DataType::Dictionary(_, values) => read_as(values),
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => Some(DataType::Utf8),
        DataType::Null | DataType::Boolean => Some(DataType::Float64),
        number => number.is_numeric().then_some(DataType::Float64),
    }
}

/// The wanted columns that a table of Arrow has: arrays of numbers, NaN where missing, and lists of words, None there.
#[pyfunction]
pub fn _columns<'py>(py: Python<'py>, table: PyTable, wanted: Vec<String>) -> PyResult<Bound<'py, PyDict>> {
    let (batches, schema) = table.into_inner();
    let found = PyDict::new(py);
    for name in wanted {
        let Some((place, field)) = schema.column_with_name(&name) else { continue };
        let Some(to) = read_as(field.data_type()) else {
            let (name, of) = (&name, field.data_type());
            return Err(PyTypeError::new_err(format!(
                "column '{name}' has the Arrow type {of}: numbers or texts are read"
            )));
        };
        let parts: Vec<ArrayRef> =
            batches.iter().map(|batch| cast(batch.column(place), &to)).collect::<Result<_, _>>().map_err(refused)?;
        if to == DataType::Float64 {
            found.set_item(name, PyArray1::from_vec(py, parts.iter().flat_map(floats).collect()))?;
        } else {
            found.set_item(name, parts.iter().flat_map(|part| part.as_string::<i32>()).collect::<Vec<_>>())?;
        }
    }
    Ok(found)
}
