"""Checks, runs and their tolerance on frames alone: what parts them, and each rule on both sides of its boundary."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from sample_streams import at, rows

from pipeline.metrology.block_checks import (
    SERIES,
    group_checks,
    judge_tolerance,
    numbered_stream,
    ordered_stream,
    run_of_meter,
    runs_of_checks,
    settings_of,
)
from schemas.declare import UTC_TIME

TEXT, FLOAT, INTEGER, BOOLEAN = pl.String, pl.Float64, pl.Int64, pl.Boolean
READINGS: dict[str, Any] = {
    "meter": pl.Categorical, "measured_at": UTC_TIME, "sequence": INTEGER, "file_rank": INTEGER, "line": INTEGER,
    "replicate": INTEGER, "role": pl.Categorical, "counts": BOOLEAN, "conflict": BOOLEAN, "probe": pl.Categorical,
    "frequency_khz": FLOAT, "block": pl.Categorical, "value_at_reference": FLOAT, "standard_deviation_at_reference": FLOAT,
    "count": INTEGER, "temperature_c": FLOAT,
}  # fmt: skip
ON_BLOCK = {"meter": "M1", "replicate": 1, "role": "block", "counts": True, "conflict": False, "block": "B1", "value_at_reference": 58.0}  # fmt: skip
MOMENTS: dict[str, Any] = {"meter": TEXT, "measured_at": UTC_TIME}


def readings(*given: dict[str, Any]) -> pl.DataFrame:
    """Return readings on block B1 of M1 unless said, one a minute, each on its own line."""
    return rows([{"measured_at": at(i), "line": i, **row} for i, row in enumerate(given)], READINGS, ON_BLOCK)


def moments(*given: tuple[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(given), schema=MOMENTS, orient="row")


def grouped(*given: dict[str, Any], adjustments: Any = (), actions: Any = None) -> pl.DataFrame:
    return group_checks(
        ordered_stream(readings(*given), moments(*adjustments)),
        gap=timedelta(minutes=10),
        run_gap=timedelta(minutes=60),
        actions=None if actions is None else moments(*actions),
    )


def test_readings_stand_by_time_counter_file_line_and_place_in_it_what_is_unknown_last() -> None:
    keys: list[tuple[Any, ...]] = [
        (0, 9, 9, 9, 9), (1, 1, 9, 9, 9), (1, 2, 1, 9, 9), (1, 2, 2, 1, 9), (1, 2, 2, 2, 1), (1, 2, 2, 2, 2), (1, 2, 2, 2, None),
        (1, 2, 2, None, 1), (1, 2, None, 1, 1), (1, None, 1, 1, 1), (2, 1, 1, 1, 1),
    ]  # fmt: skip
    shuffled = [keys[i] for i in (5, 9, 0, 3, 10, 1, 8, 6, 2, 7, 4)]
    names = ("sequence", "file_rank", "line", "replicate")
    stream = ordered_stream(
        readings(*({"measured_at": at(key[0]), **dict(zip(names, key[1:], strict=True))} for key in shuffled)),
        moments(),
    )
    assert stream.select(*names).rows() == [key[1:] for key in keys]


def test_parts_and_settings_are_counted_for_each_meter_alone() -> None:
    part, setting = {"role": "part"}, {"role": "setting"}
    told = readings(
        {"meter": "M2", "measured_at": at(-1)},
        {**setting, "meter": "M2", "measured_at": at(0)},
        {**part, "meter": "M2", "measured_at": at(1)},
        {**part, "measured_at": at(0)},
        # three readings are one setting, which ends with the last
        {**setting, "measured_at": at(1), "block": "B2"},
        {**setting, "measured_at": at(2)},
        {**setting, "measured_at": at(3), "block": "B2"},
        {"measured_at": at(4)},
        {**part, "measured_at": at(6), "counts": False},
        {**setting, "measured_at": at(7)},
    )
    recorded = moments(("M1", at(5)))
    stream = ordered_stream(told, recorded)
    assert stream.select("meter", "parts_before", "settings_before", "setting", "phase").rows() == [
        ("M1", 1, 0, 0, None), ("M1", 1, 0, 0, None), ("M1", 1, 0, 0, None), ("M1", 1, 1, 0, at(3)), ("M1", 1, 1, 1, at(3)),
        ("M1", 2, 2, 2, at(5)), ("M1", 2, 3, 2, at(7)), ("M2", 0, 0, 0, None), ("M2", 0, 1, 0, at(0)),
        ("M2", 1, 1, 1, at(0)),
    ]  # fmt: skip
    assert stream.columns == [*READINGS, "parts_before", "settings_before", "setting", "phase"]
    (kept,) = numbered_stream(told, recorded).filter("recorded").to_dicts()
    assert {name for name, value in kept.items() if value is not None} == {
        "meter", "measured_at", "role", "recorded", "parts_before", "settings_before", "setting", "phase",
    }  # fmt: skip
    assert (kept["meter"], kept["measured_at"], kept["role"], kept["setting"]) == ("M1", at(5), "setting", 1)
    assert settings_of(stream).rows() == [
        ("M1", at(3), 3, "B1, B2"),
        ("M1", at(7), 1, "B1"),
        ("M2", at(0), 1, "B1"),
    ]


@pytest.mark.parametrize(
    ("second", "checks", "runs"),
    [
        ({"measured_at": at(10, -1)}, [1, 1], [1, 1]),
        ({"measured_at": at(10)}, [1, 2], [1, 1]),
        ({"measured_at": at(60, -1)}, [1, 2], [1, 1]),
        ({"measured_at": at(60)}, [1, 2], [1, 2]),
        ({"block": "B2"}, [1, 2], [1, 1]),
        ({"probe": "P2"}, [1, 2], [1, 1]),
        ({"probe": None}, [1, 2], [1, 1]),
        ({"frequency_khz": 120.0}, [1, 2], [1, 1]),
        ({"meter": "M2"}, [1, 1_000_000_001], [1, 1_000_000_001]),
    ],
)
def test_what_parts_checks_and_what_parts_runs(second: dict[str, Any], checks: list[int], runs: list[int]) -> None:
    one = {"probe": "P1", "frequency_khz": 60.0}
    found = grouped({**one, "measured_at": at(0)}, {**one, **second})
    assert found["check"].to_list() == list(dict.fromkeys(checks))
    assert found["run"].to_list() == [runs[0], runs[-1]][: found.height]
    assert found.with_columns(run_of_meter())["run"].to_list() == [n % 1_000_000_000 for n in found["run"]]


def test_parts_settings_and_actions_end_a_check_and_its_run_and_other_meters_do_not() -> None:
    def numbers(*given: dict[str, Any], **more: Any) -> list[tuple[int, int]]:
        return grouped(*given, **more).filter(meter="M1").select("check", "run").rows()

    apart, together = [(1, 1), (2, 2)], [(1, 1)]
    assert numbers({}, {"role": "part"}, {}) == apart
    assert numbers({}, {"role": "part", "counts": False}, {}) == apart
    assert numbers({}, {"role": "setting"}, {}) == apart
    assert numbers({}, {"counts": False}, {}) == together
    assert numbers({}, {"role": "part", "meter": "M2"}, {}) == together
    assert numbers({}, {}, adjustments=[("M1", at(0.5))]) == apart
    assert numbers({}, {}, adjustments=[("M2", at(0.5))]) == together
    # the readings of the other meter stand at the same times, so that times do not rise through the stream
    both = [{}, {}, {"measured_at": at(0), "meter": "M2"}, {"measured_at": at(1), "meter": "M2"}]
    assert numbers(*both, actions=[("M2", at(0.5)), ("M1", at(0.7))]) == apart
    assert numbers(*both, actions=[("M2", at(0.5))]) == together
    assert numbers(*both, actions=[]) == together
    # what was read in the moment of an action came before it
    assert numbers({}, {}, actions=[("M1", at(1))]) == together
    assert numbers({}, {}, actions=[("M1", at(1, -1))]) == apart
    assert numbers({}, {}, actions=[("M1", at(0))]) == apart
    # the last action before a reading counts, in whatever order they were recorded
    assert numbers({}, {}, {}, actions=[("M1", at(1.5)), ("M1", at(0.5))]) == [(1, 1), (2, 2), (3, 3)]


def test_numbers_of_one_meter_do_not_move_when_another_is_checked() -> None:
    alone = [{"measured_at": at(m), "meter": meter} for meter in ("M1", "M2", "M3") for m in (0, 20, 90)]
    before, after = (grouped(*some) for some in (alone, [*alone, {"measured_at": at(300), "meter": "M1"}]))
    thousand_million = 1_000_000_000
    assert before.select("check", "run").rows() == [
        (thousand_million * meter + check, thousand_million * meter + run)
        for meter in range(3)
        for check, run in ((1, 1), (2, 1), (3, 2))
    ]
    assert after.filter(pl.col("at") < at(300)).equals(before)


def test_means_and_scatter_of_exported_means_are_those_of_the_readings_behind_them() -> None:
    """By numpy, from the readings; what an export states of them is their count, mean and standard deviation."""
    drawn = np.random.default_rng(15).normal(58.0, 0.05, 12)
    stacks = [drawn[:1], drawn[1:4], drawn[4:12]]
    told = [
        {
            "value_at_reference": float(s.mean()),
            "count": None if len(s) == 1 else len(s),
            "standard_deviation_at_reference": None if len(s) == 1 else float(s.std(ddof=1)),
        }
        for s in stacks
    ]
    (found,) = grouped(*told, {"value_at_reference": None, "count": 5}).to_dicts()
    assert found["mean"] == pytest.approx(drawn.mean(), rel=1e-14)
    assert found["within_standard_deviation"] == pytest.approx(drawn.std(ddof=1), rel=1e-10)
    assert (found["readings"], found["within_degrees_of_freedom"], found["without_reference"]) == (12, 11, 1)


@pytest.mark.parametrize(
    ("given", "mean", "scatter", "degrees", "readings", "without"),
    [
        ([{}], 58.0, None, None, 1, 0),
        ([{}, {"value_at_reference": 58.2}], 58.1, 0.02**0.5, 1, 2, 0),
        ([{"value_at_reference": None}], None, None, None, 0, 1),
        ([{"value_at_reference": None}, {}, {}], 58.0, 0.0, 1, 2, 1),
        # a mean of several that hides its scatter leaves none, one of a single reading hides nothing
        ([{"count": 2}, {}], 58.0, None, None, 3, 0),
        ([{"count": 1}, {}], 58.0, 0.0, 1, 2, 0),
        ([{"count": 2, "standard_deviation_at_reference": 0.3}], 58.0, 0.3, 1, 2, 0),
        ([{"count": 2, "value_at_reference": None}, {}, {}], 58.0, 0.0, 1, 2, 1),
    ],
)
def test_what_a_check_has_no_value_for_it_does_not_claim(
    given: list[dict[str, Any]], mean: Any, scatter: Any, degrees: Any, readings: int, without: int
) -> None:
    (found,) = grouped(*given).to_dicts()
    assert found["mean"] == pytest.approx(mean)
    assert found["within_standard_deviation"] == pytest.approx(scatter, abs=1e-12)
    assert (found["within_degrees_of_freedom"], found["readings"], found["without_reference"]) == (
        degrees,
        readings,
        without,
    )


def test_one_exported_mean_keeps_its_digits_and_a_check_its_times_series_and_conflict() -> None:
    exported = 57.912345678901234
    first = {"value_at_reference": exported, "count": 7, "standard_deviation_at_reference": 0.1}
    found = grouped(
        {"role": "setting"},
        {"role": "part"},
        {**first, "probe": "P1", "frequency_khz": 60.0, "temperature_c": 20.0},
        {"block": "B2", "temperature_c": 20.0},
        {"block": "B2", "temperature_c": 23.0, "conflict": True},
        {"block": "B2"},
    )
    assert found["mean"][0] == exported
    assert found.select(*SERIES, "parts_before").rows() == [
        ("M1", "P1", 60.0, "B1", at(0), 1),
        ("M1", None, None, "B2", at(0), 1),
    ]
    assert found.select("first_at", "at", "conflict", "temperature_c").rows() == [
        (at(2), at(2), False, 20.0),
        (at(3), at(5), True, 21.5),
    ]
    assert {found.schema[name] for name in ("meter", "probe", "block")} == {pl.String}
    assert found.columns == [
        "check", "run", "parts_before", *SERIES, "conflict", "at", "first_at", "readings", "without_reference", "mean",
        "within_degrees_of_freedom", "temperature_c", "within_standard_deviation",
    ]  # fmt: skip


BLOCKS: dict[str, Any] = {
    "block": TEXT, "valid_from": UTC_TIME, "certified_value": FLOAT, "unit": TEXT, "expanded_uncertainty": FLOAT,
    "coverage_factor": FLOAT, "certificate": TEXT, "due_on": UTC_TIME,
}  # fmt: skip


def judged(checks: list[dict[str, Any]], *blocks: dict[str, Any], **given: Any) -> pl.DataFrame:
    usual = {
        "block": "B1",
        "valid_from": at(-1000),
        "certified_value": 58.0,
        "unit": "MS/m",
        "expanded_uncertainty": 0.2,
    }
    schema = {"block": TEXT, "at": UTC_TIME, "mean": FLOAT, "conflict": BOOLEAN}
    asked: dict[str, Any] = {"unit": "MS/m", "tolerance": 0.5, "tolerance_unit": "MS/m", "block_tolerance": {}, **given}
    told = rows(checks, schema, {"block": "B1", "at": at(0), "mean": 58.0, "conflict": False})
    return judge_tolerance(told, rows(list(blocks), BLOCKS, usual), **asked)


@pytest.mark.parametrize("side", [1, -1])
def test_a_bias_on_the_tolerance_passes_but_for_what_binary_arithmetic_adds_and_just_beyond_it_fails(side: int) -> None:
    # 1e-9 of the certified value is 5.8e-8; so much is no bias
    biases = [0.0, 0.499, 0.5, 0.5 + 5e-8, 0.5 + 7e-8, 0.6]
    found = judged([{"mean": 58.0 + side * bias} for bias in biases], {})
    assert found["passes"].to_list() == [True, True, True, True, False, False]
    assert found["bias"].to_list() == pytest.approx([side * bias for bias in biases])
    assert found["tolerance"].to_list() == [0.5] * 6


def test_slack_for_ties_grows_with_the_block_and_not_with_its_reciprocal() -> None:
    small = judged([{"mean": 0.001 + 0.5 + 1e-10}], {"certified_value": 0.001})
    assert small["passes"].to_list() == [False]


def test_only_what_is_certified_and_measured_is_judged_and_a_conflict_passes_nothing() -> None:
    told: list[dict[str, Any]] = [
        {"conflict": True},
        {"mean": 60.0, "conflict": True},
        {"mean": None},
        {"block": "B2"},
        {"block": "B3"},
        {"block": "B4"},
    ]
    found = judged(
        told, {}, {"block": "B2", "certified_value": None}, {"block": "B3", "unit": None}, {"block": "B5"}
    )  # fmt: skip
    assert found["passes"].to_list() == [False, False, None, None, None, None]
    assert found["bias"].to_list() == pytest.approx([0.0, 2.0, None, None, None, None])
    assert found["certified_value"].to_list() == [58.0, 58.0, 58.0, None, None, None]
    assert found.columns == [
        "block", "at", "mean", "conflict", "certificate_coverage_factor", "certificate", "certificate_due_on",
        "certified_value", "certificate_standard_uncertainty", "tolerance", "bias", "passes",
    ]  # fmt: skip


def test_the_certificate_of_the_time_holds_in_its_own_unit_with_its_own_factor() -> None:
    """In %IACS one is 0.58 MS/m (IEC 60028:1925); 1/58 Ω·mm²/m is 17.241 nΩ·m, and its slope there -58²/1000 MS/m a nΩ·m."""
    found = judged(
        [{"block": "B2"}, {"at": at(10, -1)}, {"at": at(10)}, {"at": at(11)}],
        {"certificate": "C1", "due_on": at(5)},
        {"valid_from": at(10), "certified_value": 100.0, "unit": "%IACS", "coverage_factor": 2.5, "certificate": "C2"},
        {"block": "B2", "certified_value": 1000 / 58, "unit": "nOhm.m", "coverage_factor": 4.0},
        block_tolerance={"B2": 0.7},
        tolerance_unit="%IACS",
    )
    assert found["certificate"].to_list() == [None, "C1", "C2", "C2"]
    assert found["certificate_due_on"].to_list() == [None, at(5), None, None]
    assert found["certificate_coverage_factor"].to_list() == [4.0, None, 2.5, 2.5]
    assert found["certified_value"].to_list() == pytest.approx([58.0] * 4)
    slope = 58.0**2 / 1000
    assert found["certificate_standard_uncertainty"].to_list() == pytest.approx(
        [0.05 * slope, 0.1, 0.08 * 0.58, 0.08 * 0.58]
    )
    assert found["tolerance"].to_list() == pytest.approx([0.7 * 0.58, *[0.5 * 0.58] * 3])
    (silent,) = judged([{}], {"expanded_uncertainty": None}).to_dicts()
    assert (silent["certificate_standard_uncertainty"], silent["passes"]) == (None, True)
    # a tolerance in resistivity, judged in conductivity
    (turned,) = judged([{}], {}, tolerance=0.01, tolerance_unit="nOhm.m").to_dicts()
    assert turned["tolerance"] == pytest.approx(0.01 * slope)


CHECKS: dict[str, Any] = {
    "meter": TEXT, "run": INTEGER, "parts_before": INTEGER, "first_at": UTC_TIME, "at": UTC_TIME, "conflict": BOOLEAN,
    "passes": BOOLEAN, "rejects": TEXT, "certified_value": FLOAT, "mean": FLOAT,
}  # fmt: skip
PASSES: dict[str, Any] = {}
FAILS, REJECTED = {"passes": False}, {"rejects": "1-3s"}
BARE = {"certified_value": None, "passes": None}
SILENT = {"mean": None, "passes": None}


def summed(*given: dict[str, Any], suspect: bool = False) -> pl.DataFrame:
    usual = {"meter": "M1", "run": 1, "parts_before": 3, "conflict": False, "passes": True, "rejects": "", "certified_value": 58.0, "mean": 58.0}  # fmt: skip
    told = [{"first_at": at(2 * i), "at": at(2 * i + 1), **row} for i, row in enumerate(given)]
    return runs_of_checks(rows(told, CHECKS, usual), signals_make_suspect=suspect)


@pytest.mark.parametrize(
    ("checks", "passed", "if_suspect", "counts", "times"),
    [
        ([PASSES], True, True, (1, 1, 0, 0), (0, 1)),
        ([PASSES, PASSES], True, True, (2, 2, 0, 0), (0, 3)),
        ([PASSES, FAILS], False, False, (2, 2, 1, 0), (0, 3)),
        ([FAILS, FAILS, PASSES], False, False, (3, 3, 2, 0), (0, 5)),
        ([PASSES, REJECTED], True, False, (2, 2, 0, 1), (0, 3)),
        ([FAILS | REJECTED], False, False, (1, 1, 1, 1), (0, 1)),
        # a block without a certificate decides nothing and lends the run no time
        ([BARE], None, None, (1, 0, 0, 0), (0, 1)),
        ([BARE, BARE], None, None, (2, 0, 0, 0), (0, 3)),
        ([BARE | REJECTED], None, False, (1, 0, 0, 1), (0, 1)),
        ([BARE, PASSES, BARE], True, True, (3, 1, 0, 0), (2, 3)),
        ([BARE, PASSES, PASSES, BARE], True, True, (4, 2, 0, 0), (2, 5)),
        # a certified block without a value leaves the run without a judgement, unless another check failed
        ([SILENT], None, None, (1, 1, 0, 0), (0, 1)),
        ([PASSES, SILENT], None, None, (2, 2, 0, 0), (0, 1)),
        ([FAILS, SILENT], False, False, (2, 2, 1, 0), (0, 1)),
        ([PASSES, BARE | {"mean": None}], True, True, (2, 1, 0, 0), (0, 1)),
    ],
)
def test_a_run_passes_when_every_certified_block_in_it_passes(
    checks: list[dict[str, Any]], passed: Any, if_suspect: Any, counts: tuple[int, ...], times: tuple[int, int]
) -> None:
    (found,) = summed(*checks).to_dicts()
    assert found["passed"] is passed
    assert tuple(found[name] for name in ("checks", "certified", "failed", "rejected")) == counts
    assert (found["first_at"], found["last_at"]) == (at(times[0]), at(times[1]))
    assert summed(*checks, suspect=True)["passed"].to_list() == [if_suspect]


def test_runs_are_told_by_meter_in_the_order_of_time_with_the_conflicts_of_their_checks() -> None:
    found = summed(
        {"meter": "M2", "run": 7},
        {"run": 1, "parts_before": 0, "first_at": at(50)},
        {"run": 1, "parts_before": 0, "first_at": at(51), "conflict": True},
        {"run": 2, "conflict": True, "first_at": at(40)},
        {"run": 2, "conflict": True, "first_at": at(41)},
        {"run": 3, "first_at": at(40)},
    )
    assert found.select("meter", "run", "parts_before", "conflicts").rows() == [
        ("M1", 2, 3, 2), ("M1", 3, 3, 0), ("M1", 1, 0, 1), ("M2", 7, 3, 0),
    ]  # fmt: skip
    assert found.columns == [
        "meter", "run", "parts_before", "first_at", "last_at", "conflicts", "checks", "failed", "rejected", "certified", "passed",
    ]  # fmt: skip
