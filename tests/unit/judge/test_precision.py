"""Signals of precision through the whole assessment: what they ask for, and that they change nothing else."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import pytest
from look_back_story import events_of
from scenario import Scenario, at
from scipy import stats

from pipeline.errors import SettingsError
from pipeline.history.chain import GENESIS_HASH, Event
from pipeline.workspace.settings import Settings, read_settings


def history(wild: bool) -> Scenario:
    scenario = Scenario()
    for day in range(6):
        scenario.check("07:00", day=day).lot("08:00", lot="L1" if day == 5 else "L2", day=day)
    if wild:  # three readings 0.3 apart whose mean is right
        for i, offset in enumerate((-0.3, 0.0, 0.3)):
            moment = at("09:00", 5) + timedelta(seconds=5 * i)
            scenario.reading(moment, 58.0 + offset, role="block", block="B1")
        return scenario
    return scenario.check("09:00", day=5)


def test_a_precision_signal_changes_neither_state_nor_support_nor_verdict() -> None:
    calm, rough = (history(wild).assess("10:00", day=5) for wild in (False, True))
    assert calm.meters["M1"].precision_signals == ()
    (signal,) = rough.meters["M1"].precision_signals
    assert (signal.block, signal.at, signal.readings) == ("B1", at("09:00", 5) + timedelta(seconds=10), 3)
    assert signal.standard_deviation == pytest.approx(0.3)
    # 0.02 within each of six checks of three readings
    assert signal.limit == pytest.approx(0.02 * math.sqrt(stats.f.ppf(0.997, 2, 12)))
    for name in ("verdict", "support", "reasons"):
        assert getattr(rough.lots["L1"], name) == getattr(calm.lots["L1"], name)
    for name in ("state", "reasons", "signals", "suspect_lots"):
        assert getattr(rough.meters["M1"], name) == getattr(calm.meters["M1"], name)
    # what the page states pools all seven checks; the limit of the next one leaves the wild one out
    block = rough.meters["M1"].blocks[0]
    assert block.within_standard_deviation == pytest.approx(math.sqrt((6 * 0.02**2 + 0.3**2) / 7))
    assert block.precision_limit == pytest.approx(0.02 * math.sqrt(stats.f.ppf(0.997, 2, 12)))


def test_a_disposition_answers_it_and_the_level_is_a_setting() -> None:
    said = Event(
        1, at("09:30", 5), "disposition", {"meter": "M1", "block": "B1", "at": None, "decision": "probe cleaned"}, "Ada",
        "dust", GENESIS_HASH, GENESIS_HASH,
    )  # fmt: skip
    (signal,) = history(wild=True).assess("10:00", day=5, events=[said]).meters["M1"].precision_signals
    assert [one.decision for one in signal.dispositions] == ["probe cleaned"]
    limit = signal.limit
    (loose,) = (
        history(wild=True)
        .assess("10:00", day=5, settings=Settings(precision_level=0.95))
        .meters["M1"]
        .precision_signals
    )
    assert loose.limit < limit
    for wrong in ("0.5", "1.0"):
        with pytest.raises(SettingsError, match="precision_level"):
            read_settings(f"precision_level = {wrong}")


def test_after_a_setting_the_pool_begins_again() -> None:
    scenario = history(wild=False).reading(at("10:00", 5), 58.0, role="setting", block="B1")
    for i, offset in enumerate((-0.3, 0.0, 0.3)):
        scenario.reading(at("10:30", 5) + timedelta(seconds=5 * i), 58.0 + offset, role="block", block="B1")
    assert scenario.assess("11:00", day=5).meters["M1"].precision_signals == ()


# its event --------------------------------------------------------------------------------------------------------------


def events(scenario: Scenario, *chain: Event, clock: str = "23:00") -> dict[str, Any]:
    found = events_of(scenario.assess(clock, day=6), list(chain))
    return {name: event for name, event in found.items() if event.kind == "precision"}


def rough(scenario: Scenario, clock: str, day: int, spread: float = 0.3) -> Scenario:
    for i, offset in enumerate((-spread, 0.0, spread)):
        scenario.reading(at(clock, day) + timedelta(seconds=5 * i), 58.0 + offset, role="block", block="B1")
    return scenario


def test_a_precision_signal_is_an_event_with_its_lots_until_a_run_within_the_limit() -> None:
    scenario = history(wild=True).lot("10:00", lot="L3", day=5)
    (event,) = events(rough(scenario, "11:00", 5).lot("12:00", lot="L4", day=5).check("13:00", day=5)).values()
    # two runs, one after another: one event
    assert event.title.startswith("M1, precision signal of 7 March")
    assert event.name == "M1_20260307T090010Z_PRECISION-SIGNAL"
    assert (event.fired_at, event.last_at) == (
        at("09:00", 5) + timedelta(seconds=10),
        at("11:00", 5) + timedelta(seconds=10),
    )
    assert event.window_from == at("07:00", 5) + timedelta(seconds=10)
    assert event.window_to == at("13:00", 5)
    assert "Readings of 2 checks on B1 scattered beyond the action limit (s = 0.3, limit 0.0" in event.sentence
    # it clears nothing, and ends with a run within its own limit, not with one that passes
    assert ["mean of a check that scatters" in note for note in event.notes] == [True]
    # checks within tolerance stand on both sides: the disposition of the signal is enough
    assert {lot.lot: lot.doubt for lot in event.lots} == {"L1": "covered", "L3": "covered", "L4": "covered"}
    assert event.state == "open"
    said = Event(
        1, at("22:00", 6), "disposition", {"event": event.name, "meter": "M1", "decision": "probe changed", "checks": [
            event.fired_at.isoformat(), event.last_at.isoformat()]}, "Ada", "worn", GENESIS_HASH, GENESIS_HASH,
    )  # fmt: skip
    (closed,) = events(scenario, said).values()
    assert closed.state == "closed"
    # the next one after a run within the limit is an event of its own
    assert len(events(rough(scenario.lot("13:30", lot="L5", day=5), "14:00", 5))) == 2


def test_a_run_whose_checks_have_no_scatter_ends_no_precision_event() -> None:
    scenario = history(wild=True).lot("10:00", lot="L3", day=5).check("11:00", n=1, day=5).lot("12:00", lot="L4", day=5)
    (event,) = events(rough(scenario, "13:00", 5)).values()
    assert event.last_at == at("13:00", 5) + timedelta(seconds=10)
    assert event.window_to is None


def test_a_check_that_fails_and_scatters_is_two_events_and_its_lots_are_suspect_by_the_failure_alone() -> None:
    scenario = history(wild=False).lot("10:00", lot="L3", day=5)
    for i, offset in enumerate((0.3, 0.6, 0.9)):
        scenario.reading(at("11:00", 5) + timedelta(seconds=5 * i), 58.0 + offset, role="block", block="B1")
    found = events_of(scenario.assess("12:00", day=5), [])
    doubts = {event.kind: {lot.lot: lot.doubt for lot in event.lots} for event in found.values()}
    assert {"failed_check", "precision"} <= set(doubts)
    assert doubts["failed_check"]["L3"] == "touched"
