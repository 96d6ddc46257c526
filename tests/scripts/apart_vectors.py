#!/usr/bin/env python3
"""Writes `tests/vectors/apart.json`, or with `--check` fails where the committed file differs.

Made-up tables of sites with groups, places and observers, and what follows from the definitions, in fractions or by
listing every case (no identity of the crate is used):

- places: Morisita's index by listing pairs of individuals, Moran's correlation and Mantel's by listing pairs of sites;
  averages and chances over all orders of the counts over the sites;
- observers: the covariance of their sums over all orders, Kruskal and Wallis's H as (N - 1) times the share of the
  squares of ranks between groups, the ratio of Mantel and Haenszel;
- weighted sums: moments in fractions.
"""
import argparse
import itertools
import json
import math
import pathlib
import sys
from fractions import Fraction as F

OUT = pathlib.Path(__file__).resolve().parent.parent / "vectors" / "apart.json"


def pearson(pairs):
    n = len(pairs)
    a, b = (sum(p[i] for p in pairs) / n for i in (0, 1))
    cov = sum((p[0] - a) * (p[1] - b) for p in pairs)
    return cov / math.sqrt(sum((p[0] - a) ** 2 for p in pairs) * sum((p[1] - b) ** 2 for p in pairs))


# Sites at (x, y), one walk: every order of the counts can be listed.
PLACES = [(0, 0), (1, 0), (2, 0.5), (0, 2), (1.5, 2), (3, 3), (2.5, 1)]
COUNTS = [6, 4, 1, 3, 0, 0, 2]
SIDE, DISTANCES = 1.6, [1.2, 2.5]


def block(place, low):
    return tuple(math.floor((place[i] - low[i]) / SIDE) for i in (0, 1))


def morisita(counts):
    low = tuple(min(p[i] for p in PLACES) for i in (0, 1))
    homes = [block(PLACES[site], low) for site, count in enumerate(counts) for _ in range(count)]
    together = sum(a == b for a, b in itertools.combinations(homes, 2))
    chance = F(sum(block(a, low) == block(b, low) for a in PLACES for b in PLACES), len(PLACES) ** 2)
    return F(together, math.comb(len(homes), 2)) / chance


def pairs_of(counts):
    n, m = len(counts), F(sum(counts), len(counts))
    v = sum((x - m) ** 2 for x in counts) / n
    for i, j in itertools.combinations(range(n), 2):
        yield math.dist(PLACES[i], PLACES[j]), (counts[i] - m) * (counts[j] - m) / v + F(1, n - 1)


def correlations(counts):
    found, least = [], -1.0
    for end in DISTANCES:
        here = [r for d, r in pairs_of(counts) if least < d <= end]
        found.append((len(here), sum(here) / len(here)))
        least = end
    return found


def places():
    orders = set(itertools.permutations(COUNTS))
    index, at = morisita(COUNTS), correlations(COUNTS)
    mantel = pearson([(d, float(r)) for d, r in pairs_of(COUNTS)])
    share = lambda as_far: sum(map(as_far, orders)) / len(orders)
    return {
        "places": PLACES, "counts": COUNTS, "side": SIDE, "distances": DISTANCES,
        "index": float(index), "at_random": float(sum(map(morisita, orders)) / len(orders)),
        "index_p": share(lambda o: morisita(o) >= index),
        "pairs": [n for n, _ in at], "correlation": [float(r) for _, r in at],
        "correlation_p": [share(lambda o, i=i: correlations(o)[i][1] >= at[i][1]) for i in range(len(at))],
        "with_distance": mantel,
        "with_distance_p": share(lambda o: pearson([(d, float(r)) for d, r in pairs_of(o)]) <= mantel + 1e-12),
    }


# Walks as (observer, count); the last three were counted by one observer each, with one mean twice.
WALKS = [
    [("ann", 4), ("ann", 2), ("bea", 1), ("bea", 0), ("cid", 3), ("cid", 5)],
    [("ann", 0), ("bea", 1), ("bea", 0), ("ann", 2), ("cid", 1)],
    [("ann", 3), ("ann", 5)],
    [("ann", 1), ("ann", 2), ("ann", 3)],
    [("bea", 1), ("bea", 3)],
    [("cid", 0), ("cid", 1)],
]
K = F(3, 2)


