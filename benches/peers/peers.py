#!/usr/bin/env python3
"""The benchmarked work as a Python user would write it with general-purpose packages: numpy, scipy, statsmodels, numba.

Prints one JSON line a task: its name (that of the Rust benchmark), who did it, the best time of many runs in
seconds. Compilation is not timed. Every peer of a task must agree with the others before it is timed.
"""
import json
import math
import sys
import time
import warnings

import numba
import numpy as np
import scipy
import statsmodels.api as sm
from scipy import optimize, stats

ASKED = sys.argv[1:]  # parts of names of tasks; all tasks if none is given

njit = numba.njit(fastmath=True)


# ---- lines of Wald (1947), cut at a cap -------------------------------------------------------------

@njit
def strip(h0, h1, slope, cap):
    """Totals that stop low (at most) and high (at least) after 1, 2, … sites."""
    lo, hi = np.empty(cap, np.int64), np.empty(cap, np.int64)
    for n in range(1, cap):
        lo[n - 1], hi[n - 1] = max(math.floor(h0 + slope * n), -1), math.ceil(h1 + slope * n)
    lo[cap - 1] = math.floor(slope * cap)
    hi[cap - 1] = lo[cap - 1] + 1
    return lo, hi


def wald(m0, m1, k, risk):
    """Intercepts and slope; both risks the same."""
    ratio = math.log(m1 * (k + m0) / (m0 * (k + m1)))
    slope = k * math.log((k + m1) / (k + m0)) / ratio
    h = math.log((1 - risk) / risk) / ratio
    return -h, h, slope


# ---- exact chance of calling high, and expected sites -----------------------------------------------

def exact_numpy(lo, hi, means, k):
    out = np.empty((means.size, 2))
    for i, m in enumerate(means):
        step = stats.nbinom.pmf(np.arange(hi[-1] + 1), k, k / (k + m))
        p, base, high, sites = np.ones(1), 0, 0.0, 0.0
        for n in range(lo.size):
            sites += p.sum()
            low = max(lo[n] + 1 - base, 0)
            tracked = np.convolve(p, step[: hi[n] - base])[: hi[n] - base]
            high += max(p.sum() - tracked.sum(), 0.0)
            p, base = tracked[low:], base + low
            if p.size == 0:
                break
        out[i] = high, sites
    return out


@njit
def exact_per_mean(lo, hi, means, k, out):
    """One recursion for each mean."""
    longest = hi.max() + 1
    step, p, q = np.empty(longest), np.empty(longest), np.empty(longest)
    for j in range(means.size):
        theta = means[j] / (k + means[j])
        window, base = 0, 0
        for n in range(lo.size):
            window = max(window, hi[n] - base)
            base = max(base, lo[n] + 1)
        step[0] = (k / (k + means[j])) ** k
        for x in range(1, window):
            step[x] = step[x - 1] * theta * (k + x - 1) / x
        p[0], open_, base, low, sites = 1.0, 1, 0, 0.0, 1.0
        for n in range(lo.size):
            size = hi[n] - base
            for t in range(size):
                q[t] = 0.0
            for i in range(open_):
                weight = p[i]
                for t in range(i, size):
                    q[t] += weight * step[t - i]
            gone = min(max(lo[n] + 1 - base, 0), size)
            for t in range(gone):
                low += q[t]
            for t in range(gone, size):
                sites += q[t]
                p[t - gone] = q[t]
            open_ = size - gone
            base += gone
            if open_ == 0:
                break
        out[j, 0] = 1.0 - low
        out[j, 1] = sites


