"""The plans and laws that the vectors of `evaluate` and `exits` are computed for.

Invented plans, except where a source is named; chosen so that every shape of a row of stops, every law
and every odd schedule of checks occurs. Nothing is random.
"""
import mpmath
from mpmath import mpf


NB2 = {"kind": "neg_bin", "k": 2.0}
POISSON = {"kind": "poisson"}
MEANS = [1e-6, 1e-4, 0.01, 0.1, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 100.0, 1e4]
SHARES = [1e-6, 1e-3, 0.01, 0.05, 0.1, 0.2, 0.3, 0.5, 0.9, 0.999]
ALL_K = [0.1, 1.0, 1.2, 2.0, 1e3, 1e6, 1e9]


def stop(low, high, call):
    return {"from": low, "to": high, "call": call}


def row(at, *stops):
    return {"at": at, "stops": list(stops)}


def two_calls(at, inadequate, adequate, middle=None):
    """A row with two lines, either of which may be absent; `middle` is called between them."""
    stops = []
    if inadequate is not None:
        stops.append(stop(None, inadequate, "inadequate"))
    if middle and inadequate + 1 < adequate:
        stops.append(stop(inadequate + 1, adequate - 1, middle))
    if adequate is not None:
        stops.append(stop(adequate, None, "adequate"))
    return row(at, *stops)


def schedule(first, cap, every=1):
    return [*range(first, cap, every), cap]


def wald_parameters(spec, thresholds, risks):
    """Slope per site and the two intercepts of Wald's lines (1947, Sequential Analysis), at 70 digits."""
    (m0, m1), (false_adequate, false_inadequate) = map(mpf, thresholds), map(mpf, risks)
    if spec["kind"] == "neg_bin":
        k = mpf(spec["k"])
        d = mpmath.log(m1 * (k + m0) / (m0 * (k + m1)))
        slope = k * mpmath.log((k + m1) / (k + m0)) / d
    elif spec["kind"] == "poisson":
        d = mpmath.log(m1 / m0)
        slope = (m1 - m0) / d
    else:
        d = mpmath.log(m1 * (1 - m0) / (m0 * (1 - m1)))
        slope = spec["units"] * mpmath.log((1 - m0) / (1 - m1)) / d
    low = mpmath.log(false_inadequate / (1 - false_adequate)) / d
    high = mpmath.log((1 - false_inadequate) / false_adequate) / d
    return slope, low, high


def whole(x, rounding):
    """`x` rounded to a whole number; what is whole but for the doubles that risks are given in counts as whole."""
    nearest = mpmath.nint(x)
    if abs(x - nearest) < 1e-14:
        return int(nearest)
    assert abs(x - nearest) > 1e-9, x  # else double precision could round it the other way
    return int(rounding(x))


def wald_rows(spec, thresholds, risks, checks):
    """`[sites, inadequate_at_most, adequate_at_least]` for each check, closed at the cap by the slope."""
    slope, low, high = wald_parameters(spec, thresholds, risks)
    rows = []
    for n in checks[:-1]:
        a = whole(low + slope * n, mpmath.floor)
        rows.append([n, a if a >= 0 else None, whole(high + slope * n, mpmath.ceil)])
    cut = whole(slope * checks[-1], mpmath.floor)
    return [*rows, [checks[-1], cut, cut + 1]]


def wald(spec, thresholds, risks, checks):
    return [two_calls(*r) for r in wald_rows(spec, thresholds, risks, checks)]


def three_calls():
    """Two pairs of Wald's lines at once: a marginal call between the upper line of the lower pair and the lower line of the upper pair."""
    checks = schedule(2, 40)
    lower = wald_rows(NB2, (0.5, 1.2), (0.1, 0.1), checks)
    upper = wald_rows(NB2, (2.0, 4.5), (0.1, 0.1), checks)
    rows = []
    for (n, a, b), (_, c, d) in zip(lower, upper):
        stops = [stop(None, a, "inadequate")] if a is not None else []
        if c is not None and b <= c:
            stops.append(stop(b, c, "marginal"))
        rows.append(row(n, *stops, stop(d, None, "adequate")))
    return rows


