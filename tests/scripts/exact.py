"""Laws of a site's step and the direct method for stop lines, in high precision.

Every probability is computed from its definition: closed forms for the sum of a batch of sites, full
convolution from one check to the next (Aroian 1968, Technometrics 10:125-132), one mean at a time.
Nothing is shared with the library under test, neither code nor its shortcuts.

Numbers given as Python floats are taken as the exact doubles they are, because that is what the
library receives. Work is done with 70 digits; results are meant to be right to 50.
"""

import mpmath
from mpmath import mp, mpf

mp.dps = 70
TINY = mpf(10) ** -60  # a difference of masses below this is rounding


class Batch:
    """Probabilities that a batch of sites adds first, first + 1, …, computed as far as they are asked for."""

    def __init__(self, first, start, ratio):
        self.first, self.known, self.ratio = first, [start], ratio

    def __getitem__(self, step):
        x = step - self.first
        if x < 0:
            return mpf(0)
        while len(self.known) <= x:
            self.known.append(self.known[-1] * self.ratio(len(self.known)))
        return self.known[x]


class FiniteBatch:
    def __init__(self, first, p):
        self.first, self.known = first, p

    def __getitem__(self, step):
        x = step - self.first
        return self.known[x] if 0 <= x < len(self.known) else mpf(0)


class NegBin:
    """Negative binomial with mean m and variance m + m²/k per site; g sites add NB(g·m, g·k)."""

    first, last = 0, None

    def __init__(self, mean, k):
        self.mean, self.k = mpf(mean), mpf(k)
        self.theta = self.mean / (self.k + self.mean)
        self.ln_q = mpmath.log(self.k / (self.k + self.mean))

    def batch(self, sites):
        k = sites * self.k
        return Batch(0, mpmath.exp(k * self.ln_q), lambda x: self.theta * (k + x - 1) / x)

    def pmf(self, sites, x):
        return mpmath.exp(self.ln_weight(sites, x) + self.ln_tilt(sites, x))

    def ln_weight(self, sites, x):
        """ln of Γ(x + gk)/(Γ(gk) x!), the part of a probability that does not hold the mean."""
        k = sites * self.k
        with mp.extradps(40):  # Γ at 1e10 and more: the digits that the difference loses
            return mpmath.loggamma(x + k) - mpmath.loggamma(k) - mpmath.loggamma(x + 1)

    def ln_tilt(self, sites, total):
        return sites * self.k * self.ln_q + total * mpmath.log(self.theta)

    def weights(self, sites):
        k = sites * self.k
        return Batch(0, mpf(1), lambda x: (k + x - 1) / x)


class Poisson:
    first, last = 0, None

    def __init__(self, mean):
        self.mean = mpf(mean)

    def batch(self, sites):
        m = sites * self.mean
        return Batch(0, mpmath.exp(-m), lambda x: m / x)

    def pmf(self, sites, x):
        return mpmath.exp(self.ln_weight(sites, x) + self.ln_tilt(sites, x))

    def ln_weight(self, sites, x):
        return x * mpmath.log(sites) - mpmath.loggamma(x + 1)

    def ln_tilt(self, sites, total):
        return total * mpmath.log(self.mean) - sites * self.mean

    def weights(self, sites):
        return Batch(0, mpf(1), lambda x: mpf(sites) / x)


class Binomial:
    """Positive units out of `units` a site, each with probability p."""

    first = 0

    def __init__(self, p, units):
        self.p, self.units, self.last = mpf(p), units, units
        self.mean = self.p * units

    def batch(self, sites):
        return FiniteBatch(0, [self.pmf(sites, x) for x in range(sites * self.units + 1)])

    def pmf(self, sites, x):
        n = sites * self.units
        return mpmath.binomial(n, x) * self.p**x * (1 - self.p) ** (n - x)

    def ln_weight(self, sites, x):
        return mpmath.log(mpmath.binomial(sites * self.units, x))

    def ln_tilt(self, sites, total):
        return total * mpmath.log(self.p / (1 - self.p)) + sites * self.units * mpmath.log(1 - self.p)

    def weights(self, sites):
        n = sites * self.units
        return FiniteBatch(0, [mpmath.binomial(n, x) for x in range(n + 1)])


class Table:
    """Steps first, first + 1, … with given probabilities; what is missing from 1 lies above every line."""

    def __init__(self, first, p):
        self.first, self.p, self.last = first, [mpf(x) for x in p], first + len(p) - 1
        self.mean = mpmath.fsum(x * (first + i) for i, x in enumerate(self.p))

    def batch(self, sites):
        p = [mpf(1)]
        for _ in range(sites):
            p = [
                mpmath.fdot((p[i], self.p[j - i]) for i in range(len(p)) if 0 <= j - i < len(self.p))
                for j in range(len(p) + len(self.p) - 1)
            ]
        return FiniteBatch(sites * self.first, p)

    def pmf(self, sites, x):
        return self.batch(sites)[x]

    def ln_tilt(self, sites, total):
        """A table has no mean to move: its weights are its probabilities."""
        return mpf(0)

    def weights(self, sites):
        return self.batch(sites)


def law(spec, mean):
    """The law that a vector names, at a mean (the share of positive units for a binomial)."""
    kind = spec["kind"]
    if kind == "neg_bin":
        return NegBin(mean, spec["k"])
    if kind == "poisson":
        return Poisson(mean)
    if kind == "binomial":
        return Binomial(mean, spec["units"])
    return Table(spec["first"], spec["p"])


