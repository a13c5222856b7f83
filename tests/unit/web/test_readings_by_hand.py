"""Readings entered by hand: the sheet of `layout template`, filled in; far values asked once; sent twice, stored once."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from visiting import Person, application

from pipeline.custody.verify import verify
from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.intake.match import match
from pipeline.load.exports import layouts_of
from pipeline.load.layout_tools import write_template
from pipeline.web.forms import number_of
from pipeline.web.readings import Sheet, asked_for, between, far_off
from pipeline.workspace.settings import find_workspace
from reports.words import web as words

if TYPE_CHECKING:
    from pathlib import Path

CHECK = "/enter/check?meter=M1&block=B1&unit=MS/m"
LOT = "/enter/lot?meter=M1&lot=L2&unit=MS/m&parts=3&spots=2"
FIVE = {f"v-1-{spot}": value for spot, value in enumerate(("58.01", "58.02", "58.00", "57,99", "58.03"), start=1)}
REST = {"at": "2026-03-20T08:05", "temperature": "20.0", "temperature_state": "at_metal"}


def by_hand(root: Path) -> list[tuple[object, ...]]:
    with History.open(find_workspace(root).history, snapshot=False) as history:
        ours = history.sources().filter("taken_by_hand")["source_id"]
        rows = history.readings().filter(history.readings()["source_id"].is_in(ours.implode()))
        return (
            rows.sort("line")
            .select("meter", "operator", "role", "lot", "part", "spot", "block", "value", "unit", "temperature_c")
            .rows()
        )


def test_a_check_is_stored_as_taken_by_hand(root: Path) -> None:
    person = Person(application(root)).sign_in("Cia Ek").get(CHECK)
    assert "57.71 to 58.29 MS/m" in person.text  # 0.5 %IACS of 58 MS/m/100 %: 0.29 MS/m on either side
    person.send("look", **FIVE, **REST)
    assert person.status == 200, person.text
    assert "58.01" in person.text  # the mean
    assert by_hand(root) == []
    person.send("save")
    assert person.status == 200, person.text
    values = [58.01, 58.02, 58.0, 57.99, 58.03]
    assert by_hand(root) == [("M1", "Cia Ek", "block", None, None, None, "B1", v, "MS/m", 20.0) for v in values]
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert history.readings(meters=["M1"])["measured_at"].max() == datetime(2026, 3, 20, 8, 5, tzinfo=UTC)
        (event,) = history.events("brought")
    assert (event.by, event.subject["signed"]["role"]) == ("Cia Ek", "technician")
    assert verify(find_workspace(root)).problems == ()


def test_a_lot_is_stored_part_by_part_and_empty_cells_are_none(root: Path) -> None:
    person = Person(application(root)).sign_in("Cia Ek").get(LOT)
    assert "57 to 60 MS/m" in person.text
    person.send("look", **{"v-1-1": "58.5", "v-1-2": "58.6", "v-3-2": "58.4"}, **REST).send("save")
    assert person.status == 200, person.text
    assert [row[3:8] for row in by_hand(root)] == [
        ("L2", "1", "1", None, 58.5),
        ("L2", "1", "2", None, 58.6),
        ("L2", "3", "2", None, 58.4),
    ]
    assert "L2" in person.text


def test_what_was_typed_is_stored_digit_by_digit(root: Path) -> None:
    typed = {"v-1-1": "58.1234567", "v-1-2": "58,25", "v-1-3": "5.8e1"}
    person = Person(application(root)).sign_in("Cia Ek").get(CHECK)
    person.send("look", **{**REST, **typed, "temperature": "20,1234"}).send("save")
    assert person.status == 200, person.text
    assert [row[7] for row in by_hand(root)] == [58.1234567, 58.25, 58.0]
    assert {row[9] for row in by_hand(root)} == {20.1234}


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", 1.0), ("-2,5", -2.5), ("+.5", 0.5), ("5.", 5.0), ("1.72E-6", 1.72e-6), ("9" * 20, 1e20), ("9" * 21, None),
     ("", None), ("inf", None), ("1e400", None), ("1 000", None), ("٣", None), ("0x10", None), ("1.2.3", None)],
)  # fmt: skip
def test_a_number_is_what_a_person_writes_as_one(text: str, value: float | None) -> None:
    assert number_of(text) == value


def test_a_value_far_off_is_asked_about_once_and_kept_if_it_was_read_so(root: Path) -> None:
    person = Person(application(root)).sign_in("Cia Ek").get(CHECK).send("look", **{**FIVE, "v-1-3": "50.00"}, **REST)
    assert "Reading 3: 50 MS/m is far from the others" in person.text
    person.send("change")
    assert "50.00" in person.text  # what was typed is still there
    person.send("look").send("save")
    assert 50.0 in [row[7] for row in by_hand(root)]


@pytest.mark.parametrize(("value", "asked"), [(110.0, 0), (110.2, 1), (90.0, 0), (89.8, 1)])
def test_far_begins_beyond_a_tenth_of_the_median(value: float, asked: int) -> None:
    sheet = Sheet(meter="M1", unit="MS/m", block="B1")
    assert len(far_off(sheet, [(1, 1, 100.0), (1, 2, 100.0), (1, 3, 100.0), (1, 4, value)])) == asked


def test_what_is_sent_twice_is_stored_once(root: Path) -> None:
    app = application(root)
    person = Person(app).sign_in("Cia Ek").get(CHECK).send("look", **FIVE, **REST)
    look = person.text
    person.send("save")
    number = look.split('name="number" value="')[1][:32]
    assert f'"sent":"{number}"' in person.text  # the browser forgets it now
    # the connection was lost, and the browser sends what it kept after signing in once more
    again = Person(app).sign_in("Cia Ek").get(CHECK).send("look", **FIVE, **REST, number=number).send("save")
    assert again.status == 200
    assert "already loaded" in again.text
    assert len(by_hand(root)) == 5
    other = (
        Person(app)
        .sign_in("Cia Ek")
        .get(CHECK)
        .send("look", **{**FIVE, "v-1-1": "58.05"}, **REST, number=number)
        .send("save")
    )
    assert other.status == 422
    assert words.TOLD["sent_before"] in other.text
    assert len(by_hand(root)) == 5
    third = (
        Person(app).sign_in("Cia Ek").get(CHECK).send("look", **FIVE, **{**REST, "at": "2026-03-20T08:06"}).send("save")
    )
    assert third.status == 200
    assert len(by_hand(root)) == 10


def test_each_unit_has_its_layout_made_once(root: Path) -> None:
    app = application(root)
    for unit, factor in (("MS/m", 1.0), ("%IACS", 1 / 0.58), ("MS/m", 1.0)):
        person = Person(app).sign_in("Cia Ek").get(CHECK.replace("MS/m", unit.replace("%", "%25")))
        person.send(
            "look", **{name: f"{float(value.replace(',', '.')) * factor:.2f}" for name, value in FIVE.items()}, **REST
        ).send("save")
        assert person.status == 200, person.text
    assert sorted(path.name for path in (root / "layouts").iterdir()) == ["entered_iacs.toml", "entered_ms_m.toml"]
    assert len(by_hand(root)) == 10  # the third is the first once more
    # a sheet of the site itself is taken for none of these, nor these for one of it
    place = find_workspace(root)
    write_template(place, root / "sheets", unit="MS/m", delimiter=",", decimal_char=".", name="by_hand")
    known = {name: pair[0] for name, pair in layouts_of(place).items()}
    row = b"2026-03-20,08:05,M1,,Ada,block,,,,B1,58,20,at_metal,,,\r\n"
    sheet = match("x.csv", (root / "sheets" / "by_hand.csv").read_bytes() + row, known, {})
    assert sheet.name == "by_hand"
    for path in (root / "inbox" / "by-hand").iterdir():
        assert match("x.csv", path.read_bytes(), known, {}).name in ("entered_iacs", "entered_ms_m")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, words.TOLD["no_reading"]), ({"v-1-1": "fifty"}, "Reading 1: fifty is no number"), ({"v-1-1": "-5"}, "is no number"),
        ({"v-1-1": "nan"}, "is no number"), ({"v-1-1": "5_8.1"}, "is no number"), ({"v-1-1": "1,234.5"}, "is no number"),
        ({"v-1-1": "58", "temperature": "nan"}, "nan is no number"), ({"v-1-1": "58", "temperature": "1e999"}, "is no number"),
        ({"v-1-1": "58", "at": ""}, "When: fill this in"),
        ({"v-1-1": "58", "at": "yesterday"}, "is no time"), ({"v-1-1": "58", "temperature": "warm"}, "warm is no number"),
        ({"v-1-1": "58", "temperature_state": "x"}, "The readings are: fill this in"), ({"v-1-1": "58", "remark": "a\x07"}, "cannot be seen"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_nothing_is_stored(root: Path, typed: dict[str, str], said: str) -> None:
    person = Person(application(root)).sign_in("Cia Ek").get(CHECK).send("look", **{**REST, **typed})
    assert person.status == 422
    assert said in person.text
    assert not (root / "inbox" / "by-hand").exists()


@pytest.mark.parametrize(
    ("kind", "query", "said"),
    [
        ("check", {"meter": "M1", "unit": "MS/m"}, "Block"), ("check", {"block": "B1", "unit": "MS/m"}, "Meter"),
        ("check", {"meter": "M1", "block": "B1", "unit": "volt"}, "volt"), ("lot", {"meter": "M1", "lot": "L1", "unit": "MS/m"}, "Parts"),
        ("lot", {"meter": "M1", "lot": "L1", "unit": "MS/m", "parts": "41", "spots": "10"}, "At most 400"),
        ("lot", {"meter": "M1", "lot": "L1\x00", "unit": "MS/m", "parts": "1", "spots": "1"}, "cannot be seen"),
    ],
)  # fmt: skip
def test_a_sheet_that_cannot_be_is_refused(kind: str, query: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        asked_for(kind, query)
    assert asked_for("lot", {"meter": "M1", "lot": "L1", "unit": "MS/m", "parts": "40", "spots": "10"}).parts == 40


def test_limits_are_shown_in_the_unit_of_the_meter(root: Path) -> None:
    place = find_workspace(root)
    low, high = between(place, Sheet(meter="M1", unit="nOhm.m", lot="L2"))
    assert (low, high) == pytest.approx((1000 / 60, 1000 / 57))  # a resistivity is low where a conductivity is high
    assert between(place, Sheet(meter="M1", unit="MS/m", lot="nobody knows")) == (None, None)
    assert between(place, Sheet(meter="M1", unit="MS/m", block="BX")) == (None, None)


def test_a_reader_enters_nothing(root: Path) -> None:
    person = Person(application(root)).sign_in("Dan Ro")
    assert person.get("/enter").status == 403
    assert person.get(CHECK).status == 403
