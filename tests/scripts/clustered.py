#!/usr/bin/env python3
"""Writes `tests/vectors/clustered.json`, or with `--check` fails where the committed file differs.

Plans walked over clustered sites: the gamma part of NB(m, k) is Gamma(kρ) common to a run of neighbours plus
Gamma(k(1 − ρ)) of the site's own. Given the common part s a site's count is Poisson(s) + NB(m(1 − ρ), k(1 − ρ)), so
the walk through a run is the direct method at each s, averaged over s by Gauss-Legendre quadrature; runs are
independent. Nodes and probabilities by mpmath, the walk in double precision, all terms positive: right to 1e-12.
"""
import argparse
import json
import math
import pathlib
import sys

import mpmath
from mpmath import mpf

from exact import evaluate, law
from plans import GOOD, PLANS

VECTOR = pathlib.Path(__file__).resolve().parent.parent / "vectors" / "clustered.json"
COLUMNS = ["mean", "adequate", "inadequate", "expected_sites", "sites_sd", "at_cap"]
DEGREE, PANELS = 24, 20


def legendre(degree):
    """Points and weights of Gauss-Legendre quadrature on (−1, 1), by Newton's method."""
    found = []
    for i in range(degree):
        x = mpmath.cos(mpmath.pi * (i + mpf(3) / 4) / (degree + mpf(1) / 2))
        for _ in range(9):
            before, p = mpf(0), mpf(1)
            for j in range(degree):
                before, p = p, ((2 * j + 1) * x * p - j * before) / (j + 1)
            slope = degree * (x * p - before) / (x * x - 1)
            x -= p / slope
        found.append((x, 2 / ((1 - x * x) * slope**2)))
    return found


LEGENDRE = legendre(DEGREE)
# (plan, lines, k, ρ, sites of a run or None for the whole walk, means); kρ or 1/(kρ) is whole, so that with s = t^(1/(kρ))
# the integrand has derivatives of every order
CASES = [
    ("narrow", GOOD, 2.0, 0.25, 5, [0.75, 1.5, 2.12, 3.0, 4.5]),
    ("narrow", GOOD, 2.0, 0.25, None, [0.75, 1.5, 2.12, 3.0, 4.5]),
    ("narrow", GOOD, 2.0, 0.5, 3, [1.5, 3.0]),
    ("narrow", GOOD, 2.0, 1.0, 4, [1.5, 3.0]),
    ("narrow", GOOD, 1.0, 0.25, 2, [1.5, 2.12, 3.0]),
    ("narrow", GOOD, 0.5, 0.5, None, [1.5, 3.0]),
    ("groups_of_five", PLANS["groups_of_five"][1], 1.0, 0.5, 4, [1.0, 1.5, 2.0]),
    ("checks_10_29", PLANS["checks_10_29"][1], 4.0, 0.25, None, [1.5, 2.0, 3.0]),
    ("upper_only", PLANS["upper_only"][1], 2.0, 0.5, 7, [0.5, 1.0]),
]
# The risks of the plan "narrow" at means 1.5 and 3, derived beforehand by another program.
KNOWN = {(0.25, 5): (0.131954, 0.156339), (0.25, None): (0.152521, 0.213195)}


def nodes(shape):
    """Points s and weights of ∫ f(s) s^(shape − 1) e^(−s) / Γ(shape) ds, by s = t^power."""
    power = max(mpf(1), 1 / mpf(shape))
    end = mpf(80) ** (1 / power)
    found = []
    for panel in range(PANELS):
        for x, w in LEGENDRE:
            t = end * (panel + (x + 1) / 2) / PANELS
            s = t**power
            weight = power * t ** (power * shape - 1) * mpmath.exp(-s) / mpmath.gamma(shape)
            found.append((s, float(w * end / (2 * PANELS) * weight)))
    assert abs(math.fsum(w for _, w in found) - 1) < 1e-13
    return found


