"""What a lot says of its meters afterwards: suspended now, or an open event that touched the lot."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest
from scenario import Scenario, at

from pipeline.history.chain import GENESIS_HASH, Event

if TYPE_CHECKING:
    from schemas.look_back import CameToLight


def story() -> Scenario:
    """L1 between good runs, the closing one reading 0.1 MS/m low; then a run that fails beyond L2."""
    return (
        Scenario()
        .check("07:00", 0.05)
        .lot("07:30", lot="L1")
        .check("09:00", -0.1)
        .lot("09:30", lot="L2")
        .check("11:00", 0.6)
    )


def light(scenario: Scenario, clock: str, lot: str, chain: list[Event] | None = None) -> tuple[CameToLight, ...]:
    return scenario.assess(clock, events=chain or []).came_to_light.get(lot, ())


def said(sequence: int, **subject: Any) -> Event:
    given = {"decision": "no effect found", **subject}
    when = datetime(2026, 3, 2, 15, tzinfo=UTC)
    return Event(sequence, when, "disposition", given, "Ada", "looked", GENESIS_HASH, GENESIS_HASH)


def test_a_meter_suspended_later_stands_on_every_lot_it_read_with_the_bias_of_that_day() -> None:
    (of_good,) = light(story(), "11:30", "L1")
    assert (of_good.meter, of_good.suspended, of_good.block, of_good.events) == ("M1", True, "B1", ())
    # of the runs on both sides of the lot the one nearer to the tolerance, not the one that suspended the meter
    assert of_good.bias == pytest.approx(-0.1)
    assert of_good.checked_at == at("09:00:10")
    assert of_good.tolerance == pytest.approx(0.29)
    (of_failed,) = light(story(), "11:30", "L2")
    assert of_failed.bias == pytest.approx(0.6)
    assert [(one.event, one.doubt, one.settled) for one in of_failed.events] == [("M1/2026-03-02", "touched", False)]


def test_nothing_came_to_light_before_it_did_nor_of_other_meters() -> None:
    assert light(story(), "10:59", "L1") == ()
    assert light(story(), "10:59", "L2") == ()
    other = story().check("07:00", meter="M2").lot("07:30", lot="L3", meter="M2").check("08:00", meter="M2")
    assert light(other, "11:30", "L3") == ()


def test_a_meter_that_is_fit_again_leaves_the_lots_of_open_events_alone_marked() -> None:
    fit = story().reading(at("11:20"), 58.0, role="setting", block="B1").check("11:30")
    assert light(fit, "12:00", "L1") == ()
    (left,) = light(fit, "12:00", "L2")
    assert (left.suspended, len(left.events)) == (False, 1)
    name = left.events[0].name
    span = [at("11:00:10").isoformat()] * 2
    # the lot is settled, and its event still open
    (settled,) = light(fit, "12:00", "L2", [said(1, event=name, lot="L2")])
    assert settled.events[0].settled
    # closed by people, so that nothing is left to say
    assert (
        light(fit, "12:00", "L2", [said(1, event=name, lot="L2"), said(2, event=name, meter="M1", checks=span)]) == ()
    )


def test_a_lot_without_a_check_around_it_has_no_figure() -> None:
    scenario = (
        Scenario().lot("01:00", lot="L1", clock="unknown").check("07:00").lot("08:00", lot="L2").check("09:00", 0.6)
    )
    (found,) = light(scenario, "10:00", "L1")
    assert (found.suspended, found.block, found.bias, found.tolerance, found.checked_at) == (
        True,
        None,
        None,
        None,
        None,
    )
