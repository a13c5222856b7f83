"""What a report that leaves the house states: typed, rounded as it is printed, and read back from the event that issued it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from schemas.page import Provenance

__all__ = [
    "SHORT",
    "LabelPage",
    "PaperPage",
    "ReportOnLots",
    "ReportedBlock",
    "ReportedLot",
    "ReportedReadings",
    "states_hash",
]

SHORT = 16
"""So many characters of a hash stand on paper: 64 bits, which nobody meets by chance."""


def states_hash(states: Mapping[str, Any]) -> str:
    """Return the SHA-256 of what a report states, as JSON of sorted keys."""
    written = json.dumps(states, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(written.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedReadings:
    """Readings of a lot by one meter between two runs of checks; `before_at`, `after_at`: None without a run there."""

    meter: str
    probes: tuple[str, ...]
    frequencies_khz: tuple[float, ...]
    readings: int
    first_at: datetime
    last_at: datetime
    before_at: datetime | None
    before_passed: bool | None
    after_at: datetime | None
    after_passed: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedLot:
    """What is said of one lot. Numbers are rounded to `decimals`, in `unit`; what is compared, in the unit of the limits.

    `said` are the reasons of a lot that is not accepted, or what comes first where it is accepted with a condition.
    """

    lot: str
    product: str | None
    material: str | None
    heat: str | None
    supplier: str | None
    purchase_order: str | None
    received_on: datetime | None
    verdict: str
    said: tuple[str, ...]
    decided: tuple[str, ...]
    unit: str
    decimals: int
    mean: float
    expanded_uncertainty: float | None
    coverage_factor: float | None
    compared: str
    limits_decimals: int
    lowest: float
    highest: float
    compared_expanded_uncertainty: float | None
    compared_coverage_factor: float | None
    guard_band: float | None
    acceptance_lower: float | None
    acceptance_upper: float | None
    parts: int
    spots: int
    readings: int
    left_out: int
    temperature_states: tuple[str, ...]
    temperature_low_c: float | None
    temperature_high_c: float | None
    temperature_models: tuple[str, ...]
    corrections: tuple[str, ...]  # kinds of geometry that values were corrected for
    bias_taken_off: bool
    first_at: datetime
    last_at: datetime
    read: tuple[ReportedReadings, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedBlock:
    """A reference block that a check around the lots was made on, with its certificate; values in `unit`."""

    block: str
    certificate: str | None
    certified_value: float | None
    expanded_uncertainty: float | None
    coverage_factor: float | None
    unit: str | None
    certified_on: datetime | None
    due_on: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOnLots:
    """A test report, or a statement of nonconformity, on lots of one specification.

    `kind` is test_report or nonconformity, `earlier` the numbers of reports that were issued on these lots before,
    `as_of` the state of the data, `program` the version that found it.
    """

    kind: str
    number: str
    issued_at: datetime
    by: str
    works: str
    address: str
    country: str
    customer: str | None
    zone: str
    specification: str
    source: str | None
    limits_unit: str
    lower: float | None
    upper: float | None
    conforms_by: str
    decision_rule: str
    rounding: str | None
    plan: tuple[int | None, int | None, int | None]  # parts, spots, repeats that the specification asks for
    reference_temperature_c: float
    confidence: float  # coverage of the expanded uncertainties
    lots: tuple[ReportedLot, ...]
    blocks: tuple[ReportedBlock, ...]
    earlier: tuple[str, ...]
    as_of: datetime
    program: str

    def states(self) -> dict[str, Any]:
        """Return the JSON document that the event of its issue holds; `from_json` reads it back."""
        return dict(as_json(self))


@dataclass(frozen=True, slots=True)
class PaperPage:
    """A report as it is printed, with the hash of what it states."""

    report: ReportOnLots
    sha256: str
    provenance: Provenance

    @property
    def answer(self) -> None:
        """No command tells of it in the same words."""

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        return PageLink("paper", self.report.number, self.report.number, None, "", self.report.issued_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPage:
    """What a label says: of a lot or a block, in which state, since when, until when; the code holds `identifier`."""

    kind: str  # lot | block
    identifier: str
    state: str  # verdict of a lot, state of a block
    first: str | None  # what comes first where a lot is accepted with a condition
    dated: datetime | None
    due: datetime | None
    zone: str
    code: tuple[tuple[bool, ...], ...]  # modules of the code, dark ones true, without its quiet zone
