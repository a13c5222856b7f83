"""The good-practice examples that the authors of the DCC schema publish (marked by them as no real certificates).

Source: Physikalisch-Technische Bundesanstalt, GNU LGPL 3; `dcc/SOURCE.md` in the folder of published data says which copies.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.certificates.proposal import Answers, propose
from pipeline.certificates.reading import read_certificate

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.certificates.document import Certificate

NOTHING: dict[str, list[str]] = {"blocks": [], "calibrations": [], "sensors": []}
TEMPERATURE = ("dcc_gp_temperature_typical_v12.xml", "dcc_gp_temperature_simplified_v12.xml")
OTHERS = ("dcc_gp_temperatur_resistance_v12.xml", "dcc_gp_humidity_v1.0.xml")


def read(folder: Path, name: str) -> Certificate:
    return read_certificate((folder / "dcc" / name).read_bytes(), where=name)


def asked(found: Certificate, **answers: Any) -> Any:
    return propose(found, Answers(**answers), known=NOTHING, reference_temperature_c=20.0, sha256="ab")


@pytest.mark.parametrize("name", [*TEMPERATURE, *OTHERS])
def test_every_example_agrees_with_the_schema_of_its_minor_version(reference_data: Path, name: str) -> None:
    found = read(reference_data, name)
    assert found.held_against == "3.1.2"
    assert (found.laboratory, found.performed_from, found.due_on) == (
        "Kalibrierfirma GmbH", date(1957, 8, 13), date(1959, 10, 22),
    )  # fmt: skip
    assert found.signatures == 0


@pytest.mark.parametrize("name", TEMPERATURE)
def test_the_points_of_the_thermometers_are_those_printed(reference_data: Path, name: str) -> None:
    found = read(reference_data, name)
    printed = [  # the table of the example, in °C: reference, indicated, error in K
        ("33.098", "33.17", "0.072"), ("99.971", "100.06", "0.089"), ("175.103", "175.21", "0.107"),
        ("250.169", "250.16", "-0.009"), ("320.004", "319.92", "-0.084"),
    ]  # fmt: skip
    assert [question.option for question in asked(found).questions] == ["--result", "--as"]
    for number, (_, _, error) in enumerate(printed, start=1):
        row = asked(found, result=number, name="T-1").rows[0]
        # the correction takes the error away
        assert Decimal(row["correction_c"]) == -Decimal(error)
        assert (row["expanded_uncertainty_c"], row["coverage_factor"], row["due_on"]) == ("0.061", "2", "1959-10-22")
    choices = asked(found).questions[0].choices
    for text, (reference, indicated, _) in zip(choices, printed, strict=True):
        assert f"{indicated} °C at {reference} °C" in text


@pytest.mark.parametrize(
    ("name", "said"),
    [
        # a resistance against a temperature, and a humidity: nothing that a reference table holds, and the unit is told
        ("dcc_gp_temperatur_resistance_v12.xml", r"no unit of a conductivity, a resistivity or a temperature"),
        ("dcc_gp_humidity_v1.0.xml", "percent of what is not said"),
    ],
)
def test_what_no_table_holds_is_refused_with_the_reason(reference_data: Path, name: str, said: str) -> None:
    found = asked(read(reference_data, name))
    assert found.rows == ()
    assert any(said in note for note in found.notes), found.notes