def call_of(stops, total):
    for s in stops:
        if (s["from"] is None or s["from"] <= total) and (s["to"] is None or total <= s["to"]):
            return s["call"]
    return None


def top_of(stops):
    """The stop that reaches to +∞, if there is one."""
    return stops[-1] if stops and stops[-1]["to"] is None else None


def bounds(stops):
    """The last totals before and of each stop: beyond the largest, nothing changes any more."""
    return [t for s in stops for t in (s["from"] and s["from"] - 1, s["to"]) if t is not None]


def walk(lines, a_law, through=None):
    """For each check: `(at, {total: mass of the walks that stop there}, call of the rest, mass of the rest)`.

    Totals are followed one by one up to the stop that reaches to +∞; the rest of the mass, found by
    difference, stops there. A check without such a stop keeps the rest going: with steps that are never
    negative it stays above every later bound until such a stop takes it. With `through`, a total above
    every bound, all totals up to it are listed.
    """
    batches = {}
    open_totals, rest, before = {0: mpf(1)}, mpf(0), 0
    for i, row in enumerate(lines):
        stops, sites, before = row["stops"], row["at"] - before, row["at"]
        step = batches.setdefault(sites, a_law.batch(sites))
        top = top_of(stops)
        lowest = min(open_totals, default=0) + step.first
        if through is not None:
            highest = through
        elif top:
            highest = lowest - 1 if top["from"] is None else top["from"] - 1
        elif a_law.last is None:
            highest = max((t for r in lines[i:] for t in bounds(r["stops"])), default=lowest - 1)
        else:
            highest = max(open_totals, default=0) + sites * a_law.last
        mass = mpmath.fsum(open_totals.values()) + rest
        stopped, going = {}, {}
        for total in range(lowest, highest + 1) if open_totals else ():
            p = mpmath.fdot((q, step[total - t]) for t, q in open_totals.items())
            mass -= p
            (stopped if call_of(stops, total) else going)[total] = p
        mass = mass if mass > TINY else mpf(0)
        open_totals, rest = going, mpf(0) if top else mass
        yield row["at"], stopped, top and top["call"], mass if top else mpf(0)


CALLS = ["inadequate", "marginal", "adequate", "enough", "undecided"]


def evaluate(lines, a_law):
    """Probability of each call and the distribution of the number of sites."""
    calls = dict.fromkeys(CALLS, mpf(0))
    sites = {}
    for row, (at, stopped, top_call, rest) in zip(lines, walk(lines, a_law)):
        for total, p in stopped.items():
            calls[call_of(row["stops"], total)] += p
        if top_call:
            calls[top_call] += rest
        sites[at] = mpmath.fsum(stopped.values()) + rest
    assert abs(sum(calls.values()) - 1) < mpf(10) ** -50, calls
    expected = mpmath.fsum(n * p for n, p in sites.items())
    variance = mpmath.fsum((n - expected) ** 2 * p for n, p in sites.items())
    return {
        **calls,
        "expected_sites": expected,
        "sites_sd": mpmath.sqrt(variance),
        "sites_p50": quantile(sites, mpf(5) / 10),
        "sites_p90": quantile(sites, mpf(9) / 10),
        "at_cap": sites[lines[-1]["at"]],
    }


def quantile(sites, level):
    """Smallest n with P(N ≤ n) ≥ level; None where a cumulative probability all but equals the level."""
    cumulative, answer = mpf(0), None
    for n, p in sites.items():
        cumulative += p
        if abs(cumulative - level) < mpf(10) ** -9:
            return None
        if answer is None and cumulative > level:
            answer = n
    return answer


def even_mean(lines, spec, low=mpf(10) ** -6, high=mpf(10) ** 4):
    """The mean at which both calls are equally likely, by bisection and then a bracketed secant."""
    if spec["kind"] == "binomial":
        high = 1 - mpf(10) ** -6

    def excess(ln_mean):
        e = evaluate(lines, law(spec, mpmath.exp(ln_mean)))
        return e["adequate"] - e["inadequate"]

    low, high = mpmath.log(low), mpmath.log(high)
    assert excess(low) < 0 < excess(high)
    while high - low > 0.25:
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) < 0 else (low, middle)
    root = mpmath.findroot(excess, (low, high), solver="anderson", tol=mpf(10) ** -60)
    assert low <= root <= high
    return mpmath.exp(root)


def enumerate_walks(lines, a_law):
    """Probability of each `(check, call)` by listing every vector of counts, for at most six sites.

    Where counts have no largest value, walks that end in a stop reaching to +∞, or above all later
    bounds, are left out.
    """
    rows = {r["at"]: r["stops"] for r in lines}
    assert lines[-1]["at"] <= 6
    pmf, found = {}, {}

    def follow(n, total, p):
        stops = rows.get(n, [])
        call = call_of(stops, total)
        if call:
            found[n, call] = found.get((n, call), mpf(0)) + p
            return
        last = a_law.last
        if last is None:
            last = max(t for at, later in rows.items() if at > n for t in bounds(later)) - total
        for x in range(a_law.first, last + 1):
            if x not in pmf:
                pmf[x] = a_law.pmf(1, x)
            follow(n + 1, total + x, p * pmf[x])

    follow(0, 0, mpf(1))
    if a_law.last is None:
        unbounded = {(r["at"], top_of(r["stops"])["call"]) for r in lines if top_of(r["stops"])}
        found = {key: p for key, p in found.items() if key not in unbounded}
    return found
