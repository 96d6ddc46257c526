"""What the binding itself promises: errors, pickling, None for absent lines, threads, docs."""

from __future__ import annotations

import copy
import csv
import hashlib
import io
import json
import pickle
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import scipy.optimize  # type: ignore[import-untyped]
import scipy.special  # type: ignore[import-untyped]
import scipy.stats  # type: ignore[import-untyped]
import stopline

from long_work import DEMO, demo, small

Floats = npt.NDArray[np.float64]


def beside(plan: stopline.Plan) -> list[str]:
    return [other.method for other in plan.beside()]


def test_bliss_and_fisher_mites() -> None:
    # Bliss & Fisher 1953, Biometrics 9:176-200: k 1.02459; interval recomputed with 60 digits.
    mites = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
    walk = stopline.fit(mites).to_dict()["fields"][0]
    assert walk["k"] == pytest.approx(1.0245923867921254, rel=1e-12)
    assert walk["k_low"] == pytest.approx(0.6254234931550314, rel=1e-11)
    assert walk["k_high"] == pytest.approx(1.8362415555289073, rel=1e-11)


def test_study_of_the_mites() -> None:
    # The same table: SE .27591, zero class .99231, chi-square 2.490 on 3 df, U -.198 (.310) (derived).
    mites = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
    fit = stopline.fit(mites, study=True, draws=199, seed=3)
    walk = fit.to_dict()["fields"][0]
    assert walk["k_se_observed"] == pytest.approx(0.27591, abs=5e-6)
    assert walk["k_zero_class"] == pytest.approx(0.99231, abs=5e-6)
    gof = walk["tests"]["negative_binomial"]
    assert gof["chi_square"] == pytest.approx(2.490, abs=5e-4) and gof["freedom"] == 3
    assert walk["tests"]["shape"]["u"]["se"] == pytest.approx(0.310, abs=5e-4)
    assert fit.to_dict()["spread"] is None and "single walk" in fit.to_dict()["spread_is"]
    table = fit.table()
    assert table["k"][0] == pytest.approx(walk["k"]) and len(table["field"]) == 1


def test_study_of_the_demo_and_stopped_walks() -> None:
    counts = demo()
    found = stopline.fit(counts, study=True, draws=99, stopped_by=small()).to_dict()
    assert found == stopline.fit(counts, study=True, draws=99, stopped_by=small()).to_dict()
    assert sum(law["weight"] for law in found["laws"]["laws"]) == pytest.approx(1)
    assert found["stopped"]["walks"] > 10 and found["order"]["run_length"] == 5
    with pytest.raises(stopline.StoplineError) as e:
        stopline.fit(counts, study=True, draws=9)
    assert e.value.code == "out_of_range"


def test_calibration_and_needed_fields() -> None:
    counts = demo()
    fit = stopline.fit(counts, quality=0.1)
    needed = fit.to_dict()["needed"]
    assert [row["fields"] for row in needed["fields"]] == sorted((row["fields"] for row in needed["fields"]), reverse=True)
    plan = stopline.plan(fit=fit, inadequate=1.0, adequate=2.0, per="site")
    found = plan.calibration(counts, draws=99)
    assert found == plan.calibration(counts, draws=99)
    assert found["false_adequate"]["low"] < 0.1 < found["false_adequate"]["high"]
    alone = stopline.fit(counts, minutes=(1.0, 0.2, 0.0)).to_dict()
    assert alone["plants_of_sites"] is None and "totals" in alone["plants_of_sites_is"]
    laws = stopline.mean_variance([1.0, 2.0, 4.0], [2.0, 6.0, 20.0], at_means=[2.0, 100.0])
    # variance m + m^2: by least squares of logarithms in numpy.
    b, log_a = np.polyfit(np.log10([1.0, 2.0, 4.0]), np.log10([2.0, 6.0, 20.0]), 1)
    assert laws["power_law"]["b"]["value"] == pytest.approx(b)
    assert laws["k_at"][0]["k"] == pytest.approx(4.0 / (10**log_a * 2.0**b - 2.0))
    assert [at["among_the_means"] for at in laws["k_at"]] == [True, False]
    with pytest.raises(stopline.StoplineError):
        stopline.mean_variance([1.0, -1.0], [2.0, 6.0])


