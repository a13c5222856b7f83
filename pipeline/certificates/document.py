"""What a digital calibration certificate says, as a value. Numbers keep their digits; units stand as written."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date
    from decimal import Decimal

__all__ = [
    "Certificate",
    "Condition",
    "Identification",
    "Item",
    "Number",
    "Quantity",
    "Result",
    "Signature",
    "Statement",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Identification:
    """A number of an item, and whose it is: manufacturer, calibrationLaboratory, customer, owner or other."""

    issuer: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What was calibrated."""

    name: str
    model: str | None
    identifications: tuple[Identification, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A value with its uncertainty as stated: an expanded one with its coverage factor, or an interval."""

    value: Decimal
    expanded_uncertainty: Decimal | None = None
    coverage_factor: Decimal | None = None
    coverage_probability: Decimal | None = None
    standard_uncertainty: Decimal | None = None
    interval: tuple[Decimal, Decimal] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity of a result: `units` are the ways in which it is stated (a hybrid has several), the numbers alike."""

    name: str
    kinds: tuple[str, ...]  # the words of its refType, such as basic_measuredValue
    units: tuple[str, ...]
    numbers: tuple[tuple[Number, ...], ...]  # for each unit, one or several
    conformity: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """A condition under which a result holds; `status` says before or after an adjustment or repair."""

    name: str
    kinds: tuple[str, ...]
    status: str | None
    quantities: tuple[Quantity, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """A table or single value of a certificate, with the conditions of its measurement."""

    name: str
    kinds: tuple[str, ...]
    quantities: tuple[Quantity, ...]
    conditions: tuple[Condition, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """A statement of the certificate: text, norm, date, conformity, traceability."""

    kinds: tuple[str, ...]
    text: str
    norms: tuple[str, ...]
    date: date | None
    conformity: str | None
    traceable: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """What can be said of an XML signature: whether it is intact, whose it says it is, and whether the site trusts it."""

    intact: bool
    signer: str | None
    trusted: bool
    problem: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A certificate. `held_against` is the version of the schema it agrees with; None where none is laid down here."""

    version: str
    held_against: str | None
    identifier: str
    items: tuple[Item, ...]
    laboratory: str
    customer: str
    performed_from: date
    performed_until: date
    issued_on: date | None
    statements: tuple[Statement, ...]
    results: tuple[Result, ...]
    signatures: int

    @property
    def dated(self) -> date:
        """The day of issue, or where it is not stated the last day of the calibration."""
        return self.issued_on or self.performed_until

    @property
    def due_on(self) -> date | None:
        """The day until which a new calibration is asked for, where exactly one is stated."""
        days = {one.date for one in self.statements if one.date is not None and "basic_recalibration" in one.kinds}
        return days.pop() if len(days) == 1 else None
