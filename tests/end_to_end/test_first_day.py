"""A new user's first day with the README's words alone: an empty folder, a sheet for blocks, a sheet for readings, a page."""

from __future__ import annotations

from datetime import date, time
from typing import TYPE_CHECKING, Any

import openpyxl

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell


def fill(path: Path, sheet: str, rows: list[dict[str, Any]]) -> None:
    """Fill in a workbook as a person does: by the words of its header, dates and numbers as such."""
    book = openpyxl.load_workbook(path)
    page = book[sheet]
    columns = {str(cell.value).split(" (")[0].split(" [")[0]: cell.column for cell in page[1]}
    for number, row in enumerate(rows, start=2):
        for name, value in row.items():
            page.cell(number, columns[name], value)
    book.save(path)


def test_from_an_empty_folder_to_a_page(shell: Shell, monkeypatch: Any) -> None:
    shell("init", str(shell.root))
    monkeypatch.chdir(shell.root)
    assert "# certified_value: " in (shell.root / "reference" / "blocks.csv").read_text(encoding="utf-8")
    shell("reference", "sheet", "blocks", "--to", "blocks.xlsx")
    block = {
        "block": "KB-01",
        "material": "copper",
        "certified_value": 58.0,
        "unit": "MS/m",
        "expanded_uncertainty": 0.2,
    }
    fill(shell.root / "blocks.xlsx", "blocks", [block | {"coverage_factor": 2, "certified_on": date(2026, 1, 5)}])
    shell("reference", "import", "blocks.xlsx")
    assert shell.code == 0, shell.err
    for words in (
        "material material=copper temperature_model=constant_slope coefficient=0.0000681",
        "specification specification=S material=copper lower=57 upper=60 unit=MS/m parts=1 spots=1 repeats=1",
        "lot lot=L-0007 product=bar material=copper specification=S",
        "meter meter=EC-01 accuracy_percent=0.5 resolution=0.01 unit=MS/m",
    ):
        shell("reference", "add", *words.split())
        assert shell.code == 0, shell.err
    shell("config", "check")
    assert (shell.code, shell.err) == (0, "")
    shell("layout", "template", "sheets", "--unit", "MS/m")
    common = {
        "Date": date(2026, 3, 2),
        "Meter": "EC-01",
        "Operator": "Ada",
        "Metal temperature": 20.0,
        "Temperature state": "at_metal",
    }
    check = {"Role": "block", "Block": "KB-01"}
    part = {"Role": "part", "Lot": "L-0007", "Spot": "1"}
    taken = [
        *({"Time": time(8, n), "Value": 58.0 + n / 100, **check} for n in range(3)),
        *({"Time": time(9, n), "Value": 58.4 + n / 10, "Part": str(n), **part} for n in (1, 2)),
        *({"Time": time(10, n), "Value": 58.0 + n / 100, **check} for n in range(3)),
    ]
    fill(shell.root / "sheets" / "by_hand.xlsx", "readings", [common | row for row in taken])
    (shell.root / "sheets" / "by_hand.xlsx").rename(shell.root / "inbox" / "2026-03-02.xlsx")
    checked = shell.json("layout", "check", "inbox/2026-03-02.xlsx")
    assert (checked["held"], checked["quarantine"], checked["warnings"]) == (None, [], [])
    shell("load", "inbox", "--direct")
    assert (shell.code, "inbox/2026-03-02.xlsx: loaded 8 readings" in shell.out) == (0, True), shell.out + shell.err
    status = shell.json("status", "--as-of", "2026-03-02T12:00")
    assert [(one["meter"], one["state"]) for one in status["meters"]] == [("EC-01", "fit")]
    lot = shell.json("lot", "L-0007")
    assert (lot["verdict"], lot["parts"]) == ("accept", 2), lot["reasons"]
    shell("render", "--direct")
    assert (shell.root / "pages" / "index.html").exists()
    assert list((shell.root / "pages").rglob("*L-0007*.html"))