def test_what_a_row_of_counts_is(tmp_path: Path) -> None:
    def read(table: str, **how: Any) -> stopline.Counts:
        path = tmp_path / "counts.csv"
        path.write_text(table)
        return stopline.Counts.read(path, **how)

    def found(counts: stopline.Counts) -> list[tuple[str, list[float]]]:
        return [(walk["field"], sorted(walk["counts"].tolist())) for walk in counts.walks]

    expected = [("heron", [0.0, 1.0, 4.0]), ("owl", [0.0, 1.0])]
    assert found(read("field,1,2,3\nheron,4,0,1\nowl,0,1,\n", rows="walks")) == expected
    frequencies = "field,count,sites\nheron,0,1\nheron,1,1\nheron,4,1\nowl,0,1\nowl,1,1\n"
    assert found(read(frequencies, rows="frequencies")) == expected
    filled = read("field,site,count\nheron,1,4\n,2,0\n,3,1\nowl,1,0\n,2,1\n", fill_down=["field"])
    assert found(filled) == expected
    plants = read("field,site,count\nheron,1,2\nheron,1,2\nheron,2,0\nheron,2,0\n", rows="plants")
    assert plants.plants == 2 and found(plants) == [("heron", [0.0, 4.0])]
    with pytest.raises(stopline.StoplineError) as e:
        read(frequencies, rows="columns")
    assert e.value.code == "usage"


def test_one_check_against_scipy() -> None:
    # 15 sites, inadequate up to 31: scipy's negative binomial of the total.
    plan = stopline.Plan.given([(15, 31, 32)], k=2.0, inadequate=1.5, adequate=3.0)
    below = scipy.stats.nbinom.cdf(31, 30.0, 2.0 / (2.0 + np.array([1.5, 3.0])))
    assert plan.attained[0][2] == pytest.approx(1 - below[0], rel=1e-12)
    assert plan.attained[1][2] == pytest.approx(below[1], rel=1e-12)


def test_field_means_are_as_likely_as_scipy_finds() -> None:
    counts = demo()
    k = stopline.fit(counts).to_dict()["common"]["k_conditional"]
    found = np.array(stopline.field_means(counts, k=k))
    totals = np.array([np.nansum(walk["counts"]) for walk in counts.walks])
    sites = np.array([np.sum(~np.isnan(walk["counts"])) for walk in counts.walks])

    def likelihoods(means: Floats) -> Floats:
        return np.asarray(scipy.stats.nbinom.pmf(totals[:, None], sites[:, None] * k, k / (k + means)), dtype=np.float64)

    # Weights on a fine grid by scipy's optimiser: softmax keeps them on the simplex.
    on_grid = likelihoods(np.geomspace(0.1, 12.0, 150))

    def minus(z: Floats) -> tuple[float, Floats]:
        w = np.exp(z - z.max())
        w /= w.sum()
        mixed = on_grid @ w
        slope = on_grid.T @ (1.0 / mixed)
        return -float(np.log(mixed).sum()), -w * (slope - len(totals))

    best = scipy.optimize.minimize(minus, np.zeros(150), jac=True, method="L-BFGS-B", options={"maxiter": 5000})
    assert np.log(likelihoods(found[:, 0]) @ found[:, 1]).sum() > -best.fun - 0.05
    assert found[:, 1].sum() == pytest.approx(1.0, abs=1e-12)
    plan = stopline.plan(
        k=k, inadequate=1.0, adequate=2.0, method="optimal", means=list(found[:, 0]), weights=list(found[:, 1])
    )
    proof = plan.to_dict()["proof"]
    assert proof["objective"] == "expected_sites"
    sites_on_average = stopline.evaluate(plan, found[:, 0]).expected_sites @ found[:, 1]
    assert proof["value"] == pytest.approx(sites_on_average, rel=1e-9)
    assert proof["bound"] <= proof["value"] <= 1.001 * proof["bound"]


