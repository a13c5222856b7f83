"""Laws of verdicts through the whole assessment: what no unit, no passing check and no failed run can do."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scenario import Scenario, at

if TYPE_CHECKING:
    from datetime import datetime

repeatable = settings(derandomize=True, deadline=None, max_examples=12)

# the unit of an export --------------------------------------------------------------------------------------------------

ONE_PERCENT = Decimal("0.58")
"""MS/m in one %IACS (IEC 60028:1925)."""

limits = st.sampled_from([("98.5", "101.5"), ("99", None), (None, "100.25"), ("99.95", "100.05")])
offsets = st.lists(
    st.sampled_from(["-0.11", "-0.05", "-0.01", "0", "0", "0.01", "0.05", "0.11"]), min_size=2, max_size=6
)


def in_unit(percent: Decimal, unit: str) -> float:
    return float(percent if unit == "%IACS" else percent * ONE_PERCENT)


@repeatable
@given(
    limits,
    offsets,
    st.sampled_from(["none", "half_up:1", "half_even:1", "half_up:2"]),
    st.sampled_from(["simple", "guarded"]),
    st.sampled_from(["spot", "part", "lot_mean"]),
    st.booleans(),
)
def test_the_unit_of_an_export_changes_no_verdict_with_limits_hit_exactly(
    limited: tuple[str | None, str | None], around: list[str], rounding: str, rule: str, by: str, low: bool
) -> None:
    lower, upper = (None if limit is None else Decimal(limit) for limit in limited)
    edge = lower if (low and lower is not None) or upper is None else upper
    assert edge is not None
    found = set()
    for unit_of_limits in ("%IACS", "MS/m"):
        ends = ["" if limit is None else repr(in_unit(limit, unit_of_limits)) for limit in (lower, upper)]
        # rounding belongs to the unit of the limits, so each unit of limits is compared with itself
        verdicts = set()
        for unit in ("%IACS", "MS/m"):
            head = "specification,material,lower,upper,unit,rounding,decision_rule,conforms_by\n"
            text = f"S,copper,{ends[0]},{ends[1]},{unit_of_limits},{rounding},{rule},{by}\n"
            scenario = Scenario(specifications=head + text).check("08:00")
            for i, offset in enumerate(around):
                # two repeats that lie as far above as below: their mean falls on the grid only in exact arithmetic
                for sign in (1, -1):
                    value = edge + Decimal(offset) + sign * Decimal("0.03")
                    moment = at("09:00") + timedelta(seconds=20 * i + sign)
                    scenario.reading(moment, in_unit(value, unit), unit=unit, lot="L1", part=str(i), spot="1")
            result = scenario.check("10:00").assess().lots["L1"]
            verdicts.add((result.verdict, result.limits_met))
        assert len(verdicts) == 1, (unit_of_limits, verdicts)
        found |= verdicts
    if rounding == "none":
        assert len(found) == 1, found


# checks ----------------------------------------------------------------------------------------------------------------

PASSES, FAILS = 0.05, 2.0
steps = st.lists(
    st.tuples(st.sampled_from(["check", "check", "failed", "L1", "L2"]), st.integers(3, 200)), min_size=3, max_size=9
)


def build(plan: list[tuple[str, int]]) -> tuple[Scenario, list[tuple[datetime, str]]]:
    """Write a day's work, the minutes being those since the step before; return it with the time of each step."""
    scenario, done, minutes = Scenario(), [], 0
    for what, gap in plan:
        minutes += gap
        clock = f"{minutes // 60}:{minutes % 60}"
        if what in ("check", "failed"):
            scenario.check(clock, FAILS if what == "failed" else PASSES)
        else:
            scenario.lot(clock, lot=what)
        done.append((at(clock), what))
    return scenario, done


@repeatable
@given(steps, st.integers(0, 1800))
def test_a_check_that_passes_takes_support_from_no_lot(plan: list[tuple[str, int]], when: int) -> None:
    scenario, done = build(plan)
    before = scenario.assess("23:59", day=1)
    # between two steps, half a minute off: a check inside a check would be another check
    moment = at(f"{when // 60}:{when % 60}") + timedelta(seconds=30)
    for i in range(2):
        scenario.reading(moment + timedelta(seconds=4 * i), 58.0 + PASSES, role="block", block="B1")
    after = scenario.assess("23:59", day=1)
    # a check that came late and closes the pause between two runs makes one of them: then the failed one was its own part
    assume(after.runs.height >= before.runs.height)
    for lot, result in before.lots.items():
        if result.support == "supported":
            assert after.lots[lot].support == "supported", (done, moment)
            assert (after.lots[lot].verdict, after.lots[lot].limits_met) == (result.verdict, result.limits_met)


@repeatable
@given(steps)
def test_a_failed_run_leaves_no_lot_it_touches_accepted(plan: list[tuple[str, int]]) -> None:
    scenario, done = build(plan)
    results = scenario.assess("23:59", day=1).lots
    touched = touched_by_failure(done)
    for lot, result in results.items():
        if lot in touched:
            assert result.support == "suspect", done
            assert result.verdict in ("hold", "not_assessed"), done


def touched_by_failure(done: list[tuple[datetime, str]]) -> set[str]:
    """Return the lots with a failed check in the run before or after any of their readings, walked step by step."""
    runs: list[list[str]] = [[]]  # runs of checks in order; the first is empty where a lot stands before any check
    lots: list[set[str]] = [set()]  # what was read after each run
    ended = None  # the last check of the run
    for moment, what in done:
        pause = ended is not None and moment - ended >= timedelta(hours=1)
        if what not in ("check", "failed"):
            lots[-1].add(what)
            continue
        ended = moment + timedelta(seconds=10)  # three readings, five seconds apart
        if lots[-1] or pause:
            runs.append([what])
            lots.append(set())
        else:
            runs[-1].append(what)
    failed = ["failed" in run for run in runs]
    following = [*failed[1:], False]
    return {lot for read, before, after in zip(lots, failed, following, strict=True) if before or after for lot in read}


def test_the_days_that_are_built_do_accept_and_do_hold() -> None:
    good = build([("check", 480), ("L1", 30), ("check", 60), ("L2", 30), ("check", 60)])[0].assess("23:59", day=1).lots
    assert {lot: (r.support, r.verdict) for lot, r in good.items()} == dict.fromkeys(
        ("L1", "L2"), ("supported", "accept")
    )
    bad = build([("check", 480), ("L1", 30), ("check", 60), ("L2", 30), ("failed", 60)])[0].assess("23:59", day=1).lots
    assert [r.verdict for r in bad.values()] == ["accept", "hold"]


def test_the_walk_itself_knows_what_is_touched() -> None:
    def walked(*steps: str) -> Any:
        return touched_by_failure([(at("8:00"), step) for step in steps])

    assert walked("failed", "L1", "check") == {"L1"}
    assert walked("check", "L1", "failed") == {"L1"}
    assert walked("check", "L1", "check", "failed") == {"L1"}
    assert walked("failed", "L1", "L2", "check", "L1") == {"L1", "L2"}
    assert walked("check", "L1", "check", "L2", "failed") == {"L2"}
    # an hour after a check has ended, ten seconds after it began, the next one belongs to another run
    day = [(at("8:00"), "check"), (at("8:30"), "L1"), (at("9:00"), "check")]
    assert touched_by_failure([*day, (at("10:00:09"), "failed")]) == {"L1"}
    assert touched_by_failure([*day, (at("10:00:10"), "failed")]) == set()
