"""Golden vectors (50-digit independent formulas) and published values through Python."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
import stopline

from vectors import EVALUATE, PLANS, RUNNABLE, VECTORS, clumping, load, plan_of, two_calls

# Probabilities: sums of positive terms and one difference from 1 (absolute). Sites: relative.
PROBABILITY = 1e-12
SITES = 1e-12
# k is found by its equation, to the last places of the likelihood.
CLUMPING = 1e-9
# Printed to 12 figures; relative for sites.
CLUSTERED = 1e-11


def test_vectors_are_known_and_most_run() -> None:
    assert set(EVALUATE) == {"columns", "plans", "cases"}
    assert all(set(case) == {"plan", "law", "even_mean", "rows"} for case in EVALUATE["cases"])
    # The others are laws given as tables, which only the core takes.
    left = [case for case in EVALUATE["cases"] if all(case is not ran for ran, _ in RUNNABLE)]
    assert {case["law"]["kind"] for case in left} == {"table"}


@pytest.mark.parametrize(("case", "plan"), RUNNABLE, ids=[case["plan"] for case, _ in RUNNABLE])
def test_evaluate(case: dict[str, Any], plan: stopline.Plan) -> None:
    columns = {name: [row[i] for row in case["rows"]] for i, name in enumerate(EVALUATE["columns"])}
    curve = stopline.evaluate(plan, np.array(columns["mean"]))
    assert len(curve) == len(case["rows"]) > 0
    for name in ("adequate", "inadequate", "marginal", "enough", "undecided", "at_cap"):
        np.testing.assert_allclose(getattr(curve, name), columns[name], rtol=0, atol=PROBABILITY, err_msg=name)
    np.testing.assert_allclose(curve.expected_sites, columns["expected_sites"], rtol=SITES)
    for name in ("sites_p50", "sites_p90"):
        for got, want in zip(getattr(curve, name), columns[name], strict=True):
            assert want is None or got == want  # None: a tie


def test_seeded_walks_to_the_bit() -> None:
    lines = two_calls(PLANS["every_k"]["lines"])
    wide = stopline.plan(k=0.8, inadequate=20.0, adequate=40.0, min_sites=1, max_sites=60, method="wald").lines
    assert lines is not None
    # How counts vary, as the plan's; how they are drawn.
    sources: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
        "independent": ({"k": 1.2}, {}),
        "spread": ({"k": 1.2, "k_sd_log": 0.4}, {}),
        "poisson": ({"k": math.inf}, {}),
        "runs of five": ({"k": 1.2}, {"shared": 0.25, "run": 5}),
        "whole walk": ({"k": 1.2}, {"shared": 0.25, "run": "whole_walk"}),
    }
    places = {"thresholds 1 and 2": (lines, 1.3), "thresholds 20 and 40": (wide, 27.0)}
    known = load("simulated")
    assert list(known) == [f"{name}, {place}" for place in places for name in sources]
    for case, row in known.items():
        name, place = case.split(", ")
        (varying, drawn), (stops, mean) = sources[name], places[place]
        found = stopline.simulate(stopline.Plan.given(stops, **varying), [mean], walks=20_000, seed=42, **drawn)
        assert {column: getattr(found, column)[0] for column in row} == row, case


def test_clustered() -> None:
    vectors = load("clustered")
    for case in vectors["cases"]:
        plan = plan_of(case["lines"], {"kind": "neg_bin", "k": case["k"]})
        assert plan is not None
        columns = dict(zip(vectors["columns"], zip(*case["rows"], strict=True), strict=True))
        curve = stopline.evaluate(plan, columns["mean"], shared=case["shared"], run=case["run"] or "whole_walk")
        for name, known in columns.items():
            assert (np.abs(getattr(curve, name) - known) < CLUSTERED * np.maximum(1.0, known)).all(), (case["name"], name)


TABLES = json.loads((VECTORS.parent / "data" / "nb_fits.json").read_text(encoding="utf-8"))
GROUPS = [*TABLES["groups"], *TABLES["published"], *TABLES["made"]]
SINGLE = [*TABLES["samples"], *TABLES["edge_cases"]]
COMMON = load("conditional_k")
# The columns, as `to_dict()["common"]` names them.
COMMON_NAMES = [
    *("k_conditional", "k_low", "k_high"),
    *("k_cox_reid", "k_cox_reid_low", "k_cox_reid_high"),
    *("k_ml", "k_ml_low", "k_ml_high"),
]


def counts_of(tables: list[list[list[int]]]) -> stopline.Counts:
    """Walks with so many sites of each count."""
    walks = [np.repeat(*np.array(table).T) for table in tables]
    return stopline.Counts.from_columns(
        field=np.repeat([str(i) for i in range(len(walks))], [len(walk) for walk in walks]),
        site=np.concatenate([np.arange(1, len(walk) + 1) for walk in walks]),
        counts=np.concatenate(walks),
    )


def same(found: dict[str, Any], name: str, known: float | str | None, case: str) -> None:
    """A number; one that is infinite, or without bound; none."""
    if isinstance(known, float):
        assert found[name] == pytest.approx(known, rel=CLUMPING), (case, name)
    else:
        why = found[f"{name}_is"]
        assert found[name] is None and (why in ("poisson", "unbounded")) == (known == "inf"), (case, name, why)


def test_every_table_has_a_row() -> None:
    kinds = ("conditional", "cox_reid", "plain")
    assert COMMON["columns"] == ["name", *(f"{kind}{end}" for kind in kinds for end in ("", "_low", "_high"))]
    assert [row[0] for row in COMMON["rows"]] == [case["name"] for case in [*SINGLE, *GROUPS]]


@pytest.mark.parametrize("case", [*SINGLE, *GROUPS], ids=lambda case: str(case["name"]))
def test_k_common_to_walks(case: dict[str, Any]) -> None:
    (row,) = (row for row in COMMON["rows"] if row[0] == case["name"])
    tables = case["tables"] if "tables" in case else [case["table"]]
    if row[0] == "huge_counts_1e12":
        with pytest.raises(stopline.StoplineError) as refused:  # counts are of 32 bits
            counts_of(tables)
        assert refused.value.code == "counts_value"
        return
    fit = stopline.fit(counts_of(tables)).to_dict()
    found = fit["common"]
    if sum(sites for table in tables for _, sites in table) == 1:
        # It has a likelihood, but a fit names why it tells no k.
        assert found["k_cox_reid_is"] == "undefined" and fit["fields"][0]["why"] is not None, row
        return
    for name, known in zip(COMMON_NAMES, row[1:], strict=False):
        same(found, name, known, row[0])


def test_wald_lines() -> None:
    ran = 0
    for case in load("wald_lines")["cases"]:
        law = clumping(case["law"])
        if law is None or "above" in law:
            continue
        plan = stopline.plan(
            k=law["k"],
            inadequate=case["inadequate"],
            adequate=case["adequate"],
            false_adequate=case["false_adequate"],
            false_inadequate=case["false_inadequate"],
            min_sites=case["min_sites"],
            max_sites=case["max_sites"],
            every=case["every"],
            method="wald",
        )
        assert plan.lines == [tuple(row) for row in case["rows"]], case["name"]
        ran += 1
    assert ran > 0


def lines_of(case: dict[str, Any], columns: list[str]) -> list[tuple[int | None, ...]]:
    """Rows of stops as the lines of a plan with these columns."""
    found = []
    for row in case["lines"]:
        stops = {stop["call"]: stop for stop in row["stops"]}
        ends = {
            "inadequate_at_most": stops.get("inadequate", {}).get("to"),
            "marginal_from": stops.get("marginal", {}).get("from"),
            "marginal_to": stops.get("marginal", {}).get("to"),
            "adequate_at_least": stops.get("adequate", {}).get("from"),
        }
        for at in range(row["at"], row.get("through", row["at"]) + 1):
            found.append((at, *(ends[name] for name in columns[1:])))
    return found


KINDS = load("kinds")


@pytest.mark.parametrize("case", KINDS["cases"], ids=lambda case: str(case["name"]))
def test_calibrated_plans_of_another_search(case: dict[str, Any]) -> None:
    (low, high, false_adequate, false_inadequate), *upper = case["pairs"]
    asked = {"inadequate": low, "adequate": high, "upper": tuple(upper[0][:2]) if upper else None}
    risks = {"false_adequate": false_adequate, "false_inadequate": false_inadequate}
    assert all(pair[2:] == [false_adequate, false_inadequate] for pair in upper)  # in Python both have the same risks
    checks = {name: case[name] for name in ("min_sites", "max_sites", "every")}
    law: dict[str, Any] = {**(clumping(case["law"]) or {}), "counted_to": case["counted_to"]}
    derived = stopline.plan(**law, **asked, **risks, **checks)
    lines = lines_of(case, derived.columns)
    # Sites are the same for all these cuts at the cap.
    assert derived.lines[:-1] == lines[:-1]
    last = [total for total in (derived.lines[-1][1], (derived.lines[-1][-1] or 0) - 1)][: 1 + len(upper)]
    assert last in case["cuts"]
    plan = stopline.Plan.given(lines, **law, **asked)
    for got, want in zip(plan.attained, case["attained"], strict=True):
        assert got[:2] == tuple(want[:2]) and got[2] == pytest.approx(want[2], abs=PROBABILITY)
    columns = {name: [row[i] for row in case["rows"]] for i, name in enumerate(KINDS["columns"])}
    curve = stopline.evaluate(plan, np.array(columns["mean"]))
    for name in ("inadequate", "marginal", "adequate", "at_cap"):
        np.testing.assert_allclose(getattr(curve, name), columns[name], rtol=0, atol=PROBABILITY, err_msg=name)
    np.testing.assert_allclose(curve.expected_sites, columns["expected_sites"], rtol=SITES)


def test_published_values() -> None:
    """Values and their sources stand in the file; those recalled from memory are marked there."""
    ran = 0
    for case in load("published")["cases"]:
        if "lines" not in case:
            continue
        lines, law = two_calls(case["lines"]), clumping(case["law"])
        if lines is None or law is None:
            continue
        plan = stopline.Plan.given(lines, **law)
        for value in case["values"]:
            if value["quantity"] not in ("adequate", "inadequate", "expected_sites"):
                continue
            got = getattr(stopline.evaluate(plan, [value["mean"]]), value["quantity"])[0]
            assert got == pytest.approx(value["value"], rel=1e-11, abs=1e-12), (case["name"], value)
            ran += 1
    assert ran > 10
