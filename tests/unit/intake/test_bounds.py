"""What a hostile or broken file may cost: columns, spaces and refused lines in proportion, never squared; a backup within bounds."""

from __future__ import annotations

import hashlib
import json
import time
import zipfile
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest
from intake_checks import altered, is_whole, layouts, load
from scenario import Scenario

from pipeline.custody.backup import restore
from pipeline.errors import IntegrityProblem, LayoutError, ReferenceTableError, SettingsError, UsageError
from pipeline.intake import body, head
from pipeline.intake.layout import parse_layout
from pipeline.intake.lines import _tidied
from pipeline.intake.match import match
from pipeline.intake.reading import Held
from pipeline.intake.tables import parse_table
from pipeline.intake.units_text import LONGEST_NAME, unit_in_name
from pipeline.load import load as loading
from pipeline.workspace.settings import find_workspace, read_settings
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from workspace_files import Shell

HEAD = "measured_at,meter,role,lot,value,unit,temperature_state\n"
GOOD = "2026-03-02T07:31:05Z,M1,part,L1,58.1,MS/m,at_reference\n"


def growth(work: Callable[[int], object], small: int) -> float:
    """How much longer four times as much takes: 4 where cost is in proportion, 16 where it is squared."""

    def cost(size: int) -> float:
        times = []
        for _ in range(5):
            began = time.process_time()
            work(size)
            times.append(time.process_time() - began)
        return min(times)

    return cost(4 * small) / max(cost(small), 0.01)  # a clock of the processor may count in hundredths of a second


def test_the_header_is_looked_for_in_proportion_to_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """2,000 columns in 400 lines took an hour for each layout; a cell is compared with what it may be, and once."""
    compared: list[int] = []
    matches = head._matches

    def count(*given: Any) -> Any:
        compared.append(1)
        return matches(*given)

    monkeypatch.setattr(head, "_matches", count)
    for layout in layouts().values():
        tried = sum(field.name_pattern is not None or field.unit_in_header for field in layout.fields)
        for columns in (500, 2000):
            for cells in ([""] * columns, [f"name{n}" for n in range(columns)], ["value"] * columns):
                compared.clear()
                text = "\n".join([layout.dialect.delimiter.join(cells)] * 5) + "\n"
                assert isinstance(match("a.csv", text.encode(), {layout.name: layout}, {}), Held)
                assert len(compared) <= 6 * columns * (tried + 1)
    monkeypatch.undo()
    many = [f"name{n}" for n in range(2000)]

    def search(columns: int) -> None:
        match("a.csv", ("\n".join([",".join(many[:columns])] * 20) + "\n").encode(), layouts(), {})

    assert growth(search, 500) < 8


def test_near_names_are_still_told_for_the_first_unknown_columns() -> None:
    text = HEAD.replace("temperature_state", "temperatur_state") + GOOD
    held = match("a.csv", text.encode(), {"neutral": layouts()["neutral"]}, {})
    assert isinstance(held, Held)
    assert any(
        "'temperatur_state' (number 7) is not in the layout; the layout has 'temperature_state'" in one
        for one in held.details
    )


@pytest.mark.parametrize("joined", [False, True])
def test_spaces_cost_in_proportion(joined: bool) -> None:
    """A cell with 40,000 spaces took 12 s."""
    some = next(iter(layouts().values())).dialect
    dialect = altered(some, delimiter=" " if joined else ";", join_delimiters=joined, trim_cells=not joined)
    text = b"  a ; b" + b" " * 7 + b"c;\t d  \n ;  ; \n\n   \n"
    assert _tidied(text, dialect) == (b"a ; b c;\t d\n; ;\n\n\n" if joined else b"a;b       c;d\n;;\n\n\n")
    assert growth(lambda size: _tidied(b"a;b" + b" " * size + b"c;d\n", dialect), 10_000) < 10


@pytest.mark.parametrize("cell", ["a{}b", "a{}(", "{}", "1{}"])
def test_spaces_in_a_header_cost_in_proportion(cell: str) -> None:
    """A header cell with 10,000 spaces took 4 s where a layout has units in brackets, 40,000 a minute."""

    def both(size: int) -> None:
        data = f"meter,{cell.format(' ' * size)},value\nM1,x,58\n".encode()
        assert isinstance(match("a.csv", data, layouts(), {}), Held)

    assert growth(both, 5_000) < 10


def test_a_unit_is_split_from_names_of_any_sensible_length() -> None:
    name = "x" * (LONGEST_NAME - 7)
    assert unit_in_name(f"{name} [MS/m]") == (name, "MS/m")
    assert unit_in_name(f"{name}x [MS/m]") is None


def test_a_file_of_which_most_is_refused_is_held_and_no_row_is_made_of_each_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """12 MB of two-byte lines were 6 million rows in quarantine and 4.3 GB."""
    neutral = layouts()["neutral"]
    made: list[int] = []
    refused_lines = body.Body._refused_lines

    def count(self: body.Body, found: Any, **more: Any) -> Any:
        frame = refused_lines(self, found, **more)
        made.append(frame.height)
        return frame

    monkeypatch.setattr(body.Body, "_refused_lines", count)
    reading = load((HEAD + GOOD * 100 + "x\n" * 2_000_000).encode(), neutral)
    assert reading.held is not None
    assert reading.held.reason == "mostly_refused"
    assert sum(made) <= body.MOST_REFUSED
    assert (reading.held.line, reading.held.details) == (2, ())
    assert "2,000,000 lines were refused and 100 could be read" in reading.held.sentence
    is_whole(reading)
    late = GOOD.replace("58.1", "-1")  # lines with the right cells, refused for what they say
    reading = load((HEAD + GOOD + late * (body.MOST_REFUSED + 1)).encode(), neutral)
    assert reading.held is not None
    assert reading.held.reason == "mostly_refused"
    assert "10,001 lines were refused and 1 could be read" in reading.held.sentence
    assert reading.held.details == ("negative_value: 10,001",)
    assert reading.held.line == 3


