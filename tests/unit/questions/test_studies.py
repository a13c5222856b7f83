"""Gauge studies: plans, readings that never count as production, evaluation, coverage of intervals."""

from __future__ import annotations

import csv
import io
from collections import Counter
from datetime import UTC, datetime, timedelta
from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import openpyxl
import polars as pl
import pytest
from intake_checks import builtin_layouts, is_whole, load
from sample_texts import provenance
from scenario import REFERENCE, Scenario, at

from pipeline.history.chain import Event
from pipeline.metrology.units import convert
from pipeline.questions.studies.plan import plan_rows, plan_text, plan_workbook, register_row
from pipeline.questions.studies.studies import studies
from pipeline.questions.trace import trace
from pipeline.statistics.gauge_study import crossed_study
from pipeline.statistics.mean_squares import modified_large_sample_interval
from pipeline.statistics.study_plan import study_plan
from reports.study.page import render
from schemas.studies import StudyPage
from schemas.tables import READING

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment
    from schemas.studies import StudyResult

SOURCES = pl.DataFrame(
    {"source_id": [1], "sha256": ["ab" * 32], "name": ["x.csv"]}, schema_overrides={"source_id": pl.Int32}
)
REGISTER = {"studies": "run,kind,compares,meters,material,specification,tolerance,unit\nG1,crossed,,M1,copper,S,,\n"}


def test_a_plan_is_complete_in_each_round_and_the_same_again() -> None:
    plan = study_plan(["Ada", "Bo", "Cy"], 10, 3, seed="G1")
    assert [reading.place for reading in plan] == list(range(1, 91))
    for number in (1, 2, 3):
        cells = Counter((r.group, r.part) for r in plan if r.round == number)
        assert set(cells.values()) == {1}
        assert len(cells) == 30
    assert plan == study_plan(["Ada", "Bo", "Cy"], 10, 3, seed="G1")
    assert plan != study_plan(["Ada", "Bo", "Cy"], 10, 3, seed="G2")
    # everybody reads another order in another round
    orders = {tuple(r.part for r in plan if (r.round, r.group) == key) for key in {(r.round, r.group) for r in plan}}
    assert len(orders) == 9
    nested = study_plan(["Ada", "Bo"], 4, 2, kind="nested")
    assert {r.part for r in nested if r.group == "Ada"}.isdisjoint({r.part for r in nested if r.group == "Bo"})


@pytest.mark.parametrize(
    ("groups", "parts", "repeats", "kind"),
    [
        (["A", "A"], 5, 2, "crossed"),
        (["A"], 1, 2, "crossed"),
        (["A"], 5, 1, "crossed"),
        (["A", "B"], 5, 1, "nested"),
        (["A"], 5, 2, "x"),
        ([" "], 5, 2, "crossed"),
    ],
)
def test_plans_that_make_no_study_are_refused(groups: list[str], parts: int, repeats: int, kind: str) -> None:
    with pytest.raises(ValueError, match=r"expected|at least"):
        study_plan(groups, parts, repeats, kind=kind)


def planned() -> list[dict[str, str]]:
    return plan_rows(
        "G1",
        operators=["Ada", "Bo"],
        meters=["M1"],
        parts=3,
        repeats=2,
        kind="crossed",
        unit="MS/m",
        state="at_metal",
        seed="G1",
    )


def test_the_sheet_is_a_neutral_export() -> None:
    rows = list(csv.DictReader(io.StringIO(plan_text(planned()))))
    assert len(rows) == 12
    assert {(row["run"], row["lot"], row["role"], row["meter"]) for row in rows} == {("G1", "G1", "part", "M1")}
    assert {row["value"] for row in rows} == {""}
    assert set(rows[0]) <= set(READING.names)
    assert register_row("G1", kind="crossed", by_meter=False, meters=["M1"], specification="S") == {
        "run": "G1", "kind": "crossed", "compares": "operator", "meters": "M1", "specification": "S",
    }  # fmt: skip


