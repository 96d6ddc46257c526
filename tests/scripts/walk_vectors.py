#!/usr/bin/env python3
"""Writes `tests/vectors/walks.json`, or with `--check` fails where the committed file differs.

Needs mpmath alone. For every single table of `tests/data/nb_fits.json`, in 50 digits and from definitions:
the k by the zero class; standard errors of k by the second derivative of the log-likelihood, taken
numerically, and by its expectation summed over the law; efficiencies, U, T, their standard errors and that
of the empty sites by the delta method with numerical derivatives and moments summed over the law; pooled
chi-squares; and for small totals the exact conditional test of Poisson, counting in whole numbers.
"""
import argparse
import fractions
import json
import math
import pathlib
import sys

import mpmath
from mpmath import diff, exp, log, loggamma, mpf, sqrt

mpmath.mp.dps = 50
TESTS = pathlib.Path(__file__).resolve().parent.parent
OUT = TESTS / "vectors" / "walks.json"
EFFICIENCIES = [(1.147, 1.025), (4.033, 1.503), (0.1, 0.1), (1.0, 10.0), (10.0, 1.0), (1.5, 1.2), (0.02, 3.0), (2.0, 300.0)]


def ln_p(x, m, k):
    if k == mpmath.inf:
        return x * log(m) - m - loggamma(x + 1)
    return loggamma(x + k) - loggamma(k) - loggamma(x + 1) + k * log(k / (k + m)) + x * log(m / (k + m))


def law(m, k, least=mpf(10) ** -35):
    """Probabilities from 0 on, by the ratio of neighbours, until what is left cannot matter."""
    ps, x, above = [exp(ln_p(0, m, k))], 0, 1 - exp(ln_p(0, m, k))
    while above > least or x < m:
        r = m / (x + 1) if k == mpmath.inf else m / (k + m) * (k + x) / (x + 1)
        ps.append(ps[-1] * r)
        x += 1
        above -= ps[-1]
    return ps


def mean_of(f, ps):
    return mpmath.fsum(p * f(x) for x, p in enumerate(ps))


def delta_variance(g, parts, ps):
    """Of g(means of the parts) from one site, at the means under the law."""
    at = [mean_of(part, ps) for part in parts]
    slopes = [diff(g, at, tuple(int(i == j) for j in range(len(at)))) for i in range(len(at))]
    influence = lambda x: mpmath.fsum(s * (part(x) - a) for s, part, a in zip(slopes, parts, at))
    return mean_of(lambda x: influence(x) ** 2, ps)


def zero_class(m, p0):
    if p0 == 0 or p0 <= exp(-m):
        return None
    f = lambda t: exp(t) * mpmath.log1p(m / exp(t)) + log(p0)
    low, high = mpf(-40), mpf(40)
    for _ in range(8):
        middle = (low + high) / 2
        low, high = (middle, high) if f(middle) < 0 else (low, middle)
    return exp(mpmath.findroot(f, (low, high), solver="anderson", tol=mpf(10) ** -70, verify=False, maxsteps=200))


def information(m, k, ps):
    """Expected information on k: minus the mean second derivative, from trigamma by definition."""
    fall = [mpf(0)]
    for x in range(len(ps)):
        fall.append(fall[-1] + 1 / (k + x) ** 2)
    return mean_of(lambda x: fall[x], ps) - m / (k * (k + m))


def variance_zero_class(m, k, ps):
    g = lambda mean, p0: mpmath.findroot(lambda q: q * log(1 + mean / q) + log(p0), k)
    return delta_variance(g, (lambda x: mpf(x), lambda x: mpf(x == 0)), ps)


def variance_moments(m, ps):
    return delta_variance(lambda a, b: a * a / (b - a * a - a), (lambda x: mpf(x), lambda x: mpf(x) ** 2), ps)


def u_se(m, k, n, ps):
    # U as a function of the mean, the mean square and the share of empty sites.
    def u(a, b, p0):
        q = mpmath.findroot(lambda q: q * log(1 + a / q) + log(p0), k)
        return b - a * a - a - a * a / q

    return sqrt(delta_variance(u, (lambda x: mpf(x), lambda x: mpf(x) ** 2, lambda x: mpf(x == 0)), ps) / n)


def t_se(n, ps):
    def t(a, b, c):
        s = b - a * a
        return c - 3 * a * b + 2 * a**3 - s * (2 * s / a - 1)

    return sqrt(delta_variance(t, tuple(lambda x, i=i: mpf(x) ** i for i in (1, 2, 3)), ps) / n)


def zeros_se(m, k, n, ps):
    """From the information matrix of a mixture with more empty sites, at none more."""
    score = lambda x: [(1 / ps[0] if x == 0 else 0) - 1, mpf(x) / m - (x + k) / (k + m), by_k[x]]
    by_k, sum_ = [], mpf(0)
    for x in range(len(ps)):
        by_k.append(sum_ - log(1 + m / k) + (m - x) / (k + m))
        sum_ += 1 / (k + x)
    i = mpmath.matrix(3, 3)
    for a in range(3):
        for b in range(3):
            i[a, b] = mpmath.fsum(p * score(x)[a] * score(x)[b] for x, p in enumerate(ps))
    schur = i[0, 0] - i[0, 1] ** 2 / i[1, 1] - i[0, 2] ** 2 / i[2, 2]
    assert abs(i[1, 2]) < mpf(10) ** -25
    return ps[0] * sqrt(n * schur)


