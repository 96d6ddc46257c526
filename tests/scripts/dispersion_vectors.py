#!/usr/bin/env python3
"""Writes `tests/vectors/conditional_k.json`, or with `--check` fails where the committed file differs.

Needs mpmath alone. For every table of `tests/data/nb_fits.json`, by likelihoods written out with
log-gamma in 60 digits (no identity of the crate is used):

- conditional: the Dirichlet-multinomial likelihood of the counts of each group given its total,
  prod G(x+k)/G(k) * G(nk)/G(sum+nk);
- Cox-Reid: prod NB(x; m, k) less 0.5 ln(n m k/(k+m)), m the mean of each group;
- plain, for tables without fits of their own: the same without the last part.

Each with the maximiser and {k: 2(l(khat) - l(k)) <= chi2_1(0.95)}. `k` is "inf" at the Poisson limit,
"zero" where the likelihood rises for ever as k -> 0, null where it does not depend on k.
"""
import argparse
import collections
import fractions
import json
import pathlib
import sys

import mpmath
from mpmath import digamma, exp, inf, log, loggamma, mpf

mpmath.mp.dps = 60
TESTS = pathlib.Path(__file__).resolve().parent.parent
OUT = TESTS / "vectors" / "conditional_k.json"
CHI2 = 2 * mpmath.erfinv(mpf(95) / 100) ** 2
SCAN = range(-14, 31)  # natural logarithms of k


class Group:
    def __init__(self, table):
        self.n = sum(sites for _, sites in table)
        self.sum = sum(x * sites for x, sites in table)
        self.squares = sum(x * x * sites for x, sites in table)
        self.any = sum(sites for x, sites in table if x)


class Likelihood:
    """Of k for several groups; constants that do not depend on k are left out."""

    def __init__(self, tables):
        self.groups = [g for g in map(Group, tables) if self.tells(g)]
        self.values = collections.Counter()
        for table in tables:
            if self.tells(Group(table)):
                for x, sites in table:
                    self.values[x] += sites
        self.sites = sum(self.values.values())

    def of_sites(self, k):
        return sum(f * loggamma(x + k) for x, f in self.values.items()) - self.sites * loggamma(k)

    def slope_of_sites(self, k):
        return sum(f * digamma(x + k) for x, f in self.values.items()) - self.sites * digamma(k)


class Conditional(Likelihood):
    def tells(self, g):
        return g.n > 1 and g.sum > 1

    def rises_at_infinity(self):
        """Twice the slope against 1/k at the Poisson limit, exact."""
        return sum(fractions.Fraction(g.n * (g.squares - g.sum) - g.sum * (g.sum - 1), g.n) for g in self.groups)

    def at(self, k):
        if k == inf:
            return -sum(g.sum * log(g.n) for g in self.groups)
        return self.of_sites(k) + sum(loggamma(g.n * k) - loggamma(g.sum + g.n * k) for g in self.groups)

    def slope(self, k):
        own = sum(g.n * (digamma(g.n * k) - digamma(g.sum + g.n * k)) for g in self.groups)
        return self.slope_of_sites(k) + own

    def rises_at_zero(self):
        return all(g.any == 1 for g in self.groups)


class Plain(Likelihood):
    adjusted = 0

    def tells(self, g):
        return g.sum > 0

    def rises_at_infinity(self):
        return sum(
            fractions.Fraction(g.n * g.squares - g.sum**2 - (g.n - self.adjusted) * g.sum, g.n) for g in self.groups
        )

    def at(self, k):
        total = mpf(0)
        for g in self.groups:
            m = mpf(g.sum) / g.n
            if k == inf:
                total += g.sum * log(m) - g.sum - self.adjusted * log(g.n * m) / 2
            else:
                total += g.n * k * log(k) + g.sum * log(m) - (g.n * k + g.sum) * log(k + m)
                total -= self.adjusted * log(g.n * m * k / (k + m)) / 2
        return total if k == inf else total + self.of_sites(k)

    def slope(self, k):
        total = self.slope_of_sites(k)
        for g in self.groups:
            m = mpf(g.sum) / g.n
            total += g.n * (log(k / (k + m)) + 1) - (g.n * k + g.sum) / (k + m)
            total -= self.adjusted * m / (2 * k * (k + m))
        return total

    def rises_at_zero(self):
        return False


class CoxReid(Plain):
    adjusted = 1


def root(f, low, high):
    """By bisection, then secants: of f over ln k, between two ends of different sign."""
    a, b = mpf(low), mpf(high)
    fa = f(a)
    assert (fa > 0) != (f(b) > 0)
    for _ in range(4):
        c = (a + b) / 2
        if (f(c) > 0) == (fa > 0):
            a = c
        else:
            b = c
    return mpmath.findroot(f, (a, b), solver="anderson", tol=mpf(10) ** -80, maxsteps=100, verify=False)


def fit(l):
    """k, low, high as doubles, or words."""
    if not l.groups:
        return None, None, None
    if l.rises_at_zero():
        return "zero", None, None
    slopes = [l.slope(exp(mpf(t))) > 0 for t in SCAN]
    peaks = [root(lambda t: l.slope(exp(t)), t, t + 1) for t, up, then in zip(SCAN, slopes, slopes[1:]) if up and not then]
    assert not slopes[-1] or l.rises_at_infinity() <= 0, "a peak beyond the scan"
    best, t = l.at(inf), inf
    for peak in peaks:
        if l.at(exp(peak)) > best:
            best, t = l.at(exp(peak)), peak
    assert t == inf or best - l.at(inf) > mpf(10) ** -20, "a peak made by rounding"
    assert t != inf or l.rises_at_infinity() <= 0
    drop = lambda t: 2 * (best - l.at(exp(t))) - CHI2
    low = high = t if t != inf else mpf(SCAN[-1])
    while drop(low) < 0:
        low -= 1
    low = exp(root(drop, low, low + 1))
    if 2 * (best - l.at(inf)) <= CHI2:
        high = "inf"
    else:
        while drop(high) < 0:
            high += 1
        high = float(exp(root(drop, high - 1, high)))
    return ("inf" if t == inf else float(exp(t))), float(low), high


def main():
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--check", action="store_true")
    check = arguments.parse_args().check
    data = json.loads((TESTS / "data" / "nb_fits.json").read_text("utf-8"))
    cases = [(case["name"], [case["table"]]) for case in data["samples"] + data["edge_cases"]]
    cases += [(case["name"], case["tables"]) for case in data["groups"]]
    unfitted = [(case["name"], case["tables"]) for case in data["published"] + data["made"]]
    rows = [[name, *fit(Conditional(tables)), *fit(CoxReid(tables))] for name, tables in cases]
    rows += [[name, *fit(Conditional(t)), *fit(CoxReid(t)), *fit(Plain(t))] for name, t in unfitted]
    columns = ["name", *(f"{way}{end}" for way in ("conditional", "cox_reid", "plain") for end in ("", "_low", "_high"))]
    about = "Common k and 95 % intervals by tests/scripts/dispersion_vectors.py from the tables of tests/data/nb_fits.json."
    listed = ",\n  ".join(json.dumps(row, allow_nan=False) for row in rows)
    text = f'{{"about": {json.dumps(about)},\n "columns": {json.dumps(columns)},\n "rows": [\n  {listed}\n ]}}\n'
    if not check:
        OUT.write_text(text, "utf-8")
    elif OUT.read_text("utf-8") != text:
        sys.exit(f"{OUT.name} is not what the script makes")


if __name__ == "__main__":
    main()