def test_demo_from_counts_to_card(tmp_path: Path) -> None:
    counts = demo()
    fit = stopline.fit(counts)
    assert fit.k is not None and fit.k_low is not None and fit.k_low < fit.k
    plan = stopline.plan(fit=fit, inadequate=1.0, adequate=2.0)
    assert plan.plants == 3 and all(p <= 0.1 for _, _, p in plan.attained)
    assert "adequate" in plan.card()
    columns = stopline.Counts.from_columns(
        field=np.concatenate([[w["field"]] * len(w["sites"]) for w in counts.walks]),
        visit=np.concatenate([[w["visit"]] * len(w["sites"]) for w in counts.walks]),
        site=np.concatenate([w["sites"] for w in counts.walks]),
        counts=np.concatenate([w["counts"] for w in counts.walks]),
    )
    in_memory, from_file = stopline.fit(columns).to_dict(), fit.to_dict()
    digest = from_file["made_by"].pop("input")
    assert digest == "sha256:" + hashlib.sha256(DEMO.read_bytes()).hexdigest()
    assert in_memory["made_by"].pop("input") is None and in_memory == from_file
    table = stopline.fit(counts, study=True, draws=99).table()
    assert all(len(column) == len(counts) for column in table.values())
    p = np.asarray(table["poisson_p"])
    assert np.all((p >= 0) & (p <= 1)) and table["k_is"].count("estimated") > 10


def test_absent_lines_are_none_and_plans_travel() -> None:
    plan = small()
    assert plan.lines[0][0] == 5 and all(-1 not in line for line in plan.lines)
    twins = [pickle.loads(pickle.dumps(plan)), copy.deepcopy(plan), stopline.Plan.from_json(plan.to_json())]
    assert all(t == plan and hash(t) == hash(plan) for t in twins)
    assert plan.with_about(title="Plover").digest == plan.digest
    assert plan != stopline.plan(k=1.3, inadequate=1.0, adequate=2.0)
    plan.verify()
    with pytest.raises(stopline.StoplineError) as e:
        stopline.Plan.from_json(plan.to_json().replace('"k": 1.2', '"k": 1.3'))
    assert e.value.code == "plan_edited"
    with pytest.raises(AttributeError):
        plan.digest = "x"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ({"k": -1.0}, "out_of_range"),
        ({"k": float("nan")}, "not_a_number"),
        ({"inadequate": 2.0, "adequate": 1.0}, "thresholds_order"),
        ({"false_adequate": 0.0}, "out_of_range"),
        ({"false_adequate": 0.6, "false_inadequate": 0.5}, "risks_sum"),
        ({"min_sites": 40}, "checks"),
        ({"max_sites": 10}, "no_plan"),
        ({"method": "other"}, "usage"),
        ({"means": [1.0]}, "combination"),
        ({"method": "optimal", "means": [1.0], "weights": [0.5, 0.5]}, "combination"),
        ({"method": "optimal", "means": [-1.0]}, "out_of_range"),
    ],
)
def test_errors_carry_the_codes(arguments: dict[str, object], code: str) -> None:
    given = {"k": 1.2, "inadequate": 1.0, "adequate": 2.0} | arguments
    with pytest.raises(stopline.StoplineError) as e:
        stopline.plan(**given)  # type: ignore[arg-type]
    assert e.value.code == code and code in stopline.CODES and e.value.errors[0]["message"] == str(e.value)
    assert pickle.loads(pickle.dumps(e.value)).code == code