def classes(table, n, ps, least, fitted):
    found, low, own = [], 0, mpf(0)
    tails = [mpf(0)] * (len(ps) + 1)
    for x in range(len(ps) - 1, -1, -1):
        tails[x] = tails[x + 1] + ps[x]
    for x, p in enumerate(ps):
        own += n * p
        if own >= least and n * tails[x + 1] >= least:
            found.append([low, x, own])
            low, own = x + 1, mpf(0)
    found.append([low, None, n * tails[low]])
    rows = []
    for a, b, e in found:
        rows.append([a, b, sum(f for x, f in table if a <= x and (b is None or x <= b)), e])
    chi = sum((o - e) ** 2 / e for *_, o, e in rows)
    g = sum(2 * o * log(o / e) for *_, o, e in rows if o)
    # What is left of an agreement without difference.
    chi, g = (0 if abs(v) < mpf(10) ** -30 else v for v in (chi, g))
    df = len(rows) - 1 - fitted
    p = None if df < 1 else float(mpmath.gammainc(mpf(df) / 2, chi / 2, mpmath.inf, regularized=True))
    return [[[a, b, o, float(e)] for a, b, o, e in rows], float(chi), float(g), df, p]


def poisson_p(n, total, squares):
    """Ways to throw `total` at n sites with so large a sum of squares, counted."""
    ways = {(0, 0): 1}
    for _ in range(n):
        then = {}
        for (s, q), w in ways.items():
            for x in range(total - s + 1):
                key = (s + x, min(q + x * x, squares))
                then[key] = then.get(key, 0) + w * math.comb(total - s, x)
        ways = then
    return float(fractions.Fraction(ways.get((total, squares), 0), n**total))


def values(case):
    table, k_ml = case["table"], case["k_ml"]
    n, total = case["n"], case["sum"]
    squares = int(case["sumsq"])
    row = {"name": case["name"]}
    if total == 0 or n == 1:
        return row
    m = mpf(total) / n
    zeros = dict(map(tuple, table)).get(0, 0)
    k0 = zero_class(m, mpf(zeros) / n)
    row["k_zero_class"] = k0 and float(k0)
    if n <= 70 and total <= 60:
        row["poisson_p"] = poisson_p(n, total, squares)
    if m < 200:
        ps = law(m, mpmath.inf)
        row["poisson"] = [classes(table, n, ps, 5, 1)]
    s2 = (mpf(squares) - mpf(total) ** 2 / n) / (n - 1)
    m3 = mpmath.fsum(f * (x - m) ** 3 for x, f in table) / n
    row["t"] = float(m3 - s2 * (2 * s2 / m - 1))
    if k0:
        row["u"] = float(s2 - m - m * m / k0)
    if k_ml in (None, "inf"):
        return row
    k = mpf(k_ml)
    with mpmath.workdps(90):
        # Its derivative by hand would be the formula under test.
        ln = lambda q: mpmath.fsum(f * ln_p(x, m, q) for x, f in table)
        row["se_observed"] = float(1 / sqrt(-diff(ln, k, 2, h=k * mpf(10) ** -20)))
    if m / k > 100 or m > 200:
        return row
    with mpmath.workdps(80 if k > 1e4 else 50):
        ps = law(m, k, mpf(10) ** (-65 if k > 1e4 else -35))
        row["se_expected"] = float(1 / sqrt(n * information(m, k, ps)))
    row["negative_binomial"] = [classes(table, n, ps, 5, 2), classes(table, n, ps, 1, 2)]
    if m / k > 20:
        return row
    if zeros and k < 1e4:
        row["excess_zeros"] = float(zeros - n * ps[0])
        row["zeros_se"] = float(zeros_se(m, k, n, ps))
    if k0:
        row["u_se"] = float(u_se(m, k0, n, law(m, k0)))
    if s2 > m:
        row["t_se"] = float(t_se(n, law(m, m * m / (s2 - m))))
    return row


def efficiency(m, k):
    with mpmath.workdps(60):
        m, k = mpf(m), mpf(k)
        ps = law(m, k, mpf(10) ** -55)
        best = 1 / information(m, k, ps)
        return [float(m), float(k), float(best / variance_moments(m, ps)), float(best / variance_zero_class(m, k, ps))]


def main():
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--check", action="store_true")
    check = arguments.parse_args().check
    data = json.loads((TESTS / "data" / "nb_fits.json").read_text("utf-8"))
    rows = [values(case) for case in data["samples"] + data["edge_cases"]]
    made = {
        "about": "Single tables of tests/data/nb_fits.json by tests/scripts/walk_vectors.py. Of pooled classes: "
        "[low, high, observed, expected], chi-square, G, degrees of freedom, p; least expected 5 and, for the "
        "negative binomial, also 1. Of efficiencies: mean, k, by moments, by the zero class.",
        "efficiency": [efficiency(m, k) for m, k in EFFICIENCIES],
    }
    text = json.dumps(made, allow_nan=False)[:-1] + ',\n "rows": [\n  '
    text += ",\n  ".join(json.dumps(row, allow_nan=False) for row in rows) + "\n ]}\n"
    if not check:
        OUT.write_text(text, "utf-8")
    elif OUT.read_text("utf-8") != text:
        sys.exit(f"{OUT.name} is not what the script makes")


if __name__ == "__main__":
    main()
