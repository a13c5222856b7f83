"""Points of external calibrations: when they pass, when that is close, and in which unit. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.metrology.calibration import CALIBRATION_COLUMNS, judge_calibrations
from schemas.reference_tables import REFERENCE_TABLES

TODAY = datetime(2026, 3, 10, tzinfo=UTC)


def point(**given: Any) -> dict[str, Any]:
    row = {
        "meter": "M1",
        "calibrated_on": TODAY,
        "condition": "as_found",
        "nominal": 58.0,
        "indicated": 58.0,
        "unit": "MS/m",
    }
    return {**row, **given}


def judged(*points: dict[str, Any], as_of: datetime = TODAY, unit: str = "MS/m") -> pl.DataFrame:
    frame = pl.DataFrame(points, schema_overrides={"calibrated_on": pl.Datetime("us", "UTC"), "indicated": pl.Float64})
    table = REFERENCE_TABLES["calibrations"].complete(frame)
    return judge_calibrations(table, unit=unit, tolerance=0.5, tolerance_unit="%IACS", as_of=as_of)


def one(**given: Any) -> dict[str, Any]:
    return judged(point(**given)).row(0, named=True)


@pytest.mark.parametrize(
    ("indicated", "passes"), [(58.3, True), (57.7, True), (58.300001, False), (57.699999, False), (50.0, False)]
)
def test_a_deviation_of_the_tolerance_itself_passes(indicated: float, passes: bool) -> None:
    # 58.3 − 58 is a little less, 58 − 57.7 a little less or more than 0.3 in binary arithmetic
    assert one(indicated=indicated, tolerance=0.3)["passes"] is passes
    scaled = one(indicated=indicated / 1000, nominal=0.058, tolerance=0.0003)
    assert scaled["passes"] is passes


def test_a_point_without_a_tolerance_has_that_of_the_site_in_its_own_unit() -> None:
    assert one()["tolerance"] == pytest.approx(0.29)  # 0.5 %IACS
    # 0.29 MS/m of 50 MS/m, at 20 nΩ·m: |dρ| = 1000·dσ/σ² (IEC 60028: 58 MS/m is 100 %IACS)
    resistivity = one(nominal=20.0, indicated=20.1, unit="nOhm.m")
    assert resistivity["tolerance"] == pytest.approx(1000 * 0.29 / 50**2)
    assert resistivity["passes"] is True
    assert one(nominal=20.0, indicated=20.12, unit="nOhm.m")["passes"] is False
    assert one(tolerance=0.1)["tolerance"] == 0.1


def test_level_and_change_are_in_the_working_unit_and_deviation_in_the_points_own() -> None:
    row = judged(point(nominal=100.0, indicated=101.0, unit="%IACS", tolerance=0.3)).row(0, named=True)
    assert (row["deviation"], row["tolerance"]) == (1.0, 0.3)
    assert (row["level"], row["change"]) == (pytest.approx(58.0), pytest.approx(0.58))
    falls = judged(point(nominal=20.0, indicated=21.0, unit="nOhm.m", tolerance=0.3)).row(0, named=True)
    assert falls["change"] == pytest.approx(1000 / 21 - 50)


@pytest.mark.parametrize(
    ("indicated", "near"), [(58.1, False), (58.21, True), (58.39, True), (58.41, False), (57.79, True), (57.59, False)]
)
def test_a_deviation_is_near_within_its_uncertainty_of_the_tolerance_on_either_side(
    indicated: float, near: bool
) -> None:
    assert one(indicated=indicated, tolerance=0.3, expanded_uncertainty=0.1)["near"] is near


def test_a_point_is_shown_with_everything_that_was_stated() -> None:
    stated = point(tolerance=0.3, expanded_uncertainty=0.1, certificate="C-1", laboratory="L", indicated=58.1)
    row = judged(stated).row(0, named=True)
    assert {name: row[name] for name in stated} == stated
    assert row["deviation"] == pytest.approx(0.1)


def test_near_is_strict() -> None:
    assert one(nominal=50.0, indicated=50.5, tolerance=0.75, expanded_uncertainty=0.25)["near"] is False


def test_what_was_not_stated_is_not_judged() -> None:
    silent = one(indicated=None, expanded_uncertainty=0.1)
    assert [silent[name] for name in ("deviation", "passes", "near", "change")] == [None] * 4
    assert silent["level"] == 58.0
    assert one()["near"] is None


def test_calibrations_stand_by_meter_time_condition_and_point_and_later_ones_are_left_out() -> None:
    points = [
        point(
            meter=meter,
            calibrated_on=TODAY - timedelta(days=back),
            condition=condition,
            nominal=nominal,
            laboratory="L",
        )
        for nominal in (58.0, 29.0)
        for condition in ("as_left", "as_found")
        for back in (-1, 0, 400)
        for meter in ("M2", "M1")
    ]
    found = judged(*points)
    keys = found.select("meter", "calibrated_on", "condition", "nominal").rows()
    assert keys == sorted(keys)
    assert len(keys) == 16
    assert found["calibrated_on"].max() == TODAY
    assert found.schema == pl.Schema(CALIBRATION_COLUMNS)
    assert found["laboratory"].unique().to_list() == ["L"]