@njit
def exact_one_pass(lo, hi, means, k, reference, out):
    """One recursion at a reference mean, every other mean by the exponential tilt of the totals: chance of calling high,
    expected sites, chance of calling low."""
    window, base = 0, 0
    for n in range(lo.size):
        window = max(window, hi[n] - base)
        base = max(base, lo[n] + 1)
    theta = reference / (k + reference)
    step, p, q = np.empty(window), np.empty(window), np.empty(window)
    step[0] = (k / (k + reference)) ** k
    for x in range(1, window):
        step[x] = step[x - 1] * theta * (k + x - 1) / x
    many = means.size
    r, c, scale, horner = np.empty(many), np.empty(many), np.ones(many), np.empty(many)
    low, sites, left = np.zeros(many), np.zeros(many), np.ones(many)
    for j in range(many):
        r[j] = means[j] / (k + means[j]) / theta
        c[j] = ((k + reference) / (k + means[j])) ** k
    p[0], open_, base = 1.0, 1, 0
    for n in range(lo.size):
        size = hi[n] - base
        for t in range(size):
            q[t] = 0.0
        for i in range(open_):
            weight = p[i]
            for t in range(i, size):
                q[t] += weight * step[t - i]
        gone = min(max(lo[n] + 1 - base, 0), size)
        for j in range(many):
            sites[j] += left[j]
            scale[j] *= c[j]
            horner[j] = 0.0
        for t in range(gone - 1, -1, -1):
            weight = q[t]
            for j in range(many):
                horner[j] = horner[j] * r[j] + weight
        for j in range(many):
            low[j] += horner[j] * scale[j]
        for _ in range(gone):
            for j in range(many):
                scale[j] *= r[j]
        for j in range(many):
            horner[j] = 0.0
        for t in range(size - 1, gone - 1, -1):
            weight = q[t]
            for j in range(many):
                horner[j] = horner[j] * r[j] + weight
        for j in range(many):
            left[j] = horner[j] * scale[j]
        open_ = size - gone
        for t in range(open_):
            p[t] = q[gone + t]
        base += gone
        if open_ == 0:
            break
    for j in range(many):
        out[j, 0] = 1.0 - low[j] - left[j]
        out[j, 1] = sites[j]
        out[j, 2] = low[j]


# ---- parallel lines as narrow as two risks allow ----------------------------------------------------

UNDECIDED = -2  # instead of a cut at the last check: the lines go on


@njit
def parallel(low, high, slope, cap, cut):
    lo, hi = strip(low, high, slope, cap)
    if cut == UNDECIDED:
        lo[cap - 1], hi[cap - 1] = max(math.floor(low + slope * cap), -1), math.ceil(high + slope * cap)
    else:
        lo[cap - 1], hi[cap - 1] = cut, cut + 1
    return lo, hi


@njit
def calibrated(m0, m1, k, slope, cap, cut, risk0, risk1, start, reach):
    """Widens each line in turn just enough for its risk, by bisection, until neither moves."""
    means, out = np.array([m0, m1]), np.empty((2, 3))
    low, high = start
    for _ in range(50):
        before_low, before_high = low, high
        a, b = max(high - reach, -1e-9), high + reach
        while b - a > 1e-4:
            middle = 0.5 * (a + b)
            lo, hi = parallel(-low, middle, slope, cap, cut)
            exact_one_pass(lo, hi, means, k, slope, out)
            if out[0, 0] <= risk0:
                b = middle
            else:
                a = middle
        high = b
        a, b = max(low - reach, -1e-9), low + reach
        while b - a > 1e-4:
            middle = 0.5 * (a + b)
            lo, hi = parallel(-middle, high, slope, cap, cut)
            exact_one_pass(lo, hi, means, k, slope, out)
            if out[1, 2] <= risk1:
                b = middle
            else:
                a = middle
        low = b
        if abs(low - before_low) < 1e-3 and abs(high - before_high) < 1e-3:
            break
    return low, high


@njit
def best_cut(m0, m1, k, slope, cap, risk0, risk1, means):
    """The cut at the last check, and its lines, with the smallest largest expected sites at some means: outwards from the
    middle as long as it falls, each from the lines of the cut before."""
    out, wide = np.empty((means.size, 3)), 64.0 * max(1.0, slope)
    middle = math.floor(slope * cap)
    first = calibrated(m0, m1, k, slope, cap, middle, risk0, risk1, (0.0, 0.0), wide)
    best, at, lines = np.inf, middle, first
    for step in (1, -1):
        cut, now = middle, first
        while True:
            lo, hi = parallel(-now[0], now[1], slope, cap, cut)
            exact_one_pass(lo, hi, means, k, slope, out)
            most = out[:, 1].max()
            if most < best:
                best, at, lines = most, cut, now
            elif cut != middle:
                break
            cut += step
            now = calibrated(m0, m1, k, slope, cap, cut, risk0, risk1, now, 2.0)
    return at, lines, best