def packed(path: Path, files: dict[str, bytes]) -> Path:
    manifest = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in files.items():
            file.writestr(name, data)
        file.writestr("manifest.json", json.dumps({"files": manifest}))
    return path


@pytest.mark.parametrize(
    "name",
    [
        "..\\x.csv",
        "inbox\\..\\..\\x.csv",
        "C:\\x.csv",
        "C:x.csv",
        "\\x.csv",
        "\\\\host\\x.csv",
        "../x.csv",
        "/x.csv",
        "inbox/../../x.csv",
    ],
)
def test_a_backup_that_names_a_place_outside_is_refused_before_anything_is_written(tmp_path: Path, name: str) -> None:
    backup = packed(tmp_path / "b.zip", {"annealog.toml": b"", name: b"x"})
    with pytest.raises(IntegrityProblem, match="outside the workspace"):
        restore(backup, tmp_path / "again")
    assert not (tmp_path / "again").exists()
    assert not (tmp_path / "x.csv").exists()


def test_a_backup_that_unpacks_to_too_much_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    """1 MB that unpacks to 1 GB; text that packs well is none of it."""
    bomb = packed(tmp_path / "bomb.zip", {"annealog.toml": b"", "inbox/a.csv": bytes(150_000_000)})
    assert bomb.stat().st_size < 1_000_000
    with pytest.raises(UsageError, match="would unpack to 150 MB"):
        restore(bomb, tmp_path / "again")
    assert not (tmp_path / "again").exists()
    plain = packed(tmp_path / "plain.zip", {"annealog.toml": b"", "inbox/a.csv": bytes(99_000_000)})
    assert restore(plain, tmp_path / "again") == 2


@pytest.mark.parametrize("mark", ["\u200b", "\u00ad", "\u2060", "\u180e"])
def test_a_name_with_a_mark_that_nobody_sees_is_no_other_lot(mark: str) -> None:
    reading = load(
        (HEAD + GOOD + GOOD.replace("L1", f"L1{mark}") + GOOD.replace("M1", f"{mark}M1")).encode(), layouts()["neutral"]
    )
    assert reading.counts["accepted"] == 1
    assert reading.quarantine["reason"].to_list() == ["damaged_text"] * 2
    assert mark not in reading.quarantine["sentence"][0]
    with pytest.raises(ReferenceTableError, match="line 2, column lot"):
        parse_table(REFERENCE_TABLES["lots"], f"lot\nL1{mark}\n", where="reference/lots.csv", zone=ZoneInfo("UTC"))


def test_digits_are_those_of_ascii_also_in_tables() -> None:
    def value(text: str) -> Any:
        table = f"lot,certificate,value,unit\nL1,C,{text},MS/m\n"
        return parse_table(REFERENCE_TABLES["mill_certificates"], table, where="x", zone=ZoneInfo("UTC"))["value"][0]

    assert value("58.5") == 58.5
    for text in ("٥٨", "５８", "58.٥"):
        with pytest.raises(ReferenceTableError, match="expected a number"):
            value(text)
    for text in ("1٠", "9" * 19):
        with pytest.raises(ReferenceTableError, match="expected a whole number"):
            parse_table(
                REFERENCE_TABLES["specifications"], f"specification,parts\nS,{text}\n", where="x", zone=ZoneInfo("UTC")
            )


def test_a_layout_nested_without_end_is_refused_in_words() -> None:
    with pytest.raises(LayoutError, match=r"deep\.toml"):
        parse_layout("x = " + "[" * 100_000 + "]" * 100_000, "deep.toml")
    with pytest.raises(SettingsError):
        read_settings("x = " + "[" * 100_000)


def test_while_many_files_are_loaded_the_history_is_left_to_others(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten thousand files held it for a quarter of an hour. Nothing is lost or doubled between two holdings."""
    shell.make()
    for number in range(4):
        shell.put(f"{number}.csv", Scenario().check("08:00", day=number).lot("09:00", day=number))
    opened: list[str] = []
    open_history = loading.History.open

    def count(path: Path, **more: Any) -> Any:
        opened.append(str(path))
        return open_history(path, **more)

    monkeypatch.setattr(loading, "_AT_ONCE_S", -1.0)
    monkeypatch.setattr(loading, "_PAUSE_S", 0.0)
    monkeypatch.setattr(loading.History, "open", count)
    place = find_workspace(shell.root)
    reports = loading.load_files(place, sorted(place.inbox.iterdir()))
    assert [report.status for report in reports] == ["loaded"] * 4
    assert len(opened) == 5
    assert [report.status for report in loading.load_files(place, sorted(place.inbox.iterdir()))] == [
        "already_loaded"
    ] * 4
