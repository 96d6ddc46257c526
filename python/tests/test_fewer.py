"""Would fewer sites do? Comparisons and replays against scipy and plain loops."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import scipy.stats  # type: ignore[import-untyped]
import stopline

from long_work import demo


def test_fixed_numbers_against_scipy() -> None:
    found = stopline.compare(k=1.2, inadequate=1.0, adequate=2.0)
    table = found.table()
    for i, name in enumerate(table["way"]):
        n, m = table["max_sites"][i], table["mean"][i]
        # Someone who always counts n sites calls by the mean at which both thresholds are equally likely.
        low, high = (math.log(m / (1.2 + m)) for m in (1.0, 2.0))
        slope = 1.2 * (math.log1p(2.0 / 1.2) - math.log1p(1.0 / 1.2)) / (high - low)
        cut = math.floor(slope * n)
        below = scipy.stats.nbinom.cdf(cut, n * 1.2, 1.2 / (1.2 + m))
        assert table["inadequate"][i] == pytest.approx(below, abs=1e-12), (name, m)
        assert table["se_over_mean"][i] == pytest.approx(math.sqrt((1 / m + 1 / 1.2) / n), rel=1e-12)
    assert len(table["way"]) == 25 and found.ways[0] == "always 10 sites"


def test_plans_beside_them_in_a_season() -> None:
    plan = stopline.plan(k=1.2, plants=3, inadequate=1.0, adequate=2.0)
    found = stopline.compare({"mine": plan}, counts=demo(), minutes_site=2.0, minutes_enemy=0.5, visits=3)
    way = found.to_dict()["ways"][5]
    curve = stopline.evaluate(plan, found.table()["mean"][:5])
    assert np.allclose([at["expected_sites"] for at in way["at"]], curve.expected_sites, rtol=1e-12)
    minutes = curve.expected_sites * (2.0 + 0.5 * curve.mean)
    assert np.allclose([at["minutes"] for at in way["at"]], minutes, rtol=1e-12)
    past = np.array(stopline.field_means(demo(), k=1.2))
    over_fields = stopline.evaluate(plan, past[:, 0]).expected_sites @ past[:, 1]
    assert way["season"]["expected_sites"] == pytest.approx(over_fields)
    assert any("mine" in said for said in found.conclusion)
    both: dict[str, Any] = {"k": 1.0, "inadequate": 1.0, "adequate": 2.0}
    for wrong in ({}, {"k": 1.0}, {"k": 1.0, "inadequate": 1.0}, both | {"minutes_enemy": 1.0}):
        with pytest.raises(stopline.StoplineError) as refused:
            stopline.compare(**wrong)
        assert refused.value.code == "combination"


def test_replay_walks_as_decide_does() -> None:
    plan, counts = stopline.plan(k=1.2, plants=3, inadequate=1.0, adequate=2.0), demo()
    found = stopline.replay(plan, counts, orders=100, leave_out=True)
    table = found.table()
    for i, walk in enumerate(counts.walks):
        decided = stopline.decide(plan, [None if math.isnan(c) else int(c) for c in walk["counts"]])
        assert table["stopped_at"][i] == decided.stopped_at
        if decided.stopped_at is not None:
            assert table["call"][i] == decided.verdict
    whole = found.to_dict()
    assert len(whole["left_out"]) == 12 and whole["tally"]["stopped"] == sum(s is not None for s in table["stopped_at"])
    np.testing.assert_equal(stopline.replay(plan, counts, orders=100).table(), table)
