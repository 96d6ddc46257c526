"""The golden vectors that every language runs."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

VECTORS = Path(__file__).resolve().parents[2] / "tests" / "vectors"

Line = tuple[int, int | None, int | None]


def load(name: str) -> dict[str, Any]:
    """One file of vectors."""
    data: dict[str, Any] = json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8"))
    return data


def two_calls(rows: list[dict[str, Any]]) -> list[Line] | None:
    """Rows of stops as the lines of a plan with two calls; None where they are of another kind."""
    lines: list[Line] = []
    for row in rows:
        low: int | None = None
        high: int | None = None
        for stop in row["stops"]:
            if stop["call"] == "inadequate" and stop["from"] is None and stop["to"] is not None:
                low = stop["to"]
            elif stop["call"] == "adequate" and stop["to"] is None and stop["from"] is not None:
                high = stop["from"]
            elif stop["call"] != "undecided" or row is not rows[-1]:
                return None
        for at in range(row["at"], row.get("through", row["at"]) + 1):
            lines.append((at, low, high))
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
