"""Plans with published error risks, each with what was printed and what the direct method gives.

`printed` is the source's figure and `half_unit` half a unit of its last digit; `recalled` marks one
quoted from memory. Where printed and recomputed values differ (`agrees` false) the recomputed
`value` is what a library is tested against.
"""
from mpmath import mpf

from exact import evaluate, law, walk
from plans import GOOD, NB2, POISSON, schedule, two_calls, wald

BINOMIAL = {"kind": "binomial", "units": 1}
HANDBOOK = "MIL-HDBK-781A, Reliability Test Methods, Plans and Environments (table from memory)"
SIMON = "Simon 1989, Controlled Clinical Trials 10:1-10 (plans from memory; values derived)"
# Truncated sequential tests: times, in hundredths of the lower test life, by which 0, 1, … failures
# accept and by which `first`, `first` + 1, … failures reject; ratio of the two lives; risks printed in
# per cent; expected times in lower test lives at the upper and the lower life.
TRUNCATED = {
    "II-D": (
        [419, 540, 662, 783, 905, 1026, 1149, 1271, 1392, 1514, 1635, 1757, 1873, 1999, 2121, 2190],
        [24, 146, 267, 390, 512, 633, 755, 876, 998, 1119, 1241, 1362, 1484, 1605, 1728, 1850, 2190],
        3, 1.5, (22.7, 23.2), (11.347, 9.600),
    ),
    "IV-D": ([280, 418, 558, 696, 834, 974], [70, 208, 346, 486, 624, 762, 974], 2, 2.0, (22.3, 22.5), (4.822, 3.720)),
    "VI-D": ([267, 432, 450], [36, 450], 2, 3.0, (18.2, 19.2), (3.431, 2.582)),
}


def truncated(accept, reject, first):
    """A "site" is a hundredth of a lower test life, a failure an enemy, so "adequate" is the test's reject.

    After n sites accept with the most failures whose time has come; reject with the fewest failures
    that came in time: both times are whole numbers of sites, so no decision is rounded.
    """
    cap, last = accept[-1], first + len(reject) - 1
    rows = []
    for n in range(1, cap):
        most = max((r for r, t in enumerate(accept) if t <= n), default=None)
        rows.append(two_calls(n, most, min(r for r, t in enumerate(reject, first) if n <= t)))
    return [*rows, two_calls(cap, last - 1, last)]


def time_in_continuous_time(lines, rate):
    """Expected time of a test that ends at the failure itself: by Wald's identity, failures / rate."""
    failures = mpf(0)
    for r, (_, stopped, _, rest) in zip(lines, walk(lines, law(POISSON, rate))):
        failures += sum(t * p for t, p in stopped.items()) + rest * r["stops"][-1]["from"]
    return failures / mpf(rate)


class Case:
    def __init__(self, name, source, spec, lines):
        self.head = {"name": name, "source": source, "law": spec}
        self.spec, self.lines, self.values = spec, lines, []

    def value(self, quantity, mean, printed, half_unit, recalled=False, differs=False):
        value = evaluate(self.lines, law(self.spec, mean))[quantity]
        agrees = bool(abs(value - mpf(printed)) <= mpf(half_unit) * (1 + mpf(10) ** -9))
        assert agrees != differs, (self.head["name"], quantity, mean, printed, value)
        self.values.append(
            {"quantity": quantity, "mean": mean, "printed": printed, "half_unit": half_unit,
             "recalled": recalled, "agrees": agrees, "value": float(value)}
        )  # fmt: skip
        return self


