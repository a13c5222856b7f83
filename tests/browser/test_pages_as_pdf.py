"""Every page that a command writes is printed by --pdf and travels alone by --single-file."""

from __future__ import annotations

import csv
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pypdfium2
import pytest
from paper_works import paper_works
from workspace_files import full_workspace

if TYPE_CHECKING:
    from workspace_files import Shell

COMMANDS = {
    "lot": ("lot", "L1"), "meter": ("meter", "M1"), "block": ("block", "B1"), "supplier": ("supplier", "Quarrow Metals"),
    "process": ("process", "bar 20x5"), "review": ("review", "2026-03", "--direct"),
}  # fmt: skip


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory) -> Shell:
    class Silent:
        def readouterr(self) -> tuple[str, str]:
            return "", ""

    return paper_works(tmp_path_factory.mktemp("papers") / "works", Silent())  # type: ignore[arg-type]


@pytest.fixture
def asked(works: Shell, capsys: pytest.CaptureFixture[str]) -> Shell:
    works.capture = capsys
    return works


def text_of(path: str) -> str:
    document = pypdfium2.PdfDocument(path)
    text = "".join(sheet.get_textpage().get_text_range() for sheet in document)
    document.close()
    return text


@pytest.mark.parametrize("name", COMMANDS)
def test_a_page_is_printed_and_travels_alone(asked: Shell, chromium_binary: str, name: str) -> None:
    printed = asked.json(*COMMANDS[name], "--pdf", "--workspace", str(asked.root))["page"]
    assert printed.endswith(".pdf")
    assert "/single/" not in printed
    assert "Page 1 of" in text_of(printed)
    alone = asked.json(*COMMANDS[name], "--single-file", "--workspace", str(asked.root))["page"]
    assert "/single/" in alone
    page = Path(alone).read_text(encoding="utf-8")
    assert 'href="../' not in page
    assert (
        asked.json(*COMMANDS[name], "--pdf", "--single-file", "--dry-run", "--workspace", str(asked.root))["page"]
        is None
    )


def test_an_event_is_printed_and_travels_alone(asked: Shell, chromium_binary: str) -> None:
    (event, *_) = asked.json("trace", "--workspace", str(asked.root))["events"]
    printed = asked.json("trace", "--event", event["event"], "--pdf", "--workspace", str(asked.root))
    assert event["sentence"][:20] in " ".join(text_of(printed["page"]).split())
    assert printed["event"] == event["event"]
    alone = asked.json("trace", "--event", event["event"], "--single-file", "--workspace", str(asked.root))["page"]
    assert "/single/events/" in alone
    # without either nothing is written, as before
    assert "page" not in asked.json("trace", "--event", event["event"], "--workspace", str(asked.root))
    for words in (("--pdf",), ("--meter", "M1", "--single-file")):
        asked("trace", *words, "--workspace", str(asked.root))
        assert asked.code == 2
        assert "--event" in asked.err


def test_a_study_is_printed_and_travels_alone(asked: Shell, chromium_binary: str) -> None:
    plan = (
        "study",
        "plan",
        "G-7",
        "--operators",
        "Ada,Bo",
        "--meters",
        "M1",
        "--parts",
        "5",
        "--repeats",
        "2",
        "--unit",
        "MS/m",
    )
    asked(*plan, "--to", str(asked.root / "plan.csv"))
    rows = list(csv.DictReader((asked.root / "plan.csv").read_text(encoding="utf-8").splitlines()))
    for number, row in enumerate(rows):
        value = 58 + 0.2 * int(row["part"]) + 0.03 * math.sin(37.0 * number)
        at = datetime(2026, 3, 4, 8, tzinfo=UTC) + timedelta(seconds=30 * number)
        row |= {"value": f"{value:.3f}", "temperature_c": "20.0", "measured_at": at.isoformat()}
    with (asked.root / "inbox" / "g7.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    register = "run,kind,material,tolerance,unit\nG-7,crossed,copper,2,MS/m\n"
    (asked.root / "reference" / "studies.csv").write_text(register, encoding="utf-8")
    asked.load(asked.root / "inbox")
    words = ("study", "report", "G-7", "--workspace", str(asked.root))
    assert "Page 1 of" in text_of(asked.json(*words, "--pdf")["page"])
    alone = asked.json(*words, "--single-file")["page"]
    assert "/single/studies/" in alone
    assert 'href="../' not in Path(alone).read_text(encoding="utf-8")


def test_a_kept_page_is_printed_as_it_was_rendered(tmp_path: Path, chromium_binary: str, shell: Shell) -> None:
    full_workspace(tmp_path / "full")
    shell("render", "--direct", "--workspace", str(tmp_path / "full"))
    for words in (("block", "B1"), ("supplier", "Q"), ("process", "bar")):
        printed = shell.json(*words, "--pdf", "--workspace", str(tmp_path / "full"))["page"]
        assert Path(printed).with_suffix(".html").is_file()
        assert "Page 1 of" in text_of(printed)
