"""Sequential-sampling decisions for counts of natural enemies.

A person counts enemies at sites along a walk through a field and must know when enough sites have been
counted to call them adequate or inadequate, or to keep sampling. The names follow the work:
``Counts`` → ``fit`` → ``plan`` → ``evaluate`` (or ``simulate``) → ``compare``, ``replay`` → ``decide`` → ``Plan.card``.

A sampling plan informs; it does not replace local thresholds, the pesticide label, extension advice or a
licensed adviser.
"""

from ._error import Finding, StoplineError
from ._native import (
    CODES,
    Comparison,
    Counts,
    Curve,
    Decision,
    Fit,
    Grid,
    Level,
    Plan,
    Replay,
    Simulated,
    Walk,
    __version__,
    compare,
    decide,
    estimates,
    evaluate,
    field_means,
    fit,
    fit_capped,
    fit_proportion,
    levels,
    mean_variance,
    plan,
    replay,
    resample,
    sensitivity,
    simulate,
)

from ._study import study

__all__ = [
    "CODES",
    "Comparison",
    "Counts",
    "Curve",
    "Decision",
    "Finding",
    "Fit",
    "Grid",
    "Level",
    "Plan",
    "Replay",
    "Simulated",
    "StoplineError",
    "Walk",
    "__version__",
    "compare",
    "decide",
    "estimates",
    "evaluate",
    "field_means",
    "fit",
    "fit_capped",
    "fit_proportion",
    "levels",
    "mean_variance",
    "plan",
    "replay",
    "resample",
    "sensitivity",
    "simulate",
    "study",
]
