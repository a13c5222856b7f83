"""What time alone does to a meter of which nothing is new: its last run grows old, and what waited for a closing check waits no more."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl
import pytest
from scenario import Scenario, at

from pipeline.history.found import FoundStore
from pipeline.judge.grown_old import old_brackets, with_states
from pipeline.metrology.support import BRACKET_COLUMNS

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

READ = at("09:00")


def bracket(lot: str, support: str = "open", *, meter: str = "M1", before: int | None = 2, unknown: int = 0) -> Any:
    return {"lot": lot, "meter": meter, "first_at": READ, "support": support, "before_run": before, "unknown_clock": unknown}  # fmt: skip


def a_moment(when: datetime) -> Any:
    """Four hours are the longest that parts wait."""
    return SimpleNamespace(settings=SimpleNamespace(check_interval_hours=4.0), as_of=when)


@pytest.fixture
def store(tmp_path: Path) -> FoundStore:
    """M1 has three runs and M2 one; a lot of each waits behind the last, and others do not."""
    found = FoundStore(duckdb.connect(), tmp_path / "history.duckdb")
    rows = [
        bracket("waits"),
        bracket("long before", before=1),
        bracket("supported", "supported"),
        bracket("no clock", "unsupported", before=None, unknown=3),
        bracket("of another", meter="M2", before=1),
        bracket("never checked", meter="M3", before=None),
    ]
    found.put("brackets", "meter", None, pl.DataFrame(rows, schema=BRACKET_COLUMNS))
    runs = {"meter": ["M1", "M1", "M1", "M2"], "run": [1, 3, 2, 1], "passed": [True, None, True, True]}
    found.put("runs", "meter", None, pl.DataFrame(runs))
    return found


@pytest.mark.parametrize(("late", "support"), [(timedelta(), "open"), (timedelta(microseconds=1), "unsupported")])
def test_parts_wait_as_long_as_the_interval_and_no_longer(store: FoundStore, late: timedelta, support: str) -> None:
    found = old_brackets(store, {"M1": 2}, a_moment(READ + timedelta(hours=4) + late))
    said = dict(found.rows.select("lot", "support").iter_rows())
    assert said == {"waits": support, "supported": "supported", "no clock": "unsupported"}
    assert found.lots == {"waits"}, "that it waited is said also where it waits no more"
    assert found.last_runs == ({} if support == "open" else {"M1": 3})


def test_only_what_lies_behind_the_run_of_its_meter_is_looked_at(store: FoundStore) -> None:
    found = old_brackets(store, {"M3": -1, "M2": 2, "M1": 1}, a_moment(READ + timedelta(hours=5)))
    assert sorted(found.rows["lot"]) == ["long before", "never checked", "no clock", "supported", "waits"]
    assert dict(found.at.select("meter", "judged").iter_rows()) == {"M1": 1, "M2": 2, "M3": -1}
    assert found.last_runs == {"M1": 3}, "a meter without a run has no last one"


def test_where_no_meter_waits_nothing_is_said(store: FoundStore) -> None:
    found = old_brackets(store, {}, a_moment(READ + timedelta(hours=5)))
    assert (found.at.height, found.rows.height, found.lots, found.last_runs) == (0, 0, frozenset(), {})
    assert found.rows.schema == pl.Schema(BRACKET_COLUMNS)


@pytest.mark.parametrize("day", [0, 1])
def test_states_are_those_that_a_judgement_of_that_moment_finds_and_all_else_stays(tmp_path: Path, day: int) -> None:
    story = (
        Scenario().check("07:00").lot("07:30").check("08:00", 0.9).check("07:00", meter="M2").lot("07:30", meter="M2")
    )
    story.check("08:00", meter="M2")
    before, later = story.assess("08:30"), story.assess("09:00", day=day)
    assert (before.meters["M2"].state == later.meters["M2"].state) is (day == 0)
    store = FoundStore(duckdb.connect(), tmp_path / "history.duckdb")
    for name in ("runs", "meter_settings"):
        shuffled = getattr(before, name).reverse().with_columns(beside=pl.lit(1))
        store.put(name, "meter", None, shuffled)
    nothing_read = later.restated(runs=later.runs.clear(), meter_settings=later.meter_settings.clear())
    found = with_states(store, {"M1", "M2"}, before.meters, nothing_read)
    assert list(found) == ["M1", "M2"]
    for meter, result in found.items():
        assert (result.state, result.reasons) == (later.meters[meter].state, later.meters[meter].reasons)
        assert result.blocks == before.meters[meter].blocks
    assert set(with_states(store, ["M2"], before.meters, nothing_read)) == {"M2"}
