"""Ids that people type: by the site's day, the same whatever comes later, and every older one still taken."""

from __future__ import annotations

import polars as pl
import pytest
from look_back_story import LOTS, decision, events_of, failing
from scenario import Scenario, at

from pipeline.errors import UsageError
from pipeline.judge.look_back.events import the_event
from pipeline.workspace.settings import Settings


def failures(*clocks: str, day: int = 0) -> Scenario:
    """A check that fails at each of these times, with a good run two hours after it."""
    scenario = Scenario(lots=LOTS)
    for clock in clocks:
        hour = int(clock[:2])
        scenario.check(clock, 0.6, day=day).check(f"{hour + 2:02d}:00", day=day)
    return scenario


def shorts(scenario: Scenario, frame: pl.DataFrame | None = None) -> dict[str, str]:
    found = scenario.assess("23:00", day=3, frame=frame).found_events
    return {f"{event.fired_at:%H%M}": event.short for event in found if event.kind == "failed_check"}


def test_the_day_is_that_of_the_sites_zone() -> None:
    late = failures("00:30", day=1)  # where the clock stands behind, it is still the day before in the west
    for zone, short, title in (
        ("UTC", "M1/2026-03-03", "M1, failed check of 3 March"),
        ("America/New_York", "M1/2026-03-02", "M1, failed check of 2 March"),
    ):
        (event,) = late.assess("23:00", day=1, settings=Settings(time_zone=zone)).found_events
        assert (event.short, event.title) == (short, title)
        assert event.name == "M1_20260303T003010Z_FAILED-CHECK"


def test_only_the_second_of_a_day_carries_its_time() -> None:
    assert shorts(failures("07:00")) == {"0700": "M1/2026-03-02"}
    two = failures("07:00", "13:00")
    assert shorts(two) == {"0700": "M1/2026-03-02", "1300": "M1/2026-03-02-1300"}
    second = two.assess("23:00").found_events[1]
    assert second.title == "M1, failed check of 2 March, 13:00"


def test_late_data_renames_nothing() -> None:
    """An earlier failure, loaded in a later file, takes no id that somebody may have written down."""
    first = failures("13:00").frame()
    later = failures("07:00").frame().with_columns(pl.lit(2, pl.Int32).alias("source_id"))
    assert shorts(Scenario(lots=LOTS), pl.concat([first, later])) == {
        "1300": "M1/2026-03-02",
        "0700": "M1/2026-03-02-0700",
    }


def test_two_gaps_of_a_day_are_two_events() -> None:
    scenario = (
        Scenario(lots=LOTS).check("00:30").lot("01:00", lot="L1").check("09:30").lot("10:00", lot="L2").check("18:30")
    )
    found = [event for event in scenario.assess("20:00").found_events if event.kind == "check_overdue"]
    assert [event.short for event in found] == ["M1/2026-03-02", "M1/2026-03-02-1730"]
    assert len({event.name for event in found}) == 2


def test_every_name_of_an_event_is_taken_and_no_other() -> None:
    events = failing().assess("14:00").found_events
    (name,) = [event.name for event in events]
    for text in (name, "M1/2026-03-02", "M1/2026-03-02-1100"):
        assert the_event(events, text).name == name
    for text in (
        "M1/2026-03-01",
        "M2/2026-03-02",
        "M1_20260302T110010Z_SIGNAL",
        "M1_20260302T110011Z_FAILED-CHECK",
        "",
        "M1",
    ):
        with pytest.raises(UsageError, match="is not known"):
            the_event(events, text)


def test_an_event_that_is_not_known_is_refused_with_the_last_five_of_its_meter_or_of_all() -> None:
    scenario = Scenario(lots=LOTS)
    for day in range(6):
        scenario.check("07:00", 0.6, day=day).check("09:00", day=day)
    scenario.check("12:00", 0.6, meter="M2", day=5).check("14:00", meter="M2", day=5)
    events = scenario.assess("23:00", day=6).found_events
    own = [f"M1/2026-03-0{day}" for day in range(3, 8)]
    for text, known in (("M1/x", own), ("zz", [*own[1:], "M2/2026-03-07"])):
        with pytest.raises(UsageError, match=f"'{text}' is not known. Known: {', '.join(known)}. See"):
            the_event(events, text)
    with pytest.raises(UsageError, match=r"Known: none\."):
        the_event([], "M1/2026-03-02")


def test_an_event_that_late_data_let_begin_earlier_keeps_its_old_names() -> None:
    once = failures("13:00").assess("23:00").found_events[0]
    longer = failures("13:00").check("11:30", 0.6).assess("23:00").found_events[0]
    assert (longer.fired_at, longer.last_at) == (at("11:30:10"), at("13:00:10"))
    assert longer.name != once.name
    assert the_event([longer], once.name) is longer
    assert the_event([longer], "M1/2026-03-02-1300") is longer


def test_a_day_that_does_not_tell_two_events_apart_is_refused() -> None:
    """Both fired on the day, none began on it: the plain id is nobody's."""
    first = Scenario(lots=LOTS).check("22:00", 0.6).check("07:00", 0.6, day=1).check("09:00", day=1)
    events = [event for event in first.assess("23:00", day=1).found_events if event.kind == "failed_check"]
    assert [event.short for event in events] == ["M1/2026-03-02"]
    assert the_event(events, "M1/2026-03-03") is events[0]  # a day of it, and of no other
    twice = [*events, *failures("13:00", day=1).assess("23:00", day=1).found_events]
    assert the_event(twice, "M1/2026-03-03").fired_at == at("13:00:10", 1)  # its own id goes before
    with pytest.raises(UsageError, match="2 events fit 'M1/2026-03-03'"):
        the_event([events[0], *[event.told(Settings().zone, "M1/x") for event in twice[1:]]], "M1/2026-03-03")


def test_a_decision_recorded_under_an_older_name_still_stands() -> None:
    def read(*more: str) -> Scenario:
        scenario = Scenario(lots=LOTS).check("09:00").lot("09:30", lot="L1").check("11:00", 0.6)
        for clock in more:
            scenario.check(clock, 0.6)
        return scenario.lot("11:20", lot="L2").check("11:40", 0.6).check("14:00")

    (before,) = read().assess("23:00").found_events
    (after,) = read("10:45").assess("23:00").found_events
    assert before.name != after.name
    said = [decision(1, at("15:00"), event=before.name, lot="L1")]
    settled = {lot.lot: lot.settled for lot in events_of(read("10:45").assess("23:00"), said)[after.name].lots}
    assert settled == {"L1": True, "L2": False}
    other = [decision(1, at("15:00"), event=before.name.replace("FAILED-CHECK", "SIGNAL"), lot="L1")]
    settled = {lot.lot: lot.settled for lot in events_of(read("10:45").assess("23:00"), other)[after.name].lots}
    assert settled == {"L1": False, "L2": False}