def precision():
    """Kuno's line for se/mean ≤ .25 at k = 2: enough at T ≥ 1/(D² − 1/(kn)), a line that falls."""
    checks = schedule(9, 40)
    rows = [row(n, stop(int(mpmath.ceil(1 / (mpf(1) / 16 - mpf(1) / (2 * n)))), None, "enough")) for n in checks]
    last = rows[-1]["stops"][0]
    return [*rows[:-1], row(40, stop(None, last["from"] - 1, "undecided"), last)]


def converging(spec, thresholds, risks, share, checks):
    """Lorden's (1976) two one-sided tests of a mean between the thresholds, ln risk as he gives it: lines that
    converge; where they meet, and at the cap, totals up to the middle of both are inadequate."""
    low, high = map(mpf, thresholds)
    middle = low * (high / low) ** mpf(share)
    rows = []
    tests = ((middle, high, mpmath.log(mpf(risks[1]))), (low, middle, -mpmath.log(mpf(risks[0]))))
    for n in checks:
        lines = []
        for a, b, ln in tests:
            # ln of the likelihood ratio of b against a is d·T + n·e: the slope is −e/d.
            slope, _, unit = wald_parameters(spec, (a, b), (mpf(1) / (1 + mpmath.e), mpf(1) / (1 + mpmath.e)))
            lines.append(slope * n + ln * unit)  # the intercept of equal risks 1/(1 + e) is 1/d
        a, b = whole(lines[0], mpmath.floor), whole(lines[1], mpmath.ceil)
        if a + 1 >= b or n == checks[-1]:
            cut = whole((lines[0] + lines[1]) / 2, mpmath.floor)
            return [*rows, two_calls(n, cut, cut + 1)]
        rows.append(two_calls(n, a if a >= 0 else None, b))


GOOD_LOW = [None, None, None, 1, 3, 5, 8, 10, 13, 15, 17, 20, 22, 25, 27, 30, 32, 35, 37, 42]
GOOD_HIGH = [9, 11, 13, 14, 16, 18, 20, 22, 24, 26, 28, 30, 31, 33, 35, 37, 39, 40, 42, 43]
GOOD = [two_calls(n, *lines) for n, lines in enumerate(zip(GOOD_LOW, GOOD_HIGH), 1)]
STEPS_UP = {"kind": "table", "first": -2, "p": [x / 64 for x in (4, 10, 18, 16, 10, 6)]}
STEPS_DOWN = {"kind": "table", "first": -2, "p": [x / 64 for x in (12, 20, 16, 10, 4, 2)]}
STEPS_SHORT = {"kind": "table", "first": 0, "p": [x / 64 for x in (20, 16, 12, 8, 4)]}  # 4/64 missing
STEPS_FROM_2 = {"kind": "table", "first": 2, "p": [x / 16 for x in (9, 0, 5, 2)]}

