"""What a new file touches, and what it does not. Invented numbers."""

from __future__ import annotations

import shutil
from copy import copy
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
from drawn_histories import SETTINGS, TABLES, written
from scenario import DAY

from pipeline.history.found import hash_of_found
from pipeline.history.store import History
from pipeline.intake.tables import TablesLater
from pipeline.judge import carried_meters, carry_on
from pipeline.judge.assess import assess
from pipeline.judge.assessment import OF_METERS
from pipeline.judge.carried_meters import CarriedMeters
from pipeline.judge.carry_on import carried_on
from pipeline.judge.cuts import EARLY, cuts_of
from pipeline.judge.standing import standing_events
from pipeline.workspace.recorded import recorded_tables
from schemas.documents import as_json

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.judge.assessment import Assessment

MORNING = timedelta(hours=6)


def step(what: str, minutes: int = 15, meter: str = "M1", lot: str = "L1", how: str = "plain", off: float = 0.0) -> Any:
    return (what, minutes, meter, off, lot, how)


class Line:
    """A history that grows file by file; what is found is kept as a load keeps it."""

    def __init__(self, folder: Path) -> None:
        self.path, self.portions, self.end = folder / "h" / "a.duckdb", 0, MORNING
        with History.open(self.path, write=True) as history, history.transaction():
            for name, text in TABLES.items():
                history.put_reference_text(name, text, DAY)

    def read(self, *steps: Any, start: timedelta | None = None) -> Line:
        self.end = written(self.path, list(steps), portion=self.portions, start=self.end if start is None else start)
        self.portions += 1
        return self

    def tell(self, kind: str, subject: dict[str, Any]) -> None:
        with History.open(self.path, write=True) as history, history.transaction():
            history.append_event(kind, subject, by="A. Ranta", why="seen", at=DAY + timedelta(days=9))

    def judged(self) -> set[str]:
        """Return the lots that are judged anew, after the whole was held against a judgement from nothing."""
        with History.open(self.path, write=True) as history:
            with history.transaction():
                # there is a journal then, so that nothing is doubted
                history.append_event("held", {}, by="load", why="not loaded", at=DAY)
            found, anew = carried_on(history, SETTINGS, keep=True), assess(history, SETTINGS, as_of=None)
            assert found is not None
            assert found.kept is not None
            assert self.said(found) == self.said(anew)
            with history.transaction():
                kept = {"verdicts": "", "found": hash_of_found(self.path)}
                history.append_event("verdicts", kept, by="load", why="compared with later", at=DAY)
            return set(found.kept.judged)

    @staticmethod
    def said(found: Assessment) -> Any:
        names = ("lots", "meters", "events", "events_on_lots", "came_to_light")
        return {name: as_json(dict(getattr(found, name))) for name in names}


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Line:
    """Two meters and a lot of each between checks that passed."""
    found = Line(tmp_path_factory.mktemp("line")).read(
        *(
            step(what, meter=meter, lot=lot)
            for meter, lot in (("M1", "L1"), ("M2", "L2"))
            for what in ("check", "lot", "check")
        )
    )
    assert found.judged() == {"L1", "L2"}
    assert found.judged() == set(), "nothing is new"
    return found


@pytest.fixture
def line(begun: Line, tmp_path: Path) -> Line:
    """Return a copy of it."""
    found = copy(begun)
    found.path = shutil.copytree(begun.path.parent, tmp_path / "h") / begun.path.name
    return found


def test_a_lot_of_its_own_touches_no_other(line: Line) -> None:
    line.read(step("lot", 300, lot="L3"), step("check"))
    assert line.judged() == {"L3"}