def site_laws(mean, k, share, size):
    """(weight, probabilities of 0, 1, … at a site) for every value of the common part."""
    rest = 1 - share
    own = law({"kind": "neg_bin", "k": k * rest}, mean * rest) if rest else None
    own = [float(own.pmf(1, x)) if own else float(x == 0) for x in range(size)]
    laws = []
    for s, weight in nodes(k * share):
        s = float(s * mean / k)
        common = [math.exp(-s)]
        for x in range(1, size):
            common.append(common[-1] * s / x)
        laws.append((weight, [math.fsum(common[j] * own[x - j] for j in range(x + 1)) for x in range(size)]))
    # Whatever the share, a single site has the counts of NB(mean, k).
    margin = law({"kind": "neg_bin", "k": k}, mean)
    for x in range(0, size, 5):
        assert abs(math.fsum(w * p[x] for w, p in laws) - float(margin.pmf(1, x))) < 1e-13, x
    return laws


def walk(lines, laws, run):
    """`(low, open)` after each check: mass that stopped by the lower line there, and mass that goes on."""
    rows = {row["at"]: row["stops"] for row in lines}
    cap = lines[-1]["at"]
    top = max(s["from"] for stops in rows.values() for s in stops if s["to"] is None)
    low, going, now = dict.fromkeys(rows, 0.0), dict.fromkeys(rows, 0.0), {0: 1.0}
    for start in range(0, cap, run or cap):
        after = {}
        for weight, pmf in laws:
            mine = now
            for site in range(start + 1, min(start + (run or cap), cap) + 1):
                stops = rows.get(site, [])
                inadequate = max((s["to"] for s in stops if s["call"] == "inadequate"), default=-1)
                adequate = min((s["from"] for s in stops if s["call"] == "adequate"), default=top)
                step = {}
                for total, mass in mine.items():
                    for x in range(adequate - total):
                        step[total + x] = step.get(total + x, 0.0) + mass * pmf[x]
                low_here = math.fsum(p for total, p in step.items() if total <= inadequate)
                mine = {total: p for total, p in step.items() if total > inadequate}
                if stops:
                    low[site] += weight * low_here
                    going[site] += weight * math.fsum(mine.values())
            for total, p in mine.items():
                after[total] = after.get(total, 0.0) + weight * p
        now = after
    return low, going


def row(lines, mean, k, share, run):
    laws = site_laws(mean, k, share, max(s["from"] for r in lines for s in r["stops"] if s["to"] is None) + 1)
    low, going = walk(lines, laws, run)
    inadequate = math.fsum(low.values())
    # A total at or above the last upper line before it is checked goes on to the next check that has one.
    before, sites = 1.0, {}
    for at in low:
        sites[at], before = before - going[at], going[at]
    expected = math.fsum(at * p for at, p in sites.items())
    sd = math.sqrt(math.fsum((at - expected) ** 2 * p for at, p in sites.items()))
    return [mean, 1 - inadequate, inadequate, expected, sd, sites[lines[-1]["at"]]]


def content():
    cases = []
    for name, lines, k, share, run, means in CASES:
        rows = [row(lines, mean, k, share, run) for mean in means]
        if (known := KNOWN.get((share, run))) and name == "narrow":
            risks = {r[0]: r for r in rows}
            assert abs(risks[1.5][1] - known[0]) < 5.1e-7 and abs(risks[3.0][2] - known[1]) < 5.1e-7, (known, risks)
        cases.append({"name": name, "k": k, "shared": share, "run": run, "lines": lines, "rows": rows})
    # In runs of one site nothing is common to two of them.
    alone, known = row(GOOD, 1.5, 2.0, 0.25, 1), evaluate(GOOD, law({"kind": "neg_bin", "k": 2.0}, 1.5))
    assert all(abs(x - float(known[c])) < 1e-12 for c, x in zip(COLUMNS[1:], alone[1:])), (alone, known)
    texts = []
    for case in cases:
        head = {key: case[key] for key in ("name", "k", "shared", "run")}
        rows = ",\n   ".join(json.dumps([float(f"{x:.12g}") for x in r]) for r in case["rows"])
        lines = ",\n   ".join(json.dumps(r) for r in case["lines"])
        texts.append(f'{json.dumps(head, ensure_ascii=False)[:-1]}, "rows": [\n   {rows}], "lines": [\n   {lines}]}}')
    return f'{{"columns": {json.dumps(COLUMNS)}, "cases": [\n  ' + ",\n  ".join(texts) + "]}\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true")
    text = content()
    if not parser.parse_args().check:
        VECTOR.write_text(text)
    elif VECTOR.read_text() != text:
        sys.exit(f"{VECTOR} differs from what this script makes")
