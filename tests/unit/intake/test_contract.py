"""One query says of a frame what pandera says: both are made of the same declaration. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pandera.errors
import polars as pl
import pytest

from schemas.declare import UTC_TIME, Column, Table
from schemas.terms import END_OF_TIME, START_OF_TIME
from schemas.validate import Failures, failures, require

TABLE = Table(
    "kinds",
    "A column of each kind.",
    (
        Column("name", pl.String, "A name.", required=True, nullable=False),
        Column("word", pl.String, "One of two.", allowed=("in", "out")),
        Column("share", pl.Float64, "A share.", above=0.0, at_most=100.0),
        Column("height", pl.Float64, "A height.", at_least=-2.0),
        Column("anything", pl.Float64, "A number."),
        Column("count", pl.Int64, "A count.", at_least=1, nullable=False),
        Column("at", UTC_TIME, "A moment."),
        Column("yes", pl.Boolean, "Whether."),
    ),
)
TICK = timedelta(microseconds=1)
GOOD: dict[str, Any] = {
    "name": "a", "word": "in", "share": 50.0, "height": 0.0, "anything": -1e300, "count": 1, "at": datetime(2026, 3, 2, tzinfo=UTC), "yes": True,
}  # fmt: skip


def frame(**values: Any) -> pl.DataFrame:
    return pl.DataFrame([GOOD, {**GOOD, **values}], schema=TABLE.polars_schema)


def pandera_keeps(rows: pl.DataFrame) -> bool:
    try:
        TABLE.pandera().validate(rows, lazy=True)
    except pandera.errors.SchemaErrors:
        return False
    return True


INSIDE: list[tuple[str, Any]] = [
    ("word", "out"), ("word", None), ("share", 5e-324), ("share", 100.0), ("share", None), ("height", -2.0), ("anything", None),
    ("at", START_OF_TIME), ("at", END_OF_TIME - TICK), ("at", None), ("yes", None), ("name", ""),
]  # fmt: skip
OUTSIDE: list[tuple[str, Any]] = [
    ("name", None), ("word", "on"), ("word", ""), ("share", 0.0), ("share", 100.00000000000001), ("share", float("nan")), ("height", -2.0000000000000004),
    ("height", float("inf")), ("anything", float("nan")), ("anything", float("-inf")), ("count", 0), ("count", None),
    ("at", START_OF_TIME - TICK), ("at", END_OF_TIME),
]  # fmt: skip


@pytest.mark.parametrize(("column", "value"), INSIDE)
def test_what_lies_just_inside_is_kept(column: str, value: Any) -> None:
    rows = frame(**{column: value})
    assert TABLE.keeps(rows)
    assert pandera_keeps(rows)
    assert TABLE[column].problem(value) is None
    assert failures(TABLE, rows).height == 0


@pytest.mark.parametrize(("column", "value"), OUTSIDE)
def test_what_lies_just_outside_is_named(column: str, value: Any) -> None:
    rows = frame(**{column: value})
    assert not TABLE.keeps(rows)
    assert not pandera_keeps(rows)
    assert TABLE[column].problem(value) is not None
    cases = failures(TABLE, rows)
    assert set(cases["column"]) == {column}
    assert set(cases["index"]) == {1}


@pytest.mark.parametrize(
    "other",
    [
        lambda rows: rows.drop("name"),
        lambda rows: rows.with_columns(more=pl.lit(1)),
        lambda rows: rows.with_columns(pl.col("count").cast(pl.Int32)),
        lambda rows: rows.with_columns(pl.col("word").cast(pl.Categorical)),
        lambda rows: rows.with_columns(pl.col("at").dt.replace_time_zone(None)),
        lambda rows: rows.with_columns(pl.col("at").dt.cast_time_unit("ns")),
    ],
)
def test_a_frame_of_another_form_is_refused(other: Any) -> None:
    rows = other(frame())
    assert not TABLE.keeps(rows)
    assert not pandera_keeps(rows)
    with pytest.raises(Failures, match="table kinds"):
        require(TABLE, rows)


def test_a_column_that_may_be_away_a_row_that_is_away_and_another_order() -> None:
    for rows in (frame().drop("word", "yes", "share"), TABLE.empty(), frame().select(reversed(TABLE.names))):
        assert TABLE.keeps(rows)
        assert pandera_keeps(rows)
