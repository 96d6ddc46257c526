"""Plots of plans, evaluations and fits; needs matplotlib: ``pip install stopline[plot]``.

Every function draws on ``ax`` (by default the current axes) and returns it. Colours come from the rcParams' cycle;
line styles, markers and words tell everything apart without them. Nothing is computed here: plots show what
``plan``, ``evaluate``, ``simulate``, ``study`` and ``fit(study=True)`` found.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import numpy.typing as npt

from ._error import StoplineError, finding
from ._native import Curve, Fit, Plan, Replay, Simulated, Walk

try:
    import matplotlib as mpl
    import matplotlib.pyplot as plt
    from matplotlib.patheffects import withStroke
    from matplotlib.ticker import LogLocator, NullFormatter
except ModuleNotFoundError as _absent:
    raise ModuleNotFoundError("stopline.plot needs matplotlib: pip install 'stopline[plot]'") from _absent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["calls", "expected_sites", "hanging_rootogram", "mean_variance", "replay", "stop_chart", "study_map"]

_Floats = npt.NDArray[np.float64]
_Evaluated = Curve | Simulated
_Curves = _Evaluated | Mapping[str, _Evaluated | Sequence[_Evaluated]]

_STYLES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))
_MARKERS = ("o", "s", "^", "D", "v", "x")
# More marks than this run together.
_MANY = 40


def _axes(ax: Axes | None) -> Axes:
    return plt.gca() if ax is None else ax


def _ink() -> str:
    return cast(str, mpl.rcParams["text.color"])


def _refused(what: str, value: str | None, allowed: str) -> StoplineError:
    return StoplineError([finding("usage", what, value, allowed)])


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
    ax = _axes(ax)
    rows = np.array([[np.nan if x is None else x for x in row] for row in plan.lines], dtype=np.float64)
    path, verdict = _walked(plan, counts)
    top = max(np.nanmax(rows[:, 1:], initial=0.0), max(total for _, total in path))
    low, high = min(0.0, np.nanmin(rows[:, 1:], initial=0.0)), 1.08 * top + 1.0
    at, columns = rows[:, 0], plan.columns[1:]
    for i, name in enumerate(columns):
        line = rows[:, i + 1]
        style: dict[str, Any] = {"ls": _STYLES[i], "marker": _MARKERS[i], "ms": 3.5, "markevery": 1 + len(at) // _MANY}
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
        ax.plot(sites, totals, color=_ink(), lw=1.2, drawstyle="steps-post", label="walk")
        ax.plot(sites[-1], totals[-1], color=_ink(), marker="*", ms=9, ls="none", label=verdict)
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
        raise _refused("call", repr(call), ", ".join(allowed))
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
    ax = _axes(ax)
    named = curves if isinstance(curves, Mapping) else {"": curves}
    for i, (label, given) in enumerate(named.items()):
        group = list(given) if isinstance(given, Sequence) else [given]
        mean = group[0].mean
        if any(not np.array_equal(one.mean, mean) for one in group):
            raise _refused("curves", label, "the same means for all under one label")
        values = np.array([getattr(one, column) for one in group])
        style: dict[str, Any] = {"ls": _STYLES[i % len(_STYLES)], "marker": _MARKERS[i % len(_MARKERS)], "ms": 3.5}
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


_LAWS: dict[str, tuple[str, Callable[[_Floats, list[Any]], _Floats]]] = {
    "poisson": ("Poisson, m", lambda m, _: m),
    "constant_k": ("m + m²/{0:.3g}", lambda m, of: m + m * m / of[0]),
    "proportional": ("{0:.3g} m", lambda m, of: of[0] * m),
    "power_law": ("{0:.3g} m^{1:.3g}", lambda m, of: of[0] * m ** of[1]),
}


def mean_variance(fit: Fit, *, ax: Axes | None = None) -> Axes:
    """Variance against mean of the walks, on logarithmic axes, with the laws of variance.

    Parameters
    ----------
    fit : Fit
        Of several walks; one with ``study=True`` also has the laws, the best supported first, with their share of
        the support (Akaike's weights; Burnham & Anderson 2002).
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> import matplotlib, stopline
    >>> matplotlib.use("Agg")
    >>> from stopline import plot
    >>> counts = stopline.Counts.from_columns(field=["heron"] * 4 + ["plover"] * 4, site=[1, 2, 3, 4] * 2,
    ...                                       counts=[0, 1, 0, 3, 8, 2, 9, 1])
    >>> plot.mean_variance(stopline.fit(counts)).get_xscale()
    'log'
    """
    ax = _axes(ax)
    table = fit.table()
    shown = (table["mean"] > 0) & (table["variance"] > 0)
    means = table["mean"][shown]
    ax.plot(means, table["variance"][shown], color=_ink(), marker="o", ms=4, mfc="none", ls="none", label="walks")
    studied = fit.to_dict().get("laws")
    laws = studied["laws"] if studied else [{"law": "poisson", "parameters": [], "weight": None}]
    across = np.geomspace(means.min(), means.max(), 60) if means.size else np.array([], dtype=np.float64)
    for i, found in enumerate(laws):
        words, variance = _LAWS[found["law"]]
        label = words.format(*found["parameters"])
        if found["weight"] is not None:
            label += f" (support {found['weight']:.2f})"
        ax.plot(across, variance(across, found["parameters"]), ls=_STYLES[i], label=label)
    ax.set(xscale="log", yscale="log", xlabel="mean per site", ylabel="variance")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter("{x:g}")
        axis.set_minor_formatter(NullFormatter())
    ax.legend()
    return ax


def hanging_rootogram(fit: Fit, walk: int = 0, *, law: str = "negative_binomial", ax: Axes | None = None) -> Axes:
    """How a fitted law describes the counts of a walk: bars of observed sites hang from the expected ones.

    Both are on a square-root scale, on which every class varies alike (Tukey 1977, Exploratory Data Analysis; Kleiber
    & Zeileis 2016, American Statistician 70:296-303). A bar that ends above zero shows too few sites, one below zero
    too many. Classes are those of the chi-square test: at least 5 sites expected in each.

    Parameters
    ----------
    fit : Fit
        With ``study=True``.
    walk : int
        Which one, from 0.
    law : {"negative_binomial", "poisson"}
        Which law.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    StoplineError
        ``usage`` where the fit holds no such test.

    Examples
    --------
    European red mites on 150 apple leaves (Bliss & Fisher 1953, Biometrics 9:176-200):

    >>> import matplotlib, numpy as np, stopline
    >>> matplotlib.use("Agg")
    >>> from stopline import plot
    >>> mites = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
    >>> ax = plot.hanging_rootogram(stopline.fit(mites, study=True, draws=99))
    >>> [label.get_text() for label in ax.get_xticklabels()]
    ['0', '1', '2', '3', '4', '5+']
    """
    ax = _axes(ax)
    fields = fit.to_dict()["fields"]
    if not 0 <= walk < len(fields):
        raise _refused("walk", str(walk), f"0 to {len(fields) - 1}")
    tests = fields[walk].get("tests")
    if tests is None:
        raise _refused("fit", None, "one made with study=True")
    if tests.get(law) is None:
        raise _refused("law", repr(law), str(tests.get(f"{law}_is", "negative_binomial or poisson")))
    classes = tests[law]["classes"]
    observed = np.sqrt([one["observed"] for one in classes])
    expected = np.sqrt([one["expected"] for one in classes])
    place = np.arange(len(classes))
    ax.bar(place, observed, bottom=expected - observed, width=0.8, color="0.8", ec=_ink(), lw=0.8, label="observed")
    ax.plot(place, expected, marker="o", ms=4, label=f"expected, {law.replace('_', ' ')}")
    ax.axhline(0.0, color=_ink(), lw=0.8)
    ax.set_xticks(place, [_class(one) for one in classes])
    ax.set(xlabel="count of a site", ylabel="√ sites")
    ax.legend()
    return ax


def _class(one: dict[str, Any]) -> str:
    low, high = one["low"], one["high"]
    if high is None:
        return f"{low}+"
    return str(low) if low == high else f"{low}–{high}"


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
    ax = _axes(ax)
    table = replayed.table()
    order = sorted(range(len(table["mean"])), key=lambda i: (table["mean"][i], i))
    marks: dict[str, list[tuple[int, int]]] = {"agrees": [], "differs": [], "contradicted": [], "no stop": []}
    for place, i in enumerate(order):
        sites, stop = table["sites"][i], table["stopped_at"][i]
        ax.plot([0, sites], [place, place], color=_ink(), lw=0.6, ls=":")
        ax.plot([0, sites if stop is None else stop], [place, place], color=_ink(), lw=1.2, ls="-")
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


# What a study crosses, and how axes name it.
_CROSSED = {
    "plan": "plan",
    "k": "clumping k",
    "shared": "share of the clumping in common",
    "run": "sites of a run",
    "draw": "how sites are drawn",
    "block": "sites of a block",
    "field": "field",
    "visit": "visit",
    "mean": "true mean per site",
}
_SITES = ("expected_sites", "sites_p50", "sites_p90")
_CALLS = ("adequate", "inadequate", "marginal", "enough", "undecided")
# More cells than this have no room for their numbers.
_CELLS = 80


def study_map(
    table: Any,
    x: str,
    y: str,
    *,
    value: str = "adequate",
    where: Mapping[str, Any] | None = None,
    contours: Sequence[float] = (),
    ax: Axes | None = None,
) -> Axes:
    """A study over two of the things it crosses: shades with the number in each cell, and contours.

    Repeats are averaged. Cells stand side by side in the order of their values, whatever lies between these. A cell
    that the study does not have stays empty. Shades are those of the rcParams' ``image.cmap``.

    Parameters
    ----------
    table : dict of str to list, or a data frame
        What ``study`` returns.
    x, y : {"plan", "k", "shared", "run", "draw", "block", "field", "visit", "mean"}
        Columns across and upwards.
    value : {"adequate", "inadequate", "marginal", "enough", "undecided", "expected_sites", "sites_p50", "sites_p90"}
        What is shown.
    where : dict of str to value, optional
        Only rows with these values: everything else that the study crosses must be the same in all rows shown.
    contours : sequence of float, optional
        Values along which lines are drawn, as a risk that is asked; both columns must be numbers.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    StoplineError
        ``usage`` for a column that is none of these, for rows that differ in something else, or for no rows.

    Examples
    --------
    >>> import matplotlib, stopline
    >>> matplotlib.use("Agg")
    >>> from stopline import plot
    >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    >>> grid = stopline.Grid({"mine": plan}, means=[1.0], k=[0.6, 1.2], shared=[0.0, 0.25], run=5, walks=500)
    >>> ax = plot.study_map(stopline.study(grid), "k", "shared", contours=[0.1])
    >>> [label.get_text() for label in ax.get_xticklabels()]
    ['0.6', '1.2']
    """
    ax = _axes(ax)
    for what, name, allowed in (("x", x, tuple(_CROSSED)), ("y", y, tuple(_CROSSED)), ("value", value, _CALLS + _SITES)):
        if name not in allowed or (what == "y" and x == y):
            raise _refused(what, repr(name), "another than x" if x == y else ", ".join(allowed))
    columns = {name: list(table[name]) for name in (*_CROSSED, value)}
    asked = {} if where is None else dict(where)
    for name in asked:
        if name not in _CROSSED:
            raise _refused("where", repr(name), ", ".join(_CROSSED))
    rows = [i for i in range(len(columns[x])) if all(columns[name][i] == wanted for name, wanted in asked.items())]
    if not rows:
        raise _refused("where", repr(asked), "values that the study has")
    real = all(not _missing(columns["draw"][i]) for i in rows)
    for name in _CROSSED:
        if name == "mean" and real:
            continue  # each real walk has its own
        found = _in_order([columns[name][i] for i in rows])
        if name not in (x, y) and len(found) > 1:
            raise _refused("where", f"without {name}", f"one of its values: {', '.join(map(str, found))}")
    across, up = (_in_order([columns[name][i] for i in rows]) for name in (x, y))
    sums, numbers = np.zeros((len(up), len(across))), np.zeros((len(up), len(across)))
    for i in rows:
        if not _missing(columns[value][i]):
            place = (up.index(_plain(columns[y][i])), across.index(_plain(columns[x][i])))
            sums[place] += columns[value][i]
            numbers[place] += 1
    shown = np.ma.masked_where(numbers == 0, sums / np.maximum(numbers, 1))
    mesh = ax.pcolormesh(np.arange(len(across)), np.arange(len(up)), shown, shading="nearest")
    if contours:
        if min(shown.shape) < 2 or any(isinstance(one, str) or one is None for one in (*across, *up)):
            raise _refused("contours", str(list(contours)), "two or more numbers on each axis")
        styles = [_STYLES[i % len(_STYLES)] for i in range(len(contours))]
        lines = ax.contour(shown, levels=sorted(contours), colors=_ink(), linestyles=styles, linewidths=1.4)
        # Seen on dark shades and on light ones.
        lines.set_path_effects([withStroke(linewidth=3.4, foreground=mpl.rcParams["axes.facecolor"])])
        for level, style in zip(sorted(contours), styles, strict=True):
            ax.plot([], [], color=_ink(), ls=style, lw=1.4, label=f"{level:g}")
        ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=len(contours), frameon=False)
    if shown.size <= _CELLS:
        for (row, column), number in np.ndenumerate(shown):
            if numbers[row, column]:
                red, green, blue, _ = mesh.to_rgba(np.array([number]))[0]
                ink = "black" if 0.299 * red + 0.587 * green + 0.114 * blue > 0.5 else "white"
                words = f"{number:.1f}" if value in _SITES else f"{number:.3f}"
                ax.text(column, row, words, ha="center", va="center", color=ink, size="small", zorder=3)
    ax.set_xticks(range(len(across)), [_named(one) for one in across])
    ax.set_yticks(range(len(up)), [_named(one) for one in up])
    ax.set(xlabel=_CROSSED[x], ylabel=_CROSSED[y])
    ax.set_title(value.replace("_", " ") if value in _SITES else f"probability of {value}", loc="left", size="medium")
    return ax


def _missing(one: Any) -> bool:
    return one is None or (isinstance(one, float) and np.isnan(one))


def _plain(one: Any) -> Any:
    return None if _missing(one) else one


def _in_order(found: Sequence[Any]) -> list[Any]:
    """Each value once: none first, then numbers by size, or words as they come."""
    once = list(dict.fromkeys(map(_plain, found)))
    numbers = sorted(one for one in once if one is not None and not isinstance(one, str))
    return [one for one in once if one is None] + numbers + [one for one in once if isinstance(one, str)]


def _named(one: Any) -> str:
    return "none" if one is None else one if isinstance(one, str) else f"{one:g}"
