"""What notebooks show of counts and results."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

from ._error import StoplineError
from ._native import Comparison, Counts, Curve, Fit, Plan, Replay, Simulated

# Of a long table the first and the last rows are shown.
_MOST = 24


def _cell(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, float):
        if math.isnan(value):
            return "–"
        if math.isinf(value):
            return "∞"
        return f"{value:.4g}"
    return escape(str(value))


def _table(columns: Mapping[str, Iterable[Any]], caption: str) -> str:
    rows = list(zip(*(getattr(c, "tolist", lambda c=c: list(c))() for c in columns.values()), strict=True))
    body = ["".join(f"<td>{_cell(value)}</td>" for value in row) for row in rows]
    if len(body) > _MOST:
        body = [*body[: _MOST // 2], f'<td colspan="{len(columns)}">…</td>', *body[-_MOST // 2 :]]
    head = "".join(f"<th>{escape(name.replace('_', ' '))}</th>" for name in columns)
    lines = "".join(f"<tr>{row}</tr>" for row in body)
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"


def _words(sentences: Sequence[str]) -> str:
    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)


def counts(of: Counts) -> str:
    """A row a walk."""
    walks = of.walks
    table: dict[str, list[Any]] = {
        "field": [walk["field"] for walk in walks],
        "visit": [walk["visit"] for walk in walks],
        "sites": [len(walk["sites"]) for walk in walks],
        "missing": [int(sum(math.isnan(count) for count in walk["counts"])) for walk in walks],
        "total": [int(sum(count for count in walk["counts"] if not math.isnan(count))) for walk in walks],
    }
    return _table(table, f"Counts at sites of {of.plants} plants") + _words(of.notes)


def fit(of: Fit) -> str:
    """A row a walk, and the common k."""
    table = of.table()
    shown = ["field", "visit", "sites", "mean", "variance", "k", "k_low", "k_high"]
    try:
        common = "infinite (Poisson)" if of.k is None else f"{of.k:.4g}"
        lower = "" if of.k_low is None else f", lower limit {of.k_low:.4g}"
    except StoplineError as e:
        common, lower = str(e), ""
    return _table({name: table[name] for name in shown}, f"Clumping: k of all walks together {common}{lower}")


def plan(of: Plan) -> str:
    """Lines, the risks that they exactly have, and cautions."""
    risks = [
        f"A field truly at {mean:g} per site is called {call} {100 * p:.1f} times in 100."
        for mean, call, p in of.attained
    ]
    if of.alike is not None:
        where = "the whole walk" if of.alike["run"] is None else f"runs of {of.alike['run']} sites"
        risks += [
            f"Where {of.alike['shared']:g} of the clumping is common to {where}, it is called {call} {100 * p:.1f} times in 100."
            for _, call, p in of.alike["attained"]
        ]
    caption = f"Stop lines on the total ({of.method.replace('_', ' ')}; digest {of.digest[:15]})"
    return _table(of.table(), caption) + _words(risks + [caution["text"] for caution in of.cautions])


def curve(of: Curve) -> str:
    """A row a mean, without calls that the plan cannot make."""
    return _table(_possible(of.table()), f"What the plan does, exactly (plan {of.plan[:15]})")


def simulated(of: Simulated) -> str:
    """A row a mean."""
    caption = f"What the plan does over {of.walks} simulated walks at each mean, seed {of.seed} (plan {of.plan[:15]})"
    return _table(_possible(of.table()), caption)


def comparison(of: Comparison) -> str:
    """A row a way and mean, and what it comes to."""
    return _table(of.table(), "Ways to walk a field, exactly") + _words(of.conclusion)


def replay(of: Replay) -> str:
    """A row a walk."""
    return _table(of.table(), "A plan over full walks")


def _possible(table: dict[str, Any]) -> dict[str, Any]:
    calls = ("adequate", "inadequate", "marginal", "enough", "undecided")
    never = {call for call in calls if not table[call].any()}
    return {name: column for name, column in table.items() if name.removesuffix("_se") not in never}