# ---- least expected sites at exact risks: backward induction, then multipliers (Kiefer & Weiss 1957) ---

def ratios(totals, n, mean, reference, k):
    """Likelihood ratio of a mean against a reference at totals after n sites."""
    ln = totals * (math.log(mean / (k + mean)) - math.log(reference / (k + reference)))
    return np.exp(ln + n * k * math.log((k + reference) / (k + mean)))


def backward_numpy(l0, l1, m0, m1, k, cap):
    """Lines of least ½(sites at m0 + sites at m1) + l0·P(high | m0) + l1·P(low | m1)."""
    most = int(cap * m1 + 8 * math.sqrt(cap * (m1 + m1 * m1 / k)) + 20)
    t, middle = np.arange(most + 1), 0.5 * (m0 + m1)
    step = stats.nbinom.pmf(t, k, k / (k + middle))
    lo, hi, value = np.empty(cap, np.int64), np.empty(cap, np.int64), None
    for n in range(cap, 0, -1):
        at0, at1 = (ratios(t, n, m, middle, k) for m in (m0, m1))
        stop = np.minimum(l0 * at0, l1 * at1)
        # From here on stopping high costs less.
        even = int(np.argmax(l0 * at0 < l1 * at1))
        lo[n - 1], hi[n - 1] = even - 1, even
        if value is not None:
            # Far out it stops high, at a cost that can be left out.
            on = 0.5 * (at0 + at1) + np.correlate(np.concatenate([value, np.zeros(most)]), step, "valid")
            going = np.flatnonzero(on < stop)
            if going.size:
                lo[n - 1], hi[n - 1] = going[0] - 1, going[-1] + 1
            stop = np.minimum(on, stop)
        value = stop
    return lo, hi


@njit
def backward(l0, l1, m0, m1, k, cap, lo, hi):
    """The same in the measure of m0, where what stopping high costs more than going on is 0 from the upper line on: no sum
    is cut off."""
    theta = m0 / (k + m0)
    ln_ratio, ln_site = math.log(m1 / (k + m1) / theta), k * math.log((k + m0) / (k + m1))
    ln_even = math.log(l0 / l1)
    cut = int(math.floor((ln_even - cap * ln_site) / ln_ratio))
    lo[cap - 1], hi[cap - 1] = cut, cut + 1
    longest = cut + 66
    step, gain, next_gain = np.empty(longest), np.zeros(longest), np.zeros(longest)
    step[0] = (k / (k + m0)) ** k
    for x in range(1, longest):
        step[x] = step[x - 1] * theta * (k + x - 1) / x
    for t in range(cut + 1):
        gain[t] = l0 - l1 * math.exp(cap * ln_site + t * ln_ratio)
    above = cut + 1
    for n in range(cap - 1, 0, -1):
        even = int(math.floor((ln_even - n * ln_site) / ln_ratio))
        low, high = -2, -2
        for t in range(above - 1, -1, -1):
            follow = 0.0
            for u in range(t, above):
                follow += step[u - t] * gain[u]
            ratio = math.exp(n * ln_site + t * ln_ratio)
            on, stop = follow - 0.5 * (1.0 + ratio), max(l0 - l1 * ratio, 0.0)
            next_gain[t] = max(on, stop)
            if on > stop:
                low = t - 1
                if high < 0:
                    high = t + 1
            elif (high >= 0 and t < low) or (high < 0 and t < even):
                break
        if high < 0:
            low, high = even, even + 1
        lo[n - 1], hi[n - 1] = low, high
        above = max(high, 0)
        for t in range(above):
            gain[t] = l0 - l1 * math.exp(n * ln_site + t * ln_ratio) if t <= low else next_gain[t]


