"""A data pack: complete, described, checkable by anybody, and harmless in a spreadsheet."""

from __future__ import annotations

import csv
import hashlib
import json
import subprocess
import zipfile
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenario import Scenario
from workspace_files import Shell, loaded_once

from pipeline.custody import pack as pack_module
from pipeline.custody.spreadsheet_text import guarded_frame
from pipeline.load.load import load
from pipeline.workspace.settings import find_workspace
from schemas.pack import PACK_TABLES

if TYPE_CHECKING:
    from pathlib import Path

HOSTILE = '=HYPERLINK("http://example.invalid","x")'
DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    scenario = Scenario()
    scenario.check("08:00")
    scenario.lot("08:30")
    scenario.check("09:30")
    return Shell(tmp_path / "works", capsys).become(loaded_once({"a.csv": scenario}))


def pack(shell: Shell, target: Path, *words: str) -> Any:
    return shell.json("export", str(target), "--workspace", str(shell.root), *words)


def test_the_tables_hold_what_was_loaded_and_their_hashes_agree(shell: Shell, tmp_path: Path) -> None:
    report = pack(shell, tmp_path / "pack")
    assert shell.code == 0, shell.err
    folder = tmp_path / "pack"
    # coreutils as the outside check of our own sums
    assert (
        subprocess.run(["sha256sum", "-c", "--quiet", "--strict", "SHA256SUMS"], cwd=folder, check=False).returncode
        == 0
    )
    assert hashlib.sha256((folder / "SHA256SUMS").read_bytes()).hexdigest() == report["data_sha256"]
    listed = {line.partition("  ")[2] for line in (folder / "SHA256SUMS").read_text().splitlines()}
    assert listed | {"SHA256SUMS"} == {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}

    raw = (shell.root / "inbox" / "a.csv").read_text().splitlines()
    readings = pl.read_parquet(folder / "data" / "readings.parquet")
    assert readings.height == len(raw) - 1 == report["readings"]
    written = {str(number): row["value"] for number, row in enumerate(csv.DictReader(raw), start=2)}
    assert {str(line): f"{value:.4f}" for line, value in readings.select("line", "value").iter_rows()} == written
    assert set(readings["file_sha256"]) == {hashlib.sha256((shell.root / "inbox" / "a.csv").read_bytes()).hexdigest()}

    lot = pl.read_parquet(folder / "data" / "lots.parquet").row(0, named=True)
    said = shell.json("lot", lot["lot"], "--workspace", str(shell.root), "--dry-run")
    assert {name: lot[name] for name in ("verdict", "mean", "ppk", "parts")} == {
        name: said[name] for name in ("verdict", "mean", "ppk", "parts")
    }
    assert [lot["ppk_low"], lot["ppk_high"]] == (said["ppk_interval"] or [None, None])
    (result,) = json.loads((folder / "results.json").read_text())
    assert result["mean"] == said["mean"]


