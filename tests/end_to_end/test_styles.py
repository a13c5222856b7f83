"""Invented exports of many styles through the command line: suggested, checked, loaded, and the same as their neutral forms."""

from __future__ import annotations

import sys
import tomllib
from typing import TYPE_CHECKING, Any

import polars as pl
from intake_checks import FIXTURES

from pipeline.history.store import History
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    import pytest
    from workspace_files import Shell

EXPORTS = FIXTURES / "exports"
STYLES: dict[str, dict[str, Any]] = tomllib.loads((EXPORTS / "styles.toml").read_text(encoding="utf-8"))
BLOCKS = (
    "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate\n"
    "BL-A1,aluminium,33.5,MS/m,0.2,2,C-1\nBL-C1,copper,58.0,%IACS,0.2,2,C-2\n"
)
STUDIES = "run,kind\nGRR-3,crossed\n"


def stored(shell: Shell, paths: list[Path]) -> list[str]:
    """What the history holds after the files were loaded, one text a reading, without where it stood."""
    report = shell.load(*paths)
    assert {one["status"] for one in report["files"]} == {"loaded"}, report["files"]
    assert all(not one["quarantine_reasons"] for one in report["files"]), report["files"]
    with History.open(find_workspace(shell.root).history) as history:
        parts = [history.readings_of(number) for number in history.sources()["source_id"]]
    own = {"source_id", "line", "replicate", "conflict", "occurrence", "reading_id"}
    rows = pl.concat(parts, how="diagonal_relaxed").with_columns(pl.col(pl.Float64).round_sig_figs(12)).to_dicts()
    return sorted(str(sorted((k, str(v)) for k, v in row.items() if k not in own and v is not None)) for row in rows)


def test_every_style_is_suggested_checked_and_loaded_as_its_neutral_form(
    shell: Shell, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from workspace_files import Shell as Other

    shell.make(blocks=BLOCKS, studies=STUDIES)
    (shell.root / "annealog.toml").write_text('time_zone = "Europe/Oslo"\n', encoding="utf-8")
    paths = []
    for style, one in STYLES.items():
        path = shell.put(one["file"], (EXPORTS / one["file"]).read_bytes())
        words = [word for key, value in one["answers"].items() for word in ("--answer", f"{key}={value}")]
        target = shell.root / "layouts" / f"{style}.toml"
        shell("layout", "suggest", str(path), *words, "--to", str(target))
        assert shell.code == 0
        paths.append(path)
    for path in paths:
        check = shell.json("layout", "check", str(path))
        assert (shell.code, check["held"], check["quarantine"]) == (0, None, []), path
    neutral = Other(tmp_path / "neutral", capsys).make(blocks=BLOCKS, studies=STUDIES)
    others = [neutral.put(f"{style}.csv", (EXPORTS / "neutral" / f"{style}.csv").read_bytes()) for style in STYLES]
    found, wanted = stored(shell, paths), stored(neutral, others)
    assert sorted({*found} ^ {*wanted}) == []
    assert found == wanted


def test_without_a_terminal_the_command_that_answers_is_printed(shell: Shell) -> None:
    shell.make(blocks=BLOCKS)
    path = shell.put("seconds.csv", (EXPORTS / "seconds.csv").read_bytes())
    said = shell("layout", "suggest", str(path), "--ask")
    assert "OPEN: role: What are the readings" in said
    line = next(one for one in said.split("\n") if one.startswith("Answer (nothing is ever assumed): "))
    assert line.endswith(f"annealog layout suggest {path} --answer role=... --answer temperature_state=...")
    words = ("--answer", "role=part", "--answer", "temperature_state=at_metal")
    said = shell("layout", "suggest", str(path), *words)
    assert "Tried on the whole file: 3 readings; lines: header 1, accepted 3" in said
    assert f"Keep it: annealog layout suggest {path} --answer role=part" in said
    assert "--to layouts/seconds.toml" in said


def test_with_a_terminal_what_is_open_is_asked_one_by_one(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    import typer

    shell.make(blocks=BLOCKS)
    path = shell.put("seconds.csv", (EXPORTS / "seconds.csv").read_bytes())
    asked: list[str] = []

    def answer(text: str) -> str:
        asked.append(text)
        return "part" if "readings" in text else "at_metal"

    monkeypatch.setattr(typer, "prompt", answer)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    target = shell.root / "layouts" / "seconds.toml"
    said = shell("layout", "suggest", str(path), "--ask", "--to", str(target))
    assert len(asked) == 2
    assert asked[0].endswith("[block | part | setting]")
    assert "Nothing is open and no line is lost." in said
    assert shell.load(path)["files"][0]["readings"] == 3


def test_lines_that_would_be_lost_are_named(shell: Shell) -> None:
    shell.make()  # no block of this file is in the register
    path = shell.put("pagine.csv", (EXPORTS / "pagine.csv").read_bytes())
    words = [word for key, value in STYLES["pagine"]["answers"].items() for word in ("--answer", f"{key}={value}")]
    found = shell.json("layout", "suggest", str(path), *words)
    assert not found["complete"]
    assert [line.partition(":")[0] for line in found["lost"]] == ["line 3", "line 8"]
    assert "Enter the block in reference/blocks.csv" in found["lost"][0]


def test_an_unfinished_layout_stands_in_no_other_files_way(shell: Shell) -> None:
    shell.make(blocks=BLOCKS)
    good = shell.put("seconds.csv", (EXPORTS / "seconds.csv").read_bytes())
    words = ("--answer", "role=part", "--answer", "temperature_state=at_metal")
    shell("layout", "suggest", str(good), *words, "--to", str(shell.root / "layouts" / "seconds.toml"))
    open_one = shell.put("apostrophes.csv", (EXPORTS / "apostrophes.csv").read_bytes())
    shell("layout", "suggest", str(open_one), "--to", str(shell.root / "layouts" / "apostrophes.toml"))
    report = shell.load(good, open_one)
    files = {one["name"].rpartition("/")[2]: one for one in report["files"]}
    assert files["seconds.csv"]["status"] == "loaded"
    assert files["apostrophes.csv"]["status"] == "held"
    unusable = [text for text in files["apostrophes.csv"]["details"] if text.startswith("not usable: layouts/apo")]
    assert [one for one in unusable if "key zone: found 'OPEN'" in one]
    assert [one for one in unusable if "key constants.meter: found 'OPEN'" in one]
    shell("load", "--direct", "--layout", "apostrophes", str(open_one))
    assert shell.code == 2
    shell("config", "check")
    assert shell.code == 2
