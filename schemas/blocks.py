"""What is said of a reference block: certificates, every meter's bias on it, agreement, whether it moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from schemas.comparison import MeterComparison
    from schemas.page import Provenance

__all__ = ["BlockCertificate", "BlockPage", "BlockResult", "FoundMovement", "MeterDifference", "MeterOnBlock"]


@dataclass(frozen=True, slots=True)
class BlockCertificate:
    """One certificate of a block; values in the working unit.

    `holds_from` is None for the first one, which holds from the beginning. `step` is what it changed against the one before,
    `step_e_n` that step in units of both expanded uncertainties.
    """

    certificate: str | None
    certified_on: datetime | None
    due_on: datetime | None
    holds_from: datetime | None
    value_as_written: float | None
    unit_as_written: str | None
    certified_value: float | None
    expanded_uncertainty: float | None
    coverage_factor: float | None
    step: float | None
    step_e_n: float | None
    checks: int
    checks_after_due: int
    certificate_file: str | None  # SHA-256 of the digital certificate in the archive


@dataclass(frozen=True, slots=True)
class MeterOnBlock:
    """Checks of one meter on the block since its last setting; `mean`, `bias` and `standard_deviation` in the working unit."""

    meter: str
    since: datetime | None
    checks: int
    mean: float
    bias: float | None
    last_bias: float | None
    standard_deviation: float | None
    accuracy: float | None  # standard uncertainty by the meter's accuracy statement


@dataclass(frozen=True, slots=True)
class MeterDifference:
    """First minus second meter on the same block or lot, the share that both have in common left out.

    The interval speaks of repeating alone; `e_n` compares with what both meters claim.
    """

    first: str
    second: str
    difference: float
    interval: tuple[float, float] | None
    standard_uncertainty: float | None
    degrees_of_freedom: float | None
    e_n: float | None
    reason: str | None
    basis: str  # checks | same_parts | other_parts


@dataclass(frozen=True, slots=True)
class FoundMovement:
    """A block or a meter of the set that moved, with the evidence; see `metrology.block_agreement`."""

    kind: str  # block | meter
    name: str
    shape: str  # step | ramp
    at: datetime
    size: float
    standard_error: float
    f_ratio: float
    degrees_of_freedom: int
    p_value: float
    rival_kind: str | None
    rival: str | None
    log_likelihood_ratio: float | None  # None where nothing can be set against it
    certain: bool
    meters: int
    visits: int  # on the side of the change that has fewer


@dataclass(frozen=True, slots=True)
class BlockResult:
    """What the tool says of a block."""

    block: str
    state: str  # steady | moved | unclear | overdue | not_assessed
    reasons: tuple[str, ...]
    material: str | None
    unit: str
    certificates: tuple[BlockCertificate, ...]
    meters: tuple[MeterOnBlock, ...]
    differences: tuple[MeterDifference, ...]
    movements: tuple[FoundMovement, ...]
    neighbours: tuple[str, ...]
    visits: int  # visits of meters in which it was checked together with a neighbour
    as_of: datetime
    comparison: MeterComparison | None = None  # None where fewer than two meters checked it


@dataclass(frozen=True, slots=True)
class BlockPage:
    """Everything a block page shows; `checks`, sorted: meter, at, mean, bias, certified_value, tolerance, passes, certificate."""

    result: BlockResult
    checks: pl.DataFrame
    provenance: Provenance

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        return dict(as_json(self.result))

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        last = self.checks["at"].max() if self.checks.height else None
        return PageLink("block", result.block, result.block, result.state, " ".join(result.reasons[:1]), last)  # type: ignore[arg-type]
