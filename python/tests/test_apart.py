"""Groups, places and observers; alike neighbours of a plan."""

import copy
import pickle
from fractions import Fraction

import numpy as np
import pytest
import stopline


def ground() -> stopline.Counts:
    """Six fields of 6 by 4 sites, two observers in turn; made up."""
    rng = np.random.default_rng(5)
    field, site = (axis.ravel() for axis in np.indices((6, 24)))
    patches = rng.gamma(1.0, 1.5, size=(6, 3, 2))
    row, step = site % 6, site // 6
    mean = patches[field, row // 2, step // 2] * np.where(site % 2, 2.0, 1.0)
    return stopline.Counts.from_columns(
        field=[f"F{i}" for i in field],
        site=site + 1,
        counts={"spiders": rng.poisson(mean), "lacewings": rng.poisson(mean)},
        place=(row, step),
        observer=np.where(site % 2, "second", "first").tolist(),
    )


def test_weighted_sums() -> None:
    counts = ground()
    fit = stopline.fit(counts, each=True, weights={"spiders": 1, "lacewings": Fraction(1, 2)}, draws=199, seed=3).to_dict()
    sums = fit["weighted"]
    assert (sums["scale"], sums["how"], sums["is_count"]) == (2, "resampled", False)
    walk = [counts.group(name).walks[0]["counts"] for name in ("spiders", "lacewings")]
    weighed = walk[0] + walk[1] / 2
    assert sums["fields"][0]["mean"] == pytest.approx(weighed.mean(), rel=1e-14)
    assert sums["fields"][0]["variance"] == pytest.approx(weighed.var(ddof=1), rel=1e-13)
    assert sums["common"]["k_low"] < sums["common"]["k_moments"]
    assert [group["group"] for group in fit["groups"]] == ["spiders", "lacewings"]
    alone = stopline.fit(counts.group("spiders"))
    assert fit["groups"][0]["common"] == alone.to_dict()["common"]
    assert counts.group(["spiders", "lacewings"]).walks[0]["counts"].tolist() == (walk[0] + walk[1]).tolist()
    exact = stopline.fit(counts, weights={"spiders": 0.5, "lacewings": "1/2"}).to_dict()
    assert exact["weighted"]["common"] == exact["common"]
    for bad in ({"spiders": -1}, {"spiders": float("nan")}, {"mites": 1}, {}):
        with pytest.raises(stopline.StoplineError):
            stopline.fit(counts, weights=bad)


def test_places_and_observers() -> None:
    fit = stopline.fit(ground(), unit=(0.75, 1), blocks=[1.6], distances=[1, 2], draws=499)
    places, observers = (fit.to_dict()[part] for part in ("places", "observers"))
    assert places["alike"] and places["blocks"][0]["side"] == 1.6
    assert places["blocks"][0]["morisita_index"] > places["blocks"][0]["at_random"]
    assert observers["within_walks"]["p"] < 0.05 and observers["observers"][1]["ratio"] > 1.3
    with pytest.raises(stopline.StoplineError):
        stopline.fit(ground(), blocks=[-1.0])


def test_counts_travel_with_what_stands_beside_them() -> None:
    counts = ground()
    for again in (pickle.loads(pickle.dumps(counts)), copy.deepcopy(counts)):
        assert again == counts
        assert again.group("spiders") == counts.group("spiders")
    fit = stopline.fit(counts, weights={"spiders": 1, "lacewings": 0.5}, draws=99)
    assert pickle.loads(pickle.dumps(fit)) == fit


def test_tables_have_places_and_observers() -> None:
    table = {"field": ["heron"] * 4, "site": [1, 2, 3, 4], "x": [0, 1, None, 3], "y": [0, 0, 1, 1]}
    table |= {"by": ["ann", "bea", None, "ann"], "count": [0, 3, 1, 2]}
    counts = stopline.Counts.from_table(table, place=("x", "y"), observer="by")
    fit = stopline.fit(counts).to_dict()
    assert (fit["places"]["without_place"], fit["observers"]["unnamed"]) == (1, 1)
    with pytest.raises(stopline.StoplineError, match="nobody"):
        stopline.Counts.from_table(table, observer="nobody")


def test_a_plan_over_alike_neighbours() -> None:
    counts = ground()
    plan = stopline.plan(k=1.2, per="site", inadequate=2, adequate=4, max_sites=20)
    told = plan.neighbours(counts)
    assert 0 <= told["found"]["low"] <= told["found"]["rho"] <= told["found"]["high"] <= 1
    curve = stopline.evaluate(plan, [2, 4], shared=told["found"]["high"], run=5)
    assert told["at_most"]["false_adequate"] == pytest.approx(curve.adequate[0], rel=1e-12)
    assert told["at_most"]["false_inadequate"] == pytest.approx(curve.inadequate[1], rel=1e-12)
    with pytest.raises(stopline.StoplineError, match="fewer than five walks"):
        plan.neighbours(stopline.Counts.from_columns(field=["heron"] * 4, site=[1, 2, 3, 4], counts=[0, 4, 1, 2]))


def test_odd_fields_break_nothing() -> None:
    odd = {"zeros": [0] * 12, "single": [6], "equal": [2] * 12, "outlier": [0, 1, 0, 2, 0, 1, 1, 0, 3, 0, 2, 4_000_000_000]}
    usual = {f"F{i}": walk["counts"].tolist() for i, walk in enumerate(ground().walks)}

    def fit(fields: dict[str, list[int]]) -> stopline.Fit:
        rows = [(name, i, x) for name, counts in fields.items() for i, x in enumerate(counts)]
        counts = stopline.Counts.from_columns(
            field=[row[0] for row in rows],
            site=[row[1] + 1 for row in rows],
            counts={"a": [row[2] for row in rows], "b": [row[1] % 2 for row in rows]},
            place=([row[1] % 6 for row in rows], [row[1] // 6 for row in rows]),
            observer=["first" if row[1] % 3 else "second" for row in rows],
        )
        return stopline.fit(counts, study=True, draws=99, each=True, weights={"a": 1, "b": 2}, quality=0.2)

    alone, together = fit(usual), fit(usual | odd)
    assert together.table()["k"][:6].tolist() == alone.table()["k"].tolist()
    weighed = [of.to_dict()["weighted"]["fields"][:6] for of in (alone, together)]
    assert weighed[0] == weighed[1]
    assert together.to_dict()["places"]["walks"] >= 7
