"""However a history came about: what was found before, carried on by what is new, is what is computed from nothing. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from drawn_histories import HISTORY, SETTINGS, STEP, TABLES, written
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from scenario import DAY

from pipeline.history.found import hash_of_found
from pipeline.history.store import History
from pipeline.judge import carried_lots, carried_meters, news
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on
from pipeline.judge.cuts import EARLY, cuts_of
from pipeline.judge.passed_days import Reached, reached_by_days
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from pipeline.judge.assessment import Assessment

SORTED_BY_LOT = ("spot_values", "part_values", "budget_inputs", "bias_at_level")
OF_MARKS = ["parts_before"]
"""Counts the rows that stand for the parts, which are fewer where marks stand for them."""


def everything_is_the_same(carried: Assessment, anew: Assessment) -> None:
    assert list(carried.lots) == list(anew.lots)
    for name in ("lots", "meters", "events", "events_on_lots", "came_to_light"):
        assert as_json(dict(getattr(carried, name))) == as_json(dict(getattr(anew, name))), name
    for name in ("checks", "runs", "brackets", "meter_settings", "late_baselines", "new_baselines"):
        mine, theirs = (getattr(found, name).drop(OF_MARKS, strict=False) for found in (carried, anew))
        if name == "new_baselines":  # of meters that read nothing new none is due
            continue
        assert_frame_equal(mine, theirs, check_exact=True)
    for name in SORTED_BY_LOT:
        mine, theirs = (getattr(found, name).sort("lot", maintain_order=True) for found in (carried, anew))
        shared = [column for column in theirs.columns if column in mine.columns]
        assert_frame_equal(mine.select(shared), theirs.select(shared), check_exact=True)
    assert_frame_equal(carried.lots_at_a_glance(), anew.lots_at_a_glance(), check_exact=True)
    keys = ["source_id", "line", "replicate"]
    for name in ("readings", "study_readings"):
        text = pl.col(pl.Categorical).cast(pl.String)
        mine, theirs = (getattr(found, name).with_columns(text).sort(keys) for found in (carried, anew))
        assert_frame_equal(mine, theirs, check_exact=True, check_column_order=False)


OFTEN_SET = st.tuples(
    st.sampled_from(["check", "check", "lot", "lot", "set", "set", "study"]),
    st.sampled_from([0, 1, 15, 61, 300]),
    st.sampled_from(["M1", "M2"]),
    st.sampled_from([0.0, 0.05, -0.1, 0.35]),
    st.sampled_from(["L1", "L2", "L3"]),
    st.sampled_from(["plain", "plain", "plain", "plain", "unknown clock", "no reading", "means"]),
)
"""Meters that are set again and again, so that what they read is cut at a setting."""
DECISION = st.sampled_from(
    ["nothing", "nothing", "disposition of a lot", "disposition of signals", "tables", "a lot", "baselines"]
)
FEW = st.lists(STEP.filter(lambda step: step[0] != "action" and step[5] != "excluded"), min_size=1, max_size=6)
"""What comes later: recorded actions and exclusions let everything be judged anew, and come in the first portion."""
PORTION = st.tuples(FEW, st.sampled_from([0.0, 0.5, 9.0, -1.0, -5.0, -100.0]), DECISION)


def decide(history: History, what: str, found: Assessment, lot: str) -> None:
    """Let a person do something between two loads."""
    at = DAY + timedelta(days=40)
    with history.transaction():
        if what == "disposition of a lot":
            history.append_event(
                "disposition", {"lot": lot, "decision": "re-measured"}, by="A. Ranta", why="seen", at=at
            )
        elif what == "disposition of signals":
            subject = {"meter": "M1", "decision": "meter set"}
            history.append_event("disposition", subject, by="A. Ranta", why="seen", at=at)
        elif what in ("tables", "a lot"):
            name = "specifications" if what == "tables" else "lots"
            text = TABLES[name].replace(",57,", ",58,").replace("L5,bar,copper,S,R", "L5,bar,copper,S,Q")
            history.put_reference_text(name, text, at)
            history.append_event("reference", {"changed": {name: "0"}, "altered": []}, by="load", why="new", at=at)
        elif what == "baselines":
            history.add_baselines(found.new_baselines)
            for meter in found.new_baselines["meter"]:
                history.append_event("baseline", {"meter": meter}, by="load", why="complete", at=at)


@settings(derandomize=True, deadline=None, max_examples=12, phases=(Phase.explicit, Phase.generate))
@given(
    first=HISTORY,
    portions=st.lists(PORTION, min_size=1, max_size=4),
    lot=st.sampled_from(["L1", "L4"]),
    at_once=st.sampled_from([1, 1_000]),
)
def test_what_is_carried_on_is_what_is_computed_anew(
    first: list[Any], portions: list[Any], lot: str, at_once: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with pytest.MonkeyPatch.context() as portioned:
        # what is looked at together decides nothing
        portioned.setattr(carried_lots, "LOTS_AT_ONCE", at_once)
        portioned.setattr(carried_meters, "_BLOCKS_AT_ONCE", at_once)
        grows(tmp_path_factory.mktemp("carried") / "h" / "a.duckdb", first, portions, lot)


def test_what_was_read_before_a_setting_stays_as_it_was_judged(tmp_path_factory: pytest.TempPathFactory) -> None:
    found: list[pl.DataFrame] = []

    def noted(*args: Any, **named: Any) -> Any:
        cuts = cuts_of(*args, **named)
        found.append(cuts.at)
        return cuts

    @settings(derandomize=True, deadline=None, max_examples=10, phases=(Phase.explicit, Phase.generate))
    @given(
        first=st.lists(OFTEN_SET, min_size=20, max_size=40),
        portions=st.lists(
            st.tuples(
                st.lists(OFTEN_SET, min_size=1, max_size=6),
                st.sampled_from([0.0, 0.5, 9.0, -1.0, -5.0]),
                st.sampled_from(["nothing", "baselines"]),
            ),
            min_size=2,
            max_size=4,
        ),
    )
    def drawn(first: list[Any], portions: list[Any]) -> None:
        settled = [("check", 61, meter, 0.0, "L1", "plain") for meter in ("M1", "M2")]
        begin = [*settled, *(("set", 1, meter, 0.0, "L1", "plain") for meter in ("M1", "M2")), *settled]
        grows(tmp_path_factory.mktemp("cut") / "h" / "a.duckdb", begin + first, portions, "L1")

    with pytest.MonkeyPatch.context() as watched:
        watched.setattr(carried_meters, "cuts_of", noted)
        drawn()
    assert any(at.filter(pl.col("at") > EARLY).height for at in found)


DAYS = st.fixed_dictionaries(
    {
        name: st.sampled_from([0, 5, 8, 14, 30, 55])
        for name in ("block", "due", "due next", "meter", "meter due", "calibrated", "sensor", "limits", "coefficient")
    }
)
"""Hours after which something of a table begins to hold, or a day less than after which it falls due."""
CLOCKS = (9, 30)


def tables_of_days(days: dict[str, int]) -> dict[str, str]:
    """Return tables of which days come while the history grows: every one of those that are not about a lot."""
    at = {name: f"{DAY + timedelta(hours=hours):%Y-%m-%dT%H:%M}Z" for name, hours in days.items()}
    due = {name: f"{DAY + timedelta(hours=hours - 24):%Y-%m-%dT%H:%M}Z" for name, hours in days.items()}
    return {
        **TABLES,
        "blocks": "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate,due_on,valid_from\n"
        f"B1,copper,58.0,MS/m,0.2,2,C-1,{due['due']},\nB1,copper,58.2,MS/m,0.2,2,C-2,{due['due next']},{at['block']}\n",
        "meters": "meter,accuracy_percent,resolution,unit,due_on,valid_from\n"
        f"M1,0.5,0.01,MS/m,{due['meter due']},\nM1,0.4,0.01,MS/m,,{at['meter']}\nM2,0.5,0.01,MS/m,{due['sensor']},\n",
        "calibrations": "meter,calibrated_on,condition,nominal,indicated,unit,tolerance\n"
        f"M1,{at['calibrated']},as_found,58,59,MS/m,0.4\nM2,{at['calibrated']},as_left,58,58.1,MS/m,0.4\n",
        "sensors": "sensor,correction_c,expanded_uncertainty_c,coverage_factor,due_on,valid_from\n"
        f"T1,0.1,0.2,2,{due['sensor']},\nT1,0.3,0.2,2,,{at['sensor']}\nT2,0.0,0.3,2,,\n",
        "specifications": "specification,material,lower,upper,unit,parts,spots,repeats,valid_from\n"
        f"S,copper,57,60,MS/m,1,1,1,\nS,copper,58.1,60,MS/m,1,1,1,{at['limits']}\n",
        "materials": "material,temperature_model,coefficient,source,valid_from\n"
        f"copper,constant_slope,0.0000681,test,\ncopper,constant_slope,0.00007,test,{at['coefficient']}\n",
    }


def test_days_of_tables_that_come_change_what_a_judgement_from_nothing_changes(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    seen: list[Reached | None] = []

    def noted(*args: Any, **named: Any) -> Any:
        seen.append(reached_by_days(*args, **named))
        return seen[-1]

    @settings(derandomize=True, deadline=None, max_examples=5, phases=(Phase.explicit, Phase.generate))
    @given(
        first=HISTORY,
        portions=st.lists(
            st.tuples(FEW, st.sampled_from([0.5, 9.0, 25.0, -5.0]), st.just("nothing")), min_size=1, max_size=2
        ),
        days=DAYS,
    )
    def drawn(first: list[Any], portions: list[Any], days: dict[str, int]) -> None:
        path = tmp_path_factory.mktemp("days") / "h" / "a.duckdb"
        grows(path, first, portions, "L1", tables=tables_of_days(days), clocks=CLOCKS)

    with pytest.MonkeyPatch.context() as watched:
        watched.setattr(news, "reached_by_days", noted)
        drawn()
    assert sum(bool(one and one.meters) for one in seen) > 3
    assert sum(bool(one and one.states) for one in seen) > 3


def grows(
    path: Path,
    first: list[Any],
    portions: list[Any],
    lot: str,
    *,
    tables: Mapping[str, str] = TABLES,
    clocks: Sequence[int] = (9,),
) -> None:
    """Let a history grow by portions, and hold each time what is carried on, some hours on, too, against a judgement from nothing."""
    end = written(path, first)
    with History.open(path, write=True) as history, history.transaction():
        for name, text in tables.items():
            history.put_reference_text(name, text, DAY)
        history.append_event("reference", {"changed": {}, "altered": []}, by="load", why="first take-over", at=DAY)
    for number, (steps, hours, what) in enumerate([([], 0.0, "nothing"), *portions]):
        if steps:
            end = max(end, written(path, steps, portion=number, start=max(timedelta(), end + timedelta(hours=hours))))
        with History.open(path, write=True) as history:
            carried = carried_on(history, SETTINGS, keep=True)
            anew = assess(history, SETTINGS, as_of=None)
            if carried is None:
                assert history.last_measured_at() is None
                continue
            said = {name: as_json(dict(getattr(carried, name))) for name in ("lots", "meters")}
            decide(history, what, carried, lot)
            with history.transaction():  # as a load does, last of all
                kept = {"verdicts": "", "found": hash_of_found(path)}
                history.append_event("verdicts", kept, by="load", why="compared with later", at=DAY)
            for hours in clocks:
                later = carried_on(history, SETTINGS, as_of=carried.as_of + timedelta(hours=hours))
                if later is None:
                    continue
                anew_later = assess(history, SETTINGS, as_of=later.as_of)
                for name in ("lots", "meters", "events", "events_on_lots", "came_to_light"):
                    assert as_json(dict(getattr(later, name))) == as_json(dict(getattr(anew_later, name))), name
            again = carried_on(history, SETTINGS, keep=True)
            assert again is not None
            assert again.kept is not None
            waiting = set(again.brackets.filter(pl.col("support") == "open")["meter"])
            if what == "nothing":  # nothing came: what still waits for its closing check alone is looked at
                undated = {lot for lot, result in again.lots.items() if result.last_at is None}
                of_waiting = set(again.brackets.filter(pl.col("meter").is_in(list(waiting)))["lot"])
                assert again.kept.judged <= of_waiting | undated
        if what == "nothing":
            with History.open(path) as history:  # else it is opened for each of thirty frames
                everything_is_the_same(again.ask(history), anew)
        else:
            assert said == {name: as_json(dict(getattr(anew, name))) for name in said}
