"""Runs of checks: what ends one, that one which is over stands, and what makes a meter fit again."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pytest
from scenario import REFERENCE, Scenario, at

from pipeline.errors import SettingsError
from pipeline.history.chain import Event
from pipeline.questions.studies.studies import studies
from pipeline.workspace.settings import Settings, read_settings

if TYPE_CHECKING:
    from datetime import datetime


def action(moment: datetime, meter: str = "M1") -> Event:
    return Event(
        1, moment, "action", {"meter": meter, "at": moment.isoformat(), "kind": "cleaned"}, "Ada", "oil", "", ""
    )


def state(scenario: Scenario, clock: str = "15:00", **given: Any) -> str:
    return scenario.assess(clock, **given).meters["M1"].state


@pytest.mark.parametrize(
    ("pause", "runs"), [(timedelta(hours=1) - timedelta(seconds=1), [2]), (timedelta(hours=1), [1, 1])]
)
def test_a_pause_of_an_hour_ends_a_run_and_a_second_less_does_not(pause: timedelta, runs: list[int]) -> None:
    scenario = Scenario().check("08:00", n=1)
    scenario.reading(at("08:00") + pause, 58.0, role="block", block="B1")
    assert scenario.assess().runs["checks"].to_list() == runs
    # it is the pause between checks that counts, not how long a run lasts
    long = Scenario()
    for place in range(4):
        long.reading(at("08:00") + place * pause, 58.0, role="block", block="B1")
    assert long.assess().runs.height == (1 if len(runs) == 1 else 4)


def test_the_pause_begins_at_the_last_reading_of_the_check_before() -> None:
    # three readings, five seconds apart: the check of 08:00 ends ten seconds later
    assert Scenario().check("08:00").check("09:00:09").assess().runs.height == 1
    assert Scenario().check("08:00").check("09:00:10").assess().runs.height == 2


def test_the_site_says_how_long_the_pause_is() -> None:
    scenario = Scenario().check("08:00", n=1).check("08:30", n=1)
    assert scenario.assess(settings=Settings(run_gap_minutes=30.0)).runs.height == 2
    assert scenario.assess(settings=Settings(run_gap_minutes=30.1)).runs.height == 1
    assert read_settings("run_gap_minutes = 10").run_gap_minutes == 10.0
    # a pause that ends a run within a check would leave a check in two runs
    with pytest.raises(SettingsError, match=r"run_gap_minutes = 9.9: expected at least check_gap_minutes \(10\)"):
        read_settings("run_gap_minutes = 9.9")


def test_a_failing_check_on_another_day_changes_nothing_about_what_was_read_before() -> None:
    scenario = Scenario().check("08:00").lot("09:00").check("10:00")
    then = scenario.assess("11:00").lots["L1"]
    assert (then.support, then.verdict) == ("supported", "accept")
    scenario.check("08:00", 0.4, day=1)
    found = scenario.assess("09:00", day=1)
    now = found.lots["L1"]
    assert (now.support, now.verdict, now.reasons) == (then.support, then.verdict, then.reasons)
    assert found.runs["passed"].to_list() == [True, True, False]
    assert found.brackets["after_passed"].to_list() == [True]
    assert found.meters["M1"].suspect_lots == ()
    assert found.meters["M1"].state == "suspended"
    # with no closing run of its own day, the first one that follows decides, whenever it comes
    open_end = Scenario().check("08:00").lot("09:00").check("08:00", 0.4, day=1)
    assert open_end.assess("09:00", day=1).lots["L1"].support == "suspect"


def test_a_later_run_that_passes_makes_the_meter_fit_with_nothing_between() -> None:
    scenario = Scenario().check("08:00", 0.4)
    assert state(scenario) == "suspended"
    # within the pause the check is repeated in the run that failed
    assert state(Scenario().check("08:00", 0.4, n=1).check("08:59:59", n=1)) == "suspended"
    assert state(Scenario().check("08:00", 0.4, n=1).check("09:00", n=1)) == "fit"
    # and a run that fails takes it away again
    assert state(Scenario().check("08:00", 0.4).check("10:00").check("12:00", 0.4)) == "suspended"
    # the lot that the failed run closed stays suspect
    closed = Scenario().check("08:00").lot("09:00").check("10:00", 0.4).check("12:00")
    assert state(closed) == "fit"
    assert closed.assess().lots["L1"].support == "suspect"


def test_a_run_that_cannot_be_judged_makes_no_meter_fit() -> None:
    failed = Scenario().check("08:00", 0.4)
    assert state(failed.check("10:00", block="BX")) == "suspended"
    assert state(failed.check("12:00", temperature_c=None)) == "suspended"
    assert state(failed.check("14:00")) == "fit"


def test_an_action_starts_a_run_and_keeps_the_baseline() -> None:
    scenario = Scenario().check("08:00", 0.4).check("08:20")
    assert state(scenario) == "suspended"
    moment = at("08:15")
    found = scenario.assess("15:00", events=[action(moment)])
    assert found.runs["passed"].to_list() == [False, True]
    assert found.meters["M1"].state == "fit"
    assert found.meters["M1"].last_setting_at is None
    assert found.checks["phase"].null_count() == 2
    # of another meter, or later than what is asked about, it changes nothing
    assert state(scenario, events=[action(moment, "M2")]) == "suspended"
    assert scenario.assess("08:14", events=[action(moment)]).actions.height == 0


@pytest.mark.parametrize(
    ("clock", "runs", "readings"),
    [
        ("07:59:59", [2], [3, 3]),  # just before the run
        ("08:00", [1, 2], [1, 2, 3]),  # at its first reading, which came before the action
        ("08:00:09", [1, 2], [2, 1, 3]),  # within a check, which it parts as a setting does
        ("08:00:10", [1, 1], [3, 3]),  # at the last reading of the first check
        ("08:01:10", [2], [3, 3]),  # at the last reading of the run
    ],
)
def test_where_an_action_stands_in_a_run(clock: str, runs: list[int], readings: list[int]) -> None:
    scenario = Scenario().check("08:00").check("08:01", block="B2")
    found = scenario.assess(events=[action(at(clock))])
    assert found.runs["checks"].to_list() == runs
    assert found.checks["readings"].to_list() == readings


def test_actions_beside_settings_do_not_part_a_setting() -> None:
    scenario = Scenario().check("08:00")
    for second in range(4):
        scenario.reading(at("08:30") + timedelta(seconds=second), 58.0, role="setting", block="B1")
    scenario.check("08:40")
    plain = scenario.assess()
    parted = scenario.assess(events=[action(at("08:30:02"))])
    assert parted.meter_settings.equals(plain.meter_settings)
    assert parted.checks["phase"].equals(plain.checks["phase"])


REGISTER = {"studies": "run,kind,compares,meters,material,specification,tolerance,unit\nG1,crossed,,M1,copper,S,,\n"}
SOURCES = pl.DataFrame(
    {"source_id": [1], "sha256": ["ab" * 32], "name": ["x"]}, schema_overrides={"source_id": pl.Int32}
)


def study(scenario: Scenario, *, role: str = "part") -> Scenario:
    """Add a study from 09:00 to 10:18, closer to the checks around it than the pause that ends a run."""
    values = 58.5 + 0.3 * np.random.default_rng(4).normal(size=(5, 1, 1)) + np.zeros((5, 3, 2))
    values += 0.03 * np.random.default_rng(5).normal(size=values.shape)
    for place, (part, operator, repeat) in enumerate(np.ndindex(values.shape)):
        given = {"lot": "L1", "part": f"P{part}"} if role == "part" else {"block": "B1"}
        scenario.reading(
            at("09:00") + timedelta(minutes=place * 78 / 29), float(values[part, operator, repeat]), role=role,
            spot="1", operator=f"op{operator}", run="G1", **given,
        )  # fmt: skip
    return scenario


@pytest.mark.parametrize("role", ["part", "block"])
def test_readings_of_a_study_part_runs_as_part_readings_do(role: str) -> None:
    # ten minutes before, and an hour and a half after it began
    scenario = study(Scenario(**REGISTER).check("08:50").check("10:25"), role=role)
    found = scenario.assess()
    assert found.runs["checks"].to_list() == [1, 1]
    cautions = studies(found, [], SOURCES)["G1"][0].cautions
    assert not any("run of checks" in caution for caution in cautions)
    # also where checks stand closer than the pause, and within one check
    near = Scenario(**REGISTER).check("08:58", n=1).check("09:02", n=1)
    assert near.assess().runs["checks"].to_list() == [1]
    near.reading(at("09:00"), 58.4, role=role, run="G1", **({"part": "1"} if role == "part" else {"block": "B1"}))
    assert near.assess().runs["checks"].to_list() == [1, 1]
    # a failing check of the next day says nothing of it
    scenario.check("08:00", 0.4, day=1)
    reasons = studies(scenario.assess(day=1), [], SOURCES)["G1"][0].reasons
    assert not any("failed" in reason for reason in reasons)
    # without a check before it, that is said; one that could not be judged is none
    alone = study(Scenario(**REGISTER).check("08:50", block="BX").check("10:25"), role=role)
    cautions = studies(alone.assess(), [], SOURCES)["G1"][0].cautions
    assert [c for c in cautions if "run of checks" in c] == ["No run of checks of M1 stands before the study."]


def test_on_provisional_limits_the_rules_warn_and_suspend_nothing() -> None:
    """A steady bias of a tenth of the tolerance, and one beyond three standard deviations of the certificate."""
    narrow = {
        "meters": "meter,accuracy_percent\nM1,0.01\n",
        "blocks": REFERENCE["blocks"].replace("0.2", "0.02"),
    }
    scenario = Scenario(**narrow)
    for day in range(19):
        scenario.check("08:00", 0.1, day=day).lot("09:00", day=day)
    found = scenario.assess(day=19)
    meter = found.meters["M1"]
    assert found.checks["limits_kind"].unique().to_list() == ["provisional"]
    assert (found.checks["z"].abs() > 3).all()
    assert (meter.signals, meter.warnings) == ((), 19)
    assert found.checks["rejects"].unique().to_list() == [""]
    assert scenario.assess("10:00", day=18).meters["M1"].state == "fit"
    # tolerance suspends, always
    assert state(scenario.check("10:00", 0.4, day=18), "11:00", day=18) == "suspended"


def test_a_pattern_of_provisional_limits_is_not_completed_on_frozen_ones() -> None:
    """Nineteen checks above the certificate and one above the new centre are no ten checks on one side of it."""
    scenario = Scenario()
    for day in range(20):
        scenario.check("08:00", 0.1 + 0.02 * (day % 3), day=day).lot("09:00", day=day)
    scenario.check("08:00", 0.15, day=20)
    settings = Settings(reject_rules="1-3s 2-2s 4-1s 10-x 2-2s-across R-4s")
    found = scenario.assess("09:00", day=20, settings=settings)
    assert found.checks["limits_kind"].to_list()[-2:] == ["provisional", "frozen"]
    assert found.checks["z"][-1] > 0
    assert found.checks["rejects"].unique().to_list() == [""]


def _frozen(last: float, **settings: Any) -> tuple[str, float]:
    """Return the state after a check that lies `last` baseline standard deviations off, and the widening of the limits."""
    bias = [0.02 * (day % 3) for day in range(20)]
    centre, s = float(np.mean(bias)), float(np.std(bias, ddof=1))
    scenario = Scenario()
    for day, one in enumerate([*bias, centre + last * s]):
        scenario.check("08:00", one, day=day).lot("09:00", day=day)
    found = scenario.assess("09:30", day=20, settings=Settings(**settings))
    return found.meters["M1"].state, found.checks["limit_widening"][-1]


def test_a_reject_on_frozen_limits_suspends_just_beyond_the_widened_limit() -> None:
    _, widening = _frozen(0.0)
    assert 1.5 < widening < 2.0
    assert _frozen(3 * widening - 0.01)[0] == "fit"
    assert _frozen(3 * widening + 0.01)[0] == "suspended"
    # the site decides which rules reject, and how seldom
    assert _frozen(3 * widening + 0.01, reject_rules="2-2s")[0] == "fit"
    assert _frozen(3 * widening + 0.01, reject_run_length=20_000.0)[0] == "fit"
    with pytest.raises(SettingsError, match="reject_rules names '1-2s'"):
        read_settings('reject_rules = "1-2s"')
