"""What is typed into a form: read, or refused in words, just inside each bound and just outside it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from pipeline.errors import UsageError
from pipeline.web.forms import Field, Form, Outcome, number_of, read_values, told_of
from pipeline.workspace.settings import find_workspace
from reports.words import web as words

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.workspace.settings import Workspace


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    (tmp_path / "annealog.toml").write_text('time_zone = "Europe/Oslo"\n', encoding="utf-8")
    return find_workspace(tmp_path)


def form(*fields: Field, name: str = "lot") -> Form:
    return Form(name=name, roles=frozenset({"technician"}), fields=fields, of={}, do=lambda *_, **__: ())


def read(place: Workspace, one: Field, text: str) -> object:
    return read_values(form(one).asked(place, {}), place, {one.name: text, "why": "x"})[one.name]


def refused(place: Workspace, one: Field, text: str) -> str:
    with pytest.raises(UsageError) as error:
        read(place, one, text)
    return str(error.value)


def test_every_form_asks_why(place: Workspace) -> None:
    assert read_values(form().asked(place, {}), place, {"why": " because "}) == {"why": "because"}
    with pytest.raises(UsageError, match="Why: fill this in"):
        read_values(form().asked(place, {}), place, {"why": " \n "})


def test_each_thing_that_is_wrong_is_told_on_a_line_of_its_own(place: Workspace) -> None:
    fields = (Field(name="lot", needed=True), Field(name="line", kind="whole", needed=True))
    with pytest.raises(UsageError) as error:
        read_values(form(*fields).asked(place, {}), place, {"line": "two"})
    assert str(error.value).splitlines() == ["Lot: fill this in.", "Line: two is no number.", "Why: fill this in."]


def test_what_may_be_left_empty_is_nothing_and_what_may_not_is_told(place: Workspace) -> None:
    assert read(place, Field(name="lot"), "  ") is None
    assert read(place, Field(name="lot"), " L1 ") == "L1"
    assert refused(place, Field(name="lot", needed=True), "") == "Lot: fill this in."


@pytest.mark.parametrize(("name", "kind", "most"), [("lot", "text", 500), ("why", "long", 2_000)])
def test_a_text_has_its_longest(place: Workspace, name: str, kind: str, most: int) -> None:
    one = Field(name=name, kind=kind)
    assert read_values(form(one).asked(place, {}), place, {"why": "x", name: "x" * most})[name] == "x" * most
    said = words.TOLD["long"].format(field=words.FIELD[name], most=most)
    with pytest.raises(UsageError, match=said):
        read_values(form(one).asked(place, {}), place, {"why": "x", name: "x" * (most + 1)})


@pytest.mark.parametrize("mark", ["\x00", "\x07", "\x1b", "\x7f", "\x85", "\ud800"])
def test_a_mark_that_nobody_sees_is_refused(place: Workspace, mark: str) -> None:
    assert refused(place, Field(name="lot"), f"a{mark}b") == words.TOLD["control"].format(field="Lot")


def test_lines_and_tabs_are_text_and_so_is_any_script(place: Workspace) -> None:
    for text in ("a\nb", "a\r\nb", "a\tb", "漢字 é"):
        assert read(place, Field(name="lot"), text) == text


def test_a_choice_is_one_of_those_offered_and_what_is_known_may_be_another(place: Workspace) -> None:
    choice = Field(name="meter", kind="choice", choices=lambda _: ["M1"])
    assert read(place, choice, "M1") == "M1"
    assert refused(place, choice, "M2") == "Meter: M2 is not one of those that are offered."
    assert read(place, choice, "") is None
    assert read(place, Field(name="lot", kind="known", choices=lambda _: ["L1"]), "L2") == "L2"


def test_a_time_is_that_of_the_works_and_a_day_is_its_end_or_its_beginning(place: Workspace) -> None:
    assert read(place, Field(name="at", kind="time"), "2026-03-02T10:00") == datetime(2026, 3, 2, 9, tzinfo=UTC)
    assert read(place, Field(name="start", kind="first"), "2026-03-02") == datetime(2026, 3, 1, 23, tzinfo=UTC)
    last = read(place, Field(name="end", kind="time"), "2026-03-02")
    assert isinstance(last, datetime)
    assert last > datetime(2026, 3, 2, 22, 59, tzinfo=UTC)
    assert "yesterday" in refused(place, Field(name="at", kind="time"), "yesterday")


def test_a_whole_number_has_no_fraction(place: Workspace) -> None:
    one = Field(name="line", kind="whole")
    found = read(place, one, "17")
    assert (found, type(found)) == (17, int)
    assert read(place, one, "17.0") == 17
    assert refused(place, one, "17.5") == "Line: 17.5 is no number."
    assert read(place, Field(name="temperature", kind="number"), "17,5") == 17.5
    assert (
        refused(place, Field(name="temperature", kind="number"), "warm")
        == "Temperature of the block, °C: warm is no number."
    )


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1e5", 1e5), ("1E+05", 1e5), ("1e-12", 1e-12), ("1e1234", None), ("1" * 20, float("1" * 20)), ("1" * 21, None), ("-0", 0.0),
        ("nan", None), ("1e999", None), (".", None), ("1,2,3", None), ("", None), (" 1", None),
    ],
)  # fmt: skip
def test_a_number_is_bounded(text: str, value: float | None) -> None:
    assert number_of(text) == value


def test_what_a_form_does_is_told_with_what_was_typed_and_without_gaps() -> None:
    one = form(Field(name="event"), Field(name="lot"), Field(name="decision"), name="event")
    typed = {"event": "EC-1\n x", "lot": "", "decision": "sorted"}
    assert told_of(one, typed) == "Records on event EC-1 x: sorted. Verdicts stay as they are."
    typed["lot"] = "L1"
    assert told_of(one, typed) == "Records on event EC-1 x L1: sorted. Verdicts stay as they are."
    assert "{" not in told_of(one, {})


def test_an_outcome_of_nothing_holds_nothing() -> None:
    assert (Outcome("lot").told, Outcome("lot").events) == ((), [])
