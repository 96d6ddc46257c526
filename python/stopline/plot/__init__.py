"""Plots of plans, evaluations and fits; needs matplotlib: ``pip install stopline[plot]``.

Every function draws on ``ax`` (by default the current axes) and returns it. Colours come from the rcParams' cycle;
line styles, markers and words tell everything apart without them. Nothing is computed here: plots show what
``plan``, ``evaluate``, ``simulate``, ``study`` and ``fit(study=True)`` found.
"""

try:
    import matplotlib  # noqa: F401
except ModuleNotFoundError as _absent:
    raise ModuleNotFoundError("stopline.plot needs matplotlib: pip install 'stopline[plot]'") from _absent

from ._fit import hanging_rootogram, mean_variance
from ._plan import calls, expected_sites, replay, stop_chart
from ._study import study_map

__all__ = ["calls", "expected_sites", "hanging_rootogram", "mean_variance", "replay", "stop_chart", "study_map"]
