"""What all plots share: styles that tell lines apart without colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import matplotlib as mpl
import matplotlib.pyplot as plt

from .._error import StoplineError, finding

if TYPE_CHECKING:
    from matplotlib.axes import Axes

STYLES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))
MARKERS = ("o", "s", "^", "D", "v", "x")


def axes(ax: Axes | None) -> Axes:
    return plt.gca() if ax is None else ax


def ink() -> str:
    return cast(str, mpl.rcParams["text.color"])


def refused(what: str, value: str | None, allowed: str) -> StoplineError:
    return StoplineError([finding("usage", what, value, allowed)])
