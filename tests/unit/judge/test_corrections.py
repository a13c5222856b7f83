"""Corrections for geometry: which row fits, in which order, with which effect. Invented numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from scenario import Scenario, at

from pipeline.errors import ReferenceTableError, SettingsError
from pipeline.intake.tables import parse_tables
from pipeline.judge.lots.budgets import with_budgets
from pipeline.judge.values.corrections import check_corrections
from pipeline.metrology.corrections import overlaps, too_large
from pipeline.metrology.units import convert
from pipeline.workspace.settings import Settings

if TYPE_CHECKING:
    import polars as pl

    from schemas.results import LotResult

HEAD = "correction,kind,material,probe,frequency_khz,low,high,value,unit,expanded_uncertainty,coverage_factor,source,valid_from\n"


def table(*rows: str) -> pl.DataFrame:
    return parse_tables({"corrections": HEAD + "\n".join(rows) + "\n"}, zone=Settings().zone)["corrections"]


def assessed(
    *rows: str, settings: Settings | None = None, values: tuple[float, ...] = (58.4, 58.6), **given: Any
) -> LotResult:
    story = (
        Scenario(corrections=HEAD + "\n".join(rows) + "\n").check("08:00").lot("09:00", *values, **given).check("10:00")
    )
    return story.assess(settings=settings).lots["L1"]


THIN = "C-T,thickness,copper,,60,0.4,0.7,-0.50,MS/m,0.12,2,stack of four,"
BENT = "C-R,curvature,,,,20,100,1.0,%IACS,0.4,2,turned bar,"


def test_a_row_that_fits_is_added_and_shown() -> None:
    found = assessed(THIN, BENT, thickness_mm=0.5, frequency_khz=60.0)
    assert found.mean == pytest.approx(58.0, rel=1e-12)
    shown = found.corrections
    assert len(shown) == 1
    assert (shown[0].correction, shown[0].readings, shown[0].value, shown[0].expanded_uncertainty) == (
        "C-T",
        2,
        -0.5,
        0.12,
    )
    assert (shown[0].mean_before, shown[0].mean_after) == pytest.approx((58.5, 58.0))
    codes = [flag.split(":")[0] for flag in found.flags]
    assert codes == ["corrected_for_geometry"]  # what is corrected is not called too thin as well
    assert "by C-T, mean 58.5 before and 58 MS/m after" in found.flags[0]


def test_kinds_add_up_and_units_are_converted() -> None:
    found = assessed(THIN, BENT, thickness_mm=0.5, frequency_khz=60.0, radius_mm=50.0)
    assert found.mean == pytest.approx(58.5 - 0.5 + 0.58, rel=1e-12)
    assert [each.correction for each in found.corrections] == ["C-R", "C-T"]


@pytest.mark.parametrize(
    "given",
    [
        {"thickness_mm": 0.7, "frequency_khz": 60.0},  # the upper end is not included
        {"thickness_mm": 0.39, "frequency_khz": 60.0},
        {"thickness_mm": 0.5, "frequency_khz": 120.0},
        {"thickness_mm": 0.5},
        {"frequency_khz": 60.0},
        {"thickness_mm": 0.25, "frequency_khz": 60.0, "pieces": 4},
        {"radius_mm": 50.0, "curvature_compensated": True},
    ],
)
def test_what_does_not_fit_stays_as_it_is(given: dict[str, Any]) -> None:
    found = assessed(THIN, BENT, **given)
    assert found.mean == pytest.approx(58.5)
    assert found.corrections == ()


def test_pieces_multiply_the_thickness_and_have_a_kind_of_their_own() -> None:
    stacked = "C-S,stacked,,,,2,5,0.3,MS/m,,,,"
    found = assessed(THIN, stacked, thickness_mm=0.25, frequency_khz=60.0, pieces=2)
    assert [each.correction for each in found.corrections] == ["C-S", "C-T"]
    assert found.mean == pytest.approx(58.3)


def test_temperature_goes_first() -> None:
    found = assessed(THIN, thickness_mm=0.5, frequency_khz=60.0, values=(56.0,), temperature_c=30.0)
    assert found.mean == pytest.approx(1 / (1 / 56.0 - 0.000681) - 0.5, rel=1e-12)


def test_two_rows_that_fit_are_refused_and_never_applied() -> None:
    other = "C-U,thickness,,,,0.6,0.8,-0.4,MS/m,,,,"
    with pytest.raises(SettingsError, match="C-T and C-U"):
        check_corrections(table(THIN, other), Settings())
    found = assessed(THIN, other, thickness_mm=0.65, frequency_khz=60.0)
    assert found.mean == pytest.approx(58.5)
    assert any("C-T and C-U fit at once for thickness, so none was applied" in flag for flag in found.flags)
    assert any(flag.startswith("too_thin") for flag in found.flags)
    # where only one fits it is applied
    assert assessed(THIN, other, thickness_mm=0.5, frequency_khz=60.0).mean == pytest.approx(58.0)


@pytest.mark.parametrize(
    "other",
    [
        "C-U,thickness,copper,,60,0.7,1.0,-0.4,MS/m,,,,",
        "C-U,thickness,copper,,120,0.4,0.7,-0.4,MS/m,,,,",
        "C-U,thickness,alloy,,60,0.4,0.7,-0.4,MS/m,,,,",
        "C-U,curvature,copper,,60,0.4,0.7,-0.4,MS/m,,,,",
        "C-T,thickness,copper,,60,0.4,0.7,-0.4,MS/m,,,,2026-06-01",
        "C-U,thickness,copper,,60,0.4,0.7,,,,,,",
    ],
)
def test_rows_that_exclude_each_other_are_no_contradiction(other: str) -> None:
    assert overlaps(table(THIN, other)) == []


def test_the_version_at_the_time_of_the_reading_holds() -> None:
    later = "C-T,thickness,copper,,60,0.4,0.7,-0.30,MS/m,0.12,2,stack of six,2026-03-02T09:00:15Z"
    story = Scenario(corrections=HEAD + THIN + "\n" + later + "\n").check("08:00")
    story.lot("09:00", 58.5, 58.5, thickness_mm=0.5, frequency_khz=60.0).check("10:00")  # at 09:00:10 and 09:00:20
    found = story.assess().lots["L1"]
    assert [(each.value, each.readings) for each in found.corrections] == [(-0.5, 1), (-0.3, 1)]
    assert found.mean == pytest.approx(58.1)


def test_a_correction_beyond_the_largest_is_refused() -> None:
    large = "C-L,coating,,,,100,,5.5,%IACS,,,,"
    assert too_large(table(large, THIN), largest_iacs=5.0) == [("C-L", pytest.approx(5.5))]
    with pytest.raises(SettingsError, match="higher frequency"):
        check_corrections(table(large), Settings())
    found = assessed(large, coating_um=120.0)
    assert found.mean == pytest.approx(58.5)
    assert any("C-L is larger than 5 %IACS, so it was not applied" in flag for flag in found.flags)
    assert assessed(large, coating_um=120.0, settings=Settings(largest_correction_iacs=6.0)).mean == pytest.approx(
        58.5 + 3.19
    )


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("C,thickness,,,,0.7,0.4,1,MS/m,,,,", "low = 0.7 is not below high = 0.4"),
        ("C,thickness,,,,0.4,0.7,1,,,,,", "a correction needs a unit"),
        ("C,thickness,,,,0.4,0.7,1,nOhm.m,,,,", "MS/m, %IACS"),
        ("C,edge,,,,0.4,0.7,1,MS/m,,,,", "thickness, curvature, stacked, coating"),
        ("C,thickness,,,,0.4,0.7,1,MS/m,0.1,,,", "coverage factor"),
    ],
)
def test_a_wrong_row_names_what_is_wrong(row: str, words: str) -> None:
    with pytest.raises(ReferenceTableError, match=words):
        table(row)


def test_blocks_are_never_corrected() -> None:
    story = Scenario(corrections=HEAD + THIN + "\n").check("08:00", thickness_mm=0.5, frequency_khz=60.0)
    assert story.assess().checks["bias"].to_list() == pytest.approx([0.0], abs=1e-9)


@pytest.mark.parametrize("unit", ["MS/m", "%IACS", "uOhm.cm", "nOhm.m", "Ohm.cm"])
def test_the_working_unit_and_the_unit_of_the_export_change_no_verdict(unit: str) -> None:
    found = []
    for working in ("MS/m", "uOhm.cm"):
        story = Scenario(corrections=HEAD + THIN + "\n").check("08:00")
        values = [convert(value, "MS/m", unit) for value in (57.45, 57.55, 57.6)]
        story.lot("09:00", *values, unit=unit, thickness_mm=0.5, frequency_khz=60.0).check("10:00")
        lot = story.assess(settings=Settings(unit=working)).lots["L1"]
        found.append((lot.verdict, [convert(lot.minimum, working, "MS/m"), convert(lot.maximum, working, "MS/m")]))
    assert {verdict for verdict, _ in found} == {"reject"}  # 56.95 lies below the limit of 57
    for _, ends in found:
        assert sorted(ends) == pytest.approx([56.95, 57.1], rel=1e-12)


def test_exported_means_keep_their_scatter() -> None:
    story = Scenario(corrections=HEAD + THIN + "\n").check("08:00")
    story.reading(
        at("09:00"),
        58.5,
        lot="L1",
        part="1",
        spot="1",
        count=5,
        standard_deviation=0.1,
        thickness_mm=0.5,
        frequency_khz=60.0,
    )
    by_unit = {}
    for unit in ("MS/m", "uOhm.cm"):
        row = story.assess(settings=Settings(unit=unit)).readings.filter(role="part").row(0, named=True)
        by_unit[unit] = row["standard_deviation_at_reference"] / row["value_at_reference"]
    assert by_unit["MS/m"] == pytest.approx(0.1 / 58.0)
    assert by_unit["uOhm.cm"] == pytest.approx(0.1 / 58.0)


@pytest.mark.parametrize("unit", ["MS/m", "uOhm.cm"])
def test_the_uncertainty_of_corrections_stands_in_the_budget_and_does_not_average(unit: str) -> None:
    thicker = "C-V,thickness,,,,0.7,0.9,-0.3,MS/m,0.08,2,,"
    story = Scenario(corrections=HEAD + "\n".join((THIN, thicker, BENT)) + "\n").check("08:00")
    story.lot("09:00", 58.4, 58.6, thickness_mm=0.5, frequency_khz=60.0, radius_mm=30.0)
    story.reading(at("09:10"), 58.5, lot="L1", part="3", spot="1", thickness_mm=0.8, frequency_khz=60.0)
    found = story.check("10:00").assess(settings=Settings(unit=unit))
    shown = with_budgets(found, found.lots["L1"])
    line = next(each for each in shown.contributions if each.name == "correction for geometry")
    # of the two rows for thickness the larger, and the one for curvature: 0.06 and 0.2 %IACS
    scale = 1.0 if unit == "MS/m" else shown.mean / convert(shown.mean, unit, "MS/m")
    assert line.standard_uncertainty == pytest.approx((0.06**2 + (0.2 * 0.58) ** 2) ** 0.5 * scale, rel=1e-9)
    assert not line.averages
    assert "C-R, C-T, C-V" in line.source
    of_mean = next(each for each in shown.budgets if each.of == "lot_mean")
    assert of_mean.expanded_uncertainty == pytest.approx(shown.expanded_uncertainty, rel=1e-12)


def test_a_correction_without_uncertainty_is_named() -> None:
    bare = "C-B,thickness,copper,,60,0.4,0.7,-0.50,MS/m,,,,"
    story = Scenario(corrections=HEAD + bare + "\n").check("08:00")
    found = story.lot("09:00", thickness_mm=0.5, frequency_khz=60.0).check("10:00").assess()
    shown = with_budgets(found, found.lots["L1"])
    assert "uncertainty of correction C-B not known: not counted" in shown.uncertainty_notes


def test_a_bias_taken_off_afterwards_is_no_part_of_the_correction() -> None:
    story = Scenario(corrections=HEAD + THIN + "\n")
    for hour in range(1, 9):
        story.check(f"0{hour}:00", bias=0.1).check(f"0{hour}:05", bias=0.1, block="B2")
    story.lot("09:00", 57.9, 58.1, thickness_mm=0.5).check("10:00", bias=0.1).check("10:05", bias=0.1, block="B2")
    story.rows = [{**row, "frequency_khz": 60.0} for row in story.rows]
    plain, taken = (story.assess(settings=Settings(apply_bias_line=on)).lots["L1"] for on in (False, True))
    assert plain.mean is not None
    assert taken.mean == pytest.approx(plain.mean - 0.1, abs=1e-6)
    for result in (plain, taken):
        (one,) = result.corrections
        assert one.mean_after - one.mean_before == pytest.approx(-0.5, rel=1e-9)
