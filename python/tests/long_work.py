"""Work of many seconds of every kind, to be interrupted: tested to stop, timed in `benches/binding.py`."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import stopline

DEMO = Path(__file__).resolve().parents[2] / "demo-data" / "larkmoor.csv"
GROUPS = ["lady_beetles", "pirate_bugs", "lacewings", "spiders"]


def small() -> stopline.Plan:
    return stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)


def demo() -> stopline.Counts:
    return stopline.Counts.read(DEMO, count=GROUPS)


WORK: dict[str, Callable[[], partial[Any]]] = {
    "simulate": lambda: partial(stopline.simulate, small(), np.linspace(0.5, 4.0, 400), walks=3_000_000),
    "evaluate": lambda: partial(
        stopline.evaluate,
        stopline.plan(k=0.5, inadequate=40, adequate=80, max_sites=2000, method="wald"),
        np.linspace(1.0, 99.0, 1000),
    ),
    "plan": lambda: partial(stopline.plan, k=0.8, inadequate=100, adequate=200, max_sites=200, method="optimal"),
    "fit": lambda: partial(stopline.fit, demo(), study=True, draws=9_999),
    "resample": lambda: partial(
        stopline.resample, stopline.plan(k=1.2, plants=3, inadequate=1, adequate=2), demo(), walks=10**8
    ),
    "study": lambda: partial(
        stopline.Grid({"small": small()}, means=[1.0], shared=[0.3], run=5, walks=10**9).cell, 0
    ),
    "clustered": lambda: partial(
        stopline.evaluate,
        stopline.plan(k=1.2, inadequate=4, adequate=8, max_sites=60),
        np.linspace(1, 9, 21),
        shared=0.2,
        run=5,
    ),
}
