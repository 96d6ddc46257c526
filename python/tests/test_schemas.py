"""The JSON schemas kept beside the core, read by `jsonschema`: they hold for every plan file and log, and for no spoilt one."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest
import stopline

from program import ran
from vectors import RUNNABLE

FOLDER = Path(__file__).resolve().parents[2] / "crates" / "stopline" / "schema"
TWO: dict[str, Any] = {"k": 2.0, "inadequate": 1.0, "adequate": 4.0, "min_sites": 2, "max_sites": 14}
THREE: dict[str, Any] = {"k": 2.0, "inadequate": 0.5, "adequate": 1.5, "upper": (3.0, 6.0), "min_sites": 2}
SHARES: dict[str, Any] = {"above": 0, "inadequate": 0.2, "adequate": 0.7, "max_sites": 12}
# Small plans, in what is asked: every aim, law, score, closing and method.
ASKED: list[dict[str, Any]] = [
    *({**TWO, "method": method} for method in ("wald", "calibrated", "optimal", "converging", "fixed", "curtailed")),
    *({**TWO, "method": method, "every": 1} for method in ("two_stage", "two_stage_minimax")),
    {**TWO, "method": "two_stage", "early": "inadequate"},
    {**TWO, "method": "optimal", "closing": "undecided", "undecided_at_most": 0.3},
    {**TWO, "method": "optimal", "means": [1.0, 2.0, 4.0], "weights": [1.0, 2.0, 1.0]},
    {**TWO, "method": "wald", "closing": "undecided"},
    {**TWO, "at": [3, 12]},
    {**TWO, "k": math.inf},
    {**TWO, "k_interval": (1.5, 3.0)},
    {**TWO, "k_sd_log": 0.3},
    {**TWO, "k": None, "power_law": (1.6, 1.3), "method": "wald"},
    {**TWO, "max_sites": 30, "shared": 0.1, "run": 5},
    {**TWO, "max_sites": 60, "shared": 0.02, "run": "whole_walk"},
    {**TWO, "counted_to": 6},
    {**SHARES, "units": 2},
    {**SHARES, "k": 2.0, "inadequate": 0.5, "adequate": 4.0},
    {**SHARES, "proportion": (0.4, 0.9, 0.2), "inadequate": 0.5, "adequate": 4.0},
    {**THREE, "max_sites": 60},
    {**THREE, "max_sites": 60, "method": "wald", "closing": "undecided"},
    {"k": 2.0, "critical": 1.5, "confidence": 0.85, "sides": "one"},
    {"k": 2.0, "critical": 1.5, "confidence": 0.85, "sides": "two", "closing": "undecided"},
    {"k": 2.0, "se_over_mean": 0.4},
    {"k": 2.0, "se_over_mean": 0.4, "method": "tuned", "over": (2.0, 6.0)},
]
# With nothing but lines there are neither thresholds nor risks.
GIVEN: list[tuple[list[tuple[int | None, ...]], dict[str, Any]]] = [
    ([(3, None, 14), (6, 9, 20), (9, 18, 19)], {"k": 2.0}),
    ([(3, None, 14), (6, 9, 20), (9, 18, 19)], {"k": 2.0, "inadequate": 1.0, "adequate": 4.0}),
    ([(3, 1, 7, 8, 30), (6, 4, 12, 20, 40)], {"k": 2.0, "inadequate": 0.5, "adequate": 1.5, "upper": (3.0, 6.0)}),
    ([(3, 40), (5, 20), (9, 12)], {"k": 2.0, "se_over_mean": 0.4}),
]
# Of a plan typed in, the reader computes what is stated; the others are there where they say something.
MAY_BE_ABSENT = {"attained", "digest", "alike", "undecided"}
SPOILT: dict[str, Callable[[dict[str, Any], str], None]] = {
    "a key taken out": lambda of, key: of.pop(key) and None,
    "a key added": lambda of, key: of.update({f"{key}_too": of[key]}),
    "a value of another kind": lambda of, key: of.update({key: [{}]}),
}


def schema(name: str) -> Any:
    read = json.loads((FOLDER / f"{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(read)
    return jsonschema.Draft202012Validator(read)


PLAN, WALK = schema("plan"), schema("walk")


@pytest.fixture(scope="module")
def plans() -> list[stopline.Plan]:
    derived = [stopline.plan(**asked) for asked in ASKED]
    return [*derived, *(stopline.Plan.given(lines, **how) for lines, how in GIVEN), *(plan for _, plan in RUNNABLE)]


def objects(of: Any, at: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], dict[str, Any]]]:
    """Every object in it, with the keys and places that lead there; not what people and embedders write as they like."""
    if isinstance(of, dict):
        yield at, of
    parts = of.items() if isinstance(of, dict) else enumerate(of) if isinstance(of, list) else ()
    for name, part in parts:
        if name not in ("host", "plan"):
            yield from objects(part, (*at, name))


def words(of: Any) -> set[tuple[str, str]]:
    """Every key with a word for its value."""
    return {(key, value) for _, inside in objects(of) for key, value in inside.items() if isinstance(value, str)}


def known_words(schema: dict[str, Any]) -> set[tuple[str, str]]:
    """Every key with each word that the schema knows for its value."""
    found: set[tuple[str, str]] = set()
    for _, inside in objects(schema):
        for key, value in inside.get("properties", {}).items():
            if isinstance(value, dict):
                named = schema["$defs"].get(value.get("$ref", "").rpartition("/")[2], {})
                found |= {(key, word) for word in [*named.get("enum", []), *filter(None, [value.get("const")])]}
    return found


def spoilt(files: list[Any]) -> Iterator[tuple[str, Any]]:
    """Each file with one thing changed, once for every kind of object in all of them."""
    seen = set()
    for file in files:
        for at, inside in objects(file):
            kind = (tuple(name for name in at if isinstance(name, str)), *sorted(inside))
            if kind in seen:
                continue
            seen.add(kind)
            for key in inside:
                for what, spoil in SPOILT.items():
                    if key in MAY_BE_ABSENT and what == "a key taken out":
                        continue
                    edited = copy.deepcopy(file)
                    target = edited
                    for name in at:
                        target = target[name]
                    spoil(target, key)
                    yield f"{what}: {key} at {at}", edited


def test_plan_files(plans: list[stopline.Plan]) -> None:
    files = [json.loads(plan.to_json()) for plan in plans]
    for file in files:
        PLAN.validate(file)
    told = set().union(*map(words, files))
    known = known_words(PLAN.schema)
    assert len(known) > 30 and not known - told, known - told


def test_spoilt_plan_files(plans: list[stopline.Plan]) -> None:
    seen = 0
    for what, file in spoilt([json.loads(plan.to_json()) for plan in plans]):
        assert not PLAN.is_valid(file), what
        with pytest.raises(stopline.StoplineError) as refused:
            stopline.Plan.from_json(json.dumps(file))
        assert refused.value.code in ("plan_format", "plan_edited", "plan_version"), what
        seen += 1
    assert seen > 300


def log_lines(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def logs(folder: Path) -> list[dict[str, Any]]:
    """Lines of logs: of one that the program wrote while it was walked, and of those written here."""
    plan = stopline.plan(k=1.2, plants=3, inadequate=1.0, adequate=2.0)
    (folder / "plan.json").write_text(plan.to_json(), encoding="utf-8")
    typed = "3\n2+1\nskip\nundo\nnote dew on the leaves\npause\nresume\nend\n"
    ran("walk plan.json --field Plover --visit 1 --log plover.jsonl", folder, typed)
    text = (folder / "plover.jsonl").read_text(encoding="utf-8")
    here = stopline.Walk.from_log(text)
    here.undo()
    for counts in (4, [1, 2], 0):
        here.push(counts)
    here.skip()
    here.close()
    return [*log_lines(text), *log_lines(here.to_log(field="Plover", visit="1", at="2026-07-01T08:00:00Z"))]


def test_logs_of_walks(tmp_path: Path) -> None:
    lines = logs(tmp_path)
    for line in lines:
        WALK.validate(line)
    heads = [line for line in lines if "plan" in line]
    assert len(heads) == 2
    for head in heads:
        PLAN.validate(head["plan"])
    assert not known_words(WALK.schema) - words(lines)


def test_spoilt_logs_of_walks(tmp_path: Path) -> None:
    lines, seen = logs(tmp_path), 0
    head = lines[0]
    for what, line in spoilt(lines):
        assert not WALK.is_valid(line), what
        text = [line] if "plan" in line or "plan_too" in line else [head, line]
        with pytest.raises(stopline.StoplineError) as refused:
            stopline.Walk.from_log("".join(json.dumps(line) + "\n" for line in text))
        assert refused.value.code in ("log", "plan_format"), what
        seen += 1
    assert seen > 30
