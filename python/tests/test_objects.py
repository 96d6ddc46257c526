"""Objects are pickled, copied, compared and shown; long work tells how far it is and can be stopped."""

from __future__ import annotations

import copy
import inspect
import os
import pickle
import signal
import threading
from collections.abc import Callable
from functools import partial
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import stopline

from long_work import WORK, demo, small


OBJECTS: dict[str, Callable[[], Any]] = {
    "counts": demo,
    "fit": lambda: stopline.fit(demo(), study=True, draws=99, stopped_by=small()),
    "fit of a column": lambda: stopline.fit([0, 4, 1, np.nan, 2], level=0.9),
    "plan": small,
    "curve": lambda: stopline.evaluate(small(), [0.5, 1.0, 4.0], k=2.0),
    "level": lambda: stopline.levels(1.5, k=[1.2, 2.0])[3],
    "comparison": lambda: stopline.compare({"plan": small()}, fixed=[15], means=[1.0, 2.0], minutes_site=2.0),
    "replay": lambda: stopline.replay(
        stopline.plan(k=1.2, plants=3, inadequate=1.0, adequate=2.0), demo(), orders=20, leave_out=True
    ),
    "decision": lambda: stopline.decide(small(), [3, None, 2, 5, 9]),
    "grid": lambda: stopline.Grid({"plan": stopline.Plan.given([(9, 8, 9)], k=1.2, plants=3)}, counts=demo(), walks=100),
    "simulated": lambda: stopline.simulate(small(), [1.0, 2.0], walks=100, seed=4, shared=0.2, run="whole_walk"),
}


# Those that notebooks show and that are tables.
SHOWN = [name for name in OBJECTS if name not in ("level", "decision", "grid")]


def test_every_public_class_is_here() -> None:
    public = {thing for name in stopline.__all__ if isinstance(thing := getattr(stopline, name), type)}
    elsewhere = {stopline.Finding, stopline.StoplineError, stopline.Walk}
    assert {type(make()) for make in OBJECTS.values()} == public - elsewhere


@pytest.mark.parametrize("name", OBJECTS)
def test_travel(name: str) -> None:
    made = OBJECTS[name]()
    for twin in (pickle.loads(pickle.dumps(made)), copy.copy(made), copy.deepcopy(made)):
        assert type(twin) is type(made) and twin == made and not twin != made
        assert repr(twin) == repr(made)
        assert name not in SHOWN or repr(twin.table()) == repr(made.table())
    assert made != OBJECTS["curve" if name != "curve" else "plan"]()


def test_different_results_differ() -> None:
    assert stopline.evaluate(small(), [1.0]) != stopline.evaluate(small(), [1.1])
    assert stopline.fit([0, 4, 1]) != stopline.fit([0, 4, 2])
    assert stopline.Counts.from_table({"field": ["a"], "site": [1], "count": [0]}) != demo()
    assert stopline.decide(small(), [3, None, 2]) != stopline.decide(small(), [3, 2])
    assert stopline.decide(small(), [3, 2], ended=True) != stopline.decide(small(), [3, 2])


def test_fits_keep_what_they_were_made_of() -> None:
    counts = np.array([0.0, 4.0, 1.0, 2.0])
    fit = stopline.fit(counts)
    counts[:] = 0.0
    assert pickle.loads(pickle.dumps(fit)) == fit


def test_what_is_asked_travels_whole() -> None:
    for name in ("fit", "curve", "simulated", "comparison", "replay"):
        function, _ = OBJECTS[name]().__reduce__()
        asked = set(inspect.signature(function.func).parameters) - {"progress"}
        assert set(function.keywords) == asked


def test_counts_travel_with_their_notes(tmp_path: Path) -> None:
    path = tmp_path / "plants.csv"
    path.write_text("field,site,count\nheron,1,2\nheron,1,NA\nheron,3,0\nheron,3,1\n")
    counts = stopline.Counts.read(path, rows="plants")
    twin = pickle.loads(pickle.dumps(counts))
    assert twin == counts and twin.notes == counts.notes


def test_walks_travel() -> None:
    walk = stopline.Walk(small())
    for count in (3, 0, 2):
        walk.push(count)
    walk.skip()
    walk.undo()
    twins = [pickle.loads(pickle.dumps(walk)), copy.copy(walk), copy.deepcopy(walk)]
    for twin in twins:
        assert twin.decision.to_dict() == walk.decision.to_dict()
        twin.undo()
    assert walk.decision.sites == 3 and all(twin.decision.sites == 2 for twin in twins)
    walk.close()
    assert pickle.loads(pickle.dumps(walk)).decision.ended_by == "scout"


class Balanced(HTMLParser):
    """Counts rows and cells, and fails where an end is missing."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.rows = 0
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.open.append(tag)
        self.rows += tag == "tr"

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.mark.parametrize("name", SHOWN)
def test_html(name: str) -> None:
    made = OBJECTS[name]()
    html = Balanced(made._repr_html_())
    length = len(made) if hasattr(made, "__len__") else len(next(iter(made.table().values())))
    assert html.rows == 1 + min(length, 25)


def test_html_says_risks_and_cautions_in_words() -> None:
    words = " ".join(Balanced(small()._repr_html_()).words)
    assert "A field truly at 1 per site is called adequate" in words and "licensed adviser" in words
    name = {"field": ["<b>&"] * 3, "site": [1, 2, 3], "count": [0, 1, 4]}
    assert "&lt;b&gt;&amp;" in stopline.Counts.from_table(name)._repr_html_()
    assert Balanced(stopline.fit([0, 0, 0])._repr_html_()).rows == 2


class Bar:
    """What of a tqdm bar is used."""

    def __init__(self) -> None:
        self.n = self.total = self.moved = 0

    def refresh(self) -> None:
        self.moved += 1
        assert 0 <= self.n <= self.total


def long_work(progress: Any) -> None:
    stopline.simulate(small(), np.linspace(0.5, 4.0, 400), walks=3_000_000, progress=progress)


def test_progress_is_told_and_can_stop_the_work() -> None:
    told: list[tuple[int, int]] = []

    def enough(done: int, of: int) -> None:
        told.append((done, of))
        if len(told) == 3:
            raise KeyError("enough")

    with pytest.raises(KeyError, match="enough"):
        long_work(enough)
    assert len(told) == 3 and all(0 <= done <= of for done, of in told)


def interrupted(work: partial[Any]) -> None:
    """Sends Ctrl-C while the work is done: it must come out of the work, which did not come to its end."""
    timer = threading.Timer(0.2, lambda: os.kill(os.getpid(), signal.SIGINT))
    timer.start()
    ended: list[object] = []
    with pytest.raises(KeyboardInterrupt):
        # No bytecode runs between the work's end and its entry in the list: a late interrupt finds it there.
        ended.extend(map(partial.__call__, [work]))
    timer.join()
    assert not ended


def test_a_bar_is_moved_and_control_c_stops_the_work() -> None:
    bar = Bar()
    interrupted(partial(long_work, bar))
    assert bar.moved > 0 and bar.total > 0


@pytest.mark.parametrize("name", WORK)
def test_control_c(name: str) -> None:
    interrupted(WORK[name]())
