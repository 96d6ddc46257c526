#!/usr/bin/env python3
"""Writes `tests/vectors/*.json`, or with `--check` fails where a committed file differs.

Needs mpmath alone. Values are doubles rounded from results with at least 50 right decimals; in
evaluate.json what is below 1e-30 is written as 0. Consecutive sites with the same stops share one
entry, from `at` to `through`.
"""
import argparse
import json
import pathlib
import sys

import mpmath
from mpmath import mpf

import kinds
import plans
import published
from exact import CALLS, bounds, call_of, enumerate_walks, evaluate, even_mean, law, walk

VECTORS = pathlib.Path(__file__).resolve().parent.parent / "vectors"
COLUMNS = ["mean", *CALLS, "expected_sites", "sites_sd", "sites_p50", "sites_p90", "at_cap"]


def plain(x):
    return float(x) if isinstance(x, mpmath.mpf) else x


def plain_or_zero(x):
    """A difference of numbers near 1 is right to 50 decimals, so its digits end there."""
    return 0.0 if isinstance(x, mpmath.mpf) and abs(x) < mpf(10) ** -30 else plain(x)


def text(x):
    return json.dumps(x, ensure_ascii=False, allow_nan=False)


def listed(items, indent):
    """A list with one item a line."""
    return "[\n" + ",\n".join(" " * indent + item for item in items) + "\n" + " " * (indent - 1) + "]"


def stops_text(lines, indent):
    joined = []
    for r in lines:
        last = joined[-1] if joined else None
        if last and last["stops"] == r["stops"] and last["through"] + 1 == r["at"]:
            last["through"] = r["at"]
        else:
            joined.append({"at": r["at"], "through": r["at"], "stops": r["stops"]})
    for r in joined:
        if r["through"] == r["at"]:
            del r["through"]
    return listed([text(r) for r in joined], indent)


def check_by_enumeration(name, lines, a_law):
    """The direct method against a list of every vector of counts, and against the closed form of a batch."""
    rows = {r["at"]: r["stops"] for r in lines}
    direct = {}
    for at, stopped, top_call, rest in walk(lines, a_law):
        for total, p in stopped.items():
            key = at, call_of(rows[at], total)
            direct[key] = direct.get(key, mpf(0)) + p
        if top_call:
            direct[at, top_call] = direct.get((at, top_call), mpf(0)) + rest
    found = enumerate_walks(lines, a_law)
    assert found and all(abs(direct[key] - p) < mpf(10) ** -50 for key, p in found.items()), name
    if a_law.last is not None:
        assert abs(sum(found.values()) - 1) < mpf(10) ** -50, name


def check_batch(a_law, sites):
    batch = a_law.batch(sites)
    for x in (0, 1, 2, 7, 40):
        assert abs(batch[x] - a_law.pmf(sites, x)) <= mpf(10) ** -55 * a_law.pmf(sites, x)


def evaluate_json():
    plan_texts, case_texts = [], []
    for name, (source, lines, laws) in plans.PLANS.items():
        plan_texts.append(f'{{"name": {text(name)}, "source": {text(source)}, "lines": {stops_text(lines, 3)}}}')
        for spec, means, even in laws:
            rows = []
            for mean in means or [None]:
                a_law = law(spec, mean)
                if mean is not None:
                    check_batch(a_law, lines[0]["at"])
                if lines[-1]["at"] <= 6:
                    check_by_enumeration(name, lines, a_law)
                got = {"mean": a_law.mean if mean is None else mean, **evaluate(lines, a_law)}
                rows.append(text([plain_or_zero(got[c]) for c in COLUMNS]))
            mean = plain(even_mean(lines, spec)) if even else None
            case_texts.append(f'{{"plan": {text(name)}, "law": {text(spec)}, "even_mean": {text(mean)}, "rows": {listed(rows, 3)}}}')
    return (
        f'{{"columns": {text(COLUMNS)},\n "plans": {listed(plan_texts, 2)},\n "cases": {listed(case_texts, 2)}}}\n'
    )


def path_counts(lines, a_law, through):
    """ln K_n(T) of each stop up to total `through`: paths weighted by Γ(x+k)/(Γ(k)x!) and the like."""
    counts, before, found = {0: mpf(1)}, 0, {}
    for r in lines:
        weight = a_law.weights(r["at"] - before)
        before = r["at"]
        now = {}
        for total in range(min(counts) + weight.first, through + 1):
            k = mpmath.fdot((q, weight[total - t]) for t, q in counts.items())
            if call_of(r["stops"], total) is None:
                now[total] = k
            elif k:
                found[r["at"], total] = mpmath.log(k)
        counts = now
        if not counts:
            break
    return found


def first_exits(lines, a_law, tail):
    """`{(at, total): (call, p)}` without the highest totals of each check, which together weigh less than `tail`."""
    through = max(t for r in lines for t in bounds(r["stops"]))
    if a_law.last is not None:
        through = lines[-1]["at"] * a_law.last
    while any(rest >= tail for *_, rest in walk(lines, a_law, through)):
        through *= 2
    exits = {}
    for r, (at, stopped, _, rest) in zip(lines, walk(lines, a_law, through)):
        for total in sorted(stopped, reverse=True):
            rest += stopped[total]
            if stopped[total] and rest >= tail:
                exits[at, total] = call_of(r["stops"], total), stopped[total]
    return exits, through