def cases():
    derived = "derived from Wald's formulas (1947) by an independent exact computation"
    lines = [wald(NB2, (1.5, 3.0), (0.1, 0.1), schedule(1, cap)) for cap in (20, 400)]
    yield (
        Case("wald_cap_20", derived, NB2, lines[0])
        .value("adequate", 1.5, 0.06872, 5e-6)
        .value("inadequate", 3.0, 0.09944, 5e-6)
        .value("expected_sites", 1.5, 9.882, 5e-4)
        .value("expected_sites", 2.12, 11.792, 5e-4)
        .value("expected_sites", 3.0, 8.255, 5e-4)
    )
    yield (
        Case("wald_cap_400", derived, NB2, lines[1])
        .value("inadequate", 1.0625, 0.9963, 5e-5)
        .value("expected_sites", 1.0625, 6.934, 5e-4)
        .value("inadequate", 1.5, 0.9450, 5e-5)
        .value("expected_sites", 1.5, 10.480, 5e-4)
        .value("inadequate", 3.0, 0.0816, 5e-5)
        .value("expected_sites", 3.0, 8.728, 5e-4)
    )
    yield (
        Case("fixed_15", "derived: sums of the negative binomial", NB2, [two_calls(15, 31, 32)])
        .value("adequate", 1.5, 0.0835, 5e-5)
        .value("inadequate", 3.0, 0.0921, 5e-5)
    )
    handbook = "NIST/SEMATECH e-Handbook of Statistical Methods, sequential sampling plans (lines from memory; risks derived, cut at 300 units)"
    yield (
        Case("binomial_sequential", handbook, BINOMIAL, wald(BINOMIAL, (0.01, 0.1), (0.05, 0.1), schedule(1, 300)))
        .value("adequate", 0.01, 0.02205, 5e-6)
        .value("inadequate", 0.1, 0.09958, 5e-6)
    )
    for name, (accept, reject, first, ratio, risks, times) in TRUNCATED.items():
        lines = truncated(accept, reject, first)
        low, high = 0.01 / ratio, 0.01
        for rate, printed in zip((low, high), times):
            assert abs(time_in_continuous_time(lines, rate) / 100 - mpf(printed)) < 5.1e-4, (name, rate)
        case = Case(f"truncated_{name}", HANDBOOK, POISSON, lines)
        # One printed digit differs: VI-D's 19.2 % is .19258.
        case.value("adequate", low, round(risks[0] / 100, 3), 5e-4, recalled=True)
        case.value("inadequate", high, round(risks[1] / 100, 3), 5e-4, recalled=True, differs=name == "VI-D")
        # In whole sites a test that rejects ends with the site, up to one hundredth after the failure.
        for rate, printed in zip((low, high), times):
            case.value("expected_sites", rate, round(100 * printed, 1), 0.5)
        yield case
    for name, (cut, end), stages, printed in (
        ("two_stage_optimal", (1, 5), (10, 29), (0.7361, 15.014, 0.0471, 0.8051)),
        ("two_stage_smallest", (1, 5), (15, 25), (0.5490, 19.510, 0.0328, 0.8017)),
    ):
        lines = [two_calls(stages[0], cut, None), two_calls(stages[1], end, end + 1)]
        stops_early = evaluate(lines, law(BINOMIAL, 0.1))["at_cap"]
        assert abs(1 - stops_early - mpf(printed[0])) < 5e-5
        yield (
            Case(name, SIMON, BINOMIAL, lines)
            .value("at_cap", 0.1, round(1 - printed[0], 4), 5e-5)
            .value("expected_sites", 0.1, printed[1], 5e-4)
            .value("adequate", 0.1, printed[2], 5e-5)
            .value("adequate", 0.3, printed[3], 5e-5)
        )
    good = Case("uneven_lines", "derived: backward induction, confirmed by an independent exact forward pass", NB2, GOOD)
    good.value("adequate", 1.5, 0.099798, 5e-7).value("inadequate", 3.0, 0.099506, 5e-7)
    for mean, printed in ((0.75, 5.724636), (1.5, 9.003786), (2.12, 9.666882), (2.25, 9.376868), (3.0, 6.855415), (4.5, 3.826078)):
        good.value("expected_sites", mean, printed, 5e-7)
    yield good
