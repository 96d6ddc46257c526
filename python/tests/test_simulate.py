"""Simulated walks: against exact curves, and clustered sites against an independent average over their common part."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import stopline

from vectors import load, two_calls


def small() -> stopline.Plan:
    return stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")


def test_independent_sites_agree_with_the_exact_curve() -> None:
    means = np.linspace(0.5, 5.0, 10)
    exact, found = stopline.evaluate(small(), means), stopline.simulate(small(), means, walks=50_000, seed=3)
    for name in ("adequate", "inadequate", "expected_sites", "sites_sd", "at_cap"):
        off = abs(getattr(found, name) - getattr(exact, name)) / getattr(found, f"{name}_se")
        assert (off < math.sqrt(2 * math.log(50 / 1e-3))).all(), (name, off)  # 50 comparisons
    assert (found.seed, found.walks, len(found)) == (3, 50_000, 10)
    assert found.to_dict()["exact"] is False
    again = stopline.simulate(small(), means[3:4], walks=50_000, seed=3)
    assert again.adequate[0] == found.adequate[3]


def test_clustered_sites() -> None:
    compared = 0
    for case in load("clustered")["cases"]:
        lines = two_calls(case["lines"])
        assert lines is not None
        plan = stopline.Plan.given(lines, k=case["k"])
        found = stopline.simulate(
            plan, [row[0] for row in case["rows"]], walks=40_000, shared=case["shared"], run=case["run"] or "whole_walk"
        )
        for i, row in enumerate(case["rows"]):
            for name, exact in (("adequate", row[1]), ("expected_sites", row[3])):
                value, se = getattr(found, name)[i], getattr(found, f"{name}_se")[i]
                assert abs(value - exact) < 4.5 * se, (case["run"], row, name, value)
                compared += 1
    assert compared >= 30


REFUSED: list[tuple[str, dict[str, Any]]] = [
    ("out_of_range", {"walks": 1}),
    ("out_of_range", {"walks": 10, "seed": 2**53}),
    ("out_of_range", {"walks": 10, "shared": 1.5, "run": 2}),
    ("out_of_range", {"walks": 10, "shared": 0.5, "run": 0}),
    ("combination", {"walks": 10, "shared": 0.5}),
    ("combination", {"walks": 10, "shared": 0.5, "run": "walk"}),
    ("combination", {"walks": 10, "shared": 0.5, "run": -1}),
    ("combination", {"walks": 10, "run": 2}),
    ("combination", {"walks": 10, "shared": 0.5, "run": 2, "k": math.inf}),
]


@pytest.mark.parametrize(("code", "asked"), REFUSED)
def test_what_is_no_simulation_is_refused(code: str, asked: dict[str, Any]) -> None:
    with pytest.raises(stopline.StoplineError) as refused:
        stopline.simulate(small(), [1.0], **asked)
    assert refused.value.code == code
