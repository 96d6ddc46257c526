"""Golden vectors (50-digit independent formulas) and published values through Python."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import stopline

from vectors import clumping, load, two_calls

# Probabilities: sums of positive terms and one difference from 1 (absolute). Sites: relative.
PROBABILITY = 1e-12
SITES = 1e-12

EVALUATE = load("evaluate")
PLANS = {plan["name"]: plan for plan in EVALUATE["plans"]}


def runnable() -> list[tuple[dict[str, Any], Any, dict[str, Any]]]:
    """Cases of plans with two calls; the others have no counterpart in Python yet."""
    found = []
    for case in EVALUATE["cases"]:
        lines, law = two_calls(PLANS[case["plan"]]["lines"]), clumping(case["law"])
        if lines is not None and law is not None:
            found.append((case, lines, law))
    return found


def test_vectors_are_known_and_most_run() -> None:
    assert set(EVALUATE) == {"columns", "plans", "cases"}
    assert all(set(case) == {"plan", "law", "even_mean", "rows"} for case in EVALUATE["cases"])
    assert len(runnable()) >= 40


@pytest.mark.parametrize(("case", "lines", "law"), runnable())
def test_evaluate(case: dict[str, Any], lines: Any, law: dict[str, Any]) -> None:
    columns = {name: [row[i] for row in case["rows"]] for i, name in enumerate(EVALUATE["columns"])}
    curve = stopline.evaluate(stopline.Plan.given(lines, **law), np.array(columns["mean"]))
    assert len(curve) == len(case["rows"]) > 0
    for name in ("adequate", "inadequate", "marginal", "enough", "undecided", "at_cap"):
        np.testing.assert_allclose(getattr(curve, name), columns[name], rtol=0, atol=PROBABILITY, err_msg=name)
    np.testing.assert_allclose(curve.expected_sites, columns["expected_sites"], rtol=SITES)
    for name in ("sites_p50", "sites_p90"):
        for got, want in zip(getattr(curve, name), columns[name], strict=True):
            assert want is None or got == want  # None: a tie


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
