"""Counts from tables of every kind, and results as tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import stopline

from long_work import DEMO, GROUPS, demo

pandas = pytest.importorskip("pandas")
polars = pytest.importorskip("polars")
pyarrow = pytest.importorskip("pyarrow")
csv = pytest.importorskip("pyarrow.csv")


READERS: dict[str, Callable[[], Any]] = {
    "pandas": lambda: pandas.read_csv(DEMO),
    "pandas, nullable": lambda: pandas.read_csv(DEMO).convert_dtypes(),
    "polars": lambda: polars.read_csv(DEMO, null_values="NA"),
    "polars, categorical": lambda: polars.read_csv(DEMO, null_values="NA").with_columns(
        polars.col("field").cast(polars.Categorical)
    ),
    "polars, several chunks": lambda: polars.concat(
        [polars.read_csv(DEMO, null_values="NA")[a:b] for a, b in ((0, 5), (5, 300), (300, None))], rechunk=False
    ),
    "pyarrow": lambda: csv.read_csv(DEMO),
    "pyarrow, dictionary": lambda: _dictionary(csv.read_csv(DEMO)),
    "pyarrow, sliced": lambda: pyarrow.concat_tables([csv.read_csv(DEMO)[:333], csv.read_csv(DEMO)[333:]]),
    "pyarrow, stream": lambda: csv.read_csv(DEMO).to_reader(max_chunksize=7),
    "dict": lambda: csv.read_csv(DEMO).to_pydict(),
}


def _dictionary(table: Any) -> Any:
    return table.set_column(0, "field", table["field"].dictionary_encode())


@pytest.mark.parametrize("name", READERS)
def test_every_table_is_read_as_the_file(name: str) -> None:
    counts = stopline.Counts.from_table(READERS[name](), count=GROUPS)
    file = demo()
    assert counts.plants == file.plants and counts.count_columns == file.count_columns
    assert len(counts.walks) == len(file.walks) == 24
    for a, b in zip(counts.walks, file.walks, strict=True):
        assert (a["field"], a["visit"]) == (b["field"], b["visit"])
        np.testing.assert_array_equal(a["sites"], b["sites"])
        np.testing.assert_array_equal(a["counts"], b["counts"])


@pytest.mark.parametrize(
    "column",
    [
        pyarrow.array([3, None, 0], t)
        for t in (pyarrow.int8(), pyarrow.uint16(), pyarrow.int64(), pyarrow.uint64(), pyarrow.float32())
    ]
    + [pyarrow.array([True, None, False])],
    ids=lambda column: str(column.type),
)
def test_types_of_numbers(column: Any) -> None:
    table = pyarrow.table({"field": ["heron"] * 3, "site": [1, 2, 3], "count": column})
    expected = [np.nan if x is None else float(x) for x in column.to_pylist()]
    np.testing.assert_array_equal(stopline.Counts.from_table(table).walks[0]["counts"], expected)


@pytest.mark.parametrize("kind", [pyarrow.string(), pyarrow.large_string(), pyarrow.string_view()], ids=str)
def test_types_of_text(kind: Any) -> None:
    fields = ["Ärgernis am langen Rain", "owl", "owl"]
    table = pyarrow.table({"field": pyarrow.array(fields, kind), "site": [1, 1, 2], "count": [1, 2, 3]})
    assert [walk["field"] for walk in stopline.Counts.from_table(table[0:]).walks] == fields[:2]


def test_what_is_refused() -> None:
    table = {"field": ["heron"] * 2, "site": [1, 2], "spiders": [0, 1]}
    with pytest.raises(stopline.StoplineError) as e:
        stopline.Counts.from_table(table, count=["spiders", "lacewings"], visit="day")
    assert [(one["code"], one["value"]) for one in e.value.errors] == [
        ("counts_column", "lacewings"),
        ("counts_column", "day"),
    ]
    with pytest.raises(stopline.StoplineError) as e:
        stopline.Counts.from_table(table | {"count": [1.5, -1]})
    assert {one["code"] for one in e.value.errors} == {"counts_value"} and len(e.value.errors) == 2
    with pytest.raises(stopline.StoplineError):
        stopline.Counts.from_table(pyarrow.table({"field": ["heron", None], "site": [1, 1], "count": [0, 1]}))
    with pytest.raises(stopline.StoplineError, match="all are missing"):
        stopline.Counts.from_table(pyarrow.table({"field": ["heron"], "site": [1], "count": pyarrow.nulls(1)}))
    with pytest.raises(TypeError, match="Arrow"):
        stopline.Counts.from_table([1, 2])  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="'day' has the Arrow type"):
        day = pyarrow.array([1, 2], pyarrow.timestamp("s"))
        stopline.Counts.from_table(pyarrow.table(table | {"count": [1, 2], "day": day}), visit="day")


def test_series_are_columns_of_counts() -> None:
    counts = [0, 3, 1, 0, 5]
    expected = stopline.fit(counts)
    for series in (np.array(counts), pandas.Series(counts), polars.Series(counts), pyarrow.chunked_array([counts])):
        assert stopline.fit(series) == expected


@pytest.mark.parametrize("frame", [pandas.DataFrame, polars.DataFrame, pyarrow.table], ids=["pandas", "polars", "arrow"])
def test_results_are_tables(frame: Callable[[Any], Any]) -> None:
    counts = demo()
    plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    curve = stopline.evaluate(plan, [1.0, 2.0])
    simulated = stopline.simulate(plan, [1.0, 2.0], walks=100)
    for result, rows in ((counts, 686), (stopline.fit(counts), 24), (plan, 26), (curve, 2), (simulated, 2)):
        table = frame(result.table())
        assert table.shape[0] == rows, result
    assert frame(curve.table()).shape[1] == 11 and frame(simulated.table()).shape[1] == 21
    # Round trip: names of the columns apart.
    again = stopline.Counts.from_table(frame(counts.table()))
    assert again.table().keys() == counts.table().keys()
    for name, column in counts.table().items():
        np.testing.assert_array_equal(again.table()[name], column)


# No walk reaches the only check of the last plan: of what is told of a stop there is nothing.
RESULTS: dict[str, Callable[[], Any]] = {
    "counts": demo,
    "fit": lambda: stopline.fit(demo(), study=True, draws=99),
    "plan": lambda: stopline.plan(k=1.2, inadequate=1.0, adequate=2.0),
    "curve": lambda: stopline.evaluate(stopline.plan(k=1.2, se_over_mean=0.25), [1.0, 2.0]),
    "simulated": lambda: stopline.simulate(stopline.plan(k=1.2, inadequate=1.0, adequate=2.0), [1.0, 2.0], walks=100),
    "comparison": lambda: stopline.compare(k=1.2, inadequate=1.0, adequate=2.0),
    "replay": lambda: stopline.replay(
        stopline.plan(k=1.2, plants=3, inadequate=1.0, adequate=2.0), demo(), orders=9
    ),
    "replay without a stop": lambda: stopline.replay(
        stopline.Plan.given([(60, 9, 10)], k=1.2, plants=3), demo(), orders=9
    ),
}


@pytest.mark.parametrize("name", RESULTS)
def test_results_are_arrow(name: str) -> None:
    result = RESULTS[name]()
    expected = {
        column: [None if value is None or value != value else value for value in getattr(values, "tolist", values.copy)()]
        for column, values in result.table().items()
    }
    table = pyarrow.table(result)
    assert table.to_pydict() == polars.DataFrame(result).to_dict(as_series=False) == expected
    assert not any(pyarrow.types.is_null(field.type) for field in table.schema)


def test_types_of_results_do_not_depend_on_them() -> None:
    some, none = (pyarrow.table(RESULTS[name]()) for name in ("replay", "replay without a stop"))
    assert some.schema == none.schema and none["stopped_at"].null_count == len(none) and some["stopped_at"].null_count == 0


def test_another_type_can_be_asked_for() -> None:
    curve = RESULTS["curve"]()
    asked = pyarrow.schema([(f.name, "int64" if f.name == "sites_p50" else f.type) for f in pyarrow.table(curve).schema])
    assert pyarrow.table(curve, schema=asked)["sites_p50"].to_pylist() == curve.sites_p50.tolist()


def test_counts_are_read_as_the_table_they_are() -> None:
    counts = RESULTS["counts"]()
    assert stopline.Counts.from_table(counts).table().keys() == counts.table().keys()
    assert stopline.fit(stopline.Counts.from_table(counts)).table()["k"].tolist() == stopline.fit(counts).table()["k"].tolist()