def test_bad_counts_are_reported_together() -> None:
    with pytest.raises(stopline.StoplineError) as e:
        stopline.Counts.from_columns(field=["a"] * 3, site=[1, 2, 3], counts=[1.5, 2, -1])
    assert [(f["row"], f["code"]) for f in e.value.errors] == [(1, "counts_value"), (3, "counts_value")]
    with pytest.raises(stopline.StoplineError) as e:
        stopline.Counts.read("absent.csv")
    assert e.value.code == "file_read" and e.value.file == "absent.csv"


def test_walk_and_decide_agree() -> None:
    walk = stopline.Walk(small())
    counts = [3, 0, 2, 5, 1, 4, 3]
    for count in counts:
        last = walk.push(count)
    assert last.to_dict() == stopline.decide(small(), counts).to_dict()
    assert stopline.decide(small(), [1, None, 2], ended=True).ended_by == "scout"
    with pytest.raises(stopline.StoplineError):
        stopline.Walk(small()).undo()


def test_a_walk_is_kept_as_a_log_and_as_a_record() -> None:
    walk = stopline.Walk(small())
    walk.push(3)
    walk.note("dew")
    walk.pause()
    walk.resume()
    walk.skip()
    walk.push([0, 2])
    text = walk.to_log(field="Plover", visit="1", at="2026-07-01T08:00:00Z")
    twin = stopline.Walk.from_log(text + '{"seq":9,"torn')
    assert twin.decision.to_dict() == walk.decision.to_dict() and twin.plan == walk.plan
    assert twin.to_log(field="Plover", visit="1", at="2026-07-01T08:00:00Z") == text
    with pytest.raises(stopline.StoplineError) as e:
        stopline.Walk.from_log(text.replace('"counts":[3]', '"counts":[4]'))
    assert e.value.code == "log" and e.value.errors[0]["row"] == 3
    record = json.loads(walk.record(field="Plover"))
    assert record["plan"] == small().digest and record["decision"] == walk.decision.to_dict()
    assert record["entries"][0] == ["site", "3"] and record["entries"][-1] == ["site", "0+2"]
    rows = list(csv.reader(io.StringIO(walk.record(field="Plover", csv=True))))
    assert rows[0] == ["what", "value"] and ["field", "Plover"] in rows and ["plan", small().digest] in rows
    assert {"verdict", "mean", "low", "caution_informs_only"} <= {row[0] for row in rows}


def test_counts_more_clumped_than_planned() -> None:
    plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=5, max_sites=25)
    calm = stopline.decide(plan, [2, 3, 1]).check_of_k
    # Dirichlet-multinomial of 6 enemies at 3 sites, by scipy: chance of x1² + x2² + x3² of at least 14.
    law = scipy.stats.dirichlet_multinomial([2.0, 2.0, 2.0], 6)
    ways = [(a, b, 6 - a - b) for a in range(7) for b in range(7 - a)]
    want = sum(law.pmf(way) for way in ways if sum(x * x for x in way) >= 14)
    assert calm is not None and calm["p"] == pytest.approx(want, rel=1e-9) and calm["alarmed_at"] is None
    alarm = stopline.decide(plan, [0, 0, 9, 1])
    assert alarm.check_of_k is not None and alarm.check_of_k["alarmed_at"] == 3
    assert "clumped" in alarm.cautions[0]
    assert stopline.decide(plan, [2, 3]).check_of_k is None
    told = plan.check_of_k([1.5])
    assert told["false_alarms"] <= 0.05 and told["rows"][0]["as_planned"] <= told["false_alarms"]
    assert plan.check_of_k_over([[0, 0, 19, 0, 0], [0, 17, 0, 1, 0]])["p"] < 0.01
    assert plan.fallback().k == 1.0
    with pytest.raises(stopline.StoplineError) as e:
        stopline.plan(inadequate=0.1, adequate=0.3, above=0).check_of_k()
    assert e.value.code == "combination"


