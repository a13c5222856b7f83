"""What is said of a gauge study. Keys are stable; the handbook lists them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from schemas.page import Provenance

__all__ = ["StudyComponent", "StudyPage", "StudyResult", "StudySource"]


@dataclass(frozen=True, slots=True)
class StudySource:
    """One line of the analysis of variance."""

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    mean_square: float
    f_ratio: float | None
    p_value: float | None


@dataclass(frozen=True, slots=True)
class StudyComponent:
    """One source of variation: repeatability, operator, interaction, reproducibility, gauge, part or total.

    `standard_deviation` and its 95 % `interval` are in the unit of the study.
    """

    source: str
    standard_deviation: float
    interval: tuple[float, float]
    percent_of_variance: float | None
    percent_of_study: float | None
    percent_of_tolerance: float | None


@dataclass(frozen=True, slots=True)
class StudyResult:
    """What the tool says of a gauge study; `state` is usable, limited, not_usable or not_assessed.

    `judged_percent` is the share of the gauge that decides, of `judged_by` (tolerance or study), with its interval.
    `components` and `sources` keep the interaction; `without_interaction` holds the components with the interaction counted as
    repeatability. None or empty where something cannot be computed, with the reason in `not_computable`.
    """

    study: str
    kind: str  # crossed | nested
    compares: str  # operator | meter | probe
    state: str
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    readings: int
    left_out: int
    parts: int
    groups: tuple[str, ...]
    repeats: int
    meters: tuple[str, ...]
    unit: str
    reference_temperature_c: float
    tolerance: float | None
    study_width: float
    judged_by: str | None
    judged_percent: float | None
    judged_interval: tuple[float, float] | None
    percent_of_study: float | None
    percent_of_study_interval: tuple[float, float] | None
    percent_of_tolerance: float | None
    percent_of_tolerance_interval: tuple[float, float] | None
    distinct_categories: int | None
    distinct_categories_interval: tuple[int, int | None] | None
    interaction_p_value: float | None
    components: tuple[StudyComponent, ...]
    without_interaction: tuple[StudyComponent, ...]
    sources: tuple[StudySource, ...]
    not_computable: dict[str, str]
    first_at: datetime | None
    last_at: datetime | None
    as_of: datetime


@dataclass(frozen=True, slots=True)
class StudyPage:
    """Everything a study page shows.

    `readings`, sorted by time: item (part, or part and spot), group, value (at the reference temperature, null where there is
    none), at, meter, operator, source, line, note (why a reading was left out).
    """

    result: StudyResult
    readings: pl.DataFrame
    provenance: Provenance

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        return dict(as_json(self.result))

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink("study", result.study, result.study, result.state, " ".join(result.reasons[:1]), result.last_at)
