"""What has to be judged anew for somebody who only looks is judged some lots at a time, in a folder that goes with the answer."""

from __future__ import annotations

import gc
import tempfile
from typing import TYPE_CHECKING

import pytest
from watching import day
from workspace_files import loaded_once

from pipeline.history.found import found_path
from pipeline.history.store import History
from pipeline.judge import carried_lots
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import anew, everything
from pipeline.workspace.settings import find_workspace
from schemas.documents import as_json

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace


@pytest.fixture(autouse=True)
def one_lot_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(carried_lots, "LOTS_AT_ONCE", 1)


@pytest.fixture
def place(shell: Shell) -> Workspace:
    place = find_workspace(shell.become(loaded_once({f"{number}.csv": day(number) for number in (0, 1, 2)})).root)
    found_path(place.history).unlink()
    return place


def said(found: Assessment) -> list[object]:
    return [as_json(dict(getattr(found, name))) for name in ("lots", "meters", "events")]


def test_it_says_what_follows_from_nothing_and_leaves_nothing_behind(
    place: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    there = set(tmp_path.iterdir())
    with History.open(place.history) as history:
        found = everything(history, place.settings, as_of=None)
        wanted = assess(history, place.settings, as_of=None)
    assert found.kept is not None
    assert found.kept.aside
    assert found.kept.judged == frozenset(wanted.lots)
    assert said(found) == said(wanted), "also once the history was closed"
    assert found.spot_values.height == wanted.spot_values.height > 0
    assert len(set(tmp_path.iterdir()) - there) == 1
    assert not found_path(place.history).exists(), "who only looks writes nothing beside the history"
    del found
    gc.collect()
    assert set(tmp_path.iterdir()) == there


def test_what_is_asked_to_be_judged_anew_takes_nothing_from_what_is_kept(shell: Shell) -> None:
    place = find_workspace(shell.become(loaded_once({f"{number}.csv": day(number) for number in (0, 1, 2)})).root)
    with History.open(place.history) as history:
        kept, found = everything(history, place.settings, as_of=None), anew(history, place.settings, as_of=None)
        assert kept.kept is not None
        assert found.kept is not None
        assert (kept.kept.aside, found.kept.aside) == (False, True)
        assert (len(kept.kept.judged), found.kept.judged) == (0, frozenset(kept.lots))
        assert said(found) == said(kept)


def test_where_no_folder_can_be_made_everything_is_judged_at_once(
    place: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "not there"))
    with History.open(place.history) as history:
        found = everything(history, place.settings, as_of=None)
        assert found.kept is None
        assert said(found) == said(assess(history, place.settings, as_of=None))


@pytest.mark.parametrize(("at_once", "aside"), [(1, True), (2, False)])
def test_no_more_lots_than_are_judged_at_once_are_judged_from_nothing(
    place: Workspace, at_once: int, aside: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(carried_lots, "LOTS_AT_ONCE", at_once)
    with History.open(place.history) as history:
        found = everything(history, place.settings, as_of=None)
        assert len(found.lots) == 2
        assert (found.kept is not None) is aside
