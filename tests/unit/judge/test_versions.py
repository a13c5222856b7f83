"""A few readings beside a long table get what the same readings get among many."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest

from schemas.versions import join_version

DAY = [datetime(2026, 3, day, tzinfo=UTC) for day in range(1, 29)]
TABLE = pl.DataFrame(
    {
        "lot": ["L1", "L2", "L2", "L3", "L2", *(f"M{n}" for n in range(50))],
        "valid_from": [None, DAY[10], DAY[2], DAY[5], DAY[20], *[None] * 50],
        "material": ["brass", "late", "early", "copper", "last", *[None] * 50],
    },
    schema_overrides={"valid_from": pl.Datetime("us", "UTC")},
)
ASKED: list[tuple[str | None, datetime | None]] = [
    ("L2", DAY[9]), ("L2", DAY[10]), ("L1", DAY[0]), (None, DAY[3]), ("L404", DAY[3]), ("L2", None), ("L2", DAY[1]), ("L3", DAY[0]),
]  # fmt: skip
SAID = ["early", "late", "brass", None, None, "early", "early", "copper"]


def said(rows: list[tuple[str | None, datetime | None]], dtype: Any) -> list[str | None]:
    schema: dict[str, Any] = {"lot": pl.String, "at": pl.Datetime("us", "UTC")}
    frame = pl.DataFrame(rows, schema=schema, orient="row").with_columns(pl.col("lot").cast(dtype))
    found = join_version(frame, TABLE, key="lot", at="at", columns={"material": "of_lot"})
    assert found.columns == ["lot", "at", "of_lot"]
    assert found["of_lot"].dtype == dtype
    return found["of_lot"].cast(pl.String).to_list()


@pytest.mark.parametrize("dtype", [pl.String, pl.Categorical])
@pytest.mark.parametrize("others", [0, len(TABLE) - len(ASKED) - 1, len(TABLE) - len(ASKED), 100])
def test_each_reading_gets_the_version_of_its_time_however_many_stand_beside_it(dtype: Any, others: int) -> None:
    assert said([*ASKED, *[("M1", DAY[0])] * others], dtype)[: len(ASKED)] == SAID
    for row, wanted in zip(ASKED, SAID, strict=True):
        assert said([row], dtype) == [wanted]
    assert said([], dtype) == []
