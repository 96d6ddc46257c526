"""Calibrated plans for three calls and for capped counts, found by a search of their own.

Lines have the slope at which the laws of a pair of thresholds are equally likely. Each is as narrow as its own risk
allows: from the narrowest, lines are widened one after the other until every risk is kept, and drawn in again where that
left room. Every cut at the cap with which
a walk to the cap alone keeps the risks is looked at; the plan is that with the smallest largest expected sites. The search
goes in doubles, one mean at a time over every open total, and stops where a risk is too close to the asked one to tell;
chances and sites of the plan found are then those of `exact`, at 50 digits.
"""
import math
from itertools import product

import mpmath
from mpmath import mpf

import plans
from exact import NegBin, Poisson, Table, evaluate

TOO_CLOSE = 1e-9  # of a risk to the asked one, relatively
HIGHEST = 200  # total that no line reaches
STEPS = 60  # of the search for the mean that takes most sites


def capped_law(law, most):
    """The law of the smaller of a count and `most`."""
    below = [law.pmf(1, x) for x in range(most)]
    return Table(0, [*below, 1 - mpmath.fsum(below)])


def equally_likely(low, high):
    """Counts per site at which two laws are equally likely: the slope of their lines.

    For capped counts the log likelihood ratio is no line; that nearest to it by least squares, under both laws alike.
    """
    if isinstance(low, Table):
        p, q = low.p, high.p
        ln = [mpmath.log(b / a) for a, b in zip(p, q)]
        w = [a + b for a, b in zip(p, q)]
        n, x, y = mpmath.fsum(w), mpmath.fdot(w, range(len(w))), mpmath.fdot(w, ln)
        xx = mpmath.fsum(c * i * i for i, c in enumerate(w))
        xy = mpmath.fsum(c * i * l for i, (c, l) in enumerate(zip(w, ln)))
        per_total = (n * xy - x * y) / (n * xx - x * x)
        return -(y - per_total * x) / n / per_total
    spec = {"kind": "poisson"} if isinstance(low, Poisson) else {"kind": "neg_bin", "k": low.k}
    return plans.wald_parameters(spec, (low.mean, high.mean), (mpf(1) / 10, mpf(1) / 10))[0]


def steps_of(law, checks, highest):
    """Probabilities, as doubles, of what is added from each check to the next, up to a total above every line."""
    found = {}
    for sites in {b - a for a, b in zip([0, *checks], checks)}:
        if isinstance(law, Table):
            batch = law.batch(sites).known
            found[sites] = [float(p) for p in batch] + [0.0] * highest
            continue
        mean, p = float(sites * law.mean), []
        if isinstance(law, Poisson):
            now, ratio = math.exp(-mean), lambda x: mean / x
        else:
            k = float(sites * law.k)
            now, ratio = (k / (k + mean)) ** k, lambda x: mean / (k + mean) * (k + x - 1) / x
        for x in range(1, highest + 1):
            p.append(now)
            now *= ratio(x)
        found[sites] = p
    return found


def followed(rows, steps):
    """Chances of inadequate, marginal and adequate, and expected sites; what is left of each check is adequate.

    `rows`: `(sites, highest inadequate or -1, marginal from, to or None, lowest adequate)`.
    """
    found, sites, open_totals, at = [0.0, 0.0, 0.0], 0.0, {0: 1.0}, 0
    for n, low, marginal, high in rows:
        step, mass = steps[n - at], sum(open_totals.values())
        sites += (n - at) * mass
        at, now = n, {}
        for total, p in open_totals.items():
            for x in range(high - total):
                now[total + x] = now.get(total + x, 0.0) + p * step[x]
        found[2] += mass - sum(now.values())
        open_totals = {}
        for total, p in now.items():
            if total <= low:
                found[0] += p
            elif marginal and marginal[0] <= total <= marginal[1]:
                found[1] += p
            else:
                open_totals[total] = p
    assert not open_totals
    return (*found, sites)


class Line:
    """The tables that a line gives as it is moved outwards, one after the other."""

    def __init__(self, slope, checks, upper):
        self.upper, self.slope, self.checks = upper, float(slope), checks
        middles = [self.slope * n for n in checks]
        far = range(-2, int(max(middles)) + 80)
        gaps = {(t - m if upper else m - t) for m in middles for t in far}
        self.turns = [0.0, *sorted(g for g in gaps if 0 < g < 60)]
        assert min(b - a for a, b in zip(self.turns, self.turns[1:])) > 1e-9

    def table(self, i):
        h = (self.turns[i] + self.turns[i + 1]) / 2
        move = (lambda m: math.ceil(m + h)) if self.upper else (lambda m: max(math.floor(m - h), -1))
        return [move(self.slope * n) for n in self.checks]


