r"""Writes a meter's in-house check, before and after an adjustment where there was one, as a DCC of schema 3.2.1.

It says of itself that it is no accredited calibration. Whether such a document will do is for the governing
specification and the quality system of the site to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_UP, Decimal
from typing import TYPE_CHECKING, Any

from lxml import etree

from pipeline.certificates.reading import DCC, SI, read_certificate

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

__all__ = ["CheckPoint", "CheckStatement", "certificate_of"]

VERSION = "3.2.1"
_UNITS = {
    "MS/m": r"\mega\siemens\metre\tothe{-1}",
    "%IACS": r"\percent",
    "nOhm.m": r"\nano\ohm\metre",
    "uOhm.cm": r"\micro\ohm\centi\metre",
    "Ohm.cm": r"\ohm\centi\metre",
}
NOT_ACCREDITED = (
    "In-house check, not an accredited calibration. It says what the meter showed on reference blocks at the time; whether "
    "it suffices is for the governing specification and the quality system of the site to say."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPoint:
    """A check on one block: what the certificate of the block says, what the meter showed, and the U (k) of the difference.

    Numbers in the unit of the statement.
    """

    block: str
    certificate: str | None
    reference: float
    indicated: float
    expanded_uncertainty: float
    coverage_factor: float
    passes: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStatement:
    """What a certificate of a check states; `as_found` is empty unless the meter was adjusted between."""

    identifier: str
    meter: str
    model: str | None
    works: str
    country: str
    address: str
    by: str
    software: str
    begun: date
    ended: date
    unit: str
    tolerance: str
    as_found: Sequence[CheckPoint]
    points: Sequence[CheckPoint]
    temperature_c: float | None
    decimals: int


def certificate_of(statement: CheckStatement) -> bytes:
    """Return the certificate as XML.

    Parameters
    ----------
    statement
        What it states.

    Returns
    -------
    bytes
        UTF-8; agrees with the schema and reads back.
    """
    root = etree.Element(f"{DCC}digitalCalibrationCertificate", nsmap={"dcc": DCC[1:-1], "si": SI[1:-1]})
    root.set("schemaVersion", VERSION)
    _administrative(etree.SubElement(root, f"{DCC}administrativeData"), statement)
    results = etree.SubElement(root, f"{DCC}measurementResults")
    if statement.as_found:
        _result(results, statement, statement.as_found, status="beforeAdjustment", name="As found")
    status = "afterAdjustment" if statement.as_found else None
    _result(results, statement, statement.points, status=status, name="As left" if statement.as_found else "Check")
    data: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True)
    read_certificate(data, where=statement.identifier)  # what would not be taken is not given
    return data


def _add(parent: Any, path: str, text: str | None = None, **attributes: str) -> Any:
    for name in path.split("/"):
        parent = etree.SubElement(parent, f"{SI if name.startswith('si:') else DCC}{name.removeprefix('si:')}")
    for name, value in attributes.items():
        parent.set(name, value)
    if text is not None:
        parent.text = text
    return parent


def _words(parent: Any, name: str, text: str, **attributes: str) -> None:
    _add(_add(parent, name, **attributes), "content", text, lang="en")


def _contact(parent: Any, name: str, statement: CheckStatement) -> None:
    contact = _add(parent, name)
    _words(contact, "name", statement.works)
    location = _add(contact, "location")
    _add(location, "countryCode", statement.country)
    if statement.address:
        _words(location, "further", statement.address)


def _administrative(parent: Any, statement: CheckStatement) -> None:
    software = _add(parent, "dccSoftware/software")
    _words(software, "name", "annealog")
    _add(software, "release", statement.software)
    core = _add(parent, "coreData")
    _add(core, "countryCodeISO3166_1", statement.country)
    _add(core, "usedLangCodeISO639_1", "en")
    _add(core, "mandatoryLangCodeISO639_1", "en")
    _add(core, "uniqueIdentifier", statement.identifier)
    _add(core, "beginPerformanceDate", statement.begun.isoformat())
    _add(core, "endPerformanceDate", statement.ended.isoformat())
    _add(core, "performanceLocation", "customer")
    item = _add(parent, "items/item")
    _words(item, "name", "Eddy-current conductivity meter")
    if statement.model:
        _add(item, "model", statement.model)
    identification = _add(item, "identifications/identification")
    _add(identification, "issuer", "owner")
    _add(identification, "value", statement.meter)
    _contact(_add(parent, "calibrationLaboratory"), "contact", statement)
    person = _add(parent, "respPersons/respPerson")
    _words(_add(person, "person"), "name", statement.by)
    _add(person, "mainSigner", "true")
    _contact(parent, "customer", statement)
    statements = _add(parent, "statements")
    _words(_add(statements, "statement"), "declaration", NOT_ACCREDITED)
    conformity = _add(statements, "statement", refType="basic_conformity")
    _words(conformity, "declaration", f"Each block within {statement.tolerance} of its certified value, as left.")
    _add(conformity, "conformity", "pass" if all(point.passes for point in statement.points) else "fail")


def _result(
    parent: Any, statement: CheckStatement, points: Sequence[CheckPoint], *, status: str | None, name: str
) -> None:
    measurement = _add(parent, "measurementResult")
    _words(measurement, "name", name)
    method = _add(measurement, "usedMethods/usedMethod", refType="basic_uncertainty")
    _words(method, "name", "Expanded uncertainty")
    _words(
        method,
        "description",
        "Of the error: the certificate of the block, the repeatability of the readings on it and the resolution of the meter, "
        "combined as in the GUM; drift until the next check is not counted.",
    )
    _add(method, "norm", "JCGM 100:2008")
    equipments = _add(measurement, "measuringEquipments")
    for point in points:
        block = _add(equipments, "measuringEquipment", refType="basic_normalUsed")
        _words(block, "name", "Reference block")
        for issuer, value in (("owner", point.block), ("calibrationLaboratory", point.certificate)):
            if value:
                identifications = block.find(f"{DCC}identifications")
                one = _add(
                    _add(block, "identifications") if identifications is None else identifications, "identification"
                )
                _add(one, "issuer", issuer)
                _add(one, "value", value)
    if statement.temperature_c is not None or status is not None:
        condition = _add(measurement, "influenceConditions/influenceCondition", refType="basic_temperature")
        _words(condition, "name", "Temperature of the blocks")
        if status is not None:
            _add(condition, "status", status)
        data = _add(condition, "data")
        if statement.temperature_c is None:
            _words(data, "text", "not stated")
        else:
            real = _add(data, "quantity/si:real")
            _add(real, "si:value", f"{statement.temperature_c:.1f}")
            _add(real, "si:unit", r"\degreecelsius")
    result = _add(measurement, "results/result")
    _words(result, "name", f"{name}: conductivity at the reference temperature")
    table = _add(result, "data/list")
    _quantity(table, statement, "Reference value", "basic_referenceValue", [point.reference for point in points])
    _quantity(table, statement, "Indicated value", "basic_measuredValue", [point.indicated for point in points])
    # of the rounded numbers above: what is printed must agree with itself
    errors = [_decimal(point.indicated, statement) - _decimal(point.reference, statement) for point in points]
    _quantity(table, statement, "Error", "basic_measurementError", errors, points)


def _decimal(value: float, statement: CheckStatement) -> Decimal:
    return Decimal(f"{value:.{statement.decimals}f}")


def _upwards(value: float) -> Decimal:
    """Return an uncertainty with two digits, rounded up."""
    number = Decimal(value)
    return number.quantize(Decimal(1).scaleb(number.adjusted() - 1), ROUND_UP)


def _quantity(
    parent: Any,
    statement: CheckStatement,
    name: str,
    kind: str,
    values: Sequence[float | Decimal],
    points: Sequence[CheckPoint] = (),
) -> None:
    quantity = _add(parent, "quantity", refType=kind)
    _words(quantity, "name", f"{name}, %IACS" if statement.unit == "%IACS" else name)
    numbers = _add(quantity, "si:realListXMLList")
    _add(numbers, "si:valueXMLList", " ".join(f"{value:.{statement.decimals}f}" for value in values))
    _add(numbers, "si:unitXMLList", _UNITS[statement.unit])
    if points:
        expanded = _add(numbers, "si:expandedUncXMLList")
        # rounded up to two digits: an uncertainty is not made smaller by printing it
        _add(expanded, "si:uncertaintyXMLList", " ".join(f"{_upwards(p.expanded_uncertainty):f}" for p in points))
        _add(expanded, "si:coverageFactorXMLList", " ".join(f"{p.coverage_factor:.2f}" for p in points))
        _add(expanded, "si:coverageProbabilityXMLList", "0.95")