# name: (what it is, rows of stops, [(law without its mean, means, is even_mean given)])
PLANS = {
    "wald_cap_20": (
        "Wald's lines, thresholds 1.5 and 3, k 2, risks .1 and .1, cut at 20 sites",
        wald(NB2, (1.5, 3.0), (0.1, 0.1), schedule(1, 20)),
        [(NB2, [*MEANS, 2.12], True)],
    ),
    "wald_cap_400": (
        "the same lines cut at 400 sites",
        wald(NB2, (1.5, 3.0), (0.1, 0.1), schedule(1, 400)),
        [(NB2, [*MEANS, 1.0625], True), ({"kind": "neg_bin", "k": 0.1}, [0.5, 2.0, 100.0], False)],
    ),
    "fixed_15": ("15 sites, inadequate up to 31", [two_calls(15, 31, 32)], [(NB2, MEANS, True), (POISSON, MEANS, True)]),
    "every_k": (
        "Wald's lines, thresholds 1 and 2, k 1.2, risks .05 and .05, cut at 60 sites, under every clumping",
        wald({"kind": "neg_bin", "k": 1.2}, (1.0, 2.0), (0.05, 0.05), schedule(1, 60)),
        [*(({"kind": "neg_bin", "k": k}, MEANS, True) for k in ALL_K), (POISSON, MEANS, True)],
    ),
    "few_enemies": (
        "Wald's lines, thresholds .2 and .4, k .5, risks .05 and .05, cut at 200 sites",
        wald({"kind": "neg_bin", "k": 0.5}, (0.2, 0.4), (0.05, 0.05), schedule(1, 200)),
        [({"kind": "neg_bin", "k": 0.5}, [*MEANS, 0.28], True)],
    ),
    "many_enemies": (
        "Wald's lines, thresholds 8 and 16, k .8, risks .05 and .05, cut at 24 sites",
        wald({"kind": "neg_bin", "k": 0.8}, (8.0, 16.0), (0.05, 0.05), schedule(1, 24)),
        [({"kind": "neg_bin", "k": 0.8}, [*MEANS, 11.3], True)],
    ),
    "crowded_poisson": (
        "thresholds 500 and 550 without clumping, 12 sites: the chance of an empty site is below 1e-217",
        wald(POISSON, (500.0, 550.0), (0.01, 0.01), schedule(1, 12)),
        [(POISSON, [1e-6, 1.0, 100.0, 450.0, 500.0, 525.0, 550.0, 1e4], True)],
    ),
    "narrow": (
        "uneven lines for thresholds 1.5 and 3 at k 2 with exact risks below .1 and .1",
        GOOD,
        [
            (NB2, [*MEANS, 0.75, 2.12, 2.25, 4.5], True),
            *(({"kind": "neg_bin", "k": k}, MEANS, True) for k in ALL_K if k != 2.0),
            (POISSON, MEANS, True),
        ],
    ),
    "narrow_undecided": (
        "the same lines, undecided where they are still open at 19 sites",
        [*GOOD[:18], two_calls(19, 36, 42, "undecided")],
        [(NB2, MEANS, True)],
    ),
    "groups_of_five": (
        "Wald's lines, thresholds 1 and 2, k 1.2, risks .1 and .1, a check every five sites, a last batch of three",
        wald({"kind": "neg_bin", "k": 1.2}, (1.0, 2.0), (0.1, 0.1), schedule(5, 43, 5)),
        [({"kind": "neg_bin", "k": 1.2}, MEANS, True), ({"kind": "neg_bin", "k": 1e9}, MEANS, False)],
    ),
    "checks_10_29": ("two checks", [two_calls(10, 12, 31), two_calls(29, 60, 61)], [(NB2, MEANS, True), (POISSON, MEANS, True)]),
    "uneven_checks": (
        "checks after 3, 7, 8 and 20 sites; no lower line at the first, no upper line at the third",
        [two_calls(3, None, 15), two_calls(7, 6, 24), two_calls(8, 8, None), two_calls(20, 42, 43)],
        [(NB2, MEANS, True)],
    ),
    "upper_only": (
        "adequate at a total of 12 or more, inadequate at 16 sites otherwise",
        [*(two_calls(n, None, 12) for n in range(1, 16)), two_calls(16, 11, 12)],
        [(NB2, MEANS, True), ({"kind": "neg_bin", "k": 0.1}, MEANS, False)],
    ),
    "lower_only": (
        "inadequate at or below a rising line, adequate only at 16 sites",
        [*(two_calls(n, 2 * n - 7 if n > 3 else None, None) for n in range(2, 16)), two_calls(16, 31, 32)],
        [(NB2, MEANS, True), (POISSON, MEANS, True)],
    ),
    "late_upper": (
        "no upper line before the sixth site",
        [two_calls(n, n - 1, 2 * n + 8 if n > 5 else None) for n in range(1, 16)] + [two_calls(16, 30, 31)],
        [(NB2, MEANS, True)],
    ),
    "jagged_upper": (
        "an upper line that goes up and down",
        [two_calls(n, n - 4 if n > 4 else None, u) for n, u in enumerate([9, 14, 8, 15, 11, 19, 13, 25, 16, 18], 1)]
        + [two_calls(11, 14, 15)],
        [(NB2, MEANS, True)],
    ),
    "three_calls": (
        "three calls: two pairs of Wald's lines at once, thresholds .5 and 1.2, 2 and 4.5, k 2, cut at 40 sites",
        three_calls(),
        [(NB2, [*MEANS, 1.6], False), ({"kind": "neg_bin", "k": 0.1}, MEANS, False)],
    ),
    "precision": (
        "enough at T ≥ 1/(D² − 1/(kn)), D .25, k 2 (Kuno 1969, Researches on Population Ecology 11:127-136; from memory)",
        precision(),
        [(NB2, [*MEANS, 2.25], False)],
    ),
    "converging": (
        "converging lines by two one-sided tests (Lorden 1976, Annals of Statistics 4:281-291; formula from memory), thresholds 1 and 2, k 1.2, risks .1 and .1",
        converging({"kind": "neg_bin", "k": 1.2}, (1.0, 2.0), (0.1, 0.1), 0.5, schedule(1, 90)),
        [({"kind": "neg_bin", "k": 1.2}, MEANS, True), ({"kind": "neg_bin", "k": 0.1}, MEANS, False)],
    ),
    "one_site": ("a single site", [two_calls(1, 2, 3)], [(NB2, MEANS, True)]),
    "sure_at_4": (
        "lines that meet at the fourth site, so that the checks after it are never reached",
        [two_calls(2, 1, 8), two_calls(4, 5, 6), two_calls(6, 8, 11), two_calls(8, 15, 16)],
        [(NB2, MEANS, True)],
    ),
    "positive_sites": (
        "two stages, 10 and 29 units, shares .1 and .3 (Simon 1989, Controlled Clinical Trials 10:1-10; from memory)",
        [two_calls(10, 1, None), two_calls(29, 5, 6)],
        [({"kind": "binomial", "units": 1}, SHARES, True)],
    ),
    "positive_units": (
        "Wald's lines on positive units, five a site, shares .2 and .4, risks .1 and .1, cut at 12 sites",
        wald({"kind": "binomial", "units": 5}, (0.2, 0.4), (0.1, 0.1), schedule(1, 12)),
        [({"kind": "binomial", "units": 5}, SHARES, True)],
    ),
    "signed": (
        "a total that can fall, with lines on both sides of 0",
        [two_calls(n, -5, 8 - n // 4) for n in range(2, 20)] + [two_calls(20, 0, 1)],
        [(STEPS_UP, None, False), (STEPS_DOWN, None, False)],
    ),
    "signed_hole": (
        "a total that can fall, a stop around 0, no upper line at odd sites",
        [
            row(n, stop(None, -6, "inadequate"), stop(-1, 0, "marginal"), *([stop(9, None, "adequate")] if n % 2 == 0 else []))
            for n in range(3, 12)
        ]
        + [row(14, stop(None, -1, "inadequate"), stop(0, None, "enough"))],
        [(STEPS_UP, None, False), (STEPS_DOWN, None, False)],
    ),
    "missing_mass": (
        "a table of steps that adds to 60/64; the rest lies above every line",
        [two_calls(n, n - 3 if n > 2 else None, 12) for n in range(1, 8)] + [two_calls(8, 11, 12)],
        [(STEPS_SHORT, None, False), (STEPS_FROM_2, None, False)],
    ),
    "few_counts": (
        "six sites at most, checks after 1, 3, 4 and 6",
        [two_calls(1, None, 5), two_calls(3, 1, 7), two_calls(4, 2, 7), two_calls(6, 6, 7)],
        [(NB2, MEANS, True), ({"kind": "binomial", "units": 2}, SHARES, True), (STEPS_UP, None, False)],
    ),
    "few_counts_three_calls": (
        "six sites at most, three calls and undecided",
        [
            row(2, stop(None, 0, "inadequate"), stop(6, None, "adequate")),
            row(3, stop(None, 0, "inadequate"), stop(4, 4, "marginal"), stop(7, None, "adequate")),
            row(5, stop(None, 1, "inadequate"), stop(4, 5, "marginal"), stop(8, None, "adequate")),
            row(6, stop(None, 2, "inadequate"), stop(3, 3, "undecided"), stop(4, 5, "marginal"), stop(6, None, "adequate")),
        ],
        [(NB2, MEANS, False), (POISSON, MEANS, False), ({"kind": "binomial", "units": 3}, SHARES, False)],
    ),
}

# (plan, law without its mean, mean)
EXITS = [
    ("narrow", NB2, 2.12),
    ("groups_of_five", {"kind": "neg_bin", "k": 1.2}, 1.0),
    ("uneven_checks", NB2, 0.5),
    ("checks_10_29", POISSON, 2.0),
    ("few_counts_three_calls", POISSON, 1.5),
    ("few_counts", {"kind": "neg_bin", "k": 0.1}, 0.25),
    ("few_counts", {"kind": "neg_bin", "k": 1e9}, 3.0),
    ("positive_sites", {"kind": "binomial", "units": 1}, 0.1),
    ("positive_units", {"kind": "binomial", "units": 5}, 0.3),
    ("signed", STEPS_UP, None),
]

# (law, [(mean or share, batches of sites)]): probabilities of a batch
PMF = [
    *(({"kind": "neg_bin", "k": k}, [(m, [1, 5]) for m in (1e-6, 0.01, 1.5, 64.0, 1e4)]) for k in (1e-3, 0.1, 1.2, 50.0, 1e4, 1e6, 1e9)),
    (POISSON, [(m, [1, 5]) for m in (1e-6, 0.01, 1.5, 64.0, 1e4)]),
    ({"kind": "binomial", "units": 1}, [(p, [1, 30]) for p in (1e-6, 0.25, 0.999)]),
    ({"kind": "binomial", "units": 12}, [(p, [1, 40]) for p in (1e-6, 0.25, 0.999)]),
]

# name: (source, law, thresholds, (false_adequate, false_inadequate), (first, cap, every))
WALD = {
    "nb": ("Wald 1947; negative-binomial form as in Waters 1955 (formula from memory)", NB2, (1.5, 3.0), (0.1, 0.1), (1, 20, 1)),
    "nb_cap_60": ("the same formulas", {"kind": "neg_bin", "k": 1.2}, (1.0, 2.0), (0.05, 0.05), (5, 60, 1)),
    "nb_groups": ("the same formulas", {"kind": "neg_bin", "k": 0.5}, (0.2, 0.4), (0.05, 0.1), (7, 100, 5)),
    "nb_unequal": ("the same formulas", {"kind": "neg_bin", "k": 1.0}, (3.0, 5.0), (0.01, 0.3), (1, 30, 1)),
    "nb_clumped": ("the same formulas", {"kind": "neg_bin", "k": 0.05}, (0.5, 2.0), (0.15, 0.2), (10, 200, 10)),
    "nb_on_whole_numbers": ("the same formulas; the lines are 2n - 2 and 2n + 2", NB2, (1.0, 4.0), (0.2, 0.2), (1, 25, 1)),
    "nb_nearly_poisson": ("the same formulas", {"kind": "neg_bin", "k": 1e9}, (1.0, 2.0), (0.1, 0.1), (1, 30, 1)),
    "poisson": ("Wald 1947", POISSON, (1.0, 2.0), (0.1, 0.1), (1, 30, 1)),
    "poisson_crowded": ("Wald 1947", POISSON, (500.0, 550.0), (0.01, 0.01), (1, 12, 1)),
    "binomial": (
        "NIST/SEMATECH e-Handbook of Statistical Methods, sequential sampling plans (from memory)",
        {"kind": "binomial", "units": 1}, (0.01, 0.1), (0.05, 0.1), (1, 100, 1),
    ),
    "binomial_units": ("Wald 1947", {"kind": "binomial", "units": 5}, (0.2, 0.4), (0.1, 0.1), (1, 12, 1)),
}

# What a source prints: {case: {parameter: (printed, half a unit of its last digit)}}
WALD_PRINTED = {
    "nb": {"slope": (2.120085, 5e-7), "inadequate_intercept": (-6.530181, 5e-7), "adequate_intercept": (6.530181, 5e-7)},
    "binomial": {"slope": (0.03975, 5e-6), "inadequate_intercept": (-0.9389, 5e-5), "adequate_intercept": (1.2054, 5e-5)},
}

