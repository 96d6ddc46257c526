"""Studies give the same table on every executor; real walks drawn again; plans where things are otherwise."""

from __future__ import annotations

import csv
import json
import math
import os
import pickle
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.stats  # type: ignore[import-untyped]
import stopline

from long_work import demo
from program import ran


def small() -> stopline.Plan:
    return stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")


def grid(repeats: int = 2) -> stopline.Grid:
    return stopline.Grid(
        {"mine": small()}, means=[1.5, 3.0], k=[1.0, 2.0], shared=[0.0, 0.25], run=5, walks=2000, repeats=repeats, seed=3
    )


def test_every_executor_gives_the_same_table() -> None:
    known = stopline.study(grid())
    assert len(known["mean"]) == 16 and set(known["k"]) == {1.0, 2.0}
    with ThreadPoolExecutor(3) as threads:
        assert stopline.study(grid(), threads) == known
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as processes:
        assert stopline.study(grid(), processes) == known
    assert pickle.loads(pickle.dumps(grid())).digest == grid().digest


def test_a_dask_cluster_gives_the_same_table() -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster, distributed.Client(cluster) as client:
        assert stopline.study(grid(), client) == stopline.study(grid())


def test_a_study_goes_on_where_it_was() -> None:
    done = {number: grid().cell(number) for number in (5, 0, 3)}
    assert stopline.study(grid(), done=done) == stopline.study(grid())
    assert sorted(done) == list(range(8))
    # More repeats leave what was computed as it is.
    more, less = stopline.study(grid(3)), stopline.study(grid())
    rows = {tuple(row) for row in zip(*more.values(), strict=True)}
    assert {tuple(row) for row in zip(*less.values(), strict=True)} <= rows


def test_real_walks_are_drawn_again_beside_laws() -> None:
    counts = demo()
    plan = stopline.Plan.given([(1, 1, 2)], k=1.3, plants=3)
    real: dict[str, Any] = {"counts": counts, "draw": ["with_replacement", "blocks"], "block": 3}
    grid = stopline.Grid({"one": plan}, means=[1.0], **real, walks=4000, repeats=2)
    table = stopline.study(grid)
    assert len(grid) == 6 and len(table["mean"]) == 2 * (1 + 2 * len(counts.walks))
    # One site drawn is any of the walk's sites.
    shares = {(w["field"], w["visit"]): float(np.nanmean(np.where(np.isnan(w["counts"]), np.nan, w["counts"] <= 1)))
              for w in counts.walks}
    seen = 0
    for i, draw in enumerate(table["draw"]):
        if draw is not None:
            share = shares[table["field"][i], table["visit"][i]]
            assert abs(table["inadequate"][i] - share) < 4.5 * table["inadequate_se"][i]
            assert table["block"][i] == (3 if draw == "blocks" else None)
            seen += 1
    assert seen == 4 * len(counts.walks)
    assert pickle.loads(pickle.dumps(grid)).digest == grid.digest
    assert len(stopline.Grid({"one": plan}, counts=counts)) == 1
    with pytest.raises(stopline.StoplineError):
        stopline.Grid({"one": plan}, counts=counts, draw="at_random")


class Stop(Exception):
    pass


def test_a_folder_keeps_what_is_done(tmp_path: Path) -> None:
    known, folder = stopline.study(grid()), tmp_path / "study"
    told: list[tuple[int, int]] = []

    def third(done: int, of: int) -> None:
        told.append((done, of))
        if len(told) % 3 == 0:
            raise Stop

    for shard in (1, 2):
        with pytest.raises(Stop):
            stopline.study(grid(), folder=folder, progress=third)
        # A line that was cut off, as by a kill, costs that cell alone.
        path = folder / f"shard-{shard}.jsonl"
        path.write_bytes(path.read_bytes()[:-9])
    assert told == [(1, 8), (2, 8), (3, 8), (3, 8), (4, 8), (5, 8)]
    with ThreadPoolExecutor(2) as threads:
        assert stopline.study(grid(), threads, folder=folder) == known
    again: dict[int, str] = {}
    assert stopline.study(grid(), done=again, folder=folder) == known and len(again) == 8
    assert len(list(folder.glob("shard-*.jsonl"))) == 3
    with pytest.raises(stopline.StoplineError) as refused:
        stopline.study(grid(3), folder=folder)
    assert refused.value.code == "combination"
    path.write_text(path.read_text().replace('"adequate":0', '"adequate":1', 1))
    with pytest.raises(stopline.StoplineError) as refused:
        stopline.study(grid(), folder=folder)
    assert refused.value.code == "log"


