"""Which file the readings of a check came from, asked of some checks alone, is what is said among all checks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from pipeline.questions.provenance import PageContext
from pipeline.workspace.settings import Settings

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
BLOCKS = ("B1", "B2")


def at(minutes: int) -> datetime:
    return START + timedelta(minutes=minutes)


@pytest.fixture
def context() -> PageContext:
    """Of two meters six runs of a check on each block; the readings of a check lie a minute apart, in a file of each day or two."""
    checks, readings, sources = [], [], [1, 2]
    for meter in ("M1", "M2"):
        for run in range(6):
            for place, block in enumerate(BLOCKS):
                first = 100 * run + 10 * place
                series = {"meter": meter, "probe": None, "frequency_khz": 60.0, "block": block}
                number = {"check": 100 * (meter == "M2") + 10 * run + place, "run": 10 * (meter == "M2") + run}
                checks.append({**series, **number, "first_at": at(first), "at": at(first + 2)})
                for reading in range(4):  # the last one stands behind its check, in none
                    of = {"source_id": 1 + (run + reading) % 2, "role": "block", "run": None, "clock": "known"}
                    readings.append({**series, "measured_at": at(first + reading), **of})
    frame = pl.DataFrame(readings, schema_overrides={"probe": pl.String, "run": pl.String})

    def blocks_read(meters: list[str] | None = None, between: tuple[datetime, datetime] | None = None) -> pl.DataFrame:
        found = frame if meters is None else frame.filter(pl.col("meter").is_in(meters))
        return found if between is None else found.filter(pl.col("measured_at").is_between(*between))

    assessment: Any = SimpleNamespace(
        as_of=at(1000), settings=Settings(), blocks_read=blocks_read,
        checks=pl.DataFrame(checks, schema_overrides={"probe": pl.String}),
    )  # fmt: skip
    ledger = pl.DataFrame(
        {"source_id": sources, **{name: ["a", "b"] for name in ("name", "sha256", "layout", "layout_version")}}
    )
    return PageContext(SimpleNamespace(root=None), assessment, ledger)  # type: ignore[arg-type]


@pytest.mark.parametrize("of", [[], [0], [30, 31], [11, 100], [50, 51, 150, 151], [20, 140]])
def test_some_checks_have_the_files_that_they_have_among_all(context: PageContext, of: list[int]) -> None:
    checks = context.assessment.checks.filter(pl.col("check").is_in(of))
    among_all = context.placed.filter(pl.col("check").is_in(of)).sort(pl.all())
    alone = context.placed_around(checks)
    assert alone.filter(pl.col("check").is_in(of)).sort(pl.all()).equals(among_all)
    assert among_all.height == 3 * len(of)
    assert context.placed.height == 3 * context.assessment.checks.height
    assert alone.height < context.placed.height
