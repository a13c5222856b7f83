"""Unknown files, refused lines and readings taken by hand, through the command line."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date, time
from typing import TYPE_CHECKING

import openpyxl
from scenario import Scenario
from workspace_files import neutral_csv

if TYPE_CHECKING:
    from workspace_files import Shell

UNKNOWN = (
    "Gauge;G-7\r\n"
    "\r\n"
    "When;What;Lot;Piece;Block;Sigma [%IACS];Metal [°C]\r\n"
    "02.03.2026 08:00:00;check;;;B1;100,00;20,0\r\n"
    "02.03.2026 08:00:05;check;;;B1;100,02;20,0\r\n"
    "02.03.2026 09:00:00;part;L1;1;;100,90;20,0\r\n"
    "02.03.2026 09:00:09;part;L1;2;;101,10;20,0\r\n"
    "02.03.2026 10:00:00;check;;;B1;100,01;20,0\r\n"
).encode("cp1252")

LAYOUT = """
name = "gauge"
version = 1
zone = "UTC"

[dialect]
encoding = "cp1252"
delimiter = ";"
lineTerminator = "\\r\\n"

[preamble]
keys = [{ key = "Gauge", column = "meter" }]

[schema]
decimalChar = ","

[[schema.fields]]
name = "When"
column = "measured_at"
type = "datetime"
format = "%d.%m.%Y %H:%M:%S"

[[schema.fields]]
name = "What"
column = "role"
values = { check = "block", part = "part" }

[[schema.fields]]
name = "Lot"
column = "lot"

[[schema.fields]]
name = "Piece"
column = "part"

[[schema.fields]]
name = "Block"
column = "block"

[[schema.fields]]
name = "Sigma"
column = "value"
type = "number"
unit = "%IACS"
unitInHeader = true

[[schema.fields]]
name = "Metal"
column = "temperature_c"
type = "number"
unit = "degC"
unitInHeader = true

