"""What a day of a table that comes reaches, and what it does not, to the microsecond. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
from drawn_histories import SETTINGS, TABLES, written
from scenario import DAY

from pipeline.history.found import hash_of_found
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on
from schemas.documents import as_json

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.judge.assessment import Assessment

TICK = timedelta(microseconds=1)
COMES = DAY + timedelta(hours=14)
"""When the day comes; the last reading is of half past seven."""
AT, DUE = f"{COMES:%Y-%m-%dT%H:%M}Z", f"{COMES - timedelta(days=1):%Y-%m-%dT%H:%M}Z"
METERS = "meter,accuracy_percent,resolution,unit,due_on,valid_from\nM1,0.5,0.01,MS/m,{due},\n{more}M2,0.5,0.01,MS/m,,\n"


def kept_with(folder: Path, tables: dict[str, str]) -> Path:
    """Return a history of two meters, of which M2 read on no block, that was judged and kept."""
    path = folder / "h" / "a.duckdb"
    steps = [(what, 15, "M1", 0.0, "L1", "plain") for what in ("check", "lot", "check")]
    with History.open(path, write=True) as history, history.transaction():
        for name, text in {**TABLES, **tables}.items():
            history.put_reference_text(name, text, DAY)
    written(path, [*steps, ("lot", 15, "M2", 0.0, "L2", "plain"), ("check", 15, "M1", 0.0, "L1", "plain")])
    with History.open(path, write=True) as history:
        with history.transaction():
            history.append_event("held", {}, by="load", why="not loaded", at=DAY)
        assert carried_on(history, SETTINGS, keep=True) is not None
        with history.transaction():
            kept = {"verdicts": "", "found": hash_of_found(path)}
            history.append_event("verdicts", kept, by="load", why="compared with later", at=DAY)
    return path


def said(found: Assessment) -> Any:
    names = ("lots", "meters", "events", "events_on_lots", "came_to_light")
    return {name: as_json(dict(getattr(found, name))) for name in names}


REACHED: dict[str, tuple[dict[str, str], str]] = {
    "a certificate falls due": (
        {"blocks": f"block,material,certified_value,unit,expanded_uncertainty,coverage_factor,due_on\nB1,copper,58,MS/m,0.2,2,{DUE}\n"},
        "block_overdue: ",
    ),
    "a calibration of a meter falls due": ({"meters": METERS.format(due=DUE, more="")}, "The meter's calibration was due"),
    "a version of a meter begins to hold": (
        {"meters": METERS.format(due="", more=f"M1,0.5,0.01,MS/m,2026-02-01,{AT}\n")},
        "The meter's calibration was due",
    ),
    "a meter is calibrated": (
        {"calibrations": f"meter,calibrated_on,condition,nominal,indicated,unit,tolerance\nM1,{AT},as_left,58,59,MS/m,0.4\n"},
        "calibration_out_of_tolerance: ",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", REACHED)
def test_a_day_reaches_its_meter_and_no_lot(case: str, tmp_path: Path) -> None:
    tables, tells = REACHED[case]
    path = kept_with(tmp_path, tables)
    with History.open(path) as history:
        for as_of, reached in ((COMES - TICK, False), (COMES, True)):
            found, anew = carried_on(history, SETTINGS, as_of=as_of), assess(history, SETTINGS, as_of=as_of)
            assert found is not None
            assert said(found) == said(anew)
            one = found.meters["M1"]
            assert any(text.startswith(tells) for text in (*one.flags, *one.reasons)) == reached
            assert found.kept is not None
            assert found.kept.judged == set()


OF_THEIR_TIME = {
    "blocks": f"block,material,certified_value,unit,expanded_uncertainty,coverage_factor,valid_from\nB1,copper,58,MS/m,0.2,2,\nB1,copper,50,MS/m,0.2,2,{AT}\n",
    "specifications": f"specification,material,lower,upper,unit,valid_from\nS,copper,57,60,MS/m,\nS,copper,10,11,MS/m,{AT}\n",
    "materials": f"material,temperature_model,coefficient,source,valid_from\ncopper,constant_slope,0.00007,test,\ncopper,constant_slope,0.1,test,{AT}\n",
    "sensors": f"sensor,correction_c,expanded_uncertainty_c,coverage_factor,due_on,valid_from\nT1,0.1,0.2,2,{DUE},\nT1,9,0.2,2,,{AT}\n",
}


@pytest.mark.parametrize("name", OF_THEIR_TIME)
def test_what_was_read_before_a_version_held_stays_as_it_was(name: str, tmp_path: Path) -> None:
    path = kept_with(tmp_path, {name: OF_THEIR_TIME[name]})
    with History.open(path) as history:
        found, anew = carried_on(history, SETTINGS, as_of=COMES), assess(history, SETTINGS, as_of=COMES)
        assert found is not None
        assert said(found) == said(anew)
        assert found.kept is not None
        assert found.kept.judged == set()


CHECKS = f"sensor,checked_on,reference_c,reading_c\nT1,{AT},20,25\n"
EVERYTHING = {
    "a sensor is checked": ({"sensor_checks": CHECKS}),
    "a meter shows other steps": ({"meters": METERS.format(due="", more=f"M1,0.5,0.1,MS/m,,{AT}\n")}),
}


@pytest.mark.parametrize("case", EVERYTHING)
def test_what_may_say_something_of_every_lot_lets_everything_be_judged(case: str, tmp_path: Path) -> None:
    path = kept_with(tmp_path, EVERYTHING[case])
    with History.open(path) as history:
        assert carried_on(history, SETTINGS, as_of=COMES - TICK) is not None
        assert carried_on(history, SETTINGS, as_of=COMES) is None
