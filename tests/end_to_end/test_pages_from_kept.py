"""The page of a lot or meter made from kept results is the page made by judging everything from nothing."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from scenario import REFERENCE, Scenario, at
from workspace_files import neutral_csv

import reports
from pipeline.cli import run
from pipeline.decisions.record import record_action
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on
from pipeline.judge.findings import keep_findings
from pipeline.kept.answers import answer_of
from pipeline.kept.snapshot import publish_snapshot, published_status
from pipeline.load.load import load
from pipeline.load.touched import assess_touched
from pipeline.pages import laid_aside
from pipeline.pages.board import board_pages
from pipeline.pages.linked import linked_pages
from pipeline.pages.lots_and_meters import index_page, lot_pages, meter_pages
from pipeline.pages.render import render
from pipeline.questions.lot_detail.detail import earlier_lots
from pipeline.workspace.settings import find_workspace
from schemas.documents import as_json, from_json
from schemas.results import LotResult, MeterResult

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

TABLES = {
    **REFERENCE,
    "sensors": "sensor,correction_c,expanded_uncertainty_c,coverage_factor\nT1,0.1,0.2,2\n",
    "lots": "lot,product,material,specification,supplier\n"
    + "".join(f"L{n},bar,copper,S,{'Q' if n % 3 else 'R'}\n" for n in range(1, 9)),
}


def days() -> Scenario:
    """Two meters, eight lots, one read by both; a failed check, a setting, a lot that still waits for its closing check."""
    found = Scenario()
    for day in range(8):
        found.check("08:00", day=day).check("08:02", block="B2", day=day)
        found.lot("09:00", day=day, lot=f"L{day + 1}")
        found.check("10:00", 0.9 if day == 3 else 0.0, day=day)
        found.check("08:00", day=day, meter="M2")
        if day % 2:
            found.lot("08:30", 58.4, 58.7, day=day, lot=f"L{day + 1}", meter="M2")
        found.check("09:30", day=day, meter="M2")
    found.reading(at("06:00", 4), 58.0, role="setting", block="B1")
    return found.lot("12:00", 58.5, 58.4, day=7, lot="L1")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("made") / "works"
    assert run(["init", str(root)]) == 0
    for name, text in TABLES.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "inbox" / "0.csv").write_text(neutral_csv(days()), encoding="utf-8")
    load(find_workspace(root), [root / "inbox" / "0.csv"])
    record_action(find_workspace(root), "M1", at("09:58", 3), kind="cleaned", by="Ada", why="oil on block B1")
    assess_touched(find_workspace(root), [], now=datetime.now(UTC), refresh=True)
    return root


@pytest.fixture
def works(shell: Shell, made: Path) -> Shell:
    shutil.copytree(made, shell.root, dirs_exist_ok=True)
    return shell


def compare(place: Workspace) -> Assessment:
    """Compare the page of every lot and meter; return what is kept."""
    with History.open(place.history, snapshot=False) as history:
        found, sources = assess(history, place.settings, as_of=None), history.sources()
        kept = carried_on(history, place.settings)
        assert kept is not None
        assert kept.kept is not None
        assert not kept.kept.judged
        for names, pages in ((found.lots, lot_pages), (found.meters, meter_pages)):
            show: Any = pages
            for name in names:
                (expected,) = show(place, found, sources, [name])
                (page,) = show(place, kept, sources, [name])
                assert page.provenance.data_sha256 == expected.provenance.data_sha256, name
                assert page.answer == expected.answer, name
        anew, carried = (index_page(place, one, history, sources) for one in (found, kept))
        for expected, page in zip((anew, *linked_pages(anew)), (carried, *linked_pages(carried)), strict=True):
            assert page.provenance.data_sha256 == expected.provenance.data_sha256, page.link
        (board,), (shown,) = (board_pages(place, one, history, sources) for one in (found, kept))
        assert shown.provenance.data_sha256 == board.provenance.data_sha256
        assert reports.render(shown) == reports.render(board)
    return kept


def test_every_lot_and_meter(works: Shell) -> None:
    found = compare(find_workspace(works.root))
    assert (len(found.lots), len(found.meters)) == (8, 2)


@pytest.mark.parametrize("held", [3, 4])
def test_the_board_names_the_most_urgent_lots_and_counts_the_others(works: Shell, held: int) -> None:
    """One lot is rejected and read first of all; others are read later and never checked; L1 waits since before."""
    place = find_workspace(works.root)
    more = Scenario().check("07:00", day=20).lot("07:10", 40.0, 40.1, 39.9, day=20, lot="L7").check("07:20", day=20)
    for n in range(held):
        more.lot("18:00", 58.5, 58.4, day=20 + n, lot=f"L{n + 2}")
    load(place, [works.put("more.csv", more)])
    found = compare(place)
    stopped = [lot for lot in found.lots.values() if lot.verdict in ("hold", "reject")]
    assert [lot.lot for lot in stopped if lot.verdict == "reject"] == ["L7"]
    with History.open(place.history) as history:
        (board,) = board_pages(place, found.ask(history), history, history.sources())
    latest = sorted(f"L{n + 2}" for n in range(held))[::-1]
    assert [lot.lot for lot in board.waiting] == ["L7", *latest, "L1"][:5]
    assert len(board.waiting) + board.more_waiting == len(stopped) == held + 2
    assert f"{held + 2} lots wait" in board.link.sentence
    text = reports.render(board)
    assert ("and 1 more" in text) == (held == 4)


@pytest.mark.parametrize("piece", [8, 3])
def test_a_load_while_pages_are_written_ends_no_rendering(
    works: Shell, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What pages and answers say is fetched while the history stands still; the answers then hold for it no more."""
    monkeypatch.setattr(laid_aside, "_PIECE", piece)
    place, loads = find_workspace(works.root), []

    def meanwhile(*_: object) -> None:
        if not loads:
            more = Scenario().check("08:00", day=9).lot("09:00", day=9, lot="L2").check("10:00", day=9)
            loads.append(load(place, [works.put("more.csv", more)]))

    pages, found = render(place, progress=meanwhile)
    assert loads[0].files[0].readings > 0
    assert {report.kind for report in pages} >= {"lot", "meter", "index"}
    assert found.kept is not None
    assert all(report.path.is_file() for report in pages)
    assert answer_of(place, "lot", "L2") is None


