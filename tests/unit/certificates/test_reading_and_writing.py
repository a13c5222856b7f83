"""Digital calibration certificates: what they propose for the reference tables, and what they leave open. Invented numbers."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_certificates import certificate, compared, quantity

from pipeline.certificates.proposal import Answers, Proposal, propose
from pipeline.certificates.reading import CertificateError, read_certificate
from pipeline.certificates.units import PREFIXES, UnknownUnit, parse_unit
from pipeline.certificates.writing import NOT_ACCREDITED, CheckPoint, CheckStatement, certificate_of

MS = r"\mega\siemens\metre\tothe{-1}"
KNOWN = {"blocks": ["BL-77"], "calibrations": ["EC-01"], "sensors": ["T-3"]}


def proposed(data: bytes, *, known: Any = KNOWN, **answers: Any) -> Proposal:
    found = read_certificate(data, where="c.xml")
    return propose(found, Answers(**answers), known=known, reference_temperature_c=20.0, sha256="ab")


def open_options(found: Proposal) -> list[str]:
    assert found.rows == ()
    return [question.option for question in found.questions]


# units ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "quantity_meant", "factor"),
    [
        (MS, "conductivity", "1e6"),
        (r"\siemens\per\metre", "conductivity", "1"),
        (r"\siemens\per\centi\metre", "conductivity", "100"),
        (r"\micro\ohm\centi\metre", "resistivity", "1e-8"),
        (r"\nano\ohm\metre", "resistivity", "1e-9"),
        (r"\kilogram\metre\tothe{3}\second\tothe{-3}\ampere\tothe{-2}", "resistivity", "1"),
        (r"\degreecelsius", "celsius_temperature", "1"),
        (r"\milli\kelvin", "temperature", "1e-3"),
        (r"\kilo\hertz", "frequency", "1000"),
        (r"\percent", "ratio", "0.01"),
        (r"\siemens\metre", None, "1"),
        (r"\siemens\metre\tothe{-2}", None, "1"),
        # `per` holds for one unit only, also where a prefix follows
        (r"\siemens\per\metre\kilo\ohm", None, "1000"),
    ],
)
def test_a_unit_means_what_the_grammar_says(text: str, quantity_meant: str | None, factor: str) -> None:
    found = parse_unit(text)
    assert (found.quantity, found.factor) == (quantity_meant, Decimal(factor))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "MS/m",
        r"\mega",
        r"\per",
        r"\per\per\metre",
        r"\tothe{2}",
        r"\furlong",
        r"\mega\kilo\metre",
        r"\metre\tothe{x}",
    ],
)
def test_a_unit_that_is_not_understood_is_told(text: str) -> None:
    with pytest.raises(UnknownUnit):
        parse_unit(text)


@given(st.sampled_from(sorted(PREFIXES)), st.sampled_from(sorted(PREFIXES)))
def test_a_prefix_scales_as_the_si_says(over: str, under: str) -> None:
    """S/m with any two prefixes: the factors are powers of ten whose difference counts (SI brochure, table 7)."""
    found = parse_unit(rf"\{over}\siemens\per\{under}\metre")
    assert found.quantity == "conductivity"
    assert found.factor == PREFIXES[over] / PREFIXES[under]


# blocks -----------------------------------------------------------------------------------------------------------------


def test_a_block_gets_value_uncertainty_dates_and_the_file() -> None:
    found = proposed(certificate())
    assert found.questions == ()
    assert found.rows == (
        {
            "block": "BL-77", "certified_value": "58.120", "unit": "MS/m", "expanded_uncertainty": "0.15", "coverage_factor": "2",
            "certified_on": "2026-02-11", "due_on": "2028-02-10", "certificate": "TVL-0815", "certificate_file": "ab",
        },
    )  # fmt: skip


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        ("58120000", r"\siemens\metre\tothe{-1}", ("58.120000", "MS/m", "0.15")),
        ("5.812E+7", r"\siemens\metre\tothe{-1}", ("58.12", "MS/m", "0.15")),
        ("581200", r"\siemens\per\centi\metre", ("58.1200", "MS/m", "0.15")),
        ("1.7205", r"\micro\ohm\centi\metre", ("17.205", "nOhm.m", "0.15")),
        ("17.205", r"\nano\ohm\metre", ("17.205", "nOhm.m", "0.15")),
    ],
)
def test_every_way_to_state_a_conductivity_keeps_its_digits(value: str, unit: str, expected: tuple[str, ...]) -> None:
    scale = {
        r"\siemens\metre\tothe{-1}": "150000",
        r"\siemens\per\centi\metre": "1500",
        r"\micro\ohm\centi\metre": "0.015",
    }
    uncertainty = scale.get(unit, "0.15")
    stated = (
        f"<si:expandedUnc><si:uncertainty>{uncertainty}</si:uncertainty><si:coverageFactor>2</si:coverageFactor>"
        "<si:coverageProbability>0.95</si:coverageProbability></si:expandedUnc>"
    )
    row = proposed(certificate(quantity(value, unit, uncertainty=stated))).rows[0]
    assert (row["certified_value"], row["unit"]) == expected[:2]
    assert Decimal(row["expanded_uncertainty"]) == Decimal(expected[2])


def test_percent_is_iacs_only_where_the_name_or_a_person_says_so() -> None:
    named = proposed(certificate(quantity("100.2", r"\percent", name="Conductivity, %IACS")))
    assert (named.rows[0]["certified_value"], named.rows[0]["unit"]) == ("100.2", "%IACS")
    unnamed = certificate(quantity("100.2", r"\percent"))
    assert open_options(proposed(unnamed)) == ["--table"]
    assert any("--percent-is-iacs" in note for note in proposed(unnamed).notes)
    assert proposed(unnamed, percent_is_iacs=True).rows[0]["unit"] == "%IACS"


def test_a_value_at_another_temperature_is_asked_about() -> None:
    assert proposed(certificate(temperature=("19.9", "20.1"))).questions == ()
    assert proposed(certificate(temperature=("20.0", "23.0"))).questions == ()
    for temperatures in (("20.1", "23.0"), ("18.0", "19.9"), ()):
        assert open_options(proposed(certificate(temperature=temperatures))) == ["--at-reference"]
        assert len(proposed(certificate(temperature=temperatures), at_reference=True).rows) == 1


def test_several_values_are_asked_about_and_numbered() -> None:
    two = certificate(quantity("58.12"), quantity("29.05", name="Second"))
    found = proposed(two)
    assert open_options(found) == ["--result"]
    assert [choice[:2] for choice in found.questions[0].choices] == ["1:", "2:"]
    assert proposed(two, result=2).rows[0]["certified_value"] == "29.05"
    for wrong in (0, 3):
        assert open_options(proposed(two, result=wrong)) == ["--result"]


def test_what_was_calibrated_is_one_that_the_site_knows_or_is_asked() -> None:
    assert open_options(proposed(certificate(item="BL-78"))) == ["--as"]
    assert proposed(certificate(item="BL-78"), name="BL-77").rows[0]["block"] == "BL-77"
    # both numbers of the item stand in the table: nothing says which is meant
    assert open_options(proposed(certificate(), known={**KNOWN, "blocks": ["BL-77", "SN 1"]})) == ["--as"]


def test_an_interval_gives_its_half_width_only_where_it_lies_evenly() -> None:
    interval = (
        "<si:coverageInterval><si:standardUnc>0.075</si:standardUnc><si:intervalMin>{low}</si:intervalMin>"
        "<si:intervalMax>{high}</si:intervalMax><si:coverageProbability>0.95</si:coverageProbability></si:coverageInterval>"
    )
    even = proposed(certificate(quantity("58.12", uncertainty=interval.format(low="57.97", high="58.27"))))
    assert (even.rows[0]["expanded_uncertainty"], even.rows[0]["coverage_factor"]) == ("0.15", "2")
    uneven = proposed(certificate(quantity("58.12", uncertainty=interval.format(low="57.97", high="58.28"))))
    assert open_options(uneven) == ["--table"]
    assert any("evenly" in note for note in uneven.notes)


def test_a_value_without_uncertainty_leaves_its_cell_empty_and_says_so() -> None:
    found = proposed(certificate(quantity(uncertainty="")))
    assert (found.rows[0]["expanded_uncertainty"], found.rows[0]["coverage_factor"]) == ("", "")
    assert any("no expanded uncertainty" in note for note in found.notes)


def test_conformity_and_traceability_are_told() -> None:
    statements = (
        "<dcc:statement><dcc:traceable>true</dcc:traceable><dcc:declaration><dcc:content>To the national standard"
        "</dcc:content></dcc:declaration></dcc:statement><dcc:statement><dcc:norm>ISO/IEC 17025</dcc:norm><dcc:conformity>pass"
        "</dcc:conformity></dcc:statement>"
    )
    notes = proposed(certificate(statements=statements)).notes
    assert "Traceable: To the national standard" in notes
    assert "Conformity: pass. (ISO/IEC 17025)" in notes


# meters and sensors -----------------------------------------------------------------------------------------------------


def test_a_meter_gets_a_row_a_point_and_must_say_found_or_left() -> None:
    data = certificate(compared("58.0 29.0", "58.2 29.1", MS), item="EC-01")
    assert open_options(proposed(data)) == ["--condition"]
    rows = proposed(data, condition="as_found").rows
    assert [(row["nominal"], row["indicated"], row["condition"]) for row in rows] == [
        ("58.0", "58.2", "as_found"),
        ("29.0", "29.1", "as_found"),
    ]
    assert {(row["expanded_uncertainty"], row["laboratory"], row["calibrated_on"]) for row in rows} == {
        ("0.2", "Tveldal Laboratory", "2026-02-04")
    }


@pytest.mark.parametrize(("status", "condition"), [("beforeAdjustment", "as_found"), ("afterAdjustment", "as_left")])
def test_the_status_says_found_or_left(status: str, condition: str) -> None:
    data = certificate(compared("58.0", "58.2", MS), item="EC-01", status=status)
    assert proposed(data).rows[0]["condition"] == condition


def test_references_and_readings_must_pair() -> None:
    data = certificate(compared("58.0 29.0", "58.2", MS, uncertainty="0.2"), item="EC-01")
    found = proposed(data)
    assert open_options(found) == ["--table"]
    assert any("1 against 2" in note for note in found.notes)


def test_a_sensor_gets_the_correction_of_one_point() -> None:
    kelvin = certificate(compared("293.15", "293.27", r"\kelvin", uncertainty="0.1"), item="T-3")
    row = proposed(kelvin).rows[0]
    assert (row["sensor"], Decimal(row["correction_c"]), row["expanded_uncertainty_c"]) == (
        "T-3",
        Decimal("-0.12"),
        "0.1",
    )
    two = certificate(compared("20.00 30.00", "20.12 30.15", r"\degreecelsius"), item="T-3")
    assert open_options(proposed(two)) == ["--result"]
    assert Decimal(proposed(two, result=2).rows[0]["correction_c"]) == Decimal("-0.15")


# hostile and broken -----------------------------------------------------------------------------------------------------

BOMB = '<?xml version="1.0"?><!DOCTYPE d [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
OUTSIDE = '<?xml version="1.0"?><!DOCTYPE d SYSTEM "file:///etc/passwd">'


@pytest.mark.parametrize("prologue", [BOMB, OUTSIDE, BOMB.replace(' version="1.0"', ' version="1.0" encoding="UTF-8"')])
def test_document_types_and_entities_are_refused_unread(prologue: str) -> None:
    with pytest.raises(CertificateError, match="never read"):
        read_certificate(certificate(prologue=prologue), where="c.xml")


def test_a_document_type_is_refused_in_another_encoding_too() -> None:
    text = certificate(prologue='<?xml version="1.0" encoding="UTF-16"?><!DOCTYPE d [<!ENTITY a "x">]>').decode()
    with pytest.raises(CertificateError, match="never read"):
        read_certificate(text.encode("utf-16"), where="c.xml")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no well-formed XML"),
        (b"<a/>", "the outermost element"),
        (b'<?xml version="1.0" encoding="U-F-8"?><a/>', "no well-formed XML"),
        (b"<a>" * 100 + b"</a>" * 100, "within each other"),
        (b"<digitalCalibrationCertificate/>", "the outermost element"),
        (certificate(version="2.3.0"), "Versions 2.4 to 3.3"),
        (certificate(version="3.4.0"), "Versions 2.4 to 3.3"),
        (certificate(version="3"), "Versions 2.4 to 3.3"),
        (certificate(quantity("fifty")), "does not agree with the schema"),
        (certificate(quantity("fifty"), version="3.3.0"), "no number"),
        (certificate(quantity("9" * 41), version="3.3.0"), "no number"),
        (certificate(quantity("1e50"), version="3.3.0"), "no number"),
        (certificate(issued="2026-13-01"), "does not agree with the schema"),
        (certificate(issued="2026-13-01", version="3.3.0"), "expected a date"),
        (certificate(due="soon", version="3.0.0"), "expected a date"),
    ],
)
def test_what_is_no_certificate_is_refused_with_the_reason(data: bytes, said: str) -> None:
    with pytest.raises(CertificateError, match=said):
        read_certificate(data, where="c.xml")


def test_too_large_a_file_is_refused_before_it_is_parsed() -> None:
    with pytest.raises(CertificateError, match="at most 20 MB"):
        read_certificate(b"<" * 20_000_001, where="c.xml")


@pytest.mark.parametrize(
    ("version", "against"), [("2.4.0", None), ("3.0.0", None), ("3.1.1", "3.1.2"), ("3.2.0", "3.2.1"), ("3.3.0", None)]
)
def test_versions_without_a_schema_here_are_read_and_that_is_told(version: str, against: str | None) -> None:
    # what 3.1 does not know of: an issue date
    found = read_certificate(
        certificate(version=version, issued="" if version.startswith("3.1") else "2026-02-11"), where="c.xml"
    )
    assert found.held_against == against
    said = propose(found, Answers(), known=KNOWN, reference_temperature_c=20.0, sha256="ab").notes
    assert any("without being held against" in note for note in said) == (against is None)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.data())
def test_no_damage_ends_in_anything_but_a_certificate_or_a_reason(data: st.DataObject) -> None:
    whole = bytearray(certificate(compared("58.0 29.0", "58.2 29.1", MS)))
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(whole) - 1))
        if data.draw(st.booleans()):
            whole[place] = data.draw(st.integers(0, 255))
        else:
            del whole[place : place + data.draw(st.integers(1, 200))]
    try:
        found = read_certificate(bytes(whole), where="c.xml")
        propose(found, Answers(), known=KNOWN, reference_temperature_c=20.0, sha256="ab")
    except CertificateError as refused:
        assert str(refused).startswith("c.xml")  # noqa: PT017 - both ends are good


# writing ----------------------------------------------------------------------------------------------------------------


def point(**given: Any) -> CheckPoint:
    usual = {
        "block": "BL-77", "certificate": "TVL-0815", "reference": 58.0, "indicated": 58.1234, "expanded_uncertainty": 0.2103,
        "coverage_factor": 2.0, "passes": True,
    }  # fmt: skip
    return CheckPoint(**{**usual, **given})


def statement(**given: Any) -> CheckStatement:
    from datetime import date

    usual = {
        "identifier": "EC-01/2026-03-02", "meter": "EC-01", "model": None, "works": "Hallormond Works", "country": "NO",
        "address": "Quay 4", "by": "A. Ranta", "software": "0.1", "begun": date(2026, 3, 1), "ended": date(2026, 3, 2),
        "unit": "MS/m", "tolerance": "0.5 %IACS", "as_found": (), "points": (point(),), "temperature_c": 22.5, "decimals": 2,
    }  # fmt: skip
    return CheckStatement(**{**usual, **given})


@pytest.mark.parametrize("unit", ["MS/m", "%IACS", "nOhm.m"])
def test_what_is_written_agrees_with_the_schema_and_reads_back(unit: str) -> None:
    data = certificate_of(statement(unit=unit, as_found=(point(indicated=58.5, passes=False),)))
    found = read_certificate(data, where="c.xml")
    assert (found.version, found.held_against) == ("3.2.1", "3.2.1")
    rows = proposed(data).rows
    assert [(row["condition"], row["meter"], row["unit"], row["nominal"], row["indicated"]) for row in rows] == [
        ("as_found", "EC-01", unit, "58.00", "58.50"),
        ("as_left", "EC-01", unit, "58.00", "58.12"),
    ]
    # rounded up: printing makes no uncertainty smaller
    assert {row["expanded_uncertainty"] for row in rows} == {"0.22"}


def test_a_check_says_that_it_is_no_accredited_calibration_and_whether_it_passed() -> None:
    passed = read_certificate(certificate_of(statement()), where="c.xml")
    assert NOT_ACCREDITED in {one.text for one in passed.statements}
    failed = read_certificate(certificate_of(statement(points=(point(), point(passes=False)))), where="c.xml")
    assert [one.conformity for one in (*passed.statements, *failed.statements) if one.conformity] == ["pass", "fail"]


def test_hostile_names_stay_text() -> None:
    hostile = '</dcc:content><!DOCTYPE x><script>&amp;"'
    data = certificate_of(statement(works=hostile, meter=hostile, by=hostile))
    assert b"<script>" not in data
    assert read_certificate(data, where="c.xml").items[0].identifications[0].value == hostile
