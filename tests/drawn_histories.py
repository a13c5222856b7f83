"""Histories drawn for laws that must hold whatever happened on a line. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
from hypothesis import strategies as st
from scenario import DAY, REFERENCE, Scenario

from pipeline.history.store import History
from pipeline.workspace.settings import Settings
from schemas.tables import READING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

__all__ = ["HISTORY", "SETTINGS", "TABLES", "cut_by_hour", "written"]

METERS, LOTS = ("M1", "M2", "M3"), ("L1", "L2", "L3", "L4", "L5", "L6")
TABLES = {
    **REFERENCE,
    "lots": "lot,product,material,specification,supplier\n"
    + "".join(f"{lot},{'bar' if n % 2 else 'rod'},copper,S,{'Q' if n < 5 else 'R'}\n" for n, lot in enumerate(LOTS)),
    "sensors": "sensor,correction_c,expanded_uncertainty_c,coverage_factor\nT1,0.1,0.2,2\nT2,0.0,0.3,2\n",
    "studies": "run,kind\ngauge,crossed\n",
}
SETTINGS = Settings(supplier_baseline_lots=2, baseline_checks=5)
NO_QUARANTINE = pl.DataFrame(
    schema={"line": pl.Int64, "column": pl.String, "reason": pl.String, "sentence": pl.String, "original": pl.String}
)

# one thing done with a meter: what, minutes later, the meter, how far it reads off, and how the readings are stated
STEP = st.tuples(
    st.sampled_from(["check", "check", "check", "lot", "lot", "lot", "set", "study", "action"]),
    st.sampled_from([0, 1, 15, 61, 300, 600]),
    st.sampled_from(METERS),
    st.sampled_from([0.0, 0.05, -0.1, 0.35]),
    st.sampled_from(LOTS),
    st.sampled_from(
        ["plain", "plain", "plain", "relative", "unknown clock", "no reading", "means", "excluded", "sensor"]
    ),
)
HISTORY = st.lists(STEP, min_size=4, max_size=22)


def written(path: Path, steps: list[Any], *, portion: int = 0, start: timedelta = timedelta(hours=6)) -> timedelta:
    """Write two files to a history, of which one is exported again with another content here and there; return when they end.

    Parameters
    ----------
    path
        Of the history.
    steps
        What was done with the meters.
    portion
        Which pair of files it is.
    start
        When the first of them begins, since the first midnight.
    """
    files, actions, excluded = (Scenario(), Scenario()), [], []
    hashes = [f"{portion * 2 + number:x}" * 64 for number in (0, 1)]
    now = DAY + start
    for number, (what, minutes, meter, off, lot, how) in enumerate(steps):
        now += timedelta(minutes=minutes)
        file = files[number % 2]
        given: dict[str, Any] = {"meter": meter}
        if how == "relative":
            given["temperature_state"] = "relative"
        elif how == "unknown clock":
            given["clock"] = "unknown"
        elif how == "means":
            given |= {"count": 4, "standard_deviation": 0.03}
        elif "sensor" in how:
            given |= {"sensor": "T1" if number % 3 else "T2", "temperature_c": 23.5}
        if how == "sensor, unknown clock":
            given["clock"] = "unknown"
        if what == "action":
            actions.append((meter, now))
            continue
        for i in range(3):
            moment = now + timedelta(seconds=5 * i)
            value = 58.0 + off + 0.01 * i
            if what == "check":
                file.reading(moment, value, role="block", block="B1", **given)
            elif what == "set":
                file.reading(moment, value, role="setting", block="B1", meter=meter)
            else:
                run = {"run": "gauge"} if what == "study" else {}
                file.reading(moment, value + 0.3, lot=lot, part=str(i), spot="1", **given, **run)
            if how == "excluded" and i == 1:
                excluded.append((number % 2, file.rows[-1]["line"]))
            if how == "no reading" and i == 1:
                file.rows[-1] |= {"value": None, "value_ms_per_m": None, "non_reading": "over"}
    with History.open(path, write=True) as history, history.transaction():
        for number, file in enumerate(files):
            if not file.rows:
                continue
            frame = READING.complete(
                pl.DataFrame(file.rows, schema_overrides=READING.polars_schema, infer_schema_length=None)
            )
            # readings of one slot in both files contradict each other
            frame = frame.with_columns(
                pl.lit(1).cast(pl.Int32).alias("occurrence"),
                (pl.lit(number == 1) & (pl.col("line") % 7 == 0)).alias("conflict"),
            )
            n = frame.height
            row = {
                "sha256": hashes[number], "name": f"{'ba'[number]}{portion or ''}.csv", "size": 1, "layout": "neutral", "layout_version": 1,
                "layout_text": "", "zone": "UTC", "taken_by_hand": number == 1, "loaded_at": DAY, "lines": n + 1, "preamble": 0,
                "header": 1, "units": 0, "blank": 0, "footer": 0, "accepted": n, "duplicate": 0, "quarantined": 0, "readings": n,
                "conflicts": 0, "metadata": "{}", "warnings": "[]",
            }  # fmt: skip
            history.add_file(row, frame, NO_QUARANTINE)
        for meter, moment in actions:
            subject = {"meter": meter, "at": moment.isoformat(), "kind": "cleaned"}
            history.append_event("action", subject, by="A. Ranta", why="dirt", at=moment)
        for number, line in excluded:
            history.append_event(
                "exclusion", {"sha256": hashes[number], "line": line}, by="A. Ranta", why="slipped", at=now
            )
    return now - DAY


def cut_by_hour(readings: pl.DataFrame) -> Callable[[Sequence[str] | None], list[pl.DataFrame]]:
    """Return what gives readings an hour at a time, as a centre has those of a package by month: stretches of a lot are cut through."""
    parts = readings.with_columns(pl.col("measured_at").dt.truncate("1h").alias("_hour")).partition_by(
        "_hour", include_key=False
    )
    return lambda columns: [part.select(columns or pl.all()) for part in parts]
