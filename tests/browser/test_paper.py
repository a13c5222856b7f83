"""PDFs of pages: page numbers, id and hash on every sheet, the paper asked for; pages that travel alone."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import pytest
from scenario import Scenario
from workspace_files import loaded_once, neutral_csv

from pipeline.pages import pdf

if TYPE_CHECKING:
    from workspace_files import Shell


@pytest.fixture
def works(shell: Shell) -> Shell:
    return shell.become(loaded_once({"a.csv": Scenario().check("08:00").lot("09:00").check("10:00")}))


def sheets(path: Path) -> list[tuple[tuple[float, float], str]]:
    """Return size in points and text of each sheet."""
    import pypdfium2

    document = pypdfium2.PdfDocument(path)
    found = [(sheet.get_size(), sheet.get_textpage().get_text_range()) for sheet in document]
    document.close()
    return found


def test_each_sheet_carries_number_lot_and_hash(works: Shell, chromium_binary: str) -> None:
    document = works.json("lot", "L1", "--pdf")
    path = Path(document["page"])
    assert path.suffix == ".pdf"
    page = path.with_suffix(".html").read_text(encoding="utf-8")
    data = re.search(r"Hash of the data \(SHA-256\)</dt><dd>([0-9a-f]{64})", page)
    assert data is not None
    found = sheets(path)
    assert len(found) >= 2
    for number, (size, text) in enumerate(found, start=1):
        assert size == pytest.approx((595.3, 841.9), abs=1)
        assert f"Lot report L1, data {data[1][:16]}" in text
        assert f"Page {number} of {len(found)}" in text


def test_a_table_repeats_its_head_on_the_next_sheet(works: Shell, chromium_binary: str) -> None:
    scenario = Scenario().check("08:00").lot("09:00", *[58.5] * 320, lot="L2").check("10:00")
    (works.root / "inbox" / "b.csv").write_text(neutral_csv(scenario), encoding="utf-8")
    works("load", "inbox/b.csv", "--direct")
    lot = Path(works.json("lot", "L2")["page"])
    # so many readings stand on a page of their own
    printed = works.json("print", str(lot.parents[1] / "readings" / lot.name))
    found = sheets(Path(printed["pdf"][0]))
    reading = [text for _, text in found if re.search(r"F\d+, line \d+", text)]
    assert len(reading) >= 2
    assert all("File and line" in text for text in reading)


def test_paper_is_a_choice(works: Shell, chromium_binary: str) -> None:
    path = works.json("lot", "L1")["page"]
    printed = works.json("print", path, "--paper", "Letter")
    assert {size for size, _ in sheets(Path(printed["pdf"][0]))} == {(612.0, 792.0)}
    works("print", path, "--paper", "Foolscap")
    assert works.code == 2
    assert "A4, Letter" in works.err


class Press:
    """Stands for the browser where what matters is which pages it is given: dozens of them, and each kind is printed elsewhere."""

    def __init__(self, binary: str) -> None: ...

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None: ...

    def pdf(self, page: Path, *_: float, **__: Any) -> bytes:
        return b"%PDF-1.4 of " + page.name.encode()


def test_all_pages_are_printed_once_and_again_only_when_written_again(
    works: Shell, chromium_binary: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf, "_Browser", Press)
    first = works.json("render", "--direct", "--pdf")
    assert {Path(path).with_suffix(".html") for path in first["pdf"]} == {Path(page["path"]) for page in first["pages"]}
    assert works.json("render", "--direct", "--pdf")["pdf"] == []


@pytest.mark.parametrize("words", [("lot", "L1", "--pdf"), ("render", "--direct", "--pdf")])
def test_a_machine_without_chromium_says_what_to_do(
    works: Shell, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.setattr(pdf, "_NAMES", ("no-such-browser",))
    works(*words)
    assert works.code == 7
    assert "apt-get install chromium" in works.err
    assert "Traceback" not in works.err


def test_a_browser_that_says_nothing_is_named(works: Shell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mute = tmp_path / "mute"
    mute.write_text("#!/bin/sh\nexit 3\n", encoding="utf-8")
    mute.chmod(0o755)
    monkeypatch.setattr(pdf, "find_browser", lambda: str(mute))
    works("lot", "L1", "--pdf")
    assert works.code == 7
    assert "Chromium" in works.err


def test_a_page_that_travels_alone_opens_anywhere_and_leads_nowhere(works: Shell, visit: Any, tmp_path: Path) -> None:
    alone = Path(works.json("lot", "L1", "--single-file")["page"])
    assert alone.parent.parent.name == "single"
    moved = tmp_path / "mail.html"
    moved.write_bytes(alone.read_bytes())
    opened = visit(moved)
    links = opened.page.locator("a[href]").evaluate_all("(found) => found.map((a) => a.getAttribute('href'))")
    assert links
    assert all(link.startswith("#") for link in links)
    assert opened.page.locator(".tools").count() > 0
    assert (opened.complaints, opened.outside) == ([], [])
    found = works.json("render", "--direct", "--single-file")
    assert all("/single/" in page["path"] for page in found["pages"])
