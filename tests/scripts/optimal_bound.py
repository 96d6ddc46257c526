#!/usr/bin/env python3
"""Recomputes, from plan files alone, the bound that no plan can beat and what the plan itself reaches.

`optimal_bound.py PLAN.json …` prints them; with `--check` the plans in `tests/data/optimal` must state the
same. Nothing is shared with the library: probabilities from log-gamma, the least cost itself (not what
stopping is worth above it) in the measure of the adequate mean, sums by `fsum`, every total looked at.

The bound: for weights w of means and multipliers l of what is to be kept, no plan on the same checks costs
less than backward induction finds, where cost = Σ w·(expected sites) + Σ l·risk; a plan that keeps every
risk has Σ l·risk ≤ Σ l·asked, so its Σ w·(expected sites), and with it its largest expected sites, is at
least that cost less Σ l·asked.
"""

import json
import math
import pathlib
import sys

PLANS = pathlib.Path(__file__).resolve().parent.parent / "data" / "optimal"
# Sums of doubles taken in another order, and tails cut where they are below 1e-13 of the cost.
SAME = 1e-9
# A risk, absolute: the plan file states sums taken in another order.
SAME_RISK = 1e-12


class Model:
    """Law of the total of some sites at a mean."""

    def __init__(self, plan):
        self.kind, self.k = plan["dispersion"]["model"], plan["dispersion"].get("k")
        self.units = plan["score"].get("units")
        assert self.kind in ("poisson", "constant_k", "binomial"), self.kind

    def p(self, mean, sites, x):
        return math.exp(self.ln_p(mean, sites, x)) if x <= self.last(sites) else 0.0

    def last(self, sites):
        return self.units * sites if self.kind == "binomial" else math.inf

    def ln_p(self, mean, sites, x):
        if self.kind == "poisson":
            return x * math.log(sites * mean) - sites * mean - math.lgamma(x + 1)
        if self.kind == "binomial":
            n = self.units * sites
            ways = math.lgamma(n + 1) - math.lgamma(x + 1) - math.lgamma(n - x + 1)
            return ways + x * math.log(mean) + (n - x) * math.log1p(-mean)
        k = sites * self.k
        ways = math.lgamma(x + k) - math.lgamma(k) - math.lgamma(x + 1)
        return ways + k * math.log(self.k / (self.k + mean)) + x * math.log(mean / (self.k + mean))

    def ratio(self, mean, against, sites, x):
        """Likelihood ratio of a total: the number of ways to reach it cancels."""
        if self.kind == "poisson":
            return math.exp(x * math.log(mean / against) - sites * (mean - against))
        if self.kind == "binomial":
            odds = math.log(mean / against) - math.log((1 - mean) / (1 - against))
            return math.exp(x * odds + self.units * sites * math.log((1 - mean) / (1 - against)))
        per = math.log((self.k + against) / (self.k + mean))
        return math.exp(x * (math.log(mean / against) + per) + sites * self.k * per)


def sites_of(plan):
    return [line["sites"] for line in plan["lines"]]


def gaps_of(sites):
    return [b - a for a, b in zip([0, *sites], sites)]


def least_cost(plan, model):
    """The least of Σ w·(expected sites) + Σ l·risk over all plans, by one backward induction."""
    proof, aim = plan["proof"], plan["aim"]["thresholds"]
    low, high = aim["inadequate"], aim["adequate"]
    l0, l1 = proof["multipliers"]["false_adequate"], proof["multipliers"]["false_inadequate"]
    undecided = proof["undecided"]["at"] if "undecided" in proof else []
    sites = sites_of(plan)
    gaps = gaps_of(sites)
    # From this total on every walk is called adequate: that costs l0·R0, next to nothing.
    far = max(line["adequate_at_least"] for line in plan["lines"] if line["sites"] < sites[-1])
    while l0 * model.ratio(low, high, sites[-1], far) > 1e-15 and far <= model.last(sites[-1]):
        far += 8
    ratios = {}

    def r(mean, n, t):
        if mean == high:
            return 1.0
        key = mean, n, t
        if key not in ratios:
            ratios[key] = model.ratio(mean, high, n, t)
        return ratios[key]

    steps = {g: [model.p(high, g, x) for x in range(far + 1)] for g in set(gaps)}
    cost = None
    for i in range(len(sites) - 1, -1, -1):
        n, now = sites[i], []
        for t in range(far + 1):
            best = min(l0 * r(low, n, t), l1)
            if cost is None:
                if plan["closing"] == "undecided":
                    best = min(best, math.fsum(u["multiplier"] * r(u["mean"], n, t) for u in undecided))
            else:
                batch = gaps[i + 1] * math.fsum(w["weight"] * r(w["mean"], n, t) for w in proof["at"])
                step = steps[gaps[i + 1]]
                best = min(best, batch + math.fsum(map(float.__mul__, step, cost[t:])))
            now.append(best)
        cost = now
    first = sites[0] * math.fsum(w["weight"] for w in proof["at"])
    return first + math.fsum(map(float.__mul__, steps[gaps[0]], cost))


