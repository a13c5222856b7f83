"""Streams of lots: how subgroups are made, what is judged, how phases and their limits come about."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pytest
from scenario import Scenario, at

from pipeline.errors import SettingsError, UsageError
from pipeline.history.chain import Event
from pipeline.questions.over_time.lot_series import lots_frame
from pipeline.questions.over_time.processes import processes
from pipeline.questions.over_time.streams import BASELINE_EVENT
from pipeline.questions.over_time.suppliers import _capability, suppliers
from pipeline.statistics.process_control import SPREAD_RULE
from pipeline.workspace.settings import Settings, read_settings
from schemas.processes import LevelChange

if TYPE_CHECKING:
    from schemas.processes import ProcessResult

DAYS = 14


def works(*, shift: float = 0.0, after: int = 99, failing_day: int | None = None) -> Scenario:
    """One lot of five parts a day from each of two lines; line A shifts after so many days."""
    lots = ["lot,product,material,specification,supplier,line"]
    lots += [f"{line}{day:02d},bar,copper,S,Q,{line}" for day in range(DAYS + 1) for line in "AB"]
    scenario = Scenario(lots="\n".join(lots) + "\n")
    rng = np.random.default_rng(2)
    for day in range(DAYS):
        scenario.check("07:00", day=day)
        for line, clock in (("A", "08:00"), ("B", "10:00")):
            level = 58.4 + 0.1 * rng.normal() + (shift if line == "A" and day >= after else 0.0)
            scenario.lot(clock, *(level + 0.1 * rng.normal(size=5)), lot=f"{line}{day:02d}", day=day)
        scenario.check("12:00", 0.9 if day == failing_day else 0.0, day=day)
    return scenario


def charted(
    scenario: Scenario, name: str = "bar", events: list[Event] | None = None, **settings: Any
) -> tuple[ProcessResult, pl.DataFrame]:
    assessment = scenario.assess(day=DAYS, settings=Settings(**settings))
    return processes(assessment, events or [], [name])[name if name == "bar" else f"line {name}"]


def test_streams_are_told_apart_and_lines_have_a_page_of_their_own() -> None:
    result, points = charted(works())
    assert [stream.name for stream in result.streams] == [
        "product bar, line A, supplier Q",
        "product bar, line B, supplier Q",
    ]
    assert points.group_by("stream").len()["len"].to_list() == [DAYS, DAYS]
    line, _ = charted(works(), "A")
    assert (line.kind, len(line.streams), line.streams[0].line) == ("line", 1, "A")
    together, points = charted(works(), process_streams="product")
    assert [stream.subgroups for stream in together.streams] == [2 * DAYS]
    assert points["at"].is_sorted()
    with pytest.raises(UsageError, match="No lot of product or line 'C'"):
        charted(works(), "C")


def test_a_shift_of_one_line_is_found_and_said_first() -> None:
    result, _ = charted(works(shift=-0.9, after=10))
    assert result.state == "out_of_control"
    assert result.reasons[0].startswith(
        "product bar, line A, supplier Q: Out of control since 2026-03-12 (subgroup A10)"
    )
    assert "1 of 2 streams is in control" in result.reasons[1]
    (change,) = result.streams[0].level_changes
    assert (change.previous_subgroup, change.subgroup) == ("A09", "A10")
    assert result.streams[1].state == "in_control"


def test_subgroups_by_time_and_by_part_never_hold_repeats() -> None:
    scenario = works()
    # three repeats on each spot: as many subgroups as before, and as many parts in each
    scenario.rows += [{**row, "value": row["value"] + 0.01 * n, "measured_at": row["measured_at"] + timedelta(seconds=n)}
                      for row in list(scenario.rows) if row["role"] == "part" for n in (1, 2)]  # fmt: skip
    for number, row in enumerate(scenario.rows):
        row["line"] = number + 2
    _, by_lot = charted(scenario)
    assert by_lot["parts"].unique().to_list() == [5]
    by_time, points = charted(
        scenario, process_subgroups="time", process_subgroup_hours=12.0, process_streams="product"
    )
    assert by_time.streams[0].subgroups == DAYS
    assert points["parts"].unique().to_list() == [10]
    assert points["lots"][0] == "A00, B00"
    by_part, points = charted(scenario, process_subgroups="part")
    assert [stream.subgroups for stream in by_part.streams] == [5 * DAYS, 5 * DAYS]
    assert points["spread_upper"].null_count() == points.height
    assert points["subgroup"][:2].to_list() == ["A00 / 1", "A00 / 2"]


def test_a_lot_whose_meter_failed_is_drawn_and_not_judged() -> None:
    result, points = charted(works(failing_day=13))
    assert [stream.not_judged for stream in result.streams] == [1, 1]
    last = points.filter(pl.col("subgroup") == "A13")
    assert (last["judged"][0], last["rules"][0], last["ewma"][0]) == (False, "", None)
    supplier = suppliers(works(failing_day=13).assess(day=DAYS), [])["Q"][0]
    assert supplier.materials[0].level.lots == 2 * DAYS - 2
    assert supplier.held == 2


def test_lots_of_a_meter_that_is_suspended_are_marked_as_long_as_it_is() -> None:
    scenario = works(failing_day=13)
    for subgroups in ("lot", "part"):
        _, points = charted(scenario, process_subgroups=subgroups)
        marked = points.filter(pl.col("suspended") != "")
        assert marked["suspended"].unique().to_list() == ["M1"]
        assert marked["lots"].unique().sort().to_list() == ["A13", "B13"]
    material = suppliers(scenario.assess(day=DAYS), [])["Q"][2].filter(pl.col("suspended") == "M1")
    assert material["subgroup"].sort().to_list() == ["A13", "B13"]
    # a run that passes releases the meter, and nothing is marked any more, though the event is still open
    scenario.reading(at("12:20", 13), 58.0, role="setting", block="B1").check("12:30", day=13)
    _, points = charted(scenario)
    assert points["suspended"].unique().to_list() == [""]


def test_signals_tell_which_suspended_meter_read_them() -> None:
    # a shift of the line that comes together with a meter that fails at the end of each of its last days
    scenario = works(shift=-0.9, after=12)
    scenario.check("12:30", 0.9, day=13)
    line = charted(scenario)[0].streams[0]
    assert {signal.subgroup: signal.suspended for signal in line.signals}["A12"] == ()
    assert line.suspended <= {"M1"}


@pytest.mark.parametrize(
    ("few", "told"),
    [(DAYS, None), (DAYS + 1, "1 of 2 streams can be judged; the others have too few subgroups for limits.")],
)
def test_what_is_judged_only_in_part_says_so_first(few: int, told: str | None) -> None:
    scenario = works()
    # one lot more on line A, so that it alone has as many lots as limits need
    scenario.check("07:00", day=DAYS).lot("08:00", lot="A14", day=DAYS).check("12:00", day=DAYS)
    assessment = scenario.assess(day=DAYS + 1, settings=Settings(process_baseline_subgroups=few))
    result = processes(assessment, [], ["bar"])["bar"][0]
    assert result.state == "in_control"
    assert (result.reasons[0] == told) is (told is not None)
    assert any("can be judged" in reason for reason in result.reasons) is (told is not None)


def named(first: str, last: str, **given: Any) -> Event:
    subject = {
        "stream": {"product": "bar", "line": "A", "supplier": "Q"}, "first_at": first, "last_at": last, "subgroups": 4,
        "subgroups_by": "lot", "centre": 57.5, "standard_deviation": 0.1, "within_standard_deviation": 0.1, "unit": "MS/m",
        "reference_temperature_c": 20.0, **given,
    }  # fmt: skip
    return Event(1, at("00:00", DAYS), BASELINE_EVENT, subject, "Ada", "accepted", "", "")


def test_a_named_baseline_is_frozen_and_late_data_only_raises_a_note() -> None:
    event = named("2026-03-12T08:00:10+00:00", "2026-03-15T08:00:10+00:00")
    result, points = charted(works(shift=-0.9, after=10), events=[event])
    stream = result.streams[0]
    assert [phase.baseline.kind for phase in stream.phases] == ["provisional", "named"]
    assert stream.phases[1].baseline.centre == 57.5
    assert stream.phases[1].first_at == at("08:00:10", 10)
    # what lies in its window gives another centre: said, and nothing moves
    assert "stays until a person names it again" in str(stream.phases[1].baseline.note)
    after = points.filter((pl.col("stream") == 0) & (pl.col("phase") == 2))
    assert after["centre"].unique().to_list() == [57.5]
    assert after["ewma"][0] == pytest.approx(57.5 + 0.2 * (after["mean"][0] - 57.5))


def test_a_baseline_of_another_scale_is_not_used() -> None:
    event = named("2026-03-12T08:00:10+00:00", "2026-03-15T08:00:10+00:00", unit="%IACS")
    baseline = charted(works(), events=[event])[0].streams[0].phases[1].baseline
    assert baseline.kind == "provisional"
    assert "named in %IACS" in str(baseline.note)
    later = named("2026-03-12T08:00:10+00:00", "2026-04-15T08:00:10+00:00")
    assert len(charted(works(), events=[later])[0].streams[0].phases) == 1


def test_control_limits_are_said_with_the_estimate_behind_them() -> None:
    """Limits are centre ± 3·s of means, or ± 3·s within/√n (ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.2)."""
    cases: tuple[tuple[dict[str, Any], str, str], ...] = (
        ({}, "moving_range", "mean_standard_deviation"),
        ({"process_limits": "within"}, "mean_standard_deviation", "mean_standard_deviation"),
        ({"process_limits": "within", "process_spread": "range"}, "mean_range", "mean_range"),
    )
    for settings, estimate, spread in cases:
        (phase,) = charted(works(), **settings)[0].streams[0].phases
        base = phase.baseline
        assert base.centre is not None
        assert base.standard_deviation is not None
        assert base.within_standard_deviation is not None
        half = 3 * (base.standard_deviation if not settings else base.within_standard_deviation / 5**0.5)
        assert (phase.estimate, phase.spread_estimate) == (estimate, spread)
        (limits,) = phase.limits
        assert (limits.parts, limits.spread_lower) == (5, 0.0)
        assert (limits.lower, limits.upper) == pytest.approx((base.centre - half, base.centre + half))


def test_control_limits_go_by_the_parts_of_a_subgroup_and_few_subgroups_have_none() -> None:
    scenario = works()
    scenario.reference["lots"] += "X,bar,copper,S,Q,A\n"
    scenario.check("07:00", day=DAYS - 1).lot("13:00", 58.3, 58.5, lot="X", day=DAYS - 1).check("14:00", day=DAYS - 1)
    (phase,) = charted(scenario, process_limits="within")[0].streams[0].phases
    two, five = phase.limits
    assert (two.parts, five.parts) == (2, 5)
    assert phase.baseline.centre is not None
    assert two.upper is not None
    assert five.upper is not None
    assert (two.upper - phase.baseline.centre) / (five.upper - phase.baseline.centre) == pytest.approx((5 / 2) ** 0.5)
    (few,) = charted(works(), process_baseline_subgroups=20)[0].streams[0].phases
    assert [(one.lower, one.upper) for one in few.limits] == [(None, None)]
    assert few.baseline.note is not None


def test_few_subgroups_are_not_judged() -> None:
    result, points = charted(works(), process_baseline_subgroups=20)
    assert result.state == "not_assessed"
    assert "14 of the 20 subgroups that provisional limits need" in result.reasons[0]
    assert points["upper"].null_count() == points.height


def supplier_of(scenario: Scenario, **settings: Any) -> Any:
    assessment = scenario.assess(day=DAYS, settings=Settings(**settings))
    return suppliers(assessment, [], ["Q"])["Q"][0]


def test_a_supplier_is_called_capable_only_while_its_level_is_known_to_be_in_control() -> None:
    wide = {"ppk_asked": 0.2}
    calm = supplier_of(works(), **wide).materials[0]
    assert (calm.stream.state, calm.capability, calm.capability_reason) == ("in_control", "capable", None)
    unknown = supplier_of(works(), supplier_baseline_lots=60, **wide)
    (material,) = unknown.materials
    # the figure stays in the data, the word does not stand beside a level that nobody could judge
    assert material.level.ppk is not None
    assert (material.stream.state, material.capability) == ("not_assessed", "not_assessed")
    assert material.capability_reason == "whether the level is in control cannot be judged"
    assert any("No capability is concluded, because whether the level" in reason for reason in unknown.reasons)


def test_a_level_that_changed_inside_the_period_gives_no_capability() -> None:
    assessment = works().assess(day=DAYS)
    found, _, _ = suppliers(assessment, [], ["Q"])["Q"]
    stream = found.materials[0].stream
    change = LevelChange("A07", at("08:00", day=7), "A06", at("08:00", day=6), -0.5, 0.001)
    lots = lots_frame(assessment)
    level, changed = found.materials[0].level, replace(stream, level_changes=(change,))
    word, reason = _capability(level, changed, lots, assessment.settings)
    assert word == "not_assessed"
    assert reason is not None
    assert "between 2026-03-08 and 2026-03-09" in reason
    since = lots.filter(pl.col("first_at") >= change.at)
    assert _capability(level, changed, since, assessment.settings)[0] != "not_assessed"


def test_a_supplier_without_any_mean_is_said_to_have_no_level() -> None:
    scenario = works()
    for row in scenario.rows:
        if row["role"] == "part":
            row |= {"temperature_state": "at_metal", "temperature_c": None}
    found = supplier_of(scenario)
    assert (found.state, found.materials) == ("not_assessed", ())
    assert found.reasons[0].startswith("No lot has a mean at the reference temperature")


def test_a_signal_of_the_spread_alone_is_not_told_by_the_place_of_its_mean() -> None:
    scenario = works()
    last = f"A{DAYS - 1:02d}"
    parts = [row for row in scenario.rows if row.get("lot") == last]
    level = sum(row["value"] for row in parts) / len(parts)
    for row, off in zip(parts, (-1.0, -0.5, 0.0, 0.5, 1.0), strict=True):
        row["value"] = level + off
    stream = charted(scenario)[0].streams[0]
    assert stream.signals[-1].rules == (SPREAD_RULE,)
    assert "the spread within the subgroup is beyond its limits, the mean breaks no rule" in stream.reasons[0]
    assert "1 of 1 subgroup since then gives a signal" in stream.reasons[0]


def test_the_chance_of_few_subgroups_is_that_of_limits_between_them() -> None:
    said = "about one point in"
    assert any(said in reason for reason in charted(works())[0].streams[0].reasons)
    within = charted(works(), process_limits="within")[0].streams[0]
    assert not any(said in reason for reason in within.reasons)


def test_the_figures_of_a_stream_count_its_lots_whatever_its_subgroups_are() -> None:
    stream = charted(works(), process_subgroups="part")[0].streams[0]
    assert (stream.lots, stream.subgroups) == (DAYS, 5 * DAYS)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('process_subgroups = "shift"', "expected one of lot, time, part"),
        ('process_streams = "product customer"', "expected some of product, line, supplier"),
        ('process_patterns = "zone"', "unknown pattern 'zone'"),
        ("[pattern_points]\nsame-side = 1", "at least 2 points"),
        ("process_ewma_weight = 1.5", "above 0 and up to 1"),
    ],
)
def test_wrong_settings_are_said(text: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        read_settings(text)
