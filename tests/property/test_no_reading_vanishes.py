"""Readings stored = readings used + readings left out by reason, for every lot and meter of any drawn history."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import DAY, Scenario
from workspace_files import neutral_csv

from pipeline.history.chain import Event
from pipeline.judge.left_out import WORDS

if TYPE_CHECKING:
    from workspace_files import Shell

STUDIES = {"studies": "run,kind\nGRR-1,crossed\n"}

rows = st.fixed_dictionaries(
    {
        "minutes": st.integers(0, 3000),
        "meter": st.sampled_from(["M1", "M2", "M9"]),
        "role": st.sampled_from(["part", "part", "block", "block", "setting"]),
        "name": st.sampled_from(["L1", "L2", "L3"]),
        "block": st.sampled_from(["B1", "B2", "BX"]),
        "clock": st.sampled_from(["known", "known", "known", "unknown"]),
        "value": st.sampled_from([58.1, 58.2, 58.3, None]),
        "temperature_c": st.sampled_from([20.0, 20.5, None, 200.0]),
        "part": st.sampled_from(["1", "2", None]),
        "spot": st.sampled_from(["1", None]),
        "run": st.sampled_from([None, None, None, "GRR-1", "other"]),
        "excluded": st.sampled_from([False, False, False, True]),
    }
)


def history(drawn: list[dict[str, Any]]) -> tuple[Scenario, list[Event]]:
    scenario = Scenario(**STUDIES)
    events = []
    for place, row in enumerate(drawn):
        at = DAY + timedelta(minutes=row["minutes"])
        if row["clock"] == "unknown":
            at = at.replace(year=2000)
        named = (
            {"lot": row["name"], "part": row["part"], "spot": row["spot"]}
            if row["role"] == "part"
            else {"block": row["block"]}
        )
        scenario.reading(at, row["value"] or 58.0, meter=row["meter"], role=row["role"], temperature_c=row["temperature_c"],
                         clock=row["clock"], run=row["run"], **named)  # fmt: skip
        if row["value"] is None:
            scenario.rows[-1] |= {"value": None, "value_ms_per_m": None, "non_reading": "overload"}
        if row["excluded"]:
            subject = {"sha256": "f", "line": scenario.rows[-1]["line"]}
            events.append(Event(place + 1, at, "exclusion", subject, "Ada", "tried", "", ""))
    return scenario, events


@settings(deadline=None, max_examples=60)
@given(st.lists(rows, min_size=1, max_size=40))
def test_every_reading_is_used_or_left_out_for_a_reason(drawn: list[dict[str, Any]]) -> None:
    scenario, events = history(drawn)
    sources = pl.DataFrame(
        {"sha256": ["f"], "source_id": [1], "name": ["f.csv"], "taken_by_hand": [False]},
        schema_overrides={"source_id": pl.Int32},
    )
    found = scenario.assess("23:00", day=3, events=events, sources=sources)
    of_study = [row for row in scenario.rows if row.get("run") == "GRR-1" and row["role"] != "setting"]
    assert found.study_readings.height == len(of_study)
    production = [row for row in scenario.rows if row not in of_study]
    for lot in {row["lot"] for row in production if row["role"] == "part"}:
        stored = sum(row["role"] == "part" and row["lot"] == lot for row in production)
        result = found.lots[lot]
        assert stored == result.readings + sum(result.left_out.values()), (lot, result.left_out)
        assert set(result.left_out) <= set(WORDS)
    for meter in {row["meter"] for row in production}:
        stored = sum(row["role"] == "block" and row["meter"] == meter for row in production)
        on_settings = sum(row["role"] == "setting" and row["meter"] == meter for row in production)
        result = found.meters[meter]
        used = int(found.checks.filter(pl.col("meter") == meter)["readings"].sum())
        set_by = [row for row in production if row["role"] == "setting" and row["meter"] == meter]
        of_settings = sum(
            row["clock"] == "known"
            and row["value"] is not None
            and row["line"] not in {e.subject["line"] for e in events}
            for row in set_by
        )
        assert stored + on_settings == used + of_settings + sum(result.left_out.values()), (meter, result.left_out)
        told = {flag.partition(":")[0] for flag in result.flags}
        assert set(result.left_out) <= told, "what is left out is told in words"


@pytest.mark.parametrize(
    ("year", "setting", "checks"), [(2009, None, 0), (2010, None, 1), (2009, 2009, 1), (2010, 2011, 0), (2031, None, 0)]
)
def test_block_readings_of_a_clock_that_is_not_believed_are_counted_wherever_counts_stand(
    shell: Shell, year: int, setting: int | None, checks: int
) -> None:
    """Just inside and just outside the told limit; far ahead of the load as well."""
    shell.make()
    if setting is not None:
        (shell.root / "annealog.toml").write_text(f"earliest_clock_year = {setting}\n", encoding="utf-8")
    text = (
        neutral_csv(Scenario().check("08:00"))
        .replace("2026-03-02", f"{year}-01-01")
        .replace(f"{year}-01-01T08", f"{year}-01-01T00")
    )
    text += neutral_csv(Scenario().lot("09:00")).partition("\n")[2]
    document = shell.load(shell.put("1.csv", text))
    (file,) = document["files"]
    assert file["readings"] == 6
    warned = [note for note in file["warnings"] if note.startswith("clock_unknown: 3 readings")]
    assert bool(warned) == (checks == 0)
    meter = shell.json("meter", "M1")
    assert meter["checks"] == checks
    assert meter["left_out"] == ({} if checks else {"clock_unknown": 3})
    flags = [flag for flag in meter["flags"] if flag.startswith("clock_unknown: 3 readings on blocks")]
    assert bool(flags) == (checks == 0)
    page = (shell.root / "pages" / "meters" / "M1.html").read_text(encoding="utf-8")
    assert ("3 readings on blocks in no check" in page) == (checks == 0)
    (status,) = shell.json("status")["meters"]
    assert status["left_out"] == meter["left_out"]
    assert ("3 readings on blocks are in no check" in shell("status")) == (checks == 0)
