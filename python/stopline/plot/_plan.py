"""Plots of plans: their lines with a walk, what they do against the true mean, where they stop full walks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .._native import Curve, Plan, Replay, Simulated, Walk
from ._style import MARKERS, STYLES, axes, ink, refused

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_Evaluated = Curve | Simulated
_Curves = _Evaluated | Mapping[str, _Evaluated | Sequence[_Evaluated]]

# More marks than this run together.
_MANY = 40


def stop_chart(plan: Plan, counts: Sequence[Any] = (), *, ax: Axes | None = None) -> Axes:
    """The stop lines of a plan, and a walk on them.

    Parameters
    ----------
    plan : Plan
        Of any kind.
    counts : sequence of n counts, optional
        A walk as ``decide`` takes it, in the order walked; it is drawn to where it stops.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    StoplineError
        ``entry`` for a site that cannot be scored.

    Examples
    --------
    >>> import matplotlib, stopline
    >>> matplotlib.use("Agg")
    >>> from stopline import plot
    >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    >>> ax = plot.stop_chart(plan, [3, 0, 2, 5, 1, 0, 4, 2, 6])
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('sites', 'total')
    """
    ax = axes(ax)
    rows = np.array([[np.nan if x is None else x for x in row] for row in plan.lines], dtype=np.float64)
    path, verdict = _walked(plan, counts)
    top = max(np.nanmax(rows[:, 1:], initial=0.0), max(total for _, total in path))
    low, high = min(0.0, np.nanmin(rows[:, 1:], initial=0.0)), 1.08 * top + 1.0
    at, columns = rows[:, 0], plan.columns[1:]
    for i, name in enumerate(columns):
        line = rows[:, i + 1]
        style: dict[str, Any] = {"ls": STYLES[i], "marker": MARKERS[i], "ms": 3.5, "markevery": 1 + len(at) // _MANY}
        (drawn,) = ax.plot(at, line, label=name.replace("_", " "), **style)
        fill: dict[str, Any] = {"color": drawn.get_color(), "alpha": 0.15, "lw": 0}
        if name.endswith("_at_least"):
            ax.fill_between(at, line, high, **fill)
        elif name.endswith("_at_most"):
            ax.fill_between(at, low, line, **fill)
        elif name.endswith("_to"):
            ax.fill_between(at, rows[:, i], line, **fill)
    if len(path) > 1:
        sites, totals = zip(*path, strict=True)
        ax.plot(sites, totals, color=ink(), lw=1.2, drawstyle="steps-post", label="walk")
        ax.plot(sites[-1], totals[-1], color=ink(), marker="*", ms=9, ls="none", label=verdict)
    ax.set(xlim=(0, 1.03 * at[-1]), ylim=(low, high), xlabel=plan.columns[0], ylabel="total")
    ax.legend(loc="upper left")
    return ax


def _walked(plan: Plan, counts: Sequence[Any]) -> tuple[list[tuple[int, int]], str]:
    """Sites and total after each site of a walk up to its stop, from none; and what it comes to."""
    walk, path = Walk(plan), [(0, 0)]
    for count in counts:
        decision = walk.skip() if count is None else walk.push(count)
        path.append((decision.sites, decision.total))
        if decision.stopped_at is not None:
            break
    return path, walk.decision.verdict.replace("_", " ")


def calls(curves: _Curves, *, call: str = "adequate", ax: Axes | None = None) -> Axes:
    """Chance of a call against the true mean (operating characteristic), of one or several plans.

    Parameters
    ----------
    curves : Curve or Simulated, or dict of them
        By label. Under one label may stand several of the same n means, of several k say: the first is drawn as a
        line, with a band from the least to the largest of all. Simulated ones have bars of 2 standard errors.
    call : {"adequate", "inadequate", "marginal", "enough", "undecided"}
        Which call.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    StoplineError
        ``usage`` for another call, or where curves under one label have other means.

    Examples
    --------
    >>> import matplotlib, numpy as np, stopline
    >>> matplotlib.use("Agg")
    >>> from stopline import plot
    >>> plan, means = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0), np.linspace(0.3, 4.0, 30)
    >>> ax = plot.calls({"k 1.2 (0.8 to 2)": [stopline.evaluate(plan, means, k=k) for k in (1.2, 0.8, 2.0)]})
    >>> ax.get_ylabel()
    'probability of the call adequate'
    """
    allowed = ("adequate", "inadequate", "marginal", "enough", "undecided")
    if call not in allowed:
        raise refused("call", repr(call), ", ".join(allowed))
    ax = _against_mean(curves, call, ax)
    ax.set(ylim=(-0.02, 1.02), ylabel=f"probability of the call {call}")
    return ax


def expected_sites(curves: _Curves, *, ax: Axes | None = None) -> Axes:
    """Expected number of sites against the true mean, of one or several plans.

    Parameters
    ----------
    curves : Curve or Simulated, or dict of them
        As ``calls`` takes them.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    StoplineError
        ``usage`` where curves under one label have other means.

    Examples
    --------
    >>> import matplotlib, numpy as np, stopline
    >>> matplotlib.use("Agg")
    >>> from stopline import plot
    >>> means = np.linspace(0.3, 4.0, 30)
    >>> plans = {m: stopline.plan(k=1.2, inadequate=1.0, adequate=2.0, method=m) for m in ("calibrated", "fixed")}
    >>> ax = plot.expected_sites({name: stopline.evaluate(plan, means) for name, plan in plans.items()})
    >>> [text.get_text() for text in ax.get_legend().get_texts()]
    ['calibrated', 'fixed']
    """
    ax = _against_mean(curves, "expected_sites", ax)
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel("expected sites")
    return ax


def _against_mean(curves: _Curves, column: str, ax: Axes | None) -> Axes:
    ax = axes(ax)
    named = curves if isinstance(curves, Mapping) else {"": curves}
    for i, (label, given) in enumerate(named.items()):
        group = list(given) if isinstance(given, Sequence) else [given]
        mean = group[0].mean
        if any(not np.array_equal(one.mean, mean) for one in group):
            raise refused("curves", label, "the same means for all under one label")
        values = np.array([getattr(one, column) for one in group])
        style: dict[str, Any] = {"ls": STYLES[i % len(STYLES)], "marker": MARKERS[i % len(MARKERS)], "ms": 3.5}
        style["markevery"] = max(1, len(mean) // 10)
        (line,) = ax.plot(mean, values[0], label=label, **style)
        if len(group) > 1:
            ax.fill_between(mean, values.min(axis=0), values.max(axis=0), color=line.get_color(), alpha=0.2, lw=0)
        if isinstance(group[0], Simulated):
            twice = 2 * getattr(group[0], f"{column}_se")
            ax.errorbar(mean, values[0], yerr=twice, fmt="none", ecolor=line.get_color())
    ax.set_xlabel("true mean per site")
    if any(named):
        ax.legend()
    return ax


def replay(replayed: Replay, *, ax: Axes | None = None) -> Axes:
    """Where a plan stops full walks, and whether its call agrees with the whole walk.

    Walks stand in the order of their means. A line reaches over the sites of each, drawn through to where the plan
    stops; the mark there says whether the call is that of all the sites, and whether the interval of the whole walk's
    mean contradicts it.

    Parameters
    ----------
    replayed : Replay
        Of n walks.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> import matplotlib, stopline
    >>> matplotlib.use("Agg")
    >>> from stopline import plot
    >>> plan = stopline.Plan.given([(2, 0, 5), (4, 3, 4)], k=1.0)
    >>> counts = stopline.Counts.from_columns(field=["owl"] * 4, site=[1, 2, 3, 4], counts=[3, 2, 0, 4])
    >>> plot.replay(stopline.replay(plan, counts, orders=0)).get_xlabel()
    'sites'
    """
    ax = axes(ax)
    table = replayed.table()
    order = sorted(range(len(table["mean"])), key=lambda i: (table["mean"][i], i))
    marks: dict[str, list[tuple[int, int]]] = {"agrees": [], "differs": [], "contradicted": [], "no stop": []}
    for place, i in enumerate(order):
        sites, stop = table["sites"][i], table["stopped_at"][i]
        ax.plot([0, sites], [place, place], color=ink(), lw=0.6, ls=":")
        ax.plot([0, sites if stop is None else stop], [place, place], color=ink(), lw=1.2, ls="-")
        if stop is None:
            marks["no stop"].append((sites, place))
        else:
            name = "contradicted" if table["contradicted"][i] else "agrees" if table["agrees"][i] else "differs"
            marks[name].append((stop, place))
    for (name, at), marker in zip(marks.items(), ("o", "d", "X", "|"), strict=True):
        if at:
            ax.plot(*zip(*at, strict=True), marker=marker, ls="none", ms=6, label=f"{name} ({len(at)})")
    names = [f"{table['field'][i]}, {table['visit'][i]} ({table['mean'][i]:.2f})" for i in order]
    ax.set_yticks(range(len(order)), names)
    ax.set(xlim=(0, None), xlabel="sites", ylabel="walk (mean per site)")
    # Above the axes: within them it would hide walks.
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=len(marks), frameon=False)
    return ax