def test_a_load_waits_for_no_pack_that_is_written(
    shell: Shell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Everything is gathered before the first file is written, and what comes meanwhile is in no part of the pack."""
    pack(shell, tmp_path / "before", "--with-pages")
    place, loaded, as_bytes = find_workspace(shell.root), [], pack_module._as_bytes

    def meanwhile(*given: Any) -> bytes:
        if not loaded:
            later = shell.put("b.csv", Scenario().check("08:00", day=1).lot("08:30", day=1).check("09:30", day=1))
            loaded.append(load(place, [later]))
        return as_bytes(*given)

    monkeypatch.setattr(pack_module, "_as_bytes", meanwhile)
    pack(shell, tmp_path / "pack", "--with-pages")
    assert shell.code == 0, shell.err
    assert loaded[0].files[0].readings > 0
    one, other = (
        {path.relative_to(root): path.read_bytes() for path in root.rglob("*") if path.is_file()}
        for root in (tmp_path / "before", tmp_path / "pack")
    )
    assert one == other


def test_the_description_names_every_column_of_every_table(shell: Shell, tmp_path: Path) -> None:
    pack(shell, tmp_path / "pack")
    package = json.loads((tmp_path / "pack" / "datapackage.json").read_text())
    assert {r["path"] for r in package["resources"]} == {
        f"data/{name}.{form}" for name in PACK_TABLES for form in ("csv", "parquet")
    }
    for resource in package["resources"]:
        data = (tmp_path / "pack" / resource["path"]).read_bytes()
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        names = [field["name"] for field in resource["schema"]["fields"]]
        assert all(field["description"] for field in resource["schema"]["fields"])
        if resource["format"] == "csv":
            rows = list(csv.reader(data.decode().splitlines()))
            assert rows[0] == names
        else:
            frame = pl.read_parquet(tmp_path / "pack" / resource["path"])
            assert frame.columns == names
            assert frame.unique(resource["schema"].get("primaryKey", names)).height == frame.height


def test_the_same_history_gives_the_same_bytes(shell: Shell, tmp_path: Path) -> None:
    one = pack(shell, tmp_path / "one.zip", "--with-raw", "--with-pages")
    other = pack(shell, tmp_path / "other.zip", "--with-raw", "--with-pages")
    assert one["data_sha256"] == other["data_sha256"]
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "other.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.zip") as file:
        names = file.namelist()
        raw = (shell.root / "inbox" / "a.csv").read_bytes()
        assert file.read(f"raw/{hashlib.sha256(raw).hexdigest()}") == raw
    assert sum(name.startswith("pages/lots/") for name in names) == 1


def test_no_cell_becomes_a_formula(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scenario = Scenario()
    scenario.check("08:00")
    scenario.lot("08:30")
    scenario.check("09:30")
    for row in scenario.rows:
        if row.get("lot"):
            row["lot"], row["part"] = "'=1+1", f"+{row['part']}"
    shell = Shell(tmp_path / "works", capsys).make()
    shell.load(shell.put("a.csv", scenario))
    report = pack(shell, tmp_path / "pack")
    assert report["lots"] == ["'=1+1"]
    for path in (tmp_path / "pack" / "data").glob("*.csv"):
        for row in csv.reader(path.read_text(encoding="utf-8").splitlines()):
            for cell in row:
                # a minus sign may only begin a number
                assert not cell.startswith(DANGEROUS) or float(cell) < 0
    with (tmp_path / "pack" / "data" / "lots.csv").open(newline="", encoding="utf-8") as file:
        assert [row["lot"] for row in csv.DictReader(file)] == ["''=1+1"]
    assert pl.read_parquet(tmp_path / "pack" / "data" / "lots.parquet")["lot"].to_list() == ["'=1+1"]


@given(st.text(st.sampled_from("'=+-@\t\r\n＝＋－＠ab1 "), max_size=8) | st.text(max_size=8))
def test_guarding_is_undone_exactly_and_leaves_nothing_dangerous(text: str) -> None:
    frame = pl.DataFrame({"text": [text, HOSTILE]})
    guarded, hostile = guarded_frame(frame)["text"].to_list()
    assert hostile == f"'{HOSTILE}"
    assert not guarded.startswith(DANGEROUS)
    # whoever reads it takes one apostrophe off where one stands before a dangerous sign, and has the text again
    assert guarded == (f"'{text}" if text.lstrip("'").startswith(DANGEROUS) else text)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--lot", "nowhere"), "has no readings"),
        (("--supplier", "nobody"), "No lot of supplier"),
        (("--from", "2031-01-01"), "nothing to pack"),
    ],
)
def test_a_pack_of_nothing_is_refused_in_words(shell: Shell, tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    shell("export", str(tmp_path / "pack"), "--workspace", str(shell.root), *words)
    assert shell.code == 2
    assert said in shell.err
    assert not (tmp_path / "pack").exists()


def test_nothing_is_overwritten_and_a_dry_run_writes_nothing(shell: Shell, tmp_path: Path) -> None:
    (tmp_path / "pack").mkdir()
    shell("export", str(tmp_path / "pack"), "--workspace", str(shell.root))
    assert (shell.code, list((tmp_path / "pack").iterdir())) == (2, [])
    before = sorted(p.name for p in tmp_path.iterdir())
    shell("export", str(tmp_path / "new"), "--workspace", str(shell.root), "--dry-run")
    assert shell.code == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_changed_raw_file_leaves_in_no_pack(shell: Shell, tmp_path: Path) -> None:
    (raw,) = [p for p in (shell.root / "archive").rglob("*") if p.is_file()]
    data = bytearray(raw.read_bytes())
    data[len(data) // 2] ^= 1
    raw.write_bytes(bytes(data))
    shell("export", str(tmp_path / "pack.zip"), "--with-raw", "--workspace", str(shell.root))
    assert shell.code == 6
    assert [p.name for p in tmp_path.iterdir()] == ["works"]
