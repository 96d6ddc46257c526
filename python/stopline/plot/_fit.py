"""Plots of fits: laws of variance, and how a law describes the counts of a walk."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from matplotlib.ticker import LogLocator, NullFormatter

from .._native import Fit
from ._style import STYLES, axes, ink, refused

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_Floats = npt.NDArray[np.float64]

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
    ax = axes(ax)
    table = fit.table()
    shown = (table["mean"] > 0) & (table["variance"] > 0)
    means = table["mean"][shown]
    ax.plot(means, table["variance"][shown], color=ink(), marker="o", ms=4, mfc="none", ls="none", label="walks")
    studied = fit.to_dict().get("laws")
    laws = studied["laws"] if studied else [{"law": "poisson", "parameters": [], "weight": None}]
    across = np.geomspace(means.min(), means.max(), 60) if means.size else np.array([], dtype=np.float64)
    for i, found in enumerate(laws):
        words, variance = _LAWS[found["law"]]
        label = words.format(*found["parameters"])
        if found["weight"] is not None:
            label += f" (support {found['weight']:.2f})"
        ax.plot(across, variance(across, found["parameters"]), ls=STYLES[i], label=label)
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
    ax = axes(ax)
    fields = fit.to_dict()["fields"]
    if not 0 <= walk < len(fields):
        raise refused("walk", str(walk), f"0 to {len(fields) - 1}")
    tests = fields[walk].get("tests")
    if tests is None:
        raise refused("fit", None, "one made with study=True")
    if tests.get(law) is None:
        raise refused("law", repr(law), str(tests.get(f"{law}_is", "negative_binomial or poisson")))
    classes = tests[law]["classes"]
    observed = np.sqrt([one["observed"] for one in classes])
    expected = np.sqrt([one["expected"] for one in classes])
    place = np.arange(len(classes))
    ax.bar(place, observed, bottom=expected - observed, width=0.8, color="0.8", ec=ink(), lw=0.8, label="observed")
    ax.plot(place, expected, marker="o", ms=4, label=f"expected, {law.replace('_', ' ')}")
    ax.axhline(0.0, color=ink(), lw=0.8)
    ax.set_xticks(place, [_class(one) for one in classes])
    ax.set(xlabel="count of a site", ylabel="√ sites")
    ax.legend()
    return ax


def _class(one: dict[str, Any]) -> str:
    low, high = one["low"], one["high"]
    if high is None:
        return f"{low}+"
    return str(low) if low == high else f"{low}–{high}"