MULTIPLIER_STEPS = 40


def optimal_numpy(m0, m1, k, slope, cap, risk):
    ln_l, best, means = np.full(2, math.log(100.0)), math.inf, np.array([m0, m1])
    for i in range(MULTIPLIER_STEPS):
        lo, hi = backward_numpy(*np.exp(ln_l), m0, m1, k, cap)
        out = exact_numpy(lo, hi, means, k)
        risks = np.array([out[0, 0], 1.0 - out[1, 0]])
        if (risks <= risk).all():
            best = min(best, out[:, 1].mean())
        ln_l += np.log(np.maximum(risks, 1e-9) / risk) * 0.9 / (1 + 0.05 * i)
    return best


@njit
def optimal_numba(m0, m1, k, slope, cap, risk):
    ln_l0 = ln_l1 = math.log(100.0)
    lo, hi, best = np.empty(cap, np.int64), np.empty(cap, np.int64), np.inf
    means, out = np.array([m0, m1]), np.empty((2, 3))
    for i in range(MULTIPLIER_STEPS):
        backward(math.exp(ln_l0), math.exp(ln_l1), m0, m1, k, cap, lo, hi)
        exact_one_pass(lo, hi, means, k, slope, out)
        if out[0, 0] <= risk and out[1, 2] <= risk:
            best = min(best, 0.5 * (out[0, 1] + out[1, 1]))
        gain = 0.9 / (1 + 0.05 * i)
        ln_l0 += math.log(max(out[0, 0], 1e-9) / risk) * gain
        ln_l1 += math.log(max(out[1, 2], 1e-9) / risk) * gain
    return best


# ---- simulated walks ---------------------------------------------------------------------------------

def simulated_numpy(lo, hi, means, k, walks, seed):
    rng, out = np.random.default_rng(seed), np.empty((means.size, 2))
    for i, m in enumerate(means):
        totals = np.cumsum(rng.poisson(rng.gamma(k, m / k, (walks, lo.size))), axis=1)
        going, high, sites = np.ones(walks, bool), 0, 0
        for n in range(lo.size):
            up = going & (totals[:, n] >= hi[n])
            down = going & (totals[:, n] <= lo[n])
            high += up.sum()
            sites += going.sum()
            going &= ~(up | down)
        out[i] = high / walks, sites / walks
    return out


@numba.njit
def simulated_gamma_poisson(lo, hi, means, k, walks, seed):
    np.random.seed(seed)
    out = np.zeros((means.size, 2))
    for i in range(means.size):
        for _ in range(walks):
            total = 0
            for n in range(lo.size):
                total += np.random.poisson(np.random.gamma(k, means[i] / k))
                if total >= hi[n] or total <= lo[n]:
                    out[i, 0] += total >= hi[n]
                    out[i, 1] += n + 1
                    break
    return out / walks


@numba.njit(inline="always")
def next_word(s):
    """xoshiro256++ (Blackman & Vigna 2021)."""
    x = s[0] + s[3]
    word = ((x << np.uint64(23)) | (x >> np.uint64(41))) + s[0]
    t = s[1] << np.uint64(17)
    s[2] ^= s[0]
    s[3] ^= s[1]
    s[1] ^= s[2]
    s[0] ^= s[3]
    s[2] ^= t
    s[3] = (s[3] << np.uint64(45)) | (s[3] >> np.uint64(19))
    return word


