"""What is said of a supplier over a period. Keys are stable; the handbook lists them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from schemas.page import Provenance
    from schemas.processes import StreamResult

__all__ = ["CertificateAgreement", "Peer", "SupplierMaterial", "SupplierPage", "SupplierResult"]


@dataclass(frozen=True, slots=True)
class CertificateAgreement:
    """Incoming lot means against the mill's certificates: lot mean minus certificate, in the working unit.

    `limits_of_agreement` hold about 95 % of single differences. `beyond` are the lots whose |Eₙ| is above 1.
    """

    lots: int
    pairs: int
    mean_difference: float | None
    mean_difference_interval: tuple[float, float] | None
    standard_deviation: float | None
    limits_of_agreement: tuple[float, float] | None
    normalised_errors: int
    largest_normalised_error: float | None
    beyond: tuple[str, ...]
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Peer:
    """A supplier of the same material over the same period, on the same scale."""

    supplier: str
    lots: int
    parts: int
    mean: float | None
    mean_interval: tuple[float, float] | None
    between_standard_deviation: float | None
    within_standard_deviation: float | None
    ppk: float | None
    ppk_interval: tuple[float, float] | None
    not_computable: dict[str, str]


@dataclass(frozen=True, slots=True)
class SupplierMaterial:
    """One material of a supplier. `capability` is capable, not_capable, undecided or not_assessed, against `ppk_asked`.

    Counts, level, Ppk and certificates are of the period; `stream` charts every lot up to its end, because limits stay
    those of their baseline.
    """

    material: str
    lots: int
    accepted: int
    held: int
    rejected: int
    not_assessed: int
    capability: str
    ppk_asked: float
    level: Peer
    lower: float | None
    upper: float | None
    stream: StreamResult
    certificates: CertificateAgreement
    slope_per_30_days: float | None
    slope_interval: tuple[float, float] | None
    slope_reason: str | None
    peers: tuple[Peer, ...]
    capability_reason: str | None = None  # why none is concluded


@dataclass(frozen=True, slots=True)
class SupplierResult:
    """What the tool says of a supplier; `state` is that of the worst material's level over time."""

    supplier: str
    state: str  # in_control | watch | out_of_control | not_assessed
    reasons: tuple[str, ...]
    from_: datetime | None
    to: datetime | None
    first_at: datetime | None
    last_at: datetime | None
    lots: int
    accepted: int
    held: int
    rejected: int
    not_assessed: int
    materials: tuple[SupplierMaterial, ...]
    unit: str
    reference_temperature_c: float
    as_of: datetime

    @property
    def identifier(self) -> str:
        """Name of its page: a period that was asked for gets a page of its own."""
        if self.from_ is None and self.to is None:
            return self.supplier
        span = " to ".join("" if end is None else f"{end:%Y%m%dT%H%MZ}" for end in (self.from_, self.to))
        return f"{self.supplier} {span}"


@dataclass(frozen=True, slots=True)
class SupplierPage:
    """Everything a supplier page shows.

    `lots`, sorted by material and time: material (place in `result.materials`), lot, first_at, verdict, support, parts, mean,
    standard_deviation, ppk, certificate, certified, certified_expanded, difference, normalised_error. `points` as of
    :class:`schemas.processes.ProcessPage`; its `stream` is the place of the material.
    """

    result: SupplierResult
    lots: pl.DataFrame
    points: pl.DataFrame
    provenance: Provenance

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        document = dict(as_json(self.result))
        return {"from": document.pop("from_"), **document}

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink(
            "supplier", result.identifier, result.supplier, result.state, " ".join(result.reasons[:1]), result.as_of
        )
