"""Tables of counts: any that exports its columns by the Arrow PyCapsule interface, pandas, and dicts of columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ._error import StoplineError, finding
from ._native import _columns as _of_arrow


def arguments(
    table: Any,
    count: Sequence[str] | None,
    field: str,
    visit: str | None,
    site: str,
    plants_column: str | None,
    plants: int | None,
    place: Sequence[str] | None,
    observer: str | None,
) -> dict[str, Any]:
    """A table as the arguments of ``Counts.from_columns``."""
    groups = ["count"] if count is None else list(count)
    beside = list(place or []) + [name for name in (visit, plants_column, observer) if name is not None]
    asked = [field, site, *groups, *beside]
    usual = [visit or "visit", plants_column or "plants"]
    found = _columns(table, dict.fromkeys(asked + usual))
    errors = [finding("counts_column", "column", name, "a column of the table") for name in asked if name not in found]
    if errors:
        raise StoplineError(errors)
    arguments = {
        "field": _words(found[field]),
        "site": _numbers(found[site]),
        "counts": {name: _numbers(found[name]) for name in groups},
        "plants_wanted": plants,
    }
    if place is not None:
        arguments["place"] = tuple(_numbers(found[name]) for name in place)
    if observer is not None:
        arguments["observer"] = _words(found[observer])
    if usual[0] in found:
        arguments["visit"] = _words(found[usual[0]])
    if usual[1] in found:
        arguments["plants"] = _numbers(found[usual[1]])
    return arguments


def _numbers(column: Any) -> npt.NDArray[Any]:
    """Numbers, NaN where missing."""
    if hasattr(column, "to_numpy") and hasattr(column, "isna"):  # pandas, whose missing values have several forms
        return np.asarray(column.to_numpy(dtype="float64", na_value=np.nan))
    values = np.asarray(column)
    if values.dtype == object:
        values = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    return values


def _words(column: Any) -> list[str]:
    """Names, empty where missing; whole numbers without a decimal point."""
    if hasattr(column, "isna"):
        column = column.astype(object).where(~column.isna(), None)
    return ["" if value is None or value != value else _word(value) for value in getattr(column, "tolist", lambda: column)()]


def _word(value: Any) -> str:
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _columns(table: Any, wanted: Iterable[str]) -> dict[str, Any]:
    """The wanted columns that the table has."""
    if isinstance(table, Mapping) or hasattr(table, "iloc"):
        return {name: table[name] for name in wanted if name in table}
    if not hasattr(table, "__arrow_c_stream__"):
        raise TypeError(f"a table is wanted (one that exports Arrow, a pandas.DataFrame or a dict), not {type(table)}")
    return _of_arrow(table, list(wanted))
