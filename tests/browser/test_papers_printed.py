"""Test reports on paper: one sheet of either size, also with all that can stand on one, nothing below 8 pt, nothing lost."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import pypdfium2
import pytest
from paper_works import paper_works

import reports
from pipeline.history.store import History
from pipeline.pages.pdf import print_pages
from pipeline.questions.reports_issued import paper_of

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

    from schemas.papers import PaperPage

LONG = "Σ" * 9_000 + "=1+1<b>"


@pytest.fixture
def works(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    return paper_works(tmp_path / "works", capsys)


def sheets(path: Path) -> list[tuple[tuple[float, float], str]]:
    document = pypdfium2.PdfDocument(path)
    found = [(sheet.get_size(), sheet.get_textpage().get_text_range()) for sheet in document]
    document.close()
    return found


def usual(page: PaperPage) -> PaperPage:
    """Return a report on as many lots as one can hold, with usual names."""
    report = page.report
    lots = tuple(dataclasses.replace(report.lots[0], lot=f"L-2026-{place:04d}") for place in range(5))
    return dataclasses.replace(page, report=dataclasses.replace(report, lots=lots, earlier=("2026-0001", "2026-0002")))


def fullest(page: PaperPage) -> PaperPage:
    """Return a report with as many lots, rows and long names as one can have, all of them hostile."""
    report = page.report
    (lot,), (block, *_) = report.lots, report.blocks
    names = dict.fromkeys(("product", "material", "heat", "purchase_order"), LONG)
    read = tuple(
        dataclasses.replace(lot.read[0], meter=LONG, probes=(LONG,), frequencies_khz=(60.0,)) for _ in range(9)
    )
    lots = tuple(
        dataclasses.replace(
            lot, **{**names, "lot": f"{place}" * 40}, said=(LONG,) * 9, decided=(LONG,) * 9, read=read, left_out=12,
            corrections=("thickness", "curvature", "stacked", "coating"), bias_taken_off=True, temperature_models=(LONG,) * 3,
        )
        for place in range(5)
    )  # fmt: skip
    told = dict.fromkeys(("works", "address", "customer", "specification", "source", "by"), LONG)
    blocks = tuple(dataclasses.replace(block, block=LONG, certificate=LONG) for _ in range(30))
    earlier = tuple(f"2026-{number:04d}" for number in range(1, 30))
    full = dataclasses.replace(report, **told, lots=lots, blocks=blocks, earlier=earlier)
    return dataclasses.replace(page, report=full)


@pytest.mark.parametrize(("paper", "size"), [("A4", (595.3, 841.9)), ("Letter", (612.0, 792.0))])
def test_a_report_is_one_sheet_also_with_all_that_fits_on_one(
    works: Shell, tmp_path: Path, chromium_binary: str, paper: str, size: tuple[float, float]
) -> None:
    report = works.json("test-report", "L1", "--by", "Ada", "--workspace", str(works.root))
    with History.open(works.root / "history" / "annealog.duckdb") as history:
        page = paper_of(history.events("report")[0])
    cases = {"plain": page, "full": usual(page), "longest": fullest(page)}
    for name, case in cases.items():
        (tmp_path / f"{name}.html").write_text(reports.render(case), encoding="utf-8")
    # what is written with usual names fits as it is, so that nobody needs to print it smaller
    whole = print_pages([tmp_path / "plain.html", tmp_path / "full.html"], paper)
    for path in (*whole, *print_pages([tmp_path / "longest.html"], paper, one_sheet=True)):
        ((found, text),) = sheets(path)
        assert found == pytest.approx(size, abs=1)
        assert "Page 1 of 1" in text
        assert f"Test report {report['number']}" in text
        # what stands last on the sheet is on it
        assert f"annealog verify --report {report['sha256'][:16]}" in " ".join(text.split())
        assert "Signature" in text


def test_the_command_prints_one_sheet_with_the_numbers_of_the_record(works: Shell, chromium_binary: str) -> None:
    report = works.json("test-report", "L1", "L2", "--by", "A. Ranta", "--pdf", "--workspace", str(works.root))
    assert report["page"].endswith(f"papers/{report['number']}.pdf")
    ((_, text),) = sheets(report["page"])
    for lot in report["lots"]:
        assert f"{lot['mean']:.2f} ± {lot['expanded_uncertainty']:.2f} MS/m" in text
        assert f"{lot['lowest']:.2f} to {lot['highest']:.2f}" in text
    assert "For the works: A. Ranta" in text


@pytest.mark.parametrize("width", [1400, 800, 390])
def test_a_report_opens_without_network_script_or_overflow(works: Shell, visit: Any, width: int) -> None:
    page = works.json("test-report", "L1", "L2", "--by", "Ada", "--workspace", str(works.root))["page"]
    from pathlib import Path

    opened = visit(Path(page), width=width)
    assert (opened.complaints, opened.outside) == ([], [])
    assert opened.page.locator("script").count() == 0
    assert opened.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_nothing_on_the_sheet_is_smaller_than_8_pt(works: Shell, visit: Any) -> None:
    from pathlib import Path

    opened = visit(Path(works.json("test-report", "L1", "--by", "Ada", "--workspace", str(works.root))["page"]))
    opened.page.emulate_media(media="print")
    smallest = opened.page.evaluate(
        "Math.min(...[...document.querySelectorAll('main *')].filter(e => [...e.childNodes].some(n => n.nodeType === 3 && "
        "n.data.trim()) && !e.closest('svg')).map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    assert smallest * 72 / 96 >= 8
