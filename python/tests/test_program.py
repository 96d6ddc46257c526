"""The same bits as the program, which is the same core without this binding: its JSON has every number in full."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import stopline

from long_work import DEMO, GROUPS, demo
from program import ran

MEANS = [0.3, 1.0, 1.4142135623730951, 2.0, 5.5]


def plan() -> stopline.Plan:
    return stopline.plan(k=1.2, plants=3, inadequate=1.0, adequate=2.0)


COLUMNS = f"--count {','.join(GROUPS)}"
LISTED = ",".join(map(str, MEANS))
SAME: dict[str, tuple[str, Callable[[], Any]]] = {
    "plan": (
        "plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 2 --min-sites 5 --max-sites 30",
        lambda: plan().to_dict(),
    ),
    "optimal plan": (
        "plan --k 0.7 --per site --inadequate 1 --adequate 2 --min-sites 5 --max-sites 60 --method optimal",
        lambda: stopline.plan(k=0.7, plants=3, inadequate=1.0, adequate=2.0, max_sites=60, method="optimal").to_dict(),
    ),
    "evaluate": (f"evaluate plan.json --means {LISTED}", lambda: stopline.evaluate(plan(), MEANS).to_dict()),
    "evaluate, another k": (
        f"evaluate plan.json --means {LISTED} --k 0.8",
        lambda: stopline.evaluate(plan(), MEANS, k=0.8).to_dict(),
    ),
    "simulate": (
        f"evaluate plan.json --means {LISTED} --simulate 2000 --seed 3 --shared 0.2 --run 5",
        lambda: stopline.simulate(plan(), MEANS, walks=2000, seed=3, shared=0.2, run=5).to_dict(),
    ),
    "decide": ("decide plan.json --counts 3,0,2,5,NA,9", lambda: stopline.decide(plan(), [3, 0, 2, 5, None, 9]).to_dict()),
    "fit": (f"fit {DEMO} {COLUMNS} --study --draws 99", lambda: stopline.fit(demo(), study=True, draws=99).to_dict()),
    "compare": (
        f"compare --fixed 10,20 --k 1.2 --per site --plants 3 --inadequate 1 --adequate 2 --means {LISTED}",
        lambda: stopline.compare(fixed=[10, 20], k=1.2, plants=3, inadequate=1.0, adequate=2.0, means=MEANS).to_dict(),
    ),
    "replay": (f"replay plan.json {DEMO} {COLUMNS} --orders 50", lambda: stopline.replay(plan(), demo(), orders=50).to_dict()),
}


def numbers(of: Any, at: str = "") -> dict[str, Any]:
    """Everything that is no container, by its place; not what it was made by, nor what only one of the two tells."""
    if isinstance(of, dict):
        parts = ((f"{at}/{name}", value) for name, value in of.items() if name not in ("made_by", "about"))
    elif isinstance(of, list):
        parts = ((f"{at}/{i}", value) for i, value in enumerate(of))
    else:
        return {at: of}
    return {place: value for name, part in parts for place, value in numbers(part, name).items()}


@pytest.mark.parametrize("name", SAME)
def test_the_program_says_the_same(name: str, tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text(plan().to_json())
    words, here = SAME[name]
    told, found = numbers(json.loads(ran(f"{words} --json", tmp_path))), numbers(here())
    assert told == found
