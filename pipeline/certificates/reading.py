"""Reads digital calibration certificates (DCC, versions 2.4 to 3.3): hostile text is refused before it is parsed."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal, InvalidOperation
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from xml.parsers import expat

from lxml import etree

from pipeline.certificates.document import (
    Certificate,
    Condition,
    Identification,
    Item,
    Number,
    Quantity,
    Result,
    Statement,
)
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["LARGEST", "CertificateError", "read_certificate"]

DCC, SI, DSIG = "{https://ptb.de/dcc}", "{https://ptb.de/si}", "{http://www.w3.org/2000/09/xmldsig#}"
LARGEST = 20_000_000
"""Bytes; a certificate may carry scans of itself, a hundredfold of what it says."""

_DEEPEST, _MOST_ELEMENTS, _MOST_NUMBERS = 60, 200_000, 10_000
_VERSION = re.compile(r"(\d+)\.(\d+)\.(\d+)")
_OLDEST, _NEWEST = (2, 4), (3, 3)
_SCHEMAS = ("3.1.2", "3.2.1")


class CertificateError(UsageError):
    """A certificate cannot be read: says what was found, where, and what was expected."""


def read_certificate(data: bytes, *, where: str) -> Certificate:
    """Return what a certificate says.

    Parameters
    ----------
    data
        The file.
    where
        Its name, for messages.

    Raises
    ------
    CertificateError
        If it is too large, no XML, declares entities or a document type, is no DCC of a version that we know, or does
        not agree with the schema of its version.
    """
    _look_first(data, where)
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True
    )
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise CertificateError(f"{where}: no well-formed XML: {error}.") from None
    if root.tag != f"{DCC}digitalCalibrationCertificate":
        raise CertificateError(
            f"{where}: the outermost element is {str(root.tag)[:80]!r}. Expected digitalCalibrationCertificate of the "
            "namespace https://ptb.de/dcc."
        )
    version = root.get("schemaVersion", "")
    match = _VERSION.fullmatch(version)
    if match is None or not _OLDEST <= (int(match[1]), int(match[2])) <= _NEWEST:
        raise CertificateError(f"{where}: schemaVersion is {version[:20]!r}. Versions 2.4 to 3.3 are read.")
    return _Reader(where, root).certificate(version, _held_against(root, version, where))


def _look_first(data: bytes, where: str) -> None:
    """Refuse what could harm who parses it: expat tells of a document type before anything of it is used."""
    if len(data) > LARGEST:
        raise CertificateError(
            f"{where}: {len(data) / 1e6:.0f} MB; a certificate has at most {LARGEST // 1_000_000} MB."
        )
    depth = elements = 0

    def start(_name: str, _attributes: Any) -> None:
        nonlocal depth, elements
        depth, elements = depth + 1, elements + 1
        if depth > _DEEPEST or elements > _MOST_ELEMENTS:
            raise CertificateError(
                f"{where}: more than {_DEEPEST} elements within each other, or {_MOST_ELEMENTS} in all; no certificate."
            )

    def end(_name: str) -> None:
        nonlocal depth
        depth -= 1

    def refuse(*_: Any) -> None:
        raise CertificateError(
            f"{where}: it declares a document type or entities, which a certificate has no use for; they are never read."
        )

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refuse
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, LookupError, ValueError) as error:  # the latter two where the encoding is none
        raise CertificateError(f"{where}: no well-formed XML: {error}.") from None


# the schema -------------------------------------------------------------------------------------------------------------


class _Local(etree.Resolver):  # type: ignore[misc]
    """Gives the files laid down here for the addresses that schemas name, and nothing for any other."""

    def resolve(self, address: str | None, _public: str | None, context: Any) -> Any:
        name = (address or "").rsplit("/", 1)[-1]
        if name == "SI_Format.xsd":
            return self.resolve_string(
                (files("pipeline.certificates") / "xsd" / "SI_Format_2_1_0.xsd").read_bytes(), context
            )
        if name == "xmldsig-core-schema.xsd":
            return self.resolve_string((files("signxml") / "schemas" / name).read_bytes(), context)
        return self.resolve_string(b"<nothing/>", context)


@cache
def _schema(version: str) -> etree.XMLSchema:
    parser = etree.XMLParser(no_network=True, load_dtd=False, resolve_entities=True)
    parser.resolvers.add(_Local())
    name = f"dcc_{version.replace('.', '_')}.xsd"
    return etree.XMLSchema(etree.fromstring((files("pipeline.certificates") / "xsd" / name).read_bytes(), parser))


def _held_against(root: etree._Element, version: str, where: str) -> str | None:
    """Hold it against the schema of its version, or of the same minor version; return which."""
    near = next((one for one in _SCHEMAS if one.rsplit(".", 1)[0] == version.rsplit(".", 1)[0]), None)
    if near is None:
        return None
    schema = _schema(near)
    root.set("schemaVersion", near)  # a schema takes its own version only
    agrees = schema.validate(root)
    root.set("schemaVersion", version)
    if not agrees:
        first = schema.error_log[0]
        raise CertificateError(
            f"{where}, line {first.line}: {_shortened(first.message)} It does not agree with the schema {near} "
            f"(it says it is of {version}); ask the laboratory for a valid one."
        )
    return near


def _shortened(message: str) -> str:
    plain = message.replace(DCC, "").replace(SI, "")
    return plain if len(plain) <= 300 else plain[:300] + " ..."


# the content ------------------------------------------------------------------------------------------------------------


class _Reader:
    """Walks one certificate; every message names it."""

    def __init__(self, where: str, root: etree._Element) -> None:
        self.where, self.root, self.numbers = where, root, 0

    def refuse(self, element: etree._Element, problem: str) -> CertificateError:
        return CertificateError(f"{self.where}, line {element.sourceline}: {problem}.")

    def certificate(self, version: str, held_against: str | None) -> Certificate:
        core = self.one(self.root, "administrativeData/coreData")
        start = self.day(core, "beginPerformanceDate")
        end = self.day(core, "endPerformanceDate")
        if start is None or end is None:
            raise self.refuse(
                core, "it does not say when the calibration was made (beginPerformanceDate, endPerformanceDate)"
            )
        administrative = self.one(self.root, "administrativeData")
        results = [
            result
            for measurement in _find(self.root, "measurementResults/measurementResult")
            for result in self.results(measurement)
        ]
        if not results:
            raise self.refuse(self.root, "it has no result")
        return Certificate(
            version=version,
            held_against=held_against,
            identifier=self.text(core, "uniqueIdentifier", needed=True) or "",
            items=tuple(self.item(item) for item in _find(administrative, "items/item")),
            laboratory=_words(administrative, "calibrationLaboratory/contact/name"),
            customer=_words(administrative, "customer/name"),
            performed_from=start,
            performed_until=end,
            issued_on=self.day(core, "issueDate"),
            statements=tuple(self.statement(one) for one in _find(administrative, "statements/statement")),
            results=tuple(results),
            signatures=len(self.root.findall(f"{DSIG}Signature")),
        )

    def one(self, parent: etree._Element, path: str) -> etree._Element:
        found = list(_find(parent, path))
        if len(found) != 1:
            raise self.refuse(parent, f"{path} stands {len(found)} times; expected once")
        return found[0]

    def text(self, parent: etree._Element, path: str, *, needed: bool = False) -> str | None:
        found = next(_find(parent, path), None)
        text = " ".join((found.text or "").split()) if found is not None else ""
        if not text and needed:
            raise self.refuse(parent, f"{path} is missing or empty")
        return text or None

    def day(self, parent: etree._Element, path: str) -> date | None:
        text = self.text(parent, path)
        if text is None:
            return None
        try:
            return date.fromisoformat(text[:10])  # xs:date may carry an offset, which says nothing of a day here
        except ValueError:
            raise self.refuse(parent, f"{path} is {text[:30]!r}; expected a date such as 2026-03-02") from None

    def item(self, item: etree._Element) -> Item:
        return Item(
            name=_words(item, "name"),
            model=self.text(item, "model"),
            identifications=tuple(
                Identification(
                    issuer=self.text(one, "issuer") or "other", value=self.text(one, "value", needed=True) or ""
                )
                for one in _find(item, "identifications/identification")
            ),
        )

    def statement(self, one: etree._Element) -> Statement:
        traceable = self.text(one, "traceable")
        return Statement(
            kinds=_kinds(one),
            text=_words(one, "declaration") or _words(one, "name"),
            norms=tuple(" ".join((norm.text or "").split()) for norm in _find(one, "norm")),
            date=self.day(one, "date"),
            conformity=self.text(one, "conformity"),
            traceable=None if traceable is None else traceable in ("true", "1"),
        )

    def results(self, measurement: etree._Element) -> Iterator[Result]:
        conditions = tuple(
            Condition(
                name=_words(one, "name"),
                kinds=_kinds(one),
                status=self.text(one, "status"),
                quantities=tuple(self.quantities(_find(one, "data"))),
            )
            for one in _find(measurement, "influenceConditions/influenceCondition")
        )
        for result in _find(measurement, "results/result"):
            for data in _find(result, "data"):
                name = _words(result, "name") or _words(measurement, "name")
                # a list is a table of its own: its quantities belong row by row
                tables = list(_find(data, "list"))
                loose = tuple(self.quantities([data], inside_lists=False))
                if loose:
                    yield Result(name=name, kinds=_kinds(result), quantities=loose, conditions=conditions)
                for table in tables:
                    yield Result(
                        name=name,
                        kinds=(*_kinds(result), *_kinds(table)),
                        quantities=tuple(self.quantities([table])),
                        conditions=conditions,
                    )

    def quantities(self, parents: Any, *, inside_lists: bool = True) -> Iterator[Quantity]:
        for parent in parents:
            for child in parent:
                if child.tag == f"{DCC}quantity":
                    found = self.quantity(child)
                    if found is not None:
                        yield found
                elif child.tag == f"{DCC}list" and inside_lists:
                    yield from self.quantities([child])

    def quantity(self, element: etree._Element) -> Quantity | None:
        units: list[str] = []
        numbers: list[tuple[Number, ...]] = []
        for child in element:
            stated = child if child.tag == f"{SI}hybrid" else [child]
            for one in stated:
                if one.tag in (f"{SI}real", f"{SI}constant"):
                    units.append(_own(one, "unit"))
                    numbers.append((self.real(one),))
                elif one.tag == f"{SI}realListXMLList":
                    found = self.real_list(one)
                    given = _own(one, "unitXMLList").split()
                    if len(set(given)) != 1:
                        raise self.refuse(one, f"a list in {len(set(given))} units; expected one")
                    units.append(given[0])
                    numbers.append(found)
                elif one.tag == f"{SI}list":
                    raise self.refuse(
                        one, "a quantity as si:list, which is not read; expected si:real or si:realListXMLList"
                    )
        if not numbers:
            return None  # text, complex numbers: nothing that a reference table holds
        return Quantity(
            name=_words(element, "name"),
            kinds=_kinds(element),
            units=tuple(units),
            numbers=tuple(numbers),
            conformity=tuple(
                word
                for one in element.iter(f"{DCC}conformity", f"{DCC}conformityXMLList")
                for word in (one.text or "").split()
            ),
        )

    def decimal(self, element: etree._Element, text: str) -> Decimal:
        self.numbers += 1
        if self.numbers > _MOST_NUMBERS:
            raise self.refuse(element, f"more than {_MOST_NUMBERS} numbers")
        try:
            found = Decimal(text) if len(text) <= 40 else Decimal("nan")
        except InvalidOperation:
            found = Decimal("nan")
        if not found.is_finite() or abs(found.adjusted()) > 40:
            raise self.refuse(element, f"{text[:40]!r} is no number that a certificate states")
        return found

    def real(self, element: etree._Element) -> Number:
        def under(*names: str) -> Decimal | None:
            text = next((text for name in names if (text := _below(element, name)) is not None), None)
            return None if text is None else self.decimal(element, text)

        low, high = under("intervalMin"), under("intervalMax")
        value = under("value")
        if value is None:
            raise self.refuse(element, "a quantity without a value")
        return Number(
            value=value,
            # D-SI to 2.1: expandedUnc/uncertainty; from 2.2 on: expandedMU/valueExpandedMU (from memory)
            expanded_uncertainty=under("uncertainty", "valueExpandedMU"),
            coverage_factor=under("coverageFactor"),
            coverage_probability=under("coverageProbability"),
            standard_uncertainty=under("standardUnc", "valueStandardMU"),
            interval=None if low is None or high is None else (low, high),
        )

    def real_list(self, element: etree._Element) -> tuple[Number, ...]:
        values = _own(element, "valueXMLList").split()

        def under(*names: str) -> list[Decimal | None]:
            text = next((text for name in names if (text := _below(element, name)) is not None), "")
            found = text.split()
            if len(found) not in (0, 1, len(values)):
                raise self.refuse(element, f"{len(values)} values and {len(found)} of {names[0]}")
            # one for all, as the D-SI allows
            return [self.decimal(element, one) for one in found * (len(values) if len(found) == 1 else 1)] or [
                None
            ] * len(values)

        columns = zip(
            [self.decimal(element, value) for value in values],
            under("uncertaintyXMLList", "valueExpandedMUXMLList"),
            under("coverageFactorXMLList"),
            under("coverageProbabilityXMLList"),
            under("standardUncXMLList", "valueStandardMUXMLList"),
            under("intervalMinXMLList"),
            under("intervalMaxXMLList"),
            strict=True,
        )
        return tuple(
            Number(
                value=value,
                expanded_uncertainty=expanded,
                coverage_factor=factor,
                coverage_probability=probability,
                standard_uncertainty=standard,
                interval=None if low is None or high is None else (low, high),
            )
            for value, expanded, factor, probability, standard, low, high in columns
        )


def _find(parent: etree._Element, path: str) -> Iterator[etree._Element]:
    yield from parent.iterfind("/".join(f"{DCC}{name}" for name in path.split("/")))


def _own(element: etree._Element, name: str) -> str:
    return " ".join((element.findtext(f"{SI}{name}") or "").split())


def _below(element: etree._Element, name: str) -> str | None:
    found = next(element.iter(f"{SI}{name}"), None)
    return None if found is None else " ".join((found.text or "").split())


def _kinds(element: etree._Element) -> tuple[str, ...]:
    return tuple(element.get("refType", "").split())


def _words(parent: etree._Element, path: str) -> str:
    """Return the text of an element in English where there is one, else in the first language."""
    found = next(_find(parent, path), None)
    if found is None:
        return ""
    contents = found.findall(f"{DCC}content")
    best = next((one for one in contents if one.get("lang") == "en"), contents[0] if contents else None)
    return "" if best is None else " ".join((best.text or "").split())
