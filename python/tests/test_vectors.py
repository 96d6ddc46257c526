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