@pytest.mark.parametrize(("piece", "held"), [(8, [8]), (7, [7, 1]), (3, [3, 3, 2])])
def test_rows_of_many_lots_are_laid_aside(
    works: Shell, piece: int, held: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No more lots than a piece are at hand at once, nothing is left on the disk, and the pages say the same."""
    place = find_workspace(works.root)
    with History.open(place.history, snapshot=False) as history:
        found, sources = carried_on(history, place.settings), history.sources()
        assert found is not None
        expected = [page.provenance.data_sha256 for page in lot_pages(place, found, sources)]
        monkeypatch.setattr(laid_aside, "_PIECE", piece)
        behind = earlier_lots(found.lots_at_a_glance(), sorted(found.lots))
        rows = [part.part_values["lot"].n_unique() for _, part in laid_aside.in_pieces(place, found, behind)]
        lying = sorted(place.history.parent.iterdir())
        pages = lot_pages(place, found.held(), sources)
        assert sorted(place.history.parent.iterdir()) == lying
    assert rows == held
    assert [page.provenance.data_sha256 for page in pages] == expected


@pytest.mark.parametrize("piece", [8, 3])
def test_rows_that_are_damaged_are_judged_from_nothing_once(
    works: Shell, piece: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = find_workspace(works.root)
    monkeypatch.setattr(laid_aside, "_PIECE", piece)
    with History.open(place.history, snapshot=False) as history:
        found, sources = carried_on(history, place.settings), history.sources()
        assert found is not None
        expected = [page.provenance.data_sha256 for page in lot_pages(place, found, sources)]
        for file in (place.history.parent / "found").glob("*.parquet"):
            file.write_bytes(file.read_bytes()[:-1])
        behind = earlier_lots(found.lots_at_a_glance(), sorted(found.lots))
        assert len(list(laid_aside.in_pieces(place, found, behind))) == 1
        assert [page.provenance.data_sha256 for page in lot_pages(place, found, sources)] == expected


def test_a_contradicting_export_is_not_overlooked(works: Shell) -> None:
    """One reading of L2 stands in L3 in the other export: both are held, whichever is asked for."""
    rows = [row for row in days().rows if row.get("lot") == "L2"][:1]
    again = Scenario()
    again.rows = [{**rows[0], "lot": "L3", "value": 58.9}]
    load(find_workspace(works.root), [works.put("again.csv", again)])
    found = compare(find_workspace(works.root))
    for name in ("L2", "L3"):
        assert any("contradict" in reason for reason in found.lots[name].reasons)


def test_a_relative_reading_is_not_overlooked(works: Shell) -> None:
    place = find_workspace(works.root)
    late = Scenario().reading(at("08:30", 8), 58.4, lot="L5", part="1", spot="1", temperature_state="relative")
    load(place, [works.put("late.csv", late)])
    readings = compare(place).at_hand(["L5"]).readings
    assert (readings["temperature_state"] == "relative").sum() == 1


def test_a_block_reading_that_names_a_lot_is_counted_once(works: Shell) -> None:
    place = find_workspace(works.root)
    named = Scenario().check("08:00", day=8, lot="L2").lot("09:00", day=8, lot="L2").check("10:00", day=8, lot="L2")
    load(place, [works.put("named.csv", named)])
    compare(place)


def test_another_program_computes_again(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """What an older program found is neither shown nor published again."""
    place = find_workspace(works.root)
    made = publish_snapshot(place)
    assert published_status(place) is not None
    monkeypatch.setattr("pipeline.kept.snapshot.program", lambda: "another")
    monkeypatch.setattr("pipeline.judge.kept_rows.program", lambda: "another")
    with History.open(place.history, snapshot=False) as history:
        assert carried_on(history, place.settings) is None
    assert published_status(place) is None
    again = publish_snapshot(place)
    assert again.folder != made.folder


def test_what_verify_finds_before_the_publication_is_published(works: Shell) -> None:
    place = find_workspace(works.root)
    with History.open(place.history) as history:
        before = assess(history, place.settings, as_of=None)
    keep_findings(place.history, {}, ["a file was changed."])
    publish_snapshot(place, before)
    assert works.json("lot", "L1")["verdict"] == "not_assessed"
    assert works.json("meter", "M1")["state"] == "not_assessed"
    assert works.json("status")["lots"]["accept"] == 0


def test_the_commands_do_not_assess_the_whole(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = {name: works.json("lot", name, "--as-of", "2026-03-09T20:00")["verdict"] for name in ("L1", "L2")}
    table = works.root / "reference" / "suppliers.csv"
    table.write_text("supplier\nQ\nR\n", encoding="utf-8")

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("computed")

    monkeypatch.setattr("pipeline.judge.assess.assess", refuse)
    assert {name: works.json("lot", name)["verdict"] for name in ("L1", "L2")} == expected
    assert "reference/suppliers.csv was changed since the last load" in works.err
    assert works.json("meter", "M1")["checks"] == 24


def test_results_come_back_from_json(works: Shell) -> None:
    place = find_workspace(works.root)
    with History.open(place.history) as history:
        found = assess(history, place.settings, as_of=None)
    for result in found.lots.values():
        assert from_json(LotResult, as_json(result)) == result
    for meter in found.meters.values():
        assert from_json(MeterResult, as_json(meter)) == meter
    assert found.meters["M1"].last_run_at is not None
    assert found.meters["M1"].last_run_at.utcoffset() == timedelta(0)
