"""Golden vectors (50-digit independent formulas) and published values through Python."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
import stopline

from vectors import VECTORS, clumping, load, other_calls, two_calls

# Probabilities: sums of positive terms and one difference from 1 (absolute). Sites: relative.
PROBABILITY = 1e-12
SITES = 1e-12
# k is found by its equation, to the last places of the likelihood.
CLUMPING = 1e-9
# Printed to 12 figures; relative for sites.
CLUSTERED = 1e-11

EVALUATE = load("evaluate")
PLANS = {plan["name"]: plan for plan in EVALUATE["plans"]}


def plan_of(lines: list[dict[str, Any]], law: dict[str, Any]) -> stopline.Plan | None:
    """The plan of any aim that has these lines; None for lines and laws that no plan has."""
    clumped, two, other = clumping(law), two_calls(lines), other_calls(lines)
    if clumped is None:
        return None
    if two is not None:
        return stopline.Plan.given(two, **clumped)
    if other is None or "above" in clumped:
        return None
    # What is asked gives the columns their names; the lines are as they are.
    asked: dict[str, Any] = {"se_over_mean": 0.25} if len(other[0]) == 2 else THREE_CALLS
    return stopline.Plan.given(other, **clumped, **asked)


THREE_CALLS: dict[str, Any] = {"inadequate": 0.5, "adequate": 1.2, "upper": (2.0, 4.5)}
RUNNABLE = [(case, plan) for case in EVALUATE["cases"] if (plan := plan_of(PLANS[case["plan"]]["lines"], case["law"]))]


def test_vectors_are_known_and_most_run() -> None:
    assert set(EVALUATE) == {"columns", "plans", "cases"}
    assert all(set(case) == {"plan", "law", "even_mean", "rows"} for case in EVALUATE["cases"])
    # The others are laws given as tables, which only the core takes, and three calls on shares.
    left = [case for case in EVALUATE["cases"] if all(case is not ran for ran, _ in RUNNABLE)]
    assert {case["law"]["kind"] for case in left} <= {"table", "binomial"} and len(RUNNABLE) >= 49


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
    plan = plan_of(PLANS["every_k"]["lines"], {"kind": "neg_bin", "k": 1.2})
    assert plan is not None
    known = load("simulated")
    alike: dict[str, dict[str, Any]] = {
        "independent": {},
        "poisson": {"k": math.inf},
        "runs of five": {"shared": 0.25, "run": 5},
        "whole walk": {"shared": 0.25, "run": "whole_walk"},
    }
    for name, source in alike.items():
        found = stopline.simulate(plan, [1.3], walks=20_000, seed=42, **source)
        row = known[f"{name}, thresholds 1 and 2"]
        assert {column: getattr(found, column)[0] for column in row} == row, name


def test_clustered() -> None:
    vectors = load("clustered")
    for case in vectors["cases"]:
        plan = plan_of(case["lines"], {"kind": "neg_bin", "k": case["k"]})
        assert plan is not None
        columns = dict(zip(vectors["columns"], zip(*case["rows"], strict=True), strict=True))
        curve = stopline.evaluate(plan, columns["mean"], shared=case["shared"], run=case["run"] or "whole_walk")
        for name, known in columns.items():
            assert (np.abs(getattr(curve, name) - known) < CLUSTERED * np.maximum(1.0, known)).all(), (case["name"], name)


def test_k_of_single_tables() -> None:
    samples = json.loads((VECTORS.parent / "data" / "nb_fits.json").read_text(encoding="utf-8"))["samples"]
    rows = {row[0]: row for row in load("conditional_k")["rows"]}
    for sample in samples:
        counts, sites = zip(*sample["table"], strict=True)
        common = stopline.fit(np.repeat(counts, sites)).to_dict()["common"]
        known = rows[sample["name"]][1]
        if isinstance(known, float):
            assert common["k_conditional"] == pytest.approx(known, rel=CLUMPING), sample["name"]
        else:  # "inf"
            assert common["k_conditional"] is None, (sample["name"], known)
    assert sum(isinstance(rows[sample["name"]][1], float) for sample in samples) > 20


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
    if upper and upper[0][2:] != [false_adequate, false_inadequate]:
        pytest.skip("in Python both pairs have the same risks")
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
