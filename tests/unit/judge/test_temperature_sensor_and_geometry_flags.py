"""Gates on temperature, sensors and geometry: each flag has its number and says what to do. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from scenario import Scenario

from pipeline.judge.lots.geometry_flags import _told
from pipeline.metrology.penetration import standard_depth_mm
from pipeline.metrology.sensor_checks import checks_of_sensors, doubt_of_sensors
from pipeline.workspace.settings import Settings
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment

PROBES = "probe,meter,frequencies_khz,spot_diameter_mm,lift_off_limit_um\nP1,M1,60,13,500\nP2,M1,60 240 480,8,200\n"
LOTS = "lot,product,material,specification,supplier,thickness_mm,smallest_flat_mm\n"


def flags_of(found: Assessment, lot: str = "L1") -> dict[str, str]:
    flags = [flag.split(": ", 1) for flag in found.lots[lot].flags]
    assert len({code for code, _ in flags}) == len(flags)
    return dict(flags)  # type: ignore[arg-type]


def flags(settings: Settings | None = None, *, reference: dict[str, str] | None = None, **given: Any) -> dict[str, str]:
    story = Scenario(probes=PROBES, **(reference or {})).check("08:00").lot("09:00", **given).check("10:00")
    return flags_of(story.assess(settings=settings))


def test_a_plain_lot_has_no_flag() -> None:
    assert flags(probe="P1", frequency_khz=60.0, thickness_mm=3.0, temperature_source="external") == {}


@pytest.mark.parametrize(
    ("given", "code", "words"),
    [
        ({"temperature_c": 45.0}, "metal_outside_working_range", ["3 readings", "up to 45 °C", "read again"]),
        ({"temperature_c": -2.0}, "metal_outside_working_range", ["down to -2 °C"]),
        ({"temperature_c": 25.0}, "block_and_part_apart", ["5.0 °C from the block", "more than 3 °C"]),
        ({"temperature_source": "ambient"}, "temperature_source", ["temperature of the air", "internal, external"]),
        ({"temperature_age_min": 40.0}, "temperature_old", ["up to 40 min", "more than 15 min"]),
        ({"temperature_age_min": 15.02}, "temperature_old", ["up to 15.02 min", "more than 15 min"]),
        ({"coating_um": 250.0, "probe": "P2"}, "coating_beyond_lift_off", ["250 µm", "P2 compensates 200 µm", "shim"]),
        ({"radius_mm": 60.0}, "curved_without_compensation", ["down to 60 mm", "250 mm that count as flat"]),
        (
            {"thickness_mm": 0.5, "probe": "P1"},
            "too_thin",
            ["3 readings: thickness 0.5 mm is 1.86 standard depths", "58.4 MS/m at 60 kHz need 0.7 mm",
             "measure at 118 kHz or more", "(2 pieces)", "the meter has a probe for 240 kHz", "kind thickness"],
        ),
        (
            {"thickness_mm": 0.2, "pieces": 2, "frequency_khz": 60.0},
            "too_thin",
            ["thickness 0.4 mm"],
        ),
    ],
)  # fmt: skip
def test_each_gate_says_its_number_and_what_to_do(given: dict[str, Any], code: str, words: list[str]) -> None:
    found = flags(**given)
    assert code in found
    for expected in words:
        assert expected in found[code]


@pytest.mark.parametrize(
    ("settings", "given", "code"),
    [
        (
            Settings(temperature_sources="internal external ambient"),
            {"temperature_source": "ambient"},
            "temperature_source",
        ),
        (Settings(temperature_age_minutes=60.0), {"temperature_age_min": 40.0}, "temperature_old"),
        (Settings(flat_from_radius_mm=50.0), {"radius_mm": 60.0}, "curved_without_compensation"),
        (Settings(), {"radius_mm": 60.0, "curvature_compensated": True}, "curved_without_compensation"),
        (Settings(), {"coating_um": 200.0, "probe": "P2"}, "coating_beyond_lift_off"),
        (Settings(penetration_multiple=1.8), {"thickness_mm": 0.5, "probe": "P1"}, "too_thin"),
        (Settings(), {"thickness_mm": 0.3, "pieces": 3, "probe": "P1"}, "too_thin"),
        (Settings(), {"thickness_mm": 0.5}, "too_thin"),  # no frequency is known: nothing is guessed
        (Settings(), {"thickness_mm": 0.5, "probe": "P2"}, "too_thin"),  # a probe of several frequencies
        (Settings(), {"temperature_source": "ambient", "temperature_state": "at_reference"}, "temperature_source"),
    ],
)
def test_settings_and_what_is_known_lift_a_gate(settings: Settings, given: dict[str, Any], code: str) -> None:
    assert code not in flags(settings, **given)


def test_only_readings_that_are_too_thin_are_counted() -> None:
    # at 60 kHz 0.70 mm of copper are 2.6 depths; at 58.5 MS/m just thick enough, so only the two lower ones are too thin
    needed = 2.6 * standard_depth_mm(58.5, 60.0)
    story = Scenario(probes=PROBES).check("08:00")
    story.lot("09:00", 58.4, 58.6, 58.45, thickness_mm=needed, frequency_khz=60.0).check("10:00")
    assert flags_of(story.assess())["too_thin"].startswith("2 readings: ")


def test_the_nominal_thickness_of_the_lot_stands_in() -> None:
    reference = {"lots": LOTS + "L1,bar,copper,S,Q,0.5,\n"}
    assert "too_thin" in flags(reference=reference, probe="P1")
    assert "too_thin" not in flags(reference=reference, probe="P1", thickness_mm=2.0)


def test_a_flat_smaller_than_the_spot_is_flagged() -> None:
    reference = {"lots": LOTS + "L1,bar,copper,S,Q,5,10\n"}
    found = flags(reference=reference, probe="P1")
    assert "needs a flat of 13 mm, on a flat of 10 mm" in found["spot_too_small"]
    assert "spot_too_small" not in flags(reference=reference, probe="P2")


def test_readings_outside_the_range_of_the_meter_are_flagged() -> None:
    reference = {"meters": "meter,accuracy_percent,range_low_ms_per_m,range_high_ms_per_m\nM1,0.5,5,58.5\n"}
    assert "58.4 to 58.6 MS/m, meter M1 is stated for 5 to 58.5" in flags(reference=reference)["outside_meter_range"]
    assert (_told(58.50004, 58.5), _told(58.6, 58.5), _told(58.6, None)) == ("58.50004", "58.6", "58.6")


SENSORS = "sensor,correction_c,expanded_uncertainty_c,coverage_factor,due_on,valid_from\n"


def test_an_overdue_sensor_is_flagged_with_the_days() -> None:
    reference = {"sensors": SENSORS + "T1,0.0,0.2,2,2026-02-20,\n"}
    found = flags(reference=reference, sensor="T1")
    assert "3 readings with sensor T1, due on 2026-02-20, up to 10 days before" in found["sensor_overdue"]
    renewed = {"sensors": SENSORS + "T1,0.0,0.2,2,2026-02-20,\nT1,0.1,0.2,2,2027-02-20,2026-02-21\n"}
    assert flags(reference=renewed, sensor="T1") == {}
    assert "does not stand in reference/sensors.csv" in flags(sensor="T9")["sensor_not_registered"]


CHECKED = "sensor,checked_on,reference_c,reading_c,tolerance_c\n"


def test_a_failed_check_of_a_sensor_reaches_back_to_the_last_good_one() -> None:
    reference = {
        "sensors": SENSORS + "T1,-0.2,0.2,2,,\n",
        # with its correction the first is exact, the second 1.1 °C off
        "sensor_checks": CHECKED + "T1,2026-02-01,20,20.2,0.3\nT1,2026-03-10,20,21.3,0.3\n",
    }
    story = Scenario(**reference).check("08:00", day=4).lot("09:00", day=4, sensor="T1").check("10:00", day=4)
    assert "sensor_in_doubt" not in flags_of(story.assess("23:00", day=5))  # nobody knew yet
    later = story.check("08:00", day=10)
    found = later.assess("23:00", day=10)
    assert found.lots["L1"].verdict == "accept"
    flag = flags_of(found)["sensor_in_doubt"]
    for words in (
        "sensor T1",
        "+1.1 °C off on 2026-03-10",
        "tolerance 0.3 °C",
        "last good check 2026-02-01",
        "trace --sensor T1",
    ):
        assert words in flag
    held = later.assess("23:00", day=10, settings=Settings(sensor_failures_hold=True))
    assert held.lots["L1"].verdict == "hold"
    assert "failed its check on 2026-03-10" in held.lots["L1"].reasons[0]


def test_a_good_check_between_clears_a_sensor() -> None:
    reference = {
        "sensors": SENSORS + "T1,0.0,0.2,2,,\n",
        "sensor_checks": CHECKED + "T1,2026-03-01,20,20.1,\nT1,2026-03-03,20,20.1,\nT1,2026-03-04,20,29,\n",
    }
    story = Scenario(**reference).check("08:00").lot("09:00", sensor="T1").check("10:00").check("08:00", day=5)
    assert flags_of(story.assess("23:00", day=5)) == {}


def test_a_missing_check_is_flagged_where_the_site_asks_for_one() -> None:
    reference = {"sensors": SENSORS + "T1,0.0,0.2,2,,\n", "sensor_checks": CHECKED + "T1,2026-01-01,20,20.1,\n"}
    settings = Settings(sensor_check_interval_days=30.0)
    assert "last good check 2026-01-01" in flags(settings, reference=reference, sensor="T1")["sensor_check_missing"]
    none = {"sensors": SENSORS + "T1,0.0,0.2,2,,\n"}
    assert "last good check never" in flags(settings, reference=none, sensor="T1")["sensor_check_missing"]
    assert flags(Settings(sensor_check_interval_days=90.0), reference=reference, sensor="T1") == {}


def day(number: int) -> datetime:
    return datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=number)


def test_doubt_of_a_sensor_by_hand() -> None:
    rows = [(1, 20.0, 20.1), (1, 40.0, 40.1), (5, 20.0, 21.0), (7, 20.0, 20.9), (9, 20.0, 20.2), (12, 20.0, 20.0)]
    table = REFERENCE_TABLES["sensor_checks"].complete(
        pl.DataFrame(
            [{"sensor": "T", "checked_on": day(d), "reference_c": a, "reading_c": b} for d, a, b in rows],
            schema_overrides={"checked_on": pl.Datetime("us", "UTC")},
        )
    )
    checks = checks_of_sensors(table, REFERENCE_TABLES["sensors"].empty(), tolerance_c=0.5)
    assert checks["passed"].to_list() == [True, False, False, True, True]
    assert checks["points"].to_list() == [2, 1, 1, 1, 1]
    used = pl.DataFrame(
        {"sensor": ["T"] * 6, "measured_at": [day(d) for d in (10, 0, 3, 6, 8, 30)]},
        schema_overrides={"measured_at": pl.Datetime("us", "UTC")},
    )
    found = doubt_of_sensors(used, checks, interval=timedelta(days=14))
    assert found["measured_at"].to_list() == used["measured_at"].to_list()
    # before the first check nothing good stands: a good one follows first, so only the missing check counts
    assert found["doubt"].to_list() == [None, "missing", "failed", "failed", "failed", "missing"]
    assert found["failed_on"].to_list() == [None, None, day(5), day(5), day(5), None]


def test_the_sensor_of_a_check_is_flagged_on_the_meter() -> None:
    reference = {
        "sensors": SENSORS + "T1,0.0,0.2,2,2026-03-01,\n",
        "sensor_checks": CHECKED + "T1,2026-02-01,20,20.1,\nT1,2026-03-03,20,21,\n",
    }
    story = Scenario(**reference).check("08:00", sensor="T1").lot("09:00").check("10:00", day=2)
    meter = story.assess("23:00", day=2).meters["M1"]
    codes = {flag.split(":")[0]: flag for flag in meter.flags}
    assert "3 readings with sensor T1, due on 2026-03-01" in codes["sensor_overdue"]
    # +1 °C on copper of 58 MS/m: 0.0000681 · 58²
    assert "moves these values by about +0.23 MS/m" in codes["sensor_in_doubt"]
    assert Scenario().check("08:00").assess().meters["M1"].flags == ()


@pytest.mark.parametrize(("due", "overdue"), [("2026-03-01", True), ("2026-03-02", False), ("2026-03-03", False)])
def test_the_day_on_which_a_sensor_is_due_still_counts(due: str, *, overdue: bool) -> None:
    found = flags(reference={"sensors": SENSORS + f"T1,0.0,0.2,2,{due},\n"}, sensor="T1")
    assert ("sensor_overdue" in found) == overdue


def test_a_meter_says_why_its_block_readings_have_no_value() -> None:
    story = Scenario().check("08:00", temperature_state="relative")
    (flag,) = story.assess().meters["M1"].flags
    assert (
        "3 block readings have no value at the reference temperature: relative state, and no setting of meter M1"
        in flag
    )
