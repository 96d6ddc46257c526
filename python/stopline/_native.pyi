from collections.abc import Mapping, Sequence
from os import PathLike
from typing import Any, Literal, TypedDict, final

import numpy as np
import numpy.typing as npt

_Floats = npt.NDArray[np.float64]
_Whole = npt.NDArray[np.uint32]
_Line = tuple[int, int | None, int | None]
_Site = int | Sequence[int | None]

__all__ = [
    "CODES",
    "Comparison",
    "Counts",
    "Curve",
    "Decision",
    "Fit",
    "Level",
    "Plan",
    "Replay",
    "Simulated",
    "Walk",
    "__version__",
    "compare",
    "decide",
    "evaluate",
    "field_means",
    "fit",
    "levels",
    "mean_variance",
    "plan",
    "replay",
    "simulate",
]

__version__: str
CODES: list[str]

class _WalkCounts(TypedDict):
    field: str
    visit: str
    sites: _Whole
    counts: _Floats

@final
class Counts:
    @staticmethod
    def read(
        path: str | PathLike[str],
        *,
        count: Sequence[str] | None = None,
        field: str = "field",
        visit: str | None = None,
        site: str | None = None,
        plants_column: str | None = None,
        missing: Sequence[str] | None = None,
        separator: str | None = None,
        plants: int | None = None,
        rows: Literal["sites", "walks", "plants", "frequencies"] = "sites",
        fill_down: Sequence[str] | None = None,
    ) -> Counts: ...
    @staticmethod
    def from_columns(
        *,
        field: Sequence[object] | npt.NDArray[Any],
        site: npt.ArrayLike,
        counts: npt.ArrayLike | Mapping[str, npt.ArrayLike],
        visit: Sequence[object] | npt.NDArray[Any] | None = None,
        plants: npt.ArrayLike | None = None,
        plants_wanted: int | None = None,
    ) -> Counts: ...
    @property
    def plants(self) -> int: ...
    @property
    def count_columns(self) -> list[str]: ...
    @property
    def notes(self) -> list[str]: ...
    @property
    def walks(self) -> list[_WalkCounts]: ...
    def __len__(self) -> int: ...

@final
class Fit:
    @property
    def k(self) -> float | None: ...
    @property
    def k_low(self) -> float | None: ...
    def table(self) -> dict[str, Any]: ...
    def to_dict(self) -> dict[str, Any]: ...

@final
class Plan:
    @staticmethod
    def given(
        lines: Sequence[_Line],
        *,
        k: float | None = None,
        share: int | None = None,
        plants: int = 1,
        inadequate: float | None = None,
        adequate: float | None = None,
        per: str = "site",
    ) -> Plan: ...
    @staticmethod
    def from_json(text: str) -> Plan: ...
    def to_json(self) -> str: ...
    def to_dict(self) -> dict[str, Any]: ...
    def verify(self) -> None: ...
    def card(self) -> str: ...
    def with_about(
        self,
        *,
        title: str | None = None,
        crop: str | None = None,
        stage: str | None = None,
        counted: str | None = None,
        site: str | None = None,
        route: str | None = None,
        source: str | None = None,
        notes: str | None = None,
    ) -> Plan: ...
    @property
    def digest(self) -> str: ...
    @property
    def method(self) -> str: ...
    @property
    def plants(self) -> int: ...
    @property
    def k(self) -> float | None: ...
    @property
    def thresholds(self) -> tuple[float, float] | None: ...
    @property
    def lines(self) -> list[tuple[int | None, ...]]: ...
    @property
    def columns(self) -> list[str]: ...
    @property
    def straight(self) -> list[tuple[float, float]] | None: ...
    @property
    def attained(self) -> list[tuple[float, str, float]]: ...
    @property
    def cautions(self) -> list[dict[str, str]]: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __ne__(self, other: object, /) -> bool: ...
    def __hash__(self) -> int: ...

@final
class Level:
    @property
    def inadequate(self) -> float: ...
    @property
    def adequate(self) -> float: ...
    @property
    def k(self) -> float | None: ...
    @property
    def fixed_sites(self) -> int | None: ...
    @property
    def largest_expected_sites(self) -> float | None: ...
    @property
    def past(self) -> tuple[int, int, int]: ...

@final
class Curve:
    @property
    def mean(self) -> _Floats: ...
    @property
    def adequate(self) -> _Floats: ...
    @property
    def inadequate(self) -> _Floats: ...
    @property
    def marginal(self) -> _Floats: ...
    @property
    def enough(self) -> _Floats: ...
    @property
    def undecided(self) -> _Floats: ...
    @property
    def expected_sites(self) -> _Floats: ...
    @property
    def sites_sd(self) -> _Floats: ...
    @property
    def sites_p50(self) -> _Whole: ...
    @property
    def sites_p90(self) -> _Whole: ...
    @property
    def at_cap(self) -> _Floats: ...
    @property
    def se_over_mean(self) -> _Floats | None: ...
    @property
    def bias_over_mean(self) -> _Floats | None: ...
    @property
    def even_mean(self) -> float | None: ...
    @property
    def plan(self) -> str: ...
    def to_dict(self) -> dict[str, Any]: ...
    def __len__(self) -> int: ...