[constants]
temperature_state = "at_metal"
"""


def test_a_file_that_no_layout_fits_is_held_until_one_does(shell: Shell) -> None:
    shell.make()
    path = shell.put("g.csv", UNKNOWN)
    report = shell.load(path)
    assert (shell.code, report["held"]) == (3, 1)
    assert report["files"][0]["sentence"].startswith("held, nothing was loaded")
    status = shell.json("status", "--as-of", "2026-03-02T12:00")
    assert status["files_held"][0]["name"] == "inbox/g.csv"
    suggestion = shell.json("layout", "suggest", str(path))
    keys = {q["key"] for q in suggestion["questions"] if q["open"]}
    assert not suggestion["complete"]
    assert "temperature_state" in keys
    # a layout written by a person, tried before it is used
    draft = shell.root / "draft.toml"
    draft.write_text(LAYOUT, encoding="utf-8")
    check = shell.json("layout", "check", str(path), "--layout-file", str(draft))
    assert shell.code == 0
    assert check["counts"]["accepted"] == 5
    (shell.root / "layouts" / "gauge.toml").write_text(LAYOUT, encoding="utf-8")
    report = shell.load(path)
    assert report["files"][0]["layout"] == "gauge"
    assert report["lots"] == {"L1": "accept"}
    assert shell.json("status", "--as-of", "2026-03-02T12:00")["files_held"] == []


def test_a_suggestion_with_its_questions_answered_loads_the_file(shell: Shell) -> None:
    shell.make()
    path = shell.put("g.csv", UNKNOWN)
    known = {
        "temperature_state": "at_metal",
        "zone": "UTC",
        "column:What": "role",
        "values:What": "check=block,part=part",
    }
    answers: dict[str, str] = {}
    asked: list[str] = []
    for _ in range(4):
        words = [word for key, value in answers.items() for word in ("--answer", f"{key}={value}")]
        found = shell.json("layout", "suggest", str(path), *words)
        if found["complete"]:
            break
        asked += [q["key"] for q in found["questions"] if q["open"]]
        answers |= {key: known[key] for key in asked if key in known}
    assert found["complete"], found["questions"]
    assert set(asked) >= set(known)
    answers["encoding"] = "cp1252"
    target = shell.root / "layouts" / "suggested.toml"
    words = [word for key, value in answers.items() for word in ("--answer", f"{key}={value}")]
    shell("layout", "suggest", str(path), *words, "--to", str(target))
    assert target.is_file()
    report = shell.load(path)
    assert report["files"][0]["status"] == "loaded", report
    assert report["files"][0]["readings"] == 5


def test_refused_lines_are_shown_replayed_and_discarded(shell: Shell) -> None:
    shell.make()
    (shell.root / "layouts" / "gauge.toml").write_text(LAYOUT, encoding="utf-8")
    text = UNKNOWN.decode("cp1252")
    lines = text.split("\r\n")
    lines.insert(5, "02.03.2026 08:00:07;check;;;B1;LIFT;20,0")
    lines.insert(6, "31.02.2026 08:00:08;check;;;B1;100,00;20,0")
    shell.load(shell.put("g.csv", "\r\n".join(lines).encode("cp1252")))
    waiting = shell.json("quarantine", "list")
    assert [row["line"] for row in waiting] == [6, 7]
    shown = shell("quarantine", "show", str(waiting[0]["quarantine_id"]))
    assert "02.03.2026 08:00:07;check;;;B1;LIFT;20,0" in shown
    # the layout learns the code, the same code reads the line again
    mended = LAYOUT.replace("version = 1", "version = 2") + '\n[nonReadings]\nLIFT = "lifted"\n'
    (shell.root / "layouts" / "gauge.toml").write_text(mended, encoding="utf-8")
    shell("quarantine", "replay", "--by", "Ada", "--why", "version 2 knows LIFT", "--dry-run")
    assert len(shell.json("quarantine", "list")) == 2
    report = shell.json("quarantine", "replay", "--by", "Ada", "--why", "version 2 knows LIFT")
    assert (report["files"][0]["replayed"], report["files"][0]["still_refused"]) == (1, 1)
    shell("verify")
    assert shell.code == 0, shell.out
    left = shell.json("quarantine", "list")
    assert [row["line"] for row in left] == [7]
    shell("quarantine", "discard", str(left[0]["quarantine_id"]))
    assert shell.code == 2
    shell("quarantine", "discard", str(left[0]["quarantine_id"]), "--by", "Ada", "--why", "no such day")
    assert shell.code == 0
    states = {row["line"]: row["state"] for row in shell.json("quarantine", "list", "--state", "all")}
    assert states == {6: "replayed", 7: "discarded"}
    shell("verify")
    assert shell.code == 0, shell.out


def test_a_layout_that_would_change_stored_readings_replays_nothing(shell: Shell) -> None:
    shell.make()
    place = shell.root / "layouts" / "gauge.toml"
    place.write_text(LAYOUT, encoding="utf-8")
    lines = UNKNOWN.decode("cp1252").split("\r\n")
    lines.insert(5, "02.03.2026 08:00:07;check;;;B1;LIFT;20,0")
    shell.load(shell.put("g.csv", "\r\n".join(lines).encode("cp1252")))
    other = LAYOUT.replace('zone = "UTC"', 'zone = "Europe/Oslo"') + '\n[nonReadings]\nLIFT = "lifted"\n'
    place.write_text(other, encoding="utf-8")
    report = shell.json("quarantine", "replay", "--by", "Ada", "--why", "x")
    assert report["files"][0]["readings"] == 0
    assert "stay as they are" in report["files"][0]["sentence"]
    assert len(shell.json("quarantine", "list")) == 1


def test_a_workbook_goes_the_way_of_any_file(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").check("10:00")))
    shell("layout", "template", "sheets", "--unit", "%IACS")
    assert shell.code == 0, shell.err
    book = openpyxl.load_workbook(shell.root / "sheets" / "by_hand.xlsx")
    header = [cell.value for cell in book["readings"][1]]
    filled = {
        "Date": date(2026, 3, 2), "Time": time(9, 0), "Meter": "M1", "Operator": "Ada", "Role": "part", "Lot": "L1", "Part": "1",
        "Spot": "1", "Value [%IACS]": 100.9, "Metal temperature [°C]": 20.0, "Temperature state": "at_metal",
    }  # fmt: skip
    for changes in ({}, {"Part": "2"}, {"Value [%IACS]": "=100+1"}):
        row = filled | changes
        book["readings"].append([row.get(name, row.get(name.split(" (")[0])) for name in header])
    place = shell.root / "inbox" / "hand.xlsx"
    place.parent.mkdir(exist_ok=True)
    book.save(place)
    checked = shell.json("layout", "check", "inbox/hand.xlsx")
    report = shell.load(place)["files"][0]
    assert (report["layout"], report["readings"]) == ("by_hand", 2)
    assert {fate: count for fate, count in report["fates"].items() if count} == {
        "header": 1, "accepted": 2, "quarantined": 1,
    } == {fate: count for fate, count in checked["counts"].items() if count}  # fmt: skip
    (refused,) = shell.json("quarantine", "list")
    assert (refused["line"], refused["reason"]) == (4, "formula_cell")
    assert shell.json("lot", "L1")["parts"] == 2
    assert shell.json("verify")["problems"] == []
    assert shell.load(place)["files"][0]["status"] == "already_loaded"


def test_readings_taken_by_hand_are_told_apart(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").check("10:00")))
    shell("layout", "template", "sheets", "--unit", "%IACS")
    assert shell.code == 0, shell.err
    sheet = shell.root / "sheets" / "by_hand.csv"
    with zipfile.ZipFile(shell.root / "sheets" / "by_hand.xlsx") as book:
        assert book.testzip() is None
        assert any("sheet" in name for name in book.namelist())
    header = next(csv.reader(io.StringIO(sheet.read_text(encoding="utf-8-sig"))))
    filled = {
        "Date": "2026-03-02", "Time": "09:00", "Meter": "M1", "Operator": "Ada", "Role": "part", "Lot": "L1", "Part": "1",
        "Spot": "1",
    }  # fmt: skip

    def cell(name: str, value: str) -> str:
        for key, text in filled.items():
            if name == key or name.startswith(f"{key} ("):
                return text
        low = name.lower()
        if "iacs" in low:
            return value
        if "°c" in low:
            return "20.0"
        return "at_metal" if "state" in low else ""

    rows = [",".join(cell(name, value) for name in header) for value in ("100.9", "101.1")]
    text = "\ufeff" + ",".join(header) + "\n" + "\n".join(rows) + "\n"
    report = shell.load(shell.put("hand.csv", text.encode()))
    assert report["files"][0]["layout"] == "by_hand", report["files"]
    assert report["files"][0]["readings"] == 2, report["files"]
    lot = shell.json("lot", "L1")
    assert any(flag.startswith("taken_by_hand: 2") for flag in lot["flags"])
    page = (shell.root / "pages" / "lots" / "L1.html").read_text(encoding="utf-8")
    assert "written down by a person" in page


def test_messages_name_a_file_as_it_was_given(shell: Shell) -> None:
    shell.make()
    place = shell.root.parent / "elsewhere" / "a\nb.csv"
    place.parent.mkdir()
    place.write_text(neutral_csv(Scenario().check("08:00")), encoding="utf-8")
    shell("load", str(place.parent), "--direct")
    assert f"{place.parent}/a\\x0ab.csv: loaded 3 readings" in shell.out.replace("\n", "")
    (report,) = shell.load(place)["files"]
    assert (report["name"], report["given"]) == ("a\\x0ab.csv", f"{place.parent}/a\\x0ab.csv")