def solve(a, b):
    """x with a x = b, over fractions."""
    rows = [row[:] + [y] for row, y in zip(a, b)]
    for i in range(len(rows)):
        j = next(j for j in range(i, len(rows)) if rows[j][i])
        rows[i], rows[j] = rows[j], rows[i]
        rows[i] = [x / rows[i][i] for x in rows[i]]
        for l in range(len(rows)):
            if l != i:
                rows[l] = [x - rows[l][i] * y for x, y in zip(rows[l], rows[i])]
    return [row[-1] for row in rows]


def observers():
    names = ["ann", "bea", "cid"]
    shared = [w for w in WALKS if len({o for o, _ in w}) > 1]
    sums, covariance = [F(0)] * 3, [[F(0)] * 3 for _ in names]
    for walk in shared:
        m = F(sum(x for _, x in walk), len(walk))
        z = [(x - m) / (1 + m / K) for _, x in walk]
        of = lambda z: [sum(v for v, (o, _) in zip(z, walk) if o == name) for name in names]
        sums = [s + u for s, u in zip(sums, of(z))]
        orders = [of(order) for order in itertools.permutations(z)]
        for i, j in itertools.product(range(3), repeat=2):
            covariance[i][j] += F(sum(o[i] * o[j] for o in orders), len(orders))
    # Two of the three: the sums add to 0.
    x = solve([row[:2] for row in covariance[:2]], sums[:2])
    statistic = sum(a * b for a, b in zip(sums, x))

    def ratio(name):
        above = below = F(0)
        for walk in shared:
            own = [x for o, x in walk if o == name]
            rest = [x for o, x in walk if o != name]
            above += F(sum(own) * len(rest), len(walk))
            below += F(sum(rest) * len(own), len(walk))
        return float(above / below)

    alone = [(walk[0][0], F(sum(x for _, x in walk), len(walk))) for walk in WALKS if walk not in shared]
    means = [m for _, m in alone]
    rank = lambda m: F(sum(x < m for x in means)) + F(sum(x == m for x in means) + 1, 2)
    ranks = [(o, rank(m)) for o, m in alone]
    centre = F(len(ranks) + 1, 2)

    def h(owners):
        between = F(0)
        for name in set(owners):
            own = [r for o, (_, r) in zip(owners, ranks) if o == name]
            between += len(own) * (F(sum(own), len(own)) - centre) ** 2
        return (len(ranks) - 1) * between / sum((r - centre) ** 2 for _, r in ranks)

    owners = [o for o, _ in ranks]
    orders = list(itertools.permutations(owners))
    return {
        "walks": WALKS, "k": float(K), "statistic": float(statistic), "freedom": 2,
        "ratio": [ratio(name) for name in names],
        "h": float(h(owners)), "h_p": sum(h(o) >= h(owners) for o in orders) / len(orders),
    }


def weighted():
    weights = {"a": F(1), "b": F(1, 2), "c": F(1, 3)}
    walks = [
        [(2, 0, 3), (0, 1, 0), (5, 2, 1), (1, 1, 1)],
        [(0, 0, 1), (1, 7, 0), (0, 2, 2)],
        [(4, 4, 9), (0, 0, 0), (1, 2, 0), (8, 3, 3), (0, 1, 1)],
    ]
    fields, above, below = [], F(0), F(0)
    for walk in walks:
        n = len(walk)
        y = [sum(w * x for w, x in zip(weights.values(), site)) for site in walk]
        free = F(sum(w * w * x for site in walk for w, x in zip(weights.values(), site)), n)
        m = sum(y) / n
        v = sum((a - m) ** 2 for a in y) / (n - 1)
        above += v - free
        below += m * m - v / n
        fields.append({
            "whole_total": int(6 * sum(y)), "mean": float(m), "variance": float(v), "of_one": float(free / m),
            "k": float(m * m / (v - free)) if v > free else None,
        })
    return {"weights": {"a": "1", "b": "0.5", "c": "1/3"}, "walks": walks, "scale": 6, "fields": fields,
            "k": float(below / above)}


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true")
    made = {"places": places(), "observers": observers(), "weighted": weighted()}
    text = json.dumps(made, indent=1) + "\n"
    if parser.parse_args().check:
        if OUT.read_text() != text:
            sys.exit(f"{OUT} differs from what would be written")
    else:
        OUT.write_text(text)


main()