def test_a_plan_filled_in_as_a_workbook_loads_with_the_times_of_the_site() -> None:
    book = openpyxl.load_workbook(io.BytesIO(plan_workbook(planned())))
    page = book["readings"]
    columns = {cell.value: cell.column for cell in page[1]}
    for row in range(2, 12):
        page.cell(row, columns["value"], 58.0 + row / 100)
        page.cell(row, columns["temperature_c"], 21.5)
        page.cell(row, columns["measured_at"], datetime(2026, 7, 1, 8, row))  # noqa: DTZ001 - a spreadsheet knows no zone
    packed = io.BytesIO()
    book.save(packed)
    reading = load(packed.getvalue(), builtin_layouts()["neutral"])
    is_whole(reading)
    # the two rows that nobody read stay behind, told line by line
    assert {fate: n for fate, n in reading.counts.items() if n} == {"header": 1, "accepted": 10, "quarantined": 2}
    assert reading.quarantine["line"].to_list() == [12, 13]
    assert reading.readings["measured_at"][0] == datetime(2026, 7, 1, 6, 2, tzinfo=UTC)
    assert (reading.readings["sequence"].to_list(), set(reading.readings["run"])) == (list(range(1, 11)), {"G1"})


def production() -> Scenario:
    scenario = Scenario(**REGISTER)
    scenario.check("08:00").lot("08:30", lot="L1").check("10:00").lot("10:30", lot="L2").check("12:00")
    return scenario


def with_study(
    scenario: Scenario, *, values: np.ndarray | None = None, skip: tuple[int, int, int] | None = None, **given: Any
) -> Scenario:
    """Add a crossed study of 5 parts, 3 operators and 2 rounds among the readings of production."""
    rng = np.random.default_rng(4)
    cube = values if values is not None else (
        58.5 + 0.3 * rng.normal(size=(5, 1, 1)) + np.array([-0.05, 0.0, 0.05])[None, :, None] + 0.04 * rng.normal(size=(5, 3, 2))
    )  # fmt: skip
    moment = at("08:31:02")
    for part, operator, repeat in np.ndindex(cube.shape):
        if skip != (part, operator, repeat):
            scenario.reading(
                moment, float(cube[part, operator, repeat]),
                **{"lot": "L1", "part": f"P{part}", "spot": "1", "operator": f"op{operator}", "run": "G1", **given},
            )  # fmt: skip
        moment += timedelta(minutes=6)
    return scenario


def found(scenario: Scenario, **given: Any) -> tuple[Assessment, StudyResult]:
    assessment = scenario.assess(**given)
    return assessment, studies(assessment, list(given.get("events", [])), SOURCES)["G1"][0]


def test_readings_of_a_registered_study_never_count_as_production() -> None:
    alone = production().assess()
    beside = with_study(production())
    # blocks may be parts of a study, too, and then make no check, even if they read far off
    beside.reading(at("08:45"), 40.0, role="block", block="B1", run="G1", operator="op1")
    mixed = beside.assess()
    assert mixed.lots == alone.lots
    assert mixed.meters == alone.meters
    # a reading of a study stands between checks as one of production does, so it is counted there, and nowhere else
    assert mixed.checks.drop("parts_before").equals(alone.checks.drop("parts_before"))
    assert mixed.part_values.equals(alone.part_values)
    for moment in (at("09:00"), at("11:00")):
        assert trace(mixed, "M1", since=moment).lots == trace(alone, "M1", since=moment).lots
    assert mixed.study_readings.height == 31
    # without the registration they are readings of the lot, and the block is a check that failed
    beside.reference["studies"] = "run\nanother\n"
    counted = beside.assess()
    assert counted.lots["L1"].parts == 8
    assert counted.lots["L1"].support != alone.lots["L1"].support
    assert counted.study_readings.height == 0


def test_a_study_is_evaluated_against_the_tolerance_of_its_specification() -> None:
    rng = np.random.default_rng(4)
    cube = (
        58.5
        + 0.3 * rng.normal(size=(5, 1, 1))
        + np.array([-0.05, 0, 0.05])[None, :, None]
        + 0.04 * rng.normal(size=(5, 3, 2))
    )
    _, result = found(with_study(production(), values=cube))
    part, operator, _ = np.indices(cube.shape).reshape(3, -1)
    frame = pl.DataFrame({"part": part, "operator": operator, "value": cube.reshape(-1)})
    direct = crossed_study(frame, tolerance=3.0, pool_interaction_above=None)
    by_name = {row["source"]: row for row in direct.components.iter_rows(named=True)}
    assert result.tolerance == pytest.approx(3.0)
    assert (result.judged_by, result.judged_percent) == (
        "tolerance",
        pytest.approx(by_name["gauge"]["percent_of_tolerance"]),
    )
    for component in result.components:
        assert component.standard_deviation == pytest.approx(
            sqrt(by_name[component.source]["variance"]), rel=1e-6, abs=1e-9
        )
        assert component.interval[0] <= component.standard_deviation <= component.interval[1]
    assert (result.parts, result.groups, result.repeats) == (5, ("op0", "op1", "op2"), 2)
    assert {c.source for c in result.without_interaction} == {c.source for c in result.components} - {"interaction"}
    assert any("3 operators give 2 degrees of freedom" in caution for caution in result.cautions)
    assert not any("run of checks" in caution for caution in result.cautions[2:])