def bound(plan, model):
    proof, risks = plan["proof"], plan["aim"]["risks"]
    asked = sum(proof["multipliers"][side] * risks[side] for side in ("false_adequate", "false_inadequate"))
    if "undecided" in proof:
        asked += sum(u["multiplier"] for u in proof["undecided"]["at"]) * proof["undecided"]["at_most"]
    return least_cost(plan, model) - asked


def walk(plan, model, mean):
    """Chance of each call, and expected sites, at a mean: full convolution from check to check."""
    sites = sites_of(plan)
    standing, adequate, inadequate, expected, left = [1.0], 0.0, 0.0, 0.0, 1.0
    for line, gap in zip(plan["lines"], gaps_of(sites)):
        expected += gap * left
        low, high = line["inadequate_at_most"], line["adequate_at_least"]
        low = -1 if low is None else low
        step = [model.p(mean, gap, x) for x in range(high)]
        reached = [math.fsum(s * step[t - j] for j, s in enumerate(standing[: t + 1])) for t in range(high)]
        stopped, standing = math.fsum(reached[: low + 1]), [0.0] * (low + 1) + reached[low + 1 :]
        still = math.fsum(standing)
        inadequate, adequate, left = inadequate + stopped, adequate + left - stopped - still, still
    return {"adequate": adequate, "inadequate": inadequate, "undecided": left, "sites": expected}


def value(plan, model):
    proof = plan["proof"]
    if proof["objective"] == "expected_sites":
        return math.fsum(w["weight"] * walk(plan, model, w["mean"])["sites"] for w in proof["at"])
    # The largest over all means: a grid, then golden section.
    low, high = plan["aim"]["thresholds"].values()
    grid = [low * (high / low) ** (i / 8) for i in range(-16, 25)]
    if model.kind == "binomial":
        grid = [m for m in grid if m < 1]
    top = max(range(len(grid)), key=lambda i: walk(plan, model, grid[i])["sites"])
    a, b = grid[max(top - 1, 0)], grid[min(top + 1, len(grid) - 1)]
    g = (math.sqrt(5) - 1) / 2
    for _ in range(30):
        c, d = b - g * (b - a), a + g * (b - a)
        if walk(plan, model, c)["sites"] > walk(plan, model, d)["sites"]:
            b = d
        else:
            a = c
    return walk(plan, model, (a + b) / 2)["sites"]


def wrong(plan):
    """What of a plan's statements is not so."""
    model, proof = Model(plan), plan["proof"]
    low, high = plan["aim"]["thresholds"].values()
    for what, found in (("bound", bound(plan, model)), ("value", value(plan, model))):
        print(f"  {what} {found!r}, stated {proof[what]!r}")
        if abs(found / proof[what] - 1) > SAME:
            yield f"{what} is {found!r}"
    if proof["bound"] > proof["value"]:
        yield "the bound is above the value"
    asked = plan["aim"]["risks"]
    kept = [(low, "adequate", asked["false_adequate"]), (high, "inadequate", asked["false_inadequate"])]
    kept += [(u["mean"], "undecided", proof["undecided"]["at_most"]) for u in proof.get("undecided", {"at": []})["at"]]
    for mean, call, most in kept:
        p = walk(plan, model, mean)[call]
        print(f"  P({call}) at {mean} is {p!r}, asked {most}")
        if p > most + SAME_RISK:
            yield f"P({call}) at {mean} is {p!r}"


def main():
    check = "--check" in sys.argv[1:]
    files = sorted(PLANS.glob("*.json")) if check else [pathlib.Path(a) for a in sys.argv[1:]]
    assert files, "no plan files"
    bad = 0
    for path in files:
        print(path.name)
        for what in wrong(json.loads(path.read_text())):
            print(f"  WRONG: {what}")
            bad += 1
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