@numba.njit
def simulated_alias(lo, hi, means, k, walks, seed):
    """Alias tables (Walker 1977) of 256 steps, one 64-bit word a site."""
    size, out, s = 256, np.zeros((means.size, 2)), np.empty(4, np.uint64)
    for i in range(4):
        s[i] = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(i + 1) * np.uint64(0xBF58476D1CE4E5B9)
    mask = np.uint64(size - 1)
    for j in range(means.size):
        theta = means[j] / (k + means[j])
        p = np.empty(size)
        p[0] = (1 - theta) ** k
        for x in range(1, size):
            p[x] = p[x - 1] * theta * (k + x - 1) / x
        p[size - 1] += max(1 - p.sum(), 0.0)
        p *= size
        other, low, high = np.arange(size), np.empty(size, np.int64), np.empty(size, np.int64)
        lows = highs = 0
        for x in range(size):
            if p[x] < 1:
                low[lows] = x
                lows += 1
            else:
                high[highs] = x
                highs += 1
        while lows and highs:
            taker, giver = low[lows - 1], high[highs - 1]
            lows -= 1
            other[taker] = giver
            p[giver] -= 1 - p[taker]
            if p[giver] < 1:
                highs -= 1
                low[lows] = giver
                lows += 1
        limit = np.empty(size, np.uint64)
        for x in range(size):
            limit[x] = np.uint64(min(max(p[x], 0.0), 1.0) * 4294967296.0)
        for _ in range(walks):
            total = 0
            for n in range(lo.size):
                word = next_word(s)
                x = word & mask
                total += np.int64(x) if (word >> np.uint64(32)) < limit[x] else other[x]
                if total >= hi[n]:
                    out[j, 0] += 1
                    out[j, 1] += n + 1
                    break
                if total <= lo[n]:
                    out[j, 1] += n + 1
                    break
    return out / walks


# ---- maximum likelihood of k ------------------------------------------------------------------------

@njit
def k_numba(counts):
    """Newton's method on ln k, on the numbers of counts above 0, 1, …"""
    largest = counts.max()
    frequency = np.zeros(largest + 1, np.int64)
    for x in counts:
        frequency[x] += 1
    n, values = counts.size, np.arange(largest + 1)
    m = (values * frequency).sum() / n
    variance = (values * values * frequency).sum() / n - m * m
    if variance <= m:
        return np.inf
    above = n - np.cumsum(frequency)
    ln_k = math.log(m * m / (variance - m))
    for _ in range(100):
        k = math.exp(ln_k)
        slope, bend = -n * math.log1p(m / k), n * m / (k * (k + m))
        for j in range(largest):
            inverse = 1.0 / (k + j)
            slope += above[j] * inverse
            bend -= above[j] * inverse * inverse
        first = slope * k
        second = bend * k * k + first
        step = -first / second if second < 0.0 else math.copysign(1.0, first)
        step = min(max(step, -2.0), 2.0)
        ln_k += step
        if abs(step) < 1e-12:
            break
    return math.exp(ln_k)


def k_scipy(counts):
    n, m = counts.size, counts.mean()
    above = n - np.cumsum(np.bincount(counts))
    j = np.arange(above.size)
    score = lambda ln_k: (above / (math.exp(ln_k) + j)).sum() - n * math.log1p(m / math.exp(ln_k))
    return math.exp(optimize.brentq(score, -10.0, 15.0, xtol=1e-12))


def k_statsmodels(counts):
    return 1.0 / sm.NegativeBinomial(counts, np.ones((counts.size, 1))).fit(disp=0).params[1]


# ---- timing -----------------------------------------------------------------------------------------

def best(work, seconds=0.5, most=2000):
    work()
    times, start = [], time.perf_counter()
    while len(times) < 5 or time.perf_counter() - start < seconds and len(times) < most:
        before = time.perf_counter()
        work()
        times.append(time.perf_counter() - before)
    return min(times)


def say(task, by, work):
    if ASKED and not any(name in task for name in ASKED):
        return
    print(json.dumps({"task": task, "by": by, "seconds": best(work)}), flush=True)


CASES = {  # thresholds, k, last site, means of the curve
    "A": (1.0, 2.0, 1.2, 60, 0.2, 4.2),
    "B": (8.0, 16.0, 0.8, 200, 2.0, 30.0),
    "C": (0.2, 0.4, 0.5, 1000, 0.04, 0.84),
}


