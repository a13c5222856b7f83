"""Laws of support and look-back, on histories drawn at random."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import DAY, Scenario

from pipeline.metrology.support import SUPPORT_ORDER
from pipeline.steps.event_lots import events_of

STEP = timedelta(minutes=20)
ACTION = st.sampled_from(["pass", "fail", "L1", "L2", "set", "pause"])
HISTORY = st.lists(ACTION, min_size=3, max_size=14)


def build(actions: list[str], extra: int | None = None) -> Scenario:
    """Play actions twenty minutes apart; `extra` is the place of one more check that passes, ten minutes before an action."""
    scenario = Scenario()
    moment = DAY + timedelta(hours=6)
    for place, action in enumerate(actions):
        moment += STEP if action != "pause" else timedelta(hours=5)
        if place == extra:
            _check(scenario, moment - timedelta(minutes=10), 0.0)
        if action in ("pass", "fail"):
            _check(scenario, moment, 0.0 if action == "pass" else 0.6)
        elif action == "set":
            scenario.reading(moment, 58.0, role="setting", block="B1")
        elif action != "pause":
            for part in range(3):
                scenario.reading(moment + timedelta(seconds=10 * part), 58.5, lot=action, part=str(part), spot="1")
    return scenario


def _check(scenario: Scenario, moment: Any, bias: float) -> None:
    for i in range(2):
        scenario.reading(moment + timedelta(seconds=5 * i), 58.0 + bias + 0.01 * i, role="block", block="B1")


def support(scenario: Scenario) -> dict[str, str]:
    return {lot: result.support for lot, result in scenario.assess("23:00", day=3).lots.items()}


@settings(max_examples=25, deadline=None)
@given(HISTORY, st.integers(0, 13))
def test_a_check_that_passes_never_makes_a_supported_lot_worse(actions: list[str], place: int) -> None:
    """But one that passes may make a suspect lot no better: support goes by the nearest run on either side."""
    before = support(build(actions))
    after = support(build(actions, min(place, len(actions) - 1)))
    assert {lot for lot, state in before.items() if state == "supported"} <= {
        lot for lot, state in after.items() if state == "supported"
    }


@settings(max_examples=25, deadline=None)
@given(HISTORY)
def test_a_run_that_failed_never_leaves_a_touched_lot_at_accept(actions: list[str]) -> None:
    found = build(actions).assess("23:00", day=3)
    for event in events_of(found, []).values():
        if event.kind == "failed_check":
            for lot in event.lots:
                if lot.doubt == "touched":
                    assert (lot.support, lot.verdict) == ("suspect", "hold")
    # and every suspect lot is named by an event
    named = {lot.lot for e in events_of(found, []).values() if e.kind == "failed_check" for lot in e.lots}
    assert {lot for lot, result in found.lots.items() if result.support == "suspect"} == named


@settings(max_examples=20, deadline=None)
@given(HISTORY, st.lists(ACTION, min_size=1, max_size=4))
def test_what_happened_later_takes_no_event_away(actions: list[str], later: list[str]) -> None:
    start = build(actions).assess("23:00", day=3)
    names = {n for n, e in events_of(start, []).items() if e.kind == "failed_check"}
    whole = build([*actions, *later]).assess("23:00", day=6)
    assert names <= {n for n, e in events_of(whole, []).items() if e.kind == "failed_check"}


def test_order_of_support_is_the_worst_first() -> None:
    assert SUPPORT_ORDER[0] == "suspect"
    assert SUPPORT_ORDER[-1] == "supported"