def test_where_nothing_is_new_nothing_is_computed_and_no_table_is_read(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the frames that are kept have the columns that a judgement of no reading gives them."""
    with History.open(line.path) as history:
        again = carried_on(history, SETTINGS)
        assert again is not None
        columns = {name: getattr(again, name).schema for name in (*OF_METERS, "new_baselines")}
        with monkeypatch.context() as patch:
            patch.setattr(CarriedMeters, "untouched", lambda meters: meters.touched()[0])
            computed = carried_on(history, SETTINGS)
            assert {name: getattr(computed, name).schema for name in columns} == columns
        for computes in ("pipeline.judge.assess.basis_of", "pipeline.judge.kept_rows.sums"):
            monkeypatch.setattr(computes, lambda *_, **__: pytest.fail("computed"))
        found = carried_on(history, SETTINGS)
        assert found is not None
        assert isinstance(found.tables, TablesLater)
        assert set(found.tables._read) == {"studies"}, "which parts of the readings are of studies"
        assert found.tables["lots"].equals(recorded_tables(TABLES, SETTINGS)["lots"])


def test_a_few_lots_are_looked_up_by_name_and_of_many_the_names_are_fetched_once(line: Line) -> None:
    with History.open(line.path) as history:
        found = carried_on(history, SETTINGS)
        assert found is not None
        lots: Any = found.lots
        assert "L9" not in lots
        assert "L1" in lots
        assert lots["L1"].lot == "L1"
        assert lots.get("L9") is None
        assert "_names" not in lots.__dict__
        for number in range(90, 99):
            assert f"L{number}" not in lots
        assert lots.__dict__["_names"] == ["L1", "L2"]
        assert "L2" in lots
        assert lots["L2"].lot == "L2"
        with pytest.raises(KeyError):
            lots["L9"]
        assert list(lots) == ["L1", "L2"]


def test_what_waits_for_its_closing_check_is_judged_until_it_came(line: Line) -> None:
    line.read(step("lot", 300, lot="L3"))
    assert line.judged() == {"L3"}
    line.read(step("lot", meter="M2", lot="L4"), step("check", meter="M2"))
    assert line.judged() == {"L3", "L4"}, "time has passed for the lot that waits"
    line.read(step("check"))
    assert line.judged() == {"L3"}
    assert line.judged() == set()


def test_a_check_that_comes_late_touches_the_lots_around_it(line: Line) -> None:
    line.read(step("lot", 300, lot="L3"), step("check"), step("lot", lot="L4"), step("check"))
    line.judged()
    # between lot and closing check, a minute after the lot of M1 that has no number three
    line.read(step("check", 1, off=0.35), start=MORNING + timedelta(minutes=30))
    assert "L1" in line.judged()
    assert line.judged() == set()


def test_a_check_of_one_meter_touches_no_lot_of_another(line: Line) -> None:
    line.read(step("check", 300, off=0.35))
    assert "L2" not in line.judged()


@pytest.mark.parametrize(
    ("kind", "subject", "lots"),
    [
        ("disposition", {"lot": "L2", "decision": "re-measured"}, {"L2"}),
        ("disposition", {"event": "x", "decision": "looked into"}, set()),
        ("account", {"name": "Ada"}, set()),
        ("adjustment", {"meter": "M1", "at": (DAY + MORNING).isoformat()}, {"L1", "L2"}),
        ("hand_over", {"meter": "M1", "at": (DAY + MORNING).isoformat(), "to": "P-002"}, {"L1", "L2"}),
        ("a kind that is not known", {}, {"L1", "L2"}),
    ],
)
def test_what_people_decide(line: Line, kind: str, subject: dict[str, Any], lots: set[str]) -> None:
    line.tell(kind, subject)
    assert line.judged() == lots


@pytest.mark.parametrize("minutes", [1, 20, 60])
def test_a_hand_over_that_was_taken_back_is_as_if_it_had_never_been(line: Line, minutes: int) -> None:
    def said() -> Any:
        line.judged()
        with History.open(line.path) as history:
            found = assess(history, SETTINGS, as_of=None)
        return Line.said(found), found.meter_settings.to_dicts(), found.checks.to_dicts(), found.brackets.to_dicts()

    before, at = said(), (DAY + MORNING + timedelta(minutes=minutes)).isoformat()
    line.tell("hand_over", {"meter": "M1", "at": at, "to": "P-002"})
    assert said() != before
    line.tell("receipt", {"meter": "M1", "at": at, "from": "P-003"})
    assert said() != before, "it came from another site"
    line.tell("hand_over", {"meter": "M1", "at": at, "to": "P-003"})
    line.tell("receipt", {"meter": "M1", "at": at, "from": "P-002"})
    assert said() == before


def test_a_row_of_a_table_touches_its_lot_and_another_table_everything(line: Line) -> None:
    for name, old, new, lots in (
        ("lots", "L2,bar", "L2,rod", {"L2"}),
        ("specifications", ",57,", ",58,", {"L1", "L2"}),
    ):
        with History.open(line.path, write=True) as history, history.transaction():
            history.put_reference_text(name, TABLES[name].replace(old, new), DAY)
        assert line.judged() == lots, name
        assert line.judged() == set()


def test_a_contradiction_touches_both_lots_where_no_clock_is_believed(line: Line) -> None:
    # the third reading of the fourth step is line 7 of its file, which is told as contradicted
    start = line.end
    other = [step("lot", 300, lot="L5"), step("check", 61), step("check", 61, meter="M2")]
    line.read(*other, step("lot", 15, meter="M3", lot="L5", how="unknown clock"), start=start)
    assert "L5" in line.judged()
    assert line.judged() == set()
    quiet = [step("check", 300, meter="M2"), step("check", 61, meter="M2"), step("check", 61, meter="M2")]
    line.read(*quiet, step("lot", 15, meter="M3", lot="L6", how="unknown clock"), start=start)
    assert {"L5", "L6"} <= line.judged()


def test_readings_with_a_sensor_are_all_those_that_a_judgement_from_nothing_has(line: Line) -> None:
    """Also one without a clock that says a time behind the last reading that is believed; one before the moment is none of them."""
    read_at = [step("lot", 0, lot="L3", how=how) for how in ("sensor", "sensor, unknown clock")]
    line.read(*read_at, start=timedelta(days=1)).read(step("check"))
    line.read(step("lot", 0, lot="L4", how="sensor, unknown clock"), start=timedelta(days=90))
    line.judged()
    with History.open(line.path) as history:
        found, anew = carried_on(history, SETTINGS), assess(history, SETTINGS, as_of=None)
        assert found is not None
        for sensor, since, lots in (
            ("T2", None, {"L3", "L4"}),
            ("T2", DAY + timedelta(days=2), {"L4"}),
            ("T1", DAY + timedelta(days=2), set()),
        ):
            mine, theirs = (one.readings_with(sensor, since) for one in (found, anew))
            assert mine.height == theirs.height
            assert {*mine["lot"]} == {*theirs["lot"]} == lots


def test_what_was_recorded_of_a_later_time_holds_once_that_has_come(line: Line) -> None:
    line.tell("hand_over", {"meter": "M1", "at": (DAY + line.end + timedelta(hours=1)).isoformat(), "to": "P-002"})
    line.judged()
    line.read(step("lot", 120, meter="M2", lot="L4"))
    assert line.judged() == {"L4"}


@pytest.fixture
def cuts(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, datetime]]:
    """Return where meters are cut, each time."""
    found: list[dict[str, datetime]] = []

    def noted(*args: Any, **named: Any) -> Any:
        cuts = cuts_of(*args, **named)
        found.append(dict(cuts.at.select("meter", "at").iter_rows()))
        return cuts

    monkeypatch.setattr(carried_meters, "cuts_of", noted)
    return found


def begins_anew(line: Line) -> timedelta:
    """Let M1 be checked, set, checked and read; return when it was set."""
    at = line.end + timedelta(minutes=315)
    line.read(step("check", 300), step("set"), step("check"), step("lot", lot="L3"), step("check")).judged()
    return at


def test_a_meter_is_judged_from_the_last_setting_before_what_is_new(
    line: Line, cuts: list[dict[str, datetime]]
) -> None:
    at = begins_anew(line)
    assert line.read(step("lot", lot="L4"), step("check")).judged() == {"L4"}
    assert cuts[-1] == {"M1": DAY + at}
    ended = at + timedelta(seconds=10)
    line.read(step("check", 0), start=ended + timedelta(microseconds=1)).judged()
    assert cuts[-1] == {"M1": DAY + at}
    line.read(step("check", 0), start=ended).judged()
    assert cuts[-1] == {"M1": EARLY}, "at the time of the setting the order of the export decides"


@pytest.mark.parametrize("how", ["sensor", "relative"])
def test_a_meter_with_readings_that_ask_for_earlier_settings_is_judged_from_the_first_on(
    line: Line, cuts: list[dict[str, datetime]], how: str
) -> None:
    line.read(step("check", 300, how=how))
    begins_anew(line)
    line.read(step("lot", lot="L4"), step("check")).judged()
    assert cuts[-1] == {"M1": EARLY}


def test_an_event_that_ended_stands_until_something_is_new_of_a_lot_that_it_touched(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    found: list[tuple[list[str], list[str]]] = []

    def noted(*args: Any) -> Any:
        events = standing_events(*args)
        assert events is not None
        found.append(([one.kind for one in events[0].values()], [one.kind for one in events[1]]))
        return events

    line.read(step("lot", lot="L5"), step("check", off=0.35)).judged()
    begins_anew(line)
    monkeypatch.setattr(carry_on, "standing_events", noted)
    line.read(step("lot", lot="L4"), step("check")).judged()
    assert found[-1] == (["failed_check"], [])
    line.read(step("lot", lot="L5", meter="M2"), step("check", meter="M2")).judged()
    assert "failed_check" in found[-1][1]
    assert not found[-1][0]