def test_a_folder_is_gone_on_with_by_the_program(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text(small().to_json())
    done = {number: grid().cell(number) for number in (0, 5)}
    with pytest.raises(Stop):
        stopline.study(grid(), done=dict(done), folder=tmp_path / "study", progress=stop_at_once)
    flags = "--means 1.5,3 --k 1,2 --shared 0,0.25 --run 5 --simulate 2000 --repeats 2 --seed 3 --json"
    assert json.loads(ran(f"study mine --folder study {flags}", tmp_path))["computed"] == 7
    with (tmp_path / "study" / "results.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [float(row["adequate"]) for row in rows] == stopline.study(grid(), folder=tmp_path / "study")["adequate"]


def stop_at_once(_done: int, _of: int) -> None:
    raise Stop


class Held(ThreadPoolExecutor):
    """Threads, one of which waits before the last cell until it is let go."""

    def __init__(self, threads: int, last: int) -> None:
        super().__init__(threads)
        self.last, self.let_go = last, threading.Event()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        def later() -> Any:
            self.let_go.wait()
            return fn(*args, **more)

        return super().submit(later) if args[-1] == self.last else super().submit(fn, *args, **more)


@pytest.mark.parametrize("threads", [0, 2])
@pytest.mark.parametrize("first", [1, 2, 40])
def test_control_c_leaves_a_study_that_goes_on(tmp_path: Path, threads: int, first: int) -> None:
    many = stopline.Grid({"mine": small()}, means=[1.0, 2.0], k=[0.5, 1.0, 2.0], shared=[0.0, 0.2], run=5, walks=1_000,
                         repeats=20)
    whole = stopline.study(many)
    executor = Held(threads, len(many) - 1) if threads else None
    done: dict[int, str] = {}
    begun = threading.Event()

    def tell(cells: int, of: int) -> None:
        if cells == first:
            begun.set()
        if cells == of - 1:
            time.sleep(600)  # Ctrl-C comes before the last cell, however slow the thread that sends it

    def send() -> None:
        begun.wait()
        os.kill(os.getpid(), signal.SIGINT)

    sender = threading.Thread(target=send)
    sender.start()
    with pytest.raises(KeyboardInterrupt):
        stopline.study(many, executor, done=done, folder=tmp_path, progress=tell)
    if isinstance(executor, Held):
        executor.let_go.set()
    sender.join()
    assert first <= len(done) < len(many)
    lines = {line for shard in tmp_path.glob("shard-*.jsonl") for line in shard.read_bytes().splitlines()}
    kept = len(lines) - 1  # the first line names the study
    assert kept - len(done) in (0, 1)  # interrupted between the two
    assert stopline.study(many, done=dict(done)) == whole
    told: list[tuple[int, int]] = []
    assert stopline.study(many, executor, folder=tmp_path, progress=lambda *of: told.append(of)) == whole
    assert told[0] == (kept + 1, len(many)) and told[-1] == (len(many), len(many))


def test_a_study_is_a_data_frame_and_a_parquet_file(tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    frame = pandas.DataFrame(stopline.study(grid(1)))
    frame.to_parquet(tmp_path / "study.parquet")
    assert pandas.read_parquet(tmp_path / "study.parquet").equals(frame)
    assert frame.groupby("shared")["adequate"].mean().between(0, 1).all()


def test_cells_agree_with_the_exact_curve() -> None:
    table = stopline.study(stopline.Grid({"mine": small()}, means=[1.0, 1.5, 3.0], k=[1.0, 2.0], walks=40_000))
    for i, k in enumerate(table["k"]):
        exact = stopline.evaluate(small(), [table["mean"][i]], k=k)
        assert abs(table["adequate"][i] - exact.adequate[0]) < 4 * table["adequate_se"][i]
        assert abs(table["expected_sites"][i] - exact.expected_sites[0]) < 4 * table["expected_sites_se"][i]


def test_clustered_sites_are_exact() -> None:
    # The plan of two sites with all in common: their total is NB(2m, k), by scipy.
    plan = stopline.Plan.given([(2, 3, 4)], k=2.0)
    exact = stopline.evaluate(plan, [1.5], shared=1.0, run="whole_walk")
    assert exact.inadequate[0] == pytest.approx(scipy.stats.nbinom.cdf(3, 2.0, 2.0 / 5.0), abs=1e-13)
    found = stopline.simulate(small(), [1.5], walks=40_000, shared=0.25, run=5)
    exact = stopline.evaluate(small(), [1.5], shared=0.25, run=5)
    assert abs(found.adequate[0] - exact.adequate[0]) < 4 * found.adequate_se[0]
    assert exact.to_dict()["source"] == {"kind": "clustered", "shared": 0.25, "run": 5}


def test_a_plan_keeps_its_risks_where_sites_are_alike() -> None:
    asked: dict[str, Any] = {"k": 1.2, "inadequate": 1.0, "adequate": 2.0, "max_sites": 45}
    plan, alone = stopline.plan(**asked, shared=0.1, run=5), stopline.plan(**asked)
    assert plan.alike is not None and (plan.alike["shared"], plan.alike["run"]) == (0.1, 5)
    exact = stopline.evaluate(plan, [1.0, 2.0], shared=0.1, run=5)
    attained = [p for _, _, p in plan.alike["attained"]]
    assert attained == [exact.adequate[0], exact.inadequate[1]] and max(attained) <= 0.1
    assert stopline.evaluate(alone, [1.0, 2.0], shared=0.1, run=5).adequate[0] > 0.1
    # The price, in sites where they are most.
    assert stopline.evaluate(plan, [1.4]).expected_sites[0] > stopline.evaluate(alone, [1.4]).expected_sites[0]
    again = pickle.loads(pickle.dumps(plan))
    again.verify()
    assert again == plan and again.alike == plan.alike and alone.alike is None
    assert "0.1 of the clumping is common to runs of 5 sites" in plan._repr_html_()
    assert exact.even_mean is not None and 1.0 < exact.even_mean < 2.0
    for wrong, code in ((dict(shared=0.1), "combination"), (dict(shared=0.6, run="whole_walk"), "no_plan"),
                        (dict(shared=0.1, run=5, method="optimal", means=[1.5]), "combination")):
        with pytest.raises(stopline.StoplineError) as refused:
            stopline.plan(**asked, **wrong)
        assert refused.value.code == code


def test_walks_drawn_again_keep_their_frequencies() -> None:
    counts = demo()
    one = stopline.Plan.given([(1, 1, 2)], k=1.3, plants=3)
    for draw in ("with_replacement", "without_replacement", "blocks"):
        found = stopline.resample(one, counts, draw=draw, sets=99, seed=4)
        for row, walk in zip(found["rows"], counts.walks, strict=True):
            present = walk["counts"][~np.isnan(walk["counts"])]
            se = row["resampled"]["inadequate_se"]
            assert abs(row["resampled"]["inadequate"] - (present <= 1).mean()) < 4.2 * se
    with pytest.raises(stopline.StoplineError) as refused:
        stopline.resample(one, counts, draw="at_random")
    assert refused.value.code == "usage"


def test_a_thinning_bucket_keeps_k() -> None:
    cases = stopline.sensitivity(small(), [1.5, 3.0], caught=0.5)["cases"]
    caught = next(case for case in cases if case["otherwise"] == "share_caught")
    assert [row["adequate"] for row in caught["rows"]] == pytest.approx(
        list(stopline.evaluate(small(), [0.75, 1.5]).adequate), abs=1e-13
    )
    poisson = next(case for case in cases if case["otherwise"] == "k_times" and case["number"] is None)
    assert poisson["rows"][0]["adequate"] == pytest.approx(stopline.evaluate(small(), [1.5], k=math.inf).adequate[0])