def test_values_are_compared_at_the_reference_temperature() -> None:
    """A study on warm metal finds the same parts: each value is corrected by the material of the study."""
    cold = found(with_study(production()))[1]
    warm = with_study(production(), temperature_c=30.0)
    warm.reference["studies"] = "run,kind,material,tolerance,unit\nG1,crossed,copper,3,MS/m\n"
    result = found(warm)[1]
    assert result.components[0].standard_deviation == pytest.approx(
        cold.components[0].standard_deviation * 1.083, rel=0.01
    )
    warm.reference["studies"] = "run,kind\nG1,crossed\n"
    without = found(warm)[1]
    assert without.state == "not_assessed"
    assert without.left_out == 30


@pytest.mark.parametrize("hour", ["08:31", "09:40", "12:00"])
def test_a_meter_that_failed_its_check_beside_a_study_leaves_no_verdict_on_the_gauge(hour: str) -> None:
    scenario = Scenario(**REGISTER)
    scenario.check("08:00").check(hour, 2.0).check("13:00" if hour != "12:00" else "13:30")
    _, result = found(with_study(scenario))
    assert result.state == "not_assessed"
    assert "failed, so the study supports no verdict on the gauge" in result.reasons[0]
    # the figures stay in the data
    assert result.judged_percent is not None
    page = render(StudyPage(result, studies(scenario.assess(), [], SOURCES)["G1"][1], provenance()))
    assert "repeat the study G1 between two checks that pass" in page


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (np.full((5, 3, 2), 58.5), "All readings are equal"),
        (58.5 + np.broadcast_to(np.arange(5)[:, None, None], (5, 3, 2)) / 10, "Repeated readings never differ"),
    ],
)
def test_readings_that_never_differ_make_no_gauge_usable(values: np.ndarray, said: str) -> None:
    result = found(with_study(production(), values=values))[1]
    assert result.state == "not_assessed"
    assert result.reasons[0].startswith(said)


def test_cautions_count_in_words() -> None:
    rng = np.random.default_rng(6)
    two = found(with_study(production(), values=58.5 + rng.normal(size=(5, 2, 2)) / 10))[1]
    assert two.cautions[0].startswith("2 operators give 1 degree of freedom between operators")
    one = found(with_study(production(), values=58.5 + rng.normal(size=(5, 1, 3)) / 10))[1]
    assert one.cautions[0] == "One operator shows no reproducibility: the study speaks of repeatability alone."


def test_what_is_missing_is_named() -> None:
    scenario = with_study(production(), skip=(2, 1, 0))
    result = found(scenario)[1]
    assert result.state == "not_assessed"
    assert "part P2 by operator op1: 1 of 2" in " ".join(result.reasons)
    empty = production()
    assert found(empty)[1].reasons == ("No reading of this study was loaded yet.",)
    one_sided = with_study(production())
    one_sided.reference["specifications"] = REFERENCE["specifications"].replace("57,60", "57,")
    judged = found(one_sided)[1]
    assert judged.judged_by == "study"
    assert "one limit only" in judged.not_computable["percent_of_tolerance"]


def test_an_exclusion_leaves_a_reading_of_a_study_out() -> None:
    scenario = with_study(production())
    line = next(row["line"] for row in scenario.rows if row.get("run") == "G1")
    now = datetime.fromisoformat("2026-03-03T00:00:00+00:00")
    event = Event(1, now, "exclusion", {"sha256": "ab" * 32, "line": line}, "Ada", "slipped", "", "")
    result = found(scenario, events=[event], sources=SOURCES)[1]
    assert result.left_out == 1
    assert any("left out by a recorded decision" in caution for caution in result.cautions)


