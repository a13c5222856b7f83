"""What a certificate would write into a reference table: rows, where each cell comes from, and what has to be asked."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from pipeline.certificates.units import UnknownUnit, parse_unit

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from pipeline.certificates.document import Certificate, Number, Quantity, Result

__all__ = ["Answers", "Proposal", "Question", "propose"]

TABLES = {"blocks": "block", "calibrations": "meter", "sensors": "sensor"}
"""The tables that certificates fill, and the column that names what was calibrated."""

_ZERO_CELSIUS = Decimal("273.15")
_STATUS = {"beforeAdjustment": "as_found", "afterAdjustment": "as_left"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a person says where the certificate leaves it open."""

    table: str | None = None
    name: str | None = None
    result: int | None = None
    condition: str | None = None
    percent_is_iacs: bool = False
    at_reference: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is not clear, the choices, and the option that answers."""

    text: str
    choices: tuple[str, ...]
    option: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Rows for one table, as texts by column; nothing is to be written while a question stands."""

    table: str | None
    rows: tuple[dict[str, str], ...]
    notes: tuple[str, ...]
    questions: tuple[Question, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """One value that a row could hold, in a unit of our tables, with what it was compared with."""

    table: str
    what: str
    unit: str
    value: Decimal
    reference: Decimal | None
    uncertainty: Decimal | None
    coverage_factor: Decimal | None
    condition: str | None
    problem: str | None = None

    def said(self) -> str:
        uncertainty = "no uncertainty" if self.uncertainty is None else f"U {self.uncertainty:f}"
        factor = "" if self.coverage_factor is None else f" (k {self.coverage_factor:f})"
        against = "" if self.reference is None else f" at {self.reference:f} {self.unit}"
        return f"{self.what}: {self.value:f} {self.unit}{against}, {uncertainty}{factor}"


def propose(
    certificate: Certificate,
    answers: Answers,
    *,
    known: Mapping[str, Collection[str]],
    reference_temperature_c: float,
    sha256: str,
) -> Proposal:
    """Return what a certificate would write, and what it leaves open.

    Parameters
    ----------
    certificate
        From `read_certificate`.
    answers
        What a person said.
    known
        For each of `TABLES`, the names that the site knows (blocks, meters, sensors).
    reference_temperature_c
        Of the workspace; a block's value must hold there.
    sha256
        Of the file, which each row names.
    """
    questions: list[Question] = []
    points = list(_points(certificate, answers))
    usable = [point for point in points if point.problem is None]
    notes = [*_told(certificate), *dict.fromkeys(f"{p.what}: {p.problem}" for p in points if p.problem is not None)]
    tables = sorted({point.table for point in usable})
    table = answers.table or (tables[0] if len(tables) == 1 else None)
    if table is None:
        text = (
            "It states nothing that a reference table holds." if not tables else "It speaks of several kinds of things."
        )
        return Proposal(
            table=None,
            rows=(),
            notes=tuple(notes),
            questions=(Question(text=text, choices=tuple(tables or TABLES), option="--table"),),
        )
    chosen = [point for point in usable if point.table == table]
    numbered = tuple(f"{number}: {point.said()}" for number, point in enumerate(chosen, start=1))
    if not chosen:
        questions.append(
            Question(text=f"It states nothing for the table {table}.", choices=tuple(tables), option="--table")
        )
    elif answers.result is not None:
        if not 1 <= answers.result <= len(chosen):
            questions.append(
                Question(text=f"There is no result {answers.result}.", choices=numbered, option="--result")
            )
        else:
            chosen = [chosen[answers.result - 1]]
    elif len(chosen) > 1 and (table != "calibrations" or _repeated(chosen, answers)):
        questions.append(Question(text="Several values could be meant.", choices=numbered, option="--result"))
    name = answers.name or _name_of(certificate, known[table])
    if name is None:
        identifications = tuple(
            dict.fromkeys(f"{one.value} ({one.issuer})" for item in certificate.items for one in item.identifications)
        )
        questions.append(
            Question(
                text=f"Which {TABLES[table]} it is: none of its numbers, or several, stand in the table.",
                choices=identifications,
                option="--as",
            )
        )
    if table == "calibrations" and answers.condition is None and any(point.condition is None for point in chosen):
        questions.append(
            Question(
                text="Whether the meter was read as found or as left is not stated.",
                choices=("as_found", "as_left"),
                option="--condition",
            )
        )
    if table == "blocks" and not answers.at_reference and not _holds_at(certificate, reference_temperature_c):
        questions.append(
            Question(
                text=f"It does not say that its value holds at {reference_temperature_c:g} °C "
                f"({_temperatures(certificate) or 'no temperature is stated'}).",
                choices=("give it if the certificate states the value at that temperature",),
                option="--at-reference",
            )
        )
    if any(point.uncertainty is None for point in chosen):
        notes.append("It states no expanded uncertainty for a value: that cell stays empty, and no budget rests on it.")
    rows = () if questions else tuple(_row(point, certificate, name or "", answers, sha256) for point in chosen)
    return Proposal(table=table, rows=rows, notes=tuple(notes), questions=tuple(questions))


def _name_of(certificate: Certificate, known: Collection[str]) -> str | None:
    """Return the one number of the item that the site knows; without one nothing is guessed."""
    found = {one.value for item in certificate.items for one in item.identifications} & set(known)
    return found.pop() if len(found) == 1 else None


def _repeated(points: list[_Point], answers: Answers) -> bool:
    keys = [(point.condition or answers.condition, point.reference, point.unit) for point in points]
    return len(set(keys)) < len(keys)


def _row(point: _Point, certificate: Certificate, name: str, answers: Answers, sha256: str) -> dict[str, str]:
    due = "" if certificate.due_on is None else certificate.due_on.isoformat()
    uncertainty = "" if point.uncertainty is None else f"{point.uncertainty:f}"
    factor = "" if point.coverage_factor is None else f"{point.coverage_factor:f}"
    file = {"certificate": certificate.identifier, "certificate_file": sha256}
    if point.table == "blocks":
        return {
            "block": name,
            "certified_value": f"{point.value:f}",
            "unit": point.unit,
            "expanded_uncertainty": uncertainty,
            "coverage_factor": factor,
            "certified_on": certificate.dated.isoformat(),
            "due_on": due,
            **file,
        }
    if point.table == "sensors":
        correction = (point.reference or Decimal(0)) - point.value
        return {
            "sensor": name,
            "correction_c": f"{correction:f}",
            "expanded_uncertainty_c": uncertainty,
            "coverage_factor": factor,
            "due_on": due,
            **file,
        }
    return {
        "meter": name,
        "calibrated_on": certificate.performed_until.isoformat(),
        "condition": point.condition or answers.condition or "",
        "nominal": f"{point.reference or Decimal(0):f}",
        "indicated": f"{point.value:f}",
        "unit": point.unit,
        "expanded_uncertainty": uncertainty,
        "coverage_factor": factor,
        "laboratory": certificate.laboratory,
        **file,
    }


# the values -------------------------------------------------------------------------------------------------------------


def _points(certificate: Certificate, answers: Answers) -> Iterator[_Point]:
    for result in certificate.results:
        by_kind = {kind: quantity for quantity in result.quantities for kind in quantity.kinds}
        reference, measured = by_kind.get("basic_referenceValue"), by_kind.get("basic_measuredValue")
        if reference is not None and measured is not None:
            yield from _compared(result, reference, measured, by_kind.get("basic_measurementError"), answers)
        else:
            for quantity in result.quantities:
                if "basic_measurementError" not in quantity.kinds:
                    yield from _single(result, quantity, answers)


def _compared(
    result: Result, reference: Quantity, measured: Quantity, error: Quantity | None, answers: Answers
) -> Iterator[_Point]:
    what = result.name or measured.name
    condition = next((_STATUS[one.status] for one in result.conditions if one.status in _STATUS), None)
    ours, theirs = _in_our_unit(measured, answers), _in_our_unit(reference, answers)
    if isinstance(ours, str) or isinstance(theirs, str):
        yield _problem(what, ours if isinstance(ours, str) else str(theirs))
        return
    unit, numbers = ours
    other, references = theirs
    if unit != other or len(numbers) != len(references):
        yield _problem(
            what, f"values in {unit} against references in {other}, {len(numbers)} against {len(references)}"
        )
        return
    errors = None if error is None else _in_our_unit(error, answers, difference=True)
    stated = (
        errors[1] if errors is not None and not isinstance(errors, str) and len(errors[1]) == len(numbers) else numbers
    )
    for number, known, with_uncertainty in zip(numbers, references, stated, strict=True):
        # the uncertainty stands with the error, or with what was measured, or with what it was compared with
        source = next((one for one in (with_uncertainty, number, known) if _expanded(one)[0] is not None), number)
        uncertainty, factor, problem = _expanded(source)
        yield _Point(
            table="sensors" if unit == "°C" else "calibrations",
            what=what,
            unit=unit,
            value=number.value,
            reference=known.value,
            uncertainty=uncertainty,
            coverage_factor=factor,
            condition=condition,
            problem=problem,
        )


def _single(result: Result, quantity: Quantity, answers: Answers) -> Iterator[_Point]:
    what = quantity.name or result.name
    found = _in_our_unit(quantity, answers)
    if isinstance(found, str):
        yield _problem(what, found)
        return
    unit, numbers = found
    if unit == "°C":
        return  # a temperature alone corrects nothing
    for number in numbers:
        uncertainty, factor, problem = _expanded(number)
        yield _Point(
            table="blocks",
            what=what,
            unit=unit,
            value=number.value,
            reference=None,
            uncertainty=uncertainty,
            coverage_factor=factor,
            condition=None,
            problem=problem,
        )


def _problem(what: str, problem: str) -> _Point:
    nothing = {"uncertainty": None, "coverage_factor": None, "reference": None, "condition": None}
    return _Point(table="", what=what or "a result", unit="", value=Decimal(0), problem=problem, **nothing)


def _in_our_unit(
    quantity: Quantity, answers: Answers, *, difference: bool = False
) -> tuple[str, tuple[Number, ...]] | str:
    """Return the numbers in the first of their units that our tables know, or why none is known."""
    problems = []
    for text, numbers in zip(quantity.units, quantity.numbers, strict=True):
        try:
            unit = parse_unit(text)
        except UnknownUnit as error:
            problems.append(str(error))
            continue
        scale = {"conductivity": ("MS/m", Decimal("1e-6")), "resistivity": ("nOhm.m", Decimal("1e9"))}.get(
            unit.quantity or ""
        )
        if scale is not None:
            return scale[0], tuple(
                _scaled(number, (unit.factor * scale[1]).normalize(), Decimal(0)) for number in numbers
            )
        if unit.quantity in ("temperature", "celsius_temperature"):
            # a step of one kelvin is one of a degree Celsius; only a temperature has another zero
            zero = -_ZERO_CELSIUS if unit.quantity == "temperature" and not difference else Decimal(0)
            return "°C", tuple(_scaled(number, unit.factor, zero) for number in numbers)
        if unit.quantity == "ratio" and unit.factor == Decimal("0.01"):
            if "iacs" in quantity.name.lower() or answers.percent_is_iacs:
                return "%IACS", numbers
            problems.append(f"{text}: percent of what is not said; if it is %IACS: --percent-is-iacs")
            continue
        problems.append(f"{text}: no unit of a conductivity, a resistivity or a temperature")
    return "; ".join(problems)


def _scaled(number: Number, factor: Decimal, zero: Decimal) -> Number:
    def times(value: Decimal | None) -> Decimal | None:
        return None if value is None else _plain(value * factor)

    return type(number)(
        value=_plain(number.value * factor) + zero,
        expanded_uncertainty=times(number.expanded_uncertainty),
        coverage_factor=number.coverage_factor,
        coverage_probability=number.coverage_probability,
        standard_uncertainty=times(number.standard_uncertainty),
        interval=None
        if number.interval is None
        else (_plain(number.interval[0] * factor) + zero, _plain(number.interval[1] * factor) + zero),
    )


def _plain(value: Decimal) -> Decimal:
    """Return a number without an exponent; its digits are those of the certificate."""
    exponent = value.as_tuple().exponent
    return value.quantize(Decimal(1)) if isinstance(exponent, int) and exponent > 0 else value


def _expanded(number: Number) -> tuple[Decimal | None, Decimal | None, str | None]:
    """Return expanded uncertainty and coverage factor; an interval gives both where it lies evenly about the value."""
    if number.expanded_uncertainty is not None or number.interval is None:
        return number.expanded_uncertainty, number.coverage_factor, None
    low, high = number.value - number.interval[0], number.interval[1] - number.value
    if low != high or low <= 0:
        return None, None, "its interval does not lie evenly about the value, so it has no one expanded uncertainty"
    if not number.standard_uncertainty:
        return low, None, None
    return low, (low / number.standard_uncertainty).quantize(Decimal("0.0001")).normalize(), None


# what is told -----------------------------------------------------------------------------------------------------------


def _told(certificate: Certificate) -> Iterator[str]:
    if certificate.held_against is None:
        yield f"No schema of version {certificate.version} is laid down here, so it was read without being held against one."
    for statement in certificate.statements:
        words = " ".join(
            part for part in (statement.text, f"({', '.join(statement.norms)})" if statement.norms else "") if part
        )
        if statement.conformity is not None:
            yield f"Conformity: {statement.conformity}. {words}"
        elif statement.traceable is not None:
            yield f"{'Traceable' if statement.traceable else 'Not traceable'}: {words}"
        elif words:
            yield f"Statement: {words}"
    seen: set[str] = set()
    for result in certificate.results:
        for condition in result.conditions:
            stated = "; ".join(
                f"{quantity.name} {' '.join(f'{number.value:f}' for number in quantity.numbers[-1])} {quantity.units[-1]}"
                for quantity in condition.quantities
            )
            text = f"Condition: {condition.name}{': ' if stated else ''}{stated}"
            if text not in seen:
                seen.add(text)
                yield text


def _celsius(certificate: Certificate) -> list[Decimal]:
    found = []
    for result in certificate.results:
        for condition in result.conditions:
            if "basic_temperature" in condition.kinds:
                for quantity in condition.quantities:
                    ours = _in_our_unit(quantity, Answers())
                    if not isinstance(ours, str) and ours[0] == "°C":
                        found += [number.value for number in ours[1]]
    return found


def _holds_at(certificate: Certificate, reference_c: float) -> bool:
    """Whether the temperatures of its conditions take the reference temperature in."""
    found = _celsius(certificate)
    return bool(found) and min(found) <= Decimal(str(reference_c)) <= max(found)


def _temperatures(certificate: Certificate) -> str:
    found = _celsius(certificate)
    return f"measured at {min(found):f} to {max(found):f} °C" if found else ""
