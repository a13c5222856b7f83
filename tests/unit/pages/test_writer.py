"""Pages are written when their data, look or links changed, in one process or several, with the same bytes."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from sample_pages import index_page, lot_page, meter_page

import reports
from pipeline.pages import writer as written
from pipeline.pages.linked import with_linked
from pipeline.pages.writer import processes, write_pages
from pipeline.workspace.settings import Settings, Workspace

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return Workspace(tmp_path, Settings())


def lots(count: int) -> list[Any]:
    page = lot_page(parts=3)
    return [
        dataclasses.replace(page, result=dataclasses.replace(page.result, lot=f"L-{number}")) for number in range(count)
    ]


def which(found: list[Any]) -> list[str]:
    return [report.id for report in found if report.written]


def test_only_what_changed_is_written_again(workspace: Workspace) -> None:
    pages = lots(3)
    assert which(write_pages(workspace, pages)) == ["L-0", "L-1", "L-2"]
    assert which(write_pages(workspace, pages)) == []
    changed = dataclasses.replace(pages[1], provenance=dataclasses.replace(pages[1].provenance, data_sha256="0" * 64))
    assert which(write_pages(workspace, [pages[0], changed, pages[2]])) == ["L-1"]
    (workspace.pages / reports.address("lot", "L-2")).unlink()
    assert which(write_pages(workspace, [pages[0], changed, pages[2]])) == ["L-2"]
    assert which(write_pages(workspace, pages, always=True)) == ["L-0", "L-1", "L-2"]


def test_a_page_is_written_again_when_what_it_refers_to_appears(workspace: Workspace) -> None:
    lot, meter = lot_page(), meter_page("M1")
    write_pages(workspace, [lot])
    path = workspace.pages / reports.address("lot", lot.result.lot)
    assert "../meters/M1.html" not in path.read_text(encoding="utf-8")
    found = write_pages(workspace, [lot, meter])
    assert which(found) == ["L-1001", "M1", "M1"]  # the last one is the page of its checks
    assert "../meters/M1.html" in path.read_text(encoding="utf-8")
    assert which(write_pages(workspace, [lot])) == []  # the meter's page is still there
    # with the index come the pages of its months and files
    every = ["L-1001", "M1", "M1", "", "2026-03", "UNDATED", "FILES"]
    assert which(write_pages(workspace, [lot, meter, index_page()])) == every


def test_a_page_of_another_look_is_written_again(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    pages = lots(1)
    write_pages(workspace, pages)
    monkeypatch.setattr(reports, "LOOK", "another")
    assert which(write_pages(workspace, pages)) == ["L-0"]


def test_several_processes_write_the_same_bytes_in_the_same_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(written, "_ENOUGH", 4)
    monkeypatch.setattr(written, "_CHUNK", 3)
    pages = [*lots(20), meter_page()]
    one, two = (Workspace(tmp_path / name, Settings()) for name in ("one", "two"))
    seen: list[str] = []
    first = write_pages(one, pages)
    second = write_pages(two, iter(pages), known=[reports.address(p.link.kind, p.link.identifier) for p in with_linked(pages)],
                         processes=2, progress=lambda report: seen.append(report.id))  # fmt: skip
    assert which(first) == which(second) == [page.link.identifier for page in with_linked(pages)]
    assert sorted(seen) == sorted(which(first))
    for report, other in zip(first, second, strict=True):
        assert report.path.read_bytes() == other.path.read_bytes()


def test_others_help_from_the_start_where_many_pages_are_due_and_never_for_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[int] = []

    class Pool:
        """Renders when it is asked for the result, unless that was cancelled; the first of two chunks was begun."""

        def __init__(self, helpers: int, **_: Any) -> None:
            started.append(helpers)
            self.given = 0

        def submit(self, work: Any, *given: Any) -> Any:
            self.given += 1
            begun = self.given % 2 == 1
            return SimpleNamespace(done=lambda: False, cancel=lambda: not begun, result=lambda: work(*given))

        def shutdown(self, **_: Any) -> None:
            pass

    monkeypatch.setattr(written, "ProcessPoolExecutor", Pool)
    monkeypatch.setattr(written, "_CHUNK", 3)
    workspace, pages = Workspace(tmp_path, Settings()), lots(10)
    names = [page.link.identifier for page in pages]
    assert which(write_pages(workspace, pages, processes=2, due=96)) == names
    assert started == []
    assert which(write_pages(workspace, pages, processes=2, due=97, always=True)) == names
    assert started == [1]
    assert which(write_pages(workspace, pages, processes=2, due=97)) == []
    assert which(write_pages(workspace, pages, processes=1, due=97, always=True)) == names
    assert started == [1]


def test_the_settings_say_how_many_processes() -> None:
    assert processes(Settings(page_processes=3)) == 3
    assert 1 <= processes(Settings()) <= 8
