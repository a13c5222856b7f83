"""Readings, checks and runs as frames, without a workspace: what pure functions between them take. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from schemas.declare import UTC_TIME

__all__ = ["at", "parts", "rows", "runs"]

START = datetime(2026, 3, 2, 8, tzinfo=UTC)

PARTS: dict[str, Any] = {
    "lot": pl.Categorical, "meter": pl.Categorical, "measured_at": UTC_TIME, "clock": pl.String, "count": pl.Int64,
    "parts_before": pl.Int64,
}  # fmt: skip
RUNS: dict[str, Any] = {
    "meter": pl.String, "run": pl.Int64, "parts_before": pl.Int64, "first_at": UTC_TIME, "last_at": UTC_TIME,
    "passed": pl.Boolean, "conflicts": pl.Int64, "rejected": pl.Int64, "certified": pl.Int64,
}  # fmt: skip


def at(minute: float, microseconds: int = 0) -> datetime:
    """Return a moment so many minutes after the first one."""
    return START + timedelta(minutes=minute, microseconds=microseconds)


def rows(given: list[dict[str, Any]], schema: dict[str, Any], usual: dict[str, Any]) -> pl.DataFrame:
    """Return a frame of rows that say only what is not usual."""
    return pl.DataFrame([usual | row for row in given], schema=schema, orient="row")


def parts(*given: dict[str, Any]) -> pl.DataFrame:
    """Return part readings: lot L1 and meter M1 unless said, `at` in minutes."""
    said = [{**row, "measured_at": row["at"] if isinstance(row["at"], datetime) else at(row["at"])} for row in given]
    return rows(said, PARTS, {"lot": "L1", "meter": "M1", "clock": "known", "count": None, "parts_before": None})


def runs(*given: dict[str, Any]) -> pl.DataFrame:
    """Return runs of checks that passed on M1 unless said; `at` in minutes is their beginning, a minute long."""
    said = []
    for number, row in enumerate(given, start=1):
        first = row["at"] if isinstance(row["at"], datetime) else at(row["at"])
        said.append({"run": number, "first_at": first, "last_at": first + timedelta(minutes=1), **row})
    usual = {"meter": "M1", "passed": True, "conflicts": 0, "rejected": 0, "certified": 1}
    return rows(said, RUNS, usual)