def exact_tasks():
    risk = 0.05
    for case, size in (("A", 41), ("A", 1000), ("B", 41), ("C", 41)):
        m0, m1, k, cap, first, last = CASES[case]
        h0, h1, slope = wald(m0, m1, k, risk)
        lo, hi = strip(h0, h1, slope, cap)
        means = np.linspace(first, last, size)
        one, each = np.empty((size, 3)), np.empty((size, 2))
        exact_one_pass(lo, hi, means, k, slope, one)
        exact_per_mean(lo, hi, means, k, each)
        few = slice(None, None, max(size // 41, 1))
        by_numpy = exact_numpy(lo, hi, means[few], k)
        assert np.abs(one[:, :2] - each).max() < 1e-8 and np.abs(one[few, :2] - by_numpy).max() < 1e-8
        task = f"exact-{case}-{size}"
        say(task, "numpy", lambda: exact_numpy(lo, hi, means, k))
        say(task, "numba per mean", lambda: exact_per_mean(lo, hi, means, k, each))
        say(task, "numba one pass", lambda: exact_one_pass(lo, hi, means, k, slope, one))


def plan_tasks():
    """Plans of case A; that of least sites by 40 steps of the multipliers, without a bound."""
    m0, m1, k, cap, first, last = CASES["A"]
    risk, grid = 0.05, np.linspace(first, last, 41)
    slope = wald(m0, m1, k, risk)[2]
    whole = (m0, m1, k, slope, cap)
    say("calibrated-A", "numba", lambda: best_cut(*whole, risk, risk, grid))
    wide = 64.0 * max(1.0, slope)
    middle = math.floor(slope * cap)
    say("calibrated-A", "numba, one cut", lambda: calibrated(*whole, middle, risk, risk, (0.0, 0.0), wide))
    say("calibrated-A-undecided", "numba", lambda: calibrated(*whole, UNDECIDED, risk, risk, (0.0, 0.0), wide))
    assert abs(optimal_numba(*whole, risk) / optimal_numpy(*whole, risk) - 1) < 1e-6
    say("optimal-A", "numpy", lambda: optimal_numpy(*whole, risk))
    say("optimal-A", "numba", lambda: optimal_numba(*whole, risk))


def simulated_tasks():
    m0, m1, k, cap, first, last = CASES["A"]
    h0, h1, slope = wald(m0, m1, k, 0.05)
    lo, hi = strip(h0, h1, slope, cap)
    means, walks = np.linspace(first, last, 41), 10_000
    exact = exact_numpy(lo, hi, means, k)
    for by, simulated in (
        ("numpy", simulated_numpy),
        ("numba", simulated_gamma_poisson),
        ("numba alias", simulated_alias),
    ):
        # Five of the largest standard errors: of a share of one half, and of sites with a deviation of 18.
        off = np.abs(simulated(lo, hi, means, k, walks, 7) - exact)
        assert (off < [5 * 0.005, 5 * 0.18]).all(), (by, off.max(0))
        say("simulated-A-41", by, lambda: simulated(lo, hi, means, k, walks, 7))


def clumping_tasks():
    for size in (1_000, 100_000):
        counts = counts_of(size)
        k = k_scipy(counts)
        assert abs(k_numba(counts) / k - 1) < 1e-9 and abs(k_statsmodels(counts) / k - 1) < 1e-3
        say(f"k-{size}", "scipy", lambda: k_scipy(counts))
        say(f"k-{size}", "statsmodels", lambda: k_statsmodels(counts))
        say(f"k-{size}", "numba", lambda: k_numba(counts))


def counts_of(size):
    """Counts with mean 1.5 and k 1.2, the same that the Rust benchmark uses: quantiles at the middles of equal parts,
    in a scrambled order."""
    at = (np.arange(size) * 7919 % size + 0.5) / size
    return stats.nbinom.ppf(at, 1.2, 1.2 / 2.7).astype(np.int64)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    packages = {p.__name__.partition(".")[0]: p.__version__ for p in (np, scipy, numba)}
    packages["statsmodels"] = __import__("statsmodels").__version__
    print(json.dumps({"versions": packages}), flush=True)
    exact_tasks()
    plan_tasks()
    simulated_tasks()
    clumping_tasks()