def exits_json():
    case_texts = []
    for name, spec, mean in plans.EXITS:
        lines, a_law = plans.PLANS[name][1], law(spec, mean)
        exits, through = first_exits(lines, a_law, mpf(10) ** -12)
        paths = path_counts(lines, a_law, through)
        rows = []
        for (at, total), (call, p) in sorted(exits.items()):
            assert abs(paths[at, total] + a_law.ln_tilt(at, total) - mpmath.log(p)) < mpf(10) ** -50
            rows.append(text([at, total, call, plain(p), plain(paths[at, total])]))
        head = {"plan": name, "law": spec, "mean": mean}
        case_texts.append(f'{text(head)[:-1]}, "lines": {stops_text(lines, 3)}, "rows": {listed(rows, 3)}}}')
    return f'{{"columns": ["at", "total", "call", "p", "ln_paths"],\n "cases": {listed(case_texts, 2)}}}\n'


def steps_worth_testing(a_law, sites):
    """0, the middle, and both tails out to 1e-250."""
    mean = int(a_law.mean * sites)
    last = sites * a_law.last if a_law.last is not None else 200_000
    near = {0, 1, 2, 3, 10, 100, mean // 20, mean // 2, mean - 1, mean, mean + 1}
    far = {mean + 2**j for j in range(0, 18, 2)} | {last - 1, last}
    return sorted(x for x in near | far if 0 <= x <= last)


def pmf_json():
    case_texts = []
    for spec, means in plans.PMF:
        for mean, batches in means:
            a_law = law(spec, mean)
            rows = []
            for sites in batches:
                for x in steps_worth_testing(a_law, sites):
                    p = a_law.pmf(sites, x)
                    if p > mpf(10) ** -250:
                        rows.append(text([sites, x, plain(p)]))
            head = {"law": spec, "mean": mean}
            case_texts.append(f'{text(head)[:-1]}, "rows": {listed(rows, 3)}}}')
    return f'{{"columns": ["sites", "step", "p"],\n "cases": {listed(case_texts, 2)}}}\n'


def wald_lines_json():
    case_texts = []
    for name, (source, spec, thresholds, risks, (first, cap, every)) in plans.WALD.items():
        names = ("slope", "inadequate_intercept", "adequate_intercept")
        values = dict(zip(names, plans.wald_parameters(spec, thresholds, risks)))
        printed = {}
        for key, (figure, half_unit) in plans.WALD_PRINTED.get(name, {}).items():
            assert abs(values[key] - mpf(figure)) <= mpf(half_unit), (name, key)
            printed[key] = {"printed": figure, "half_unit": half_unit}
        head = {
            "name": name, "source": source, "law": spec,
            "inadequate": thresholds[0], "adequate": thresholds[1], "false_adequate": risks[0], "false_inadequate": risks[1],
            "min_sites": first, "max_sites": cap, "every": every,
            **{key: plain(v) for key, v in values.items()}, "printed": printed,
        }  # fmt: skip
        rows = plans.wald_rows(spec, thresholds, risks, plans.schedule(first, cap, every))
        case_texts.append(f'{text(head)[:-1]}, "rows": {listed(map(text, rows), 3)}}}')
    columns = ["sites", "inadequate_at_most", "adequate_at_least"]
    return f'{{"columns": {text(columns)},\n "cases": {listed(case_texts, 2)}}}\n'


def published_json():
    case_texts = []
    for case in published.cases():
        values = listed(map(text, case.values), 3)
        case_texts.append(f'{text(case.head)[:-1]}, "values": {values}, "lines": {stops_text(case.lines, 3)}}}')
    return f'{{"cases": {listed(case_texts, 2)}}}\n'


def kinds_json():
    case_texts = []
    for head, lines, attained, at in kinds.cases():
        rows = []
        for mean, got in at:
            rows.append(text([plain_or_zero({"mean": mean, **got}[c]) for c in COLUMNS]))
        case_texts.append(
            f'{text(head)[:-1]}, "lines": {stops_text(lines, 3)},\n   "attained": {text(attained)},\n   "rows": {listed(rows, 3)}}}'
        )
    return f'{{"columns": {text(COLUMNS)},\n "cases": {listed(case_texts, 2)}}}\n'


FILES = {
    "evaluate.json": evaluate_json,
    "exits.json": exits_json,
    "pmf.json": pmf_json,
    "wald_lines.json": wald_lines_json,
    "published.json": published_json,
    "kinds.json": kinds_json,
}


def main():
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--check", action="store_true", help="write nothing; fail where a file differs")
    arguments.add_argument("files", nargs="*", metavar="FILE", help=f"of {', '.join(FILES)}; default all")
    given = arguments.parse_args()
    different = []
    for name in given.files or FILES:
        made = FILES[name]().encode()
        path = VECTORS / name
        if given.check:
            if not path.is_file() or path.read_bytes() != made:
                different.append(name)
        else:
            VECTORS.mkdir(exist_ok=True)
            path.write_bytes(made)
    if different:
        sys.exit(f"not as the script makes them: {', '.join(different)}")


if __name__ == "__main__":
    main()