class Search:
    """Pairs of lines together: one pair for two calls, two for three."""

    def __init__(self, law_at, pairs, checks):
        self.law_at, self.pairs, self.checks = law_at, pairs, checks
        self.laws = [law_at(m) for thresholds, _ in pairs for m in thresholds]
        self.steps = [steps_of(law, checks, HIGHEST) for law in self.laws]
        self.asked = [risk for _, risks in pairs for risk in risks]
        slopes = [equally_likely(*self.laws[2 * i : 2 * i + 2]) for i in range(len(pairs))]
        self.lines = [Line(slope, checks[:-1], upper) for slope in slopes for upper in (False, True)]

    def rows(self, at, cuts):
        tables = [line.table(i) for line, i in zip(self.lines, at)]
        rows = []
        for n, *t in zip(self.checks, *tables):
            marginal = (t[1], t[2]) if len(t) == 4 and t[1] <= t[2] else None
            rows.append((n, t[0], marginal, t[-1]))
        marginal = (cuts[0] + 1, cuts[1]) if len(cuts) == 2 and cuts[0] < cuts[1] else None
        return [*rows, (self.checks[-1], cuts[0], marginal, cuts[-1] + 1)]

    def risk(self, rows, number):
        """The chance of a wrong call at one of the means, over the asked one."""
        inadequate, marginal, adequate, _ = followed(rows, self.steps[number])
        wrong = [marginal + adequate, inadequate, adequate, inadequate + marginal]
        if len(self.steps) == 2:
            wrong = [adequate, inadequate]
        risk = wrong[number] / self.asked[number]
        assert abs(risk - 1) > TOO_CLOSE, (rows, number, risk)
        return risk

    def narrowest(self, cuts):
        """Rows with each line as narrow as its risk allows; None where the widest do not do."""
        at, last = [0] * len(self.lines), [len(line.turns) - 2 for line in self.lines]
        line_of = [1, 0, 3, 2]
        kept = lambda number, i: (
            self.risk(self.rows([*at[: line_of[number]], i, *at[line_of[number] + 1 :]], cuts), number) <= 1
        )
        moved = True
        while moved:
            moved = False
            for number in range(len(self.asked)):
                line = line_of[number]
                if kept(number, at[line]):
                    continue
                narrow, wide, step = at[line], None, 1
                while wide is None:
                    aim = min(narrow + step, last[line])
                    if kept(number, aim):
                        wide = aim
                    elif aim == last[line]:
                        return None
                    else:
                        narrow, step = aim, 2 * step
                while wide - narrow > 1:
                    middle = (narrow + wide) // 2
                    narrow, wide = (narrow, middle) if kept(number, middle) else (middle, wide)
                at[line], moved = wide, True
        # Where a later line's widening left room, an earlier one goes in again.
        narrower = lambda line: self.rows([*at[:line], at[line] - 1, *at[line + 1 :]], cuts)
        moved = True
        while moved:
            moved = False
            for line in range(len(at)):
                while at[line] and all(self.risk(narrower(line), i) <= 1 for i in range(len(self.asked))):
                    at[line], moved = at[line] - 1, True
        return self.rows(at, cuts)

    def sites(self, rows, mean):
        return followed(rows, steps_of(self.law_at(mean), self.checks, HIGHEST))[3]

    def most_sites(self, rows):
        """The largest expected sites over all means: the best of a grid, then by golden section."""
        low, high = math.log(self.pairs[0][0][0] / 2), math.log(2 * self.pairs[-1][0][1])
        grid = [low + (high - low) * i / STEPS for i in range(STEPS + 1)]
        sites = lambda x: self.sites(rows, math.exp(x))
        best = max(grid, key=sites)
        a, b = best - (high - low) / STEPS, best + (high - low) / STEPS
        golden = (math.sqrt(5) - 1) / 2
        c, d = b - golden * (b - a), a + golden * (b - a)
        at_c, at_d = sites(c), sites(d)
        for _ in range(25):
            if at_c > at_d:
                b, d, at_d = d, c, at_c
                c = b - golden * (b - a)
                at_c = sites(c)
            else:
                a, c, at_c = c, d, at_d
                d = a + golden * (b - a)
                at_d = sites(d)
        return math.exp((a + b) / 2), max(at_c, at_d)

    def best(self):
        """The mean with the most sites and these, the rows, and all cuts at the cap that leave the rows before it alone."""
        cap = self.checks[-1]
        most = max(self.laws[-1].mean * cap * 4, 40)
        ranges = []
        for i in range(len(self.pairs)):
            tails = []
            for law in self.laws[2 * i : 2 * i + 2]:
                batch, sums = law.batch(cap), [mpf(0)]
                for t in range(int(most)):
                    sums.append(sums[-1] + batch[t])
                tails.append(sums[1:])
            a, b = self.asked[2 * i : 2 * i + 2]
            ranges.append([t for t in range(int(most)) if 1 - tails[0][t] <= a and tails[1][t] <= b])
        best, tied = None, []
        for cuts in product(*ranges):
            if list(cuts) != sorted(cuts):
                continue
            rows = self.narrowest(cuts)
            if best is not None and rows is not None and rows[:-1] == best[1][:-1]:
                tied.append(cuts)
                continue
            if rows is None or best is not None and self.sites(rows, best[0][0]) >= best[0][1] - 1e-6:
                continue
            found = self.most_sites(rows)
            assert best is None or abs(best[0][1] - found[1]) > 1e-6, "two plans alike"
            if best is None or found[1] < best[0][1]:
                best, tied = (found, rows), [cuts]
        return *best, tied


