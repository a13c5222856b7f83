"""Refusals of a chunk: what is said of a line, which of several faults counts, and what is left."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from pipeline.intake import refusals
from pipeline.intake.refusals import REASONS, Refusals, mask_of

LINES = pl.Series([7, 8, 9, 12])
CELLS = pl.Series(["a", None, "c\u200b", "a"])


def mask(*values: bool | None) -> pl.Series:
    return pl.Series(values, dtype=pl.Boolean)


def test_every_reason_is_given_somewhere_and_under_that_name() -> None:
    folder = Path(refusals.__file__).parent
    text = "".join(path.read_text(encoding="utf-8") for path in folder.rglob("*.py") if path.name != "refusals.py")
    given = {*re.findall(r'"([a-z_]+)"', text), *(f"{kind}_cell" for kind in re.findall(r'"([a-z]+)"', text))}
    assert len(REASONS) > 40
    assert [reason for reason in REASONS if reason not in given] == []
    for reason, advice in REASONS.items():
        assert advice.endswith((".", "?"))
        found = Refusals(LINES)
        found.add(mask(False, True, False, False), "lot", reason, "another")
        assert found.frame().rows() == [(1, 8, "lot", reason, f"Column 'lot': expected another. {advice}")]


def test_many_refused_lines_come_in_their_order_once_each() -> None:
    lines = pl.int_range(2, 5002, eager=True)
    found = Refusals(lines)
    found.add(lines % 3 == 0, "a", "not_a_number", "a number")
    found.add(lines % 2 == 0, "b", "missing_lot", "a lot")
    expected = [(line, "a" if line % 3 == 0 else "b") for line in lines if line % 3 == 0 or line % 2 == 0]
    assert found.frame().select("line", "column").rows() == expected


def test_without_a_fault_nothing_is_refused() -> None:
    found = Refusals(LINES)
    found.add(mask(False, None, False, False), "value", "not_a_number", "a number", CELLS)
    assert not found.any
    assert found.kept(4) is None
    assert found.frame().rows() == []
    assert found.frame().columns == ["row", "line", "column", "reason", "sentence"]


def test_a_refusal_says_where_what_and_what_to_do() -> None:
    found = Refusals(LINES)
    found.add(mask(True, True, None, False), "val\u200bue", "not_a_number", "a number", CELLS)
    found.add(mask(False, False, True, False), "", "role_unclear", "either a lot or a block")
    found.add(mask(False, False, False, True), "lot", "missing_lot", "a lot")
    assert found.any
    sentences = found.frame()["sentence"].to_list()
    assert sentences[0].endswith(f": found 'a', expected a number. {REASONS['not_a_number']}")
    assert sentences[0].startswith("Column 'val")
    assert "\u200b" not in sentences[0]
    assert sentences[1].endswith(f": the cell is empty, expected a number. {REASONS['not_a_number']}")
    assert sentences[2] == f"expected either a lot or a block. {REASONS['role_unclear']}"
    assert sentences[3] == f"Column 'lot': expected a lot. {REASONS['missing_lot']}"
    assert found.frame().drop("sentence").rows() == [
        (0, 7, "val\u200bue", "not_a_number"),
        (1, 8, "val\u200bue", "not_a_number"),
        (2, 9, "", "role_unclear"),
        (3, 12, "lot", "missing_lot"),
    ]


def test_the_first_fault_of_a_line_counts_and_lines_come_in_order() -> None:
    found = Refusals(LINES)
    found.add(mask(False, False, True, True), "a", "not_a_number", "a number", CELLS)
    found.add(mask(True, False, True, False), "b", "missing_lot", "a lot", CELLS)
    found.add(mask(True, False, False, True), "c", "out_of_range", "another", CELLS)
    assert found.frame().select("line", "column", "reason").rows() == [
        (7, "b", "missing_lot"),
        (9, "a", "not_a_number"),
        (12, "a", "not_a_number"),
    ]
    kept = found.kept(4)
    assert kept is not None
    assert kept.to_list() == [False, True, False, False]
    assert "\u200b" not in found.frame()["sentence"][1]


@pytest.mark.parametrize("rows", [[], [0], [3], [0, 2, 2]])
def test_a_mask_is_true_at_the_given_places(rows: list[int]) -> None:
    assert mask_of(pl.Series(rows, dtype=pl.Int64), 4).to_list() == [n in rows for n in range(4)]