def test_threads_give_the_same_numbers() -> None:
    plan, means = small(), np.linspace(0.2, 4.0, 200)
    alone = stopline.evaluate(plan, means).adequate
    found: list[bool] = []
    threads = [
        threading.Thread(target=lambda: found.append(bool((stopline.evaluate(plan, means).adequate == alone).all())))
        for _ in range(4)
    ]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert found == [True] * 4


SHARED = """
import sys, threading
import stopline

sys.setswitchinterval(1e-6)
walk = stopline.Walk(stopline.plan(k=1.2, inadequate=1.0, adequate=2.0))

def refused():
    for _ in range(2000):
        try:
            walk.undo()
        except stopline.StoplineError:
            walk.decision

threads = [threading.Thread(target=refused) for _ in range(4)]
for t in threads:
    t.start()
for t in threads:
    t.join()
"""


def test_threads_share_a_walk_that_refuses() -> None:
    # In a process of its own: threads that block each other stop all of it.
    subprocess.run([sys.executable, "-I", "-c", SHARED], check=True, timeout=120)


def test_plans_of_every_aim() -> None:
    # Kuno 1969 (formula from memory) at k 2, D .25: what the rule truly gives, derived independently.
    plan = stopline.plan(se_over_mean=0.25, k=2.0, min_sites=1, max_sites=300)
    assert plan.columns == ["sites", "enough_at_least"]
    assert plan.lines[8] == (9, 144)
    curve = stopline.evaluate(plan, [0.75, 1.5, 3.0])
    assert curve.se_over_mean is not None and curve.bias_over_mean is not None
    np.testing.assert_allclose(curve.expected_sites, [30.67, 19.60, 14.10], atol=5e-3)
    np.testing.assert_allclose(curve.se_over_mean, [0.2597, 0.2524, 0.2478], atol=5e-5)
    np.testing.assert_allclose(curve.bias_over_mean, [0.043, 0.033, 0.023], atol=5e-4)
    # Binns, Nyrop & van der Werf 2000: critical density 1, 15 to 50 sites, variance 3.05·m^1.02.
    plan = stopline.plan(
        critical=1.0, confidence=0.85, sides="one", power_law=(3.05, 1.02), min_sites=15, max_sites=50
    )
    curve = stopline.evaluate(plan, [0.6, 1.0, 1.5])
    np.testing.assert_allclose(curve.inadequate, [0.956, 0.553, 0.061], atol=5e-4)
    assert curve.se_over_mean is None
    plan = stopline.plan(inadequate=1.0, adequate=2.0, upper=(4.0, 7.0), k=1.2, max_sites=60)
    assert plan.method == "calibrated" and len(plan.columns) == 5
    assert all(p <= 0.1 for _, _, p in plan.attained)
    again = stopline.Plan.from_json(plan.to_json())
    assert again == plan and again.lines == plan.lines
    plan = stopline.plan(inadequate=1.0, adequate=2.0, k=1.2, max_sites=60, counted_to=4)
    assert all(0.09 < p <= 0.1 for _, _, p in plan.attained)
    assert plan.to_dict()["score"] == {"of": "capped", "counted_to": 4}
    full, capped, any_, *_ = plan.ways_to_score(counted_to=[4])
    assert full["minutes"] is None and full["minutes_saved"] is None
    assert full["score"] == "count" and capped["counted_to"] == 4 and any_["above"] == 0
    assert full["largest_expected_sites"] < capped["largest_expected_sites"] < any_["largest_expected_sites"]
    timed = plan.ways_to_score(counted_to=[4], above=[], minutes_site=1.0, minutes_plant=0.5, minutes_enemy=0.2)
    sites = np.array([*timed[0]["expected_sites"], timed[0]["largest_expected_sites"]])
    at = [1.0, 2.0, (timed[0]["minutes"][2] / sites[2] - 1.5) / 0.2]  # the mean that takes most sites
    np.testing.assert_allclose(timed[0]["minutes"], sites * (1.5 + 0.2 * np.array(at)), rtol=1e-12)
    assert 1.0 < at[2] < 2.0
    np.testing.assert_allclose(np.subtract(timed[0]["minutes"], timed[1]["minutes"]), timed[1]["minutes_saved"])
    plan = stopline.plan(inadequate=0.5, adequate=2.0, above=0, proportion=(0.4, 0.9, 0.2), max_sites=80)
    assert all(p <= 0.1 for _, _, p in plan.attained)
    # Simon 1989 (from memory): 1 of 10, then 5 of 29.
    plan = stopline.plan(
        inadequate=0.1,
        adequate=0.3,
        above=0,
        false_adequate=0.05,
        false_inadequate=0.2,
        min_sites=1,
        max_sites=40,
        method="two_stage",
        early="inadequate",
    )
    assert plan.lines == [(10, 1, None), (29, 5, 6)]
    calibrated, optimal = stopline.Plan.given(
        [(5, None, 14), (10, 14, 26), (15, 31, 32)], k=2.0, inadequate=1.5, adequate=3.0
    ).beside()
    assert (calibrated.method, optimal.method) == ("calibrated", "optimal")
    spread = stopline.plan(inadequate=1.0, adequate=2.0, k=1.2, k_sd_log=0.4, max_sites=60)
    assert all(p > q for (_, _, p), (_, _, q) in zip(spread.in_nine_of_ten(), spread.attained, strict=True))
    # Tables of every aim, as given.
    plan = stopline.Plan.given([(9, 1, 5, 8, 30), (18, 9, 10, 40, 41)], k=1.2, inadequate=0.5, adequate=1.0, upper=(2.0, 4.0))
    assert len(plan.attained) == 6
    plan = stopline.Plan.given([(9, 144), (40, 0)], k=2.0, se_over_mean=0.25)
    assert plan.columns == ["sites", "enough_at_least"]
    assert beside(plan) == ["nominal"]
    plan = stopline.Plan.given([(1, 1, 3), (20, 6, 7)], above=1, k=1.2, inadequate=0.5, adequate=2.0)
    assert plan.to_dict()["score"] == {"of": "positive", "above": 1, "units": 1}
    plan = stopline.Plan.given([(5, 4, 18), (30, 40, 41)], counted_to=4, k=1.2, k_sd_log=0.3, inadequate=1.0, adequate=2.0)
    assert beside(plan) == ["calibrated"] and plan.to_dict()["dispersion"]["model"] == "k_spread"
    # Lines by formula typed in: what could have been instead.
    asked = {"k": 1.2, "inadequate": 1.0, "adequate": 2.0, "upper": (4.0, 7.0)}
    plan = stopline.Plan.given(stopline.plan(method="wald", max_sites=60, **asked).lines, **asked)  # type: ignore[arg-type]
    assert beside(plan) == ["calibrated"] and len(plan.straight or []) == 4
    asked = {"power_law": (3.05, 1.02), "critical": 1.0, "confidence": 0.85, "sides": "one"}
    plan = stopline.Plan.given(stopline.plan(min_sites=15, max_sites=50, **asked).lines, **asked)  # type: ignore[arg-type]
    assert beside(plan) == ["nominal", "calibrated"]
    low, high = plan.beside()[1].thresholds or (0.0, 0.0)
    curve = stopline.evaluate(plan, [low, high])
    np.testing.assert_allclose([curve.adequate[0], curve.inadequate[1]], 0.15, rtol=1e-6)
    lines = [(row[0], row[1]) for row in stopline.plan(k=2.0, se_over_mean=0.25, min_sites=10, max_sites=60).lines]
    assert beside(stopline.Plan.given(lines, k=2.0, se_over_mean=0.25)) == ["nominal", "tuned"]
    counts = stopline.Counts.from_columns(field=["heron"] * 6, site=range(1, 7), counts=[0, 4, 1, 0, 2, 9])
    assert stopline.fit_capped(counts, 4)["fields"][0]["at_most"] == 2
    assert stopline.fit_proportion(counts)["why"]
    for method in ["converging", "curtailed", "two_stage", "two_stage_minimax"]:
        plan = stopline.plan(inadequate=1.0, adequate=2.0, k=1.2, method=method)
        assert all(p <= 0.1 for _, _, p in plan.attained)
        assert (plan.straight is None) == (method != "converging")
    (steep, below), (flat, above) = stopline.plan(
        inadequate=1.0, adequate=2.0, k=1.2, max_sites=60, method="converging"
    ).straight or [(0.0, 0.0)] * 2
    assert steep > flat and below < 0.0 < above
    with pytest.raises(stopline.StoplineError) as caught:
        stopline.plan(k=1.2, critical=1.0, se_over_mean=0.25)
    assert caught.value.code == "combination"


