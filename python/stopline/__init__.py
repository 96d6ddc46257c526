"""Sequential-sampling decisions for counts of natural enemies.

A person counts enemies at sites along a walk through a field and must know when enough sites have been
counted to call them adequate or inadequate, or to keep sampling. The names follow the work:
``Counts`` → ``fit`` → ``plan`` → ``evaluate`` (or ``simulate``) → ``decide`` → ``Plan.card``.

A sampling plan informs; it does not replace local thresholds, the pesticide label, extension advice or a
licensed adviser.
"""

from ._error import Finding, StoplineError
from ._native import (
    CODES,
    Counts,
    Curve,
    Decision,
    Fit,
    Level,
    Plan,
    Simulated,
    Walk,
    __version__,
    decide,
    evaluate,
    field_means,
    fit,
    levels,
    plan,
    simulate,
)

__all__ = [
    "CODES",
    "Counts",
    "Curve",
    "Decision",
    "Finding",
    "Fit",
    "Level",
    "Plan",
    "Simulated",
    "StoplineError",
    "Walk",
    "__version__",
    "decide",
    "evaluate",
    "field_means",
    "fit",
    "levels",
    "plan",
    "simulate",
]