@final
class Simulated:
    @property
    def mean(self) -> _Floats: ...
    @property
    def adequate(self) -> _Floats: ...
    @property
    def adequate_se(self) -> _Floats: ...
    @property
    def inadequate(self) -> _Floats: ...
    @property
    def inadequate_se(self) -> _Floats: ...
    @property
    def marginal(self) -> _Floats: ...
    @property
    def marginal_se(self) -> _Floats: ...
    @property
    def enough(self) -> _Floats: ...
    @property
    def enough_se(self) -> _Floats: ...
    @property
    def undecided(self) -> _Floats: ...
    @property
    def undecided_se(self) -> _Floats: ...
    @property
    def expected_sites(self) -> _Floats: ...
    @property
    def expected_sites_se(self) -> _Floats: ...
    @property
    def sites_sd(self) -> _Floats: ...
    @property
    def sites_sd_se(self) -> _Floats: ...
    @property
    def sites_p50(self) -> _Whole: ...
    @property
    def sites_p50_se(self) -> _Floats: ...
    @property
    def sites_p90(self) -> _Whole: ...
    @property
    def sites_p90_se(self) -> _Floats: ...
    @property
    def at_cap(self) -> _Floats: ...
    @property
    def at_cap_se(self) -> _Floats: ...
    @property
    def walks(self) -> int: ...
    @property
    def seed(self) -> int: ...
    @property
    def plan(self) -> str: ...
    def to_dict(self) -> dict[str, Any]: ...
    def __len__(self) -> int: ...

@final
class Comparison:
    @property
    def ways(self) -> list[str]: ...
    @property
    def conclusion(self) -> list[str]: ...
    def table(self) -> dict[str, Any]: ...
    def to_dict(self) -> dict[str, Any]: ...

@final
class Replay:
    def table(self) -> dict[str, Any]: ...
    def to_dict(self) -> dict[str, Any]: ...

@final
class Decision:
    @property
    def verdict(self) -> str: ...
    @property
    def is_final(self) -> bool: ...
    @property
    def ended_by(self) -> str | None: ...
    @property
    def sites(self) -> int: ...
    @property
    def total(self) -> int: ...
    @property
    def stopped_at(self) -> int | None: ...
    @property
    def after_stop(self) -> int: ...
    @property
    def mean(self) -> float | None: ...
    @property
    def cautions(self) -> list[str]: ...
    def to_dict(self) -> dict[str, Any]: ...

@final
class Walk:
    def __new__(cls, plan: Plan) -> Walk: ...
    def push(self, counts: _Site) -> Decision: ...
    def skip(self) -> Decision: ...
    def undo(self) -> Decision: ...
    def close(self) -> Decision: ...
    @property
    def decision(self) -> Decision: ...

def field_means(
    counts: Counts, *, k: float | None = None, fit: Fit | None = None
) -> list[tuple[float, float]]: ...
def fit(
    counts: Counts | npt.ArrayLike,
    *,
    level: float = 0.95,
    study: bool = False,
    draws: int = 999,
    seed: int = 1,
    run_length: int = 5,
    stopped_by: Plan | None = None,
    at_means: Sequence[float] | None = None,
) -> Fit: ...
def mean_variance(
    mean: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    level: float = 0.95,
    at_means: Sequence[float] | None = None,
) -> dict[str, Any]: ...
def plan(
    *,
    inadequate: float | None = None,
    adequate: float | None = None,
    upper: tuple[float, float] | None = None,
    critical: float | None = None,
    confidence: float = 0.9,
    sides: str = "two",
    se_over_mean: float | None = None,
    over: tuple[float, float] | None = None,
    k: float | None = None,
    k_interval: tuple[float, float] | None = None,
    k_sd_log: float | None = None,
    power_law: tuple[float, float] | None = None,
    fit: Fit | None = None,
    plants: int | None = None,
    per: str = "site",
    false_adequate: float = 0.1,
    false_inadequate: float = 0.1,
    min_sites: int = 5,
    max_sites: int = 30,
    every: int = 1,
    at: Sequence[int] | None = None,
    method: str | None = None,
    closing: str | None = None,
    undecided_at_most: float | None = None,
    means: Sequence[float] | None = None,
    weights: Sequence[float] | None = None,
) -> Plan: ...
def levels(
    around: float,
    *,
    k: Sequence[float] | None = None,
    fit: Fit | None = None,
    plants: int | None = None,
    per: str = "site",
    false_adequate: float = 0.1,
    false_inadequate: float = 0.1,
    min_sites: int = 5,
    past_means: Sequence[float] | None = None,
) -> list[Level]: ...
def evaluate(plan: Plan, means: npt.ArrayLike, *, k: float | None = None) -> Curve: ...
def simulate(
    plan: Plan,
    means: npt.ArrayLike,
    *,
    walks: int,
    seed: int = 1,
    k: float | None = None,
    shared: float | None = None,
    run: int | Literal["whole_walk"] | None = None,
) -> Simulated: ...
def compare(
    plans: Mapping[str, Plan] | None = None,
    *,
    fixed: Sequence[int] = ...,
    k: float | None = None,
    fit: Fit | None = None,
    counts: Counts | None = None,
    inadequate: float | None = None,
    adequate: float | None = None,
    per: str = "site",
    plants: int | None = None,
    means: npt.ArrayLike | None = None,
    visits: int = 1,
    minutes_site: float | None = None,
    minutes_enemy: float = 0.0,
    minutes_in_out: float = 0.0,
) -> Comparison: ...
def replay(
    plan: Plan,
    counts: Counts,
    *,
    orders: int = 1000,
    seed: int = 1,
    level: float = 0.9,
    leave_out: bool = False,
    minutes_site: float | None = None,
    minutes_enemy: float = 0.0,
) -> Replay: ...
def decide(plan: Plan, counts: Sequence[_Site | None], *, ended: bool = False) -> Decision: ...
