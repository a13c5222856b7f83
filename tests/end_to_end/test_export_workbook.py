"""`export --xlsx`: read back by another library (openpyxl): types, notes on the columns, no text a formula, nothing lost."""

from __future__ import annotations

import re
import zipfile
from datetime import datetime
from typing import TYPE_CHECKING

import openpyxl
import polars as pl
import pytest
from scenario import Scenario
from workspace_files import Shell, loaded_once

from pipeline.custody import pack_workbook
from pipeline.errors import UsageError
from schemas.pack import PACK_TABLES

if TYPE_CHECKING:
    from pathlib import Path

HOSTILE = '=HYPERLINK("http://example.invalid","x")'


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    scenario = Scenario().check("08:00").lot("08:30").check("09:30")
    for row, part in zip([row for row in scenario.rows if row.get("lot")], (HOSTILE, "+7", "'=1"), strict=True):
        row["part"] = f'"{part.replace(chr(34), chr(34) * 2)}"'
    return Shell(tmp_path / "works", capsys).become(loaded_once({"a.csv": scenario}))


def export(shell: Shell, target: Path, *words: str) -> None:
    shell("export", str(target), "--xlsx", "--workspace", str(shell.root), *words)


def test_every_table_stands_there_with_types_kept_and_notes(shell: Shell, tmp_path: Path) -> None:
    export(shell, tmp_path / "a.xlsx")
    assert shell.code == 0, shell.err
    shell("export", str(tmp_path / "pack"), "--workspace", str(shell.root))
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book.sheetnames == ["about", *PACK_TABLES]
    for name, table in PACK_TABLES.items():
        rows = list(book[name].iter_rows())
        frame = pl.read_parquet(tmp_path / "pack" / "data" / f"{name}.parquet")
        assert [cell.value for cell in rows[0]] == list(table.names)
        for cell, column in zip(rows[0], table, strict=True):
            assert cell.comment is not None
            assert column.doc in cell.comment.text
            assert column.unit is None or f"Unit: {column.unit}." in cell.comment.text
        assert len(rows) - 1 == frame.height
        for row, wanted in zip(rows[1:], frame.iter_rows(), strict=True):
            for cell, value in zip(row, wanted, strict=True):
                if isinstance(value, datetime):
                    assert isinstance(cell.value, datetime)
                    assert abs(cell.value - value.replace(tzinfo=None)).total_seconds() < 0.001
                elif isinstance(value, float):
                    assert cell.value == pytest.approx(value, rel=1e-15)
                else:
                    assert cell.value == value
                    assert type(cell.value) is type(value)
    assert "governing specification" in " ".join(str(row[1].value) for row in book["about"].iter_rows())


def test_no_text_is_a_formula_or_a_link_and_text_that_looks_like_one_keeps_its_mark(
    shell: Shell, tmp_path: Path
) -> None:
    export(shell, tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert [cell for cell in cells if cell.data_type == "f"] == []
    found = {cell.value: cell.quotePrefix for cell in cells if cell.data_type == "s" and cell.row > 1}
    assert (found[HOSTILE], found["+7"], found["'=1"]) == (True, True, True)
    assert not found["copper"] if "copper" in found else not found["L1"]
    with zipfile.ZipFile(tmp_path / "a.xlsx") as packed:
        parts = "".join(packed.read(name).decode() for name in packed.namelist() if name.endswith((".xml", ".rels")))
    assert not re.search(r"<f[ >]|<hyperlink|externalLink", parts)


def test_equal_tables_are_equal_bytes_and_nothing_is_overwritten(shell: Shell, tmp_path: Path) -> None:
    export(shell, tmp_path / "a.xlsx")
    export(shell, tmp_path / "b.xlsx")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    export(shell, tmp_path / "a.xlsx")
    assert shell.code == 2
    assert "exists already" in shell.err


@pytest.mark.parametrize(
    ("name", "words", "said"),
    [
        ("a.zip", ("--xlsx",), "ends with .xlsx"),
        ("a.xlsx", (), "To write"),
        ("a.xlsx", ("--xlsx", "--with-raw"), "holds tables alone"),
        ("a.xlsx", ("--xlsx", "--with-pages"), "holds tables alone"),
    ],
)
def test_what_does_not_fit_together_is_told(
    shell: Shell, tmp_path: Path, name: str, words: tuple[str, ...], said: str
) -> None:
    shell("export", str(tmp_path / name), "--workspace", str(shell.root), *words)
    assert shell.code == 2
    assert said in shell.err
    assert not (tmp_path / name).exists()


def test_more_rows_than_a_sheet_holds_are_refused_and_one_less_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = PACK_TABLES["parts"].complete(
        pl.DataFrame({"lot": ["L"] * 3, "part": ["1", "2", "3"], "spots": [1] * 3, "readings": [1] * 3})
    )
    monkeypatch.setattr(pack_workbook, "MOST_ROWS", 3)
    assert pack_workbook.workbook({"parts": rows}, [])
    monkeypatch.setattr(pack_workbook, "MOST_ROWS", 2)
    with pytest.raises(UsageError, match="has 3 rows"):
        pack_workbook.workbook({"parts": rows}, [])


@pytest.mark.parametrize("text", ["x" * 32_767, "x" * 40_000, "a\x00b\x1bc", "_x0041_", "a\nb", "é 中 🙂"])
def test_a_text_is_kept_or_says_what_is_not_there(tmp_path: Path, text: str) -> None:
    frame = PACK_TABLES["parts"].complete(pl.DataFrame({"lot": ["L"], "part": [text], "spots": [1], "readings": [1]}))
    (tmp_path / "a.xlsx").write_bytes(pack_workbook.workbook({"parts": frame}, []))
    cell = openpyxl.load_workbook(tmp_path / "a.xlsx")["parts"]["B2"].value
    if len(text) > 32_767:
        assert "40000 characters, #" in cell
    elif "\x00" in text:
        assert cell == "a⟨U+0000⟩b⟨U+001B⟩c"
    else:
        assert cell == text
