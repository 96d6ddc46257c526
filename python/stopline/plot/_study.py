"""Maps of studies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.patheffects import withStroke

from ._style import STYLES, axes, ink, refused

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
    ax = axes(ax)
    for what, name, allowed in (("x", x, tuple(_CROSSED)), ("y", y, tuple(_CROSSED)), ("value", value, _CALLS + _SITES)):
        if name not in allowed or (what == "y" and x == y):
            raise refused(what, repr(name), "another than x" if x == y else ", ".join(allowed))
    columns = {name: list(table[name]) for name in (*_CROSSED, value)}
    asked = {} if where is None else dict(where)
    for name in asked:
        if name not in _CROSSED:
            raise refused("where", repr(name), ", ".join(_CROSSED))
    rows = [i for i in range(len(columns[x])) if all(columns[name][i] == wanted for name, wanted in asked.items())]
    if not rows:
        raise refused("where", repr(asked), "values that the study has")
    real = all(not _missing(columns["draw"][i]) for i in rows)
    for name in _CROSSED:
        if name == "mean" and real:
            continue  # each real walk has its own
        found = _in_order([columns[name][i] for i in rows])
        if name not in (x, y) and len(found) > 1:
            raise refused("where", f"without {name}", f"one of its values: {', '.join(map(str, found))}")
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
            raise refused("contours", str(list(contours)), "two or more numbers on each axis")
        styles = [STYLES[i % len(STYLES)] for i in range(len(contours))]
        lines = ax.contour(shown, levels=sorted(contours), colors=ink(), linestyles=styles, linewidths=1.4)
        # Seen on dark shades and on light ones.
        lines.set_path_effects([withStroke(linewidth=3.4, foreground=mpl.rcParams["axes.facecolor"])])
        for level, style in zip(sorted(contours), styles, strict=True):
            ax.plot([], [], color=ink(), ls=style, lw=1.4, label=f"{level:g}")
        ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=len(contours), frameon=False)
    if shown.size <= _CELLS:
        for (row, column), number in np.ndenumerate(shown):
            if numbers[row, column]:
                red, green, blue, _ = mesh.to_rgba(np.array([number]))[0]
                color = "black" if 0.299 * red + 0.587 * green + 0.114 * blue > 0.5 else "white"
                words = f"{number:.1f}" if value in _SITES else f"{number:.3f}"
                ax.text(column, row, words, ha="center", va="center", color=color, size="small", zorder=3)
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