def test_meters_are_compared_and_nested_studies_evaluated() -> None:
    rng = np.random.default_rng(8)
    scenario = production()
    scenario.reference["studies"] = "run,kind,compares,tolerance,unit,material\nG1,crossed,meter,5,%IACS,copper\n"
    for part, meter, repeat in np.ndindex(4, 2, 2):
        moment = at("08:31:02") + timedelta(minutes=part * 20 + meter * 5 + repeat)
        value = 58 + 0.2 * part + 0.3 * meter + 0.02 * rng.normal()
        scenario.reading(moment, value, meter=f"M{meter + 1}", lot="G1", part=str(part), operator="Ada", run="G1")
    result = found(scenario)[1]
    assert (result.compares, result.groups, result.meters) == ("meter", ("M1", "M2"), ("M1", "M2"))
    assert result.tolerance == pytest.approx(convert(5, "%IACS", "MS/m"))
    assert any("No run of checks of M2" in caution for caution in result.cautions)
    scenario = with_study(production())
    scenario.reference["studies"] = "run,kind,material\nG1,nested,copper\n"
    nested = found(scenario)[1]
    assert nested.kind == "nested"
    assert any("a little short" in said for said in nested.cautions)
    assert nested.without_interaction == ()
    assert {c.source for c in nested.components} == {
        "repeatability",
        "operator",
        "reproducibility",
        "gauge",
        "part",
        "total",
    }


@pytest.mark.parametrize(("parts", "operators", "repeats"), [(10, 3, 3), (10, 5, 2), (5, 3, 3)])
def test_coverage_of_intervals(parts: int, operators: int, repeats: int, capsys: pytest.CaptureFixture[str]) -> None:
    """Seeded, 1500 crossed studies: at least 93 % of the 95 % intervals of each variance hold the truth."""
    n = 1500
    rng = np.random.default_rng(parts * 100 + operators * 10 + repeats)
    s = {"part": 1.0, "operator": 0.2, "interaction": 0.1, "repeatability": 0.2}
    x = (
        s["part"] * rng.normal(size=(n, parts, 1, 1)) + s["operator"] * rng.normal(size=(n, 1, operators, 1))
        + s["interaction"] * rng.normal(size=(n, parts, operators, 1)) + s["repeatability"] * rng.normal(size=(n, parts, operators, repeats))
    )  # fmt: skip
    cell, p_mean, o_mean, grand = x.mean(3), x.mean((2, 3)), x.mean((1, 3)), x.mean((1, 2, 3))
    crossing = cell - p_mean[:, :, None] - o_mean[:, None, :] + grand[:, None, None]
    freedoms = [parts - 1.0, operators - 1.0, (parts - 1.0) * (operators - 1.0), parts * operators * (repeats - 1.0)]
    squares = np.stack(
        [
            operators * repeats * ((p_mean - grand[:, None]) ** 2).sum(1), parts * repeats * ((o_mean - grand[:, None]) ** 2).sum(1),
            repeats * (crossing**2).sum((1, 2)), ((x - cell[..., None]) ** 2).sum((1, 2, 3)),
        ],
        axis=1,
    ) / freedoms  # fmt: skip
    weights = {
        "repeatability": [0, 0, 0, 1.0],
        "operator": [0, 1 / (parts * repeats), -1 / (parts * repeats), 0],
        "part": [1 / (operators * repeats), 0, -1 / (operators * repeats), 0],
        "gauge": [0, 1 / (parts * repeats), 1 / repeats - 1 / (parts * repeats), 1 - 1 / repeats],
    }
    truth = {name: s[name] ** 2 for name in ("repeatability", "operator", "part")}
    truth["gauge"] = s["repeatability"] ** 2 + s["operator"] ** 2 + s["interaction"] ** 2
    held = {}
    for name, vector in weights.items():
        intervals = [modified_large_sample_interval(vector, list(row), freedoms) for row in squares]
        held[name] = sum(low <= truth[name] <= high for low, high in intervals) / n
    p, o, _ = np.indices(x.shape[1:]).reshape(3, -1)
    one = crossed_study(
        pl.DataFrame({"part": p, "operator": o, "value": x[0].reshape(-1)}), pool_interaction_above=None
    )
    for row in one.components.filter(pl.col("source").is_in(list(weights))).iter_rows(named=True):
        assert row["raw"] == pytest.approx(float(np.dot(weights[row["source"]], squares[0])))
    with capsys.disabled():
        shown = ", ".join(f"{name} {100 * share:.1f} %" for name, share in held.items())
        print(f"\n{parts} parts, {operators} operators, {repeats} repeats: intervals hold {shown}", end="")
    assert min(held.values()) >= 0.93