def stops(rows):
    found = []
    for n, low, marginal, high in rows:
        below = [plans.stop(None, low, "inadequate")] if low >= 0 else []
        middle = [plans.stop(*marginal, "marginal")] if marginal else []
        found.append(plans.row(n, *below, *middle, plans.stop(high, None, "adequate")))
    return found


# name, law without its mean, most a site is counted to, [(thresholds, risks)], (first, cap, every)
# Designs whose best cuts a search from the middle outwards finds.
CASES = [
    ("three_calls", {"kind": "neg_bin", "k": 2.0}, None, [((0.5, 1.5), (0.15, 0.15)), ((3.0, 8.0), (0.15, 0.15))], (3, 12, 1)),
    ("three_calls_poisson", {"kind": "poisson"}, None, [((0.4, 1.1), (0.1, 0.1)), ((2.0, 4.0), (0.1, 0.1))], (2, 12, 1)),
    ("three_calls_in_batches", {"kind": "neg_bin", "k": 1.2}, None, [((0.4, 1.4), (0.2, 0.2)), ((2.5, 7.0), (0.2, 0.2))], (4, 20, 4)),
    ("capped_4", {"kind": "neg_bin", "k": 1.2}, 4, [((1.0, 2.5), (0.1, 0.1))], (3, 20, 1)),
    ("capped_3_poisson", {"kind": "poisson"}, 3, [((0.8, 1.8), (0.05, 0.15))], (2, 15, 1)),
    ("capped_8_in_batches", {"kind": "neg_bin", "k": 0.6}, 8, [((1.0, 4.0), (0.1, 0.1))], (3, 24, 3)),
]
MEANS = [0.01, 0.5, 1.0, 1.5, 3.0, 6.0, 20.0]


def cases():
    """Heads, lines, chances of the wrong calls and rows of `evaluate` at the means of each case."""
    for name, spec, most, pairs, (first, cap, every) in CASES:

        def law_at(mean):
            law = Poisson(mean) if spec["kind"] == "poisson" else NegBin(mean, spec["k"])
            return law if most is None else capped_law(law, most)

        (_, largest), rows, cuts = Search(law_at, pairs, plans.schedule(first, cap, every)).best()
        lines = stops(rows)
        at = {m: evaluate(lines, law_at(m)) for thresholds, _ in pairs for m in thresholds}
        if len(pairs) == 1:
            (low, high), _ = pairs[0]
            wrong = [(low, "adequate"), (high, "inadequate")]
        else:
            (a, b), (c, d) = (thresholds for thresholds, _ in pairs)
            wrong = [(a, "marginal"), (a, "adequate"), (b, "inadequate"), (c, "adequate"), (d, "marginal"), (d, "inadequate")]
        head = {
            "name": name, "law": spec, "counted_to": most, "pairs": [[*t, *r] for t, r in pairs],
            "min_sites": first, "max_sites": cap, "every": every,
            "largest_expected_sites": largest, "cuts": cuts,
        }  # fmt: skip
        attained = [[m, call, float(at[m][call])] for m, call in wrong]
        yield head, lines, attained, [(m, evaluate(lines, law_at(m))) for m in MEANS]
