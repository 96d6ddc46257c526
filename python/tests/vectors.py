"""The golden vectors that every language runs."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import stopline

VECTORS = Path(__file__).resolve().parents[2] / "tests" / "vectors"

Line = tuple[int | None, ...]


def load(name: str) -> dict[str, Any]:
    """One file of vectors."""
    data: dict[str, Any] = json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8"))
    return data


def two_calls(rows: list[dict[str, Any]]) -> list[Line] | None:
    """Rows of stops as the lines of a plan with two calls; None where they are of another kind."""
    return _lines(rows, {("inadequate", "to"): 0, ("adequate", "from"): 1})


def other_calls(rows: list[dict[str, Any]]) -> list[Line] | None:
    """The same of a plan with three calls, or of one that stops at a precision."""
    three = {("inadequate", "to"): 0, ("marginal", "from"): 1, ("marginal", "to"): 2, ("adequate", "from"): 3}
    return _lines(rows, three) or _lines(rows, {("enough", "from"): 0})


def _lines(rows: list[dict[str, Any]], columns: dict[tuple[str, str], int]) -> list[Line] | None:
    lines: list[Line] = []
    for row in rows:
        totals: list[int | None] = [None] * len(columns)
        for stop in row["stops"]:
            if stop["call"] == "undecided" and row is rows[-1]:
                continue  # what the closing lines leave
            for end in ("from", "to"):
                if stop[end] is not None:
                    if (stop["call"], end) not in columns:
                        return None
                    totals[columns[stop["call"], end]] = stop[end]
        lines += [(at, *totals) for at in range(row["at"], row.get("through", row["at"]) + 1)]
    return lines


def clumping(law: dict[str, Any]) -> dict[str, Any] | None:
    """The law as arguments of a given plan; None for laws that no plan has."""
    if law["kind"] == "neg_bin":
        return {"k": law["k"]}
    if law["kind"] == "poisson":
        return {"k": math.inf}
    if law["kind"] == "binomial":
        return {"above": 0, "units": law["units"]}
    return None


EVALUATE = load("evaluate")
PLANS = {plan["name"]: plan for plan in EVALUATE["plans"]}


def plan_of(lines: list[dict[str, Any]], law: dict[str, Any]) -> stopline.Plan | None:
    """The plan of any aim that has these lines; None for lines and laws that no plan has."""
    clumped, two, other = clumping(law), two_calls(lines), other_calls(lines)
    if clumped is None:
        return None
    if two is not None:
        return stopline.Plan.given(two, **clumped)
    if other is None:
        return None
    # What is asked gives the columns their names; the lines are as they are.
    three: dict[str, Any] = {"inadequate": 0.1, "adequate": 0.2, "upper": (0.4, 0.6)}
    return stopline.Plan.given(other, **clumped, **({"se_over_mean": 0.25} if len(other[0]) == 2 else three))


RUNNABLE = [(case, plan) for case in EVALUATE["cases"] if (plan := plan_of(PLANS[case["plan"]]["lines"], case["law"]))]