def test_the_mean_after_a_stop() -> None:
    plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")
    curve = stopline.evaluate(plan, [0.75, 1.5, 3.0], estimates=True)
    assert curve.estimates is not None and stopline.evaluate(plan, [1.0]).estimates is None
    assert np.abs(curve.estimates["bias"]).max() < 1e-9
    assert (curve.estimates["covers"] >= 0.9).all() and np.abs(curve.estimates["plain_bias"]).min() > 0.02
    told = stopline.estimates(plan, up_to=7.0)
    decision = stopline.decide(plan, [4, 8])
    row = (told["sites"] == decision.sites) & (told["total"] == decision.total)
    assert decision.interval is not None and decision.plain_mean == 6.0
    assert told["mean"][row][0] == pytest.approx(decision.mean, rel=1e-7)
    assert told["low"][row][0] == pytest.approx(decision.interval[0], rel=1e-7)
    assert stopline.decide(plan, [2]).interval is None
    staged = stopline.estimates(plan, up_to=7.0, order="stage")
    by_stage_alone = decision.interval_at(order="stage")
    assert by_stage_alone is not None
    low, high = by_stage_alone
    # A stop at the second site is nearly the highest by stage: its interval lies higher than by plain mean.
    assert low == pytest.approx(staged["low"][row][0], rel=1e-7) and low > decision.interval[0]
    assert high == pytest.approx(staged["high"][row][0], rel=1e-7)
    by_stage = stopline.evaluate(plan, [0.75, 1.5, 3.0], estimates=True, order="stage").estimates
    assert by_stage is not None and (by_stage["covers"] >= 0.9).all()
    with pytest.raises(stopline.StoplineError, match="plain_mean, stage"):
        stopline.estimates(plan, up_to=7.0, order="mean")  # type: ignore[arg-type]


def test_evidence_at_any_time_and_what_is_to_come() -> None:
    plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20)
    walk = stopline.Walk(plan)
    assert walk.decision.any_time is None and walk.decision.what_next is None
    decision = [walk.push(x) for x in [3, 2]][-1]
    assert decision.any_time is not None and decision.what_next is not None
    low, high = decision.any_time["low"], decision.any_time["high"]
    # The mixture by scipy: B(.5 + nk, .5 + T)/B(.5, .5) · (1 + m/k)^(nk) · ((k + m)/m)^T is 1/.1 at both ends.
    for m in (low, high):
        ln = scipy.special.betaln(4.5, 5.5) - scipy.special.betaln(0.5, 0.5)
        ln += 4 * np.log1p(m / 2) + 5 * np.log((2 + m) / m)
        assert ln == pytest.approx(np.log(10), abs=1e-9)
    likely = decision.what_next["likely"]
    assert likely["adequate"] + likely["inadequate"] == pytest.approx(1)
    assert decision.to_dict()["what_next"] == decision.what_next
