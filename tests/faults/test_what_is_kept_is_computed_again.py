"""Somebody who forges an answer or a snapshot together with the note that vouches for it: `verify` computes it again."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from scenario import Scenario
from workspace_files import loaded_once

from pipeline.custody import recompute
from pipeline.history.snapshot import Snapshot
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.kept.answers import answer_of
from pipeline.kept.snapshot import publish_snapshot
from pipeline.workspace.files import sha256_of
from pipeline.workspace.settings import Workspace, find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell


@pytest.fixture
def works(shell: Shell) -> Shell:
    """Return a workspace of one lot that is accepted and one that is rejected, rendered."""
    told = Scenario().check("08:00").lot("09:00").lot("09:10", 56.0, 56.1, 56.2, lot="L2").check("10:00")
    shell.become(loaded_once({"a.csv": told}, ("render", "--direct")))
    assert shell.json("lot", "L2")["verdict"] == "reject"
    return shell


def forge_answer(place: Workspace, lot: str) -> None:
    """Make the kept answer on a lot an acceptance, and let the chain vouch for it."""
    folder = place.pages / ".answers"
    mark = json.loads((folder / "mark.json").read_bytes())
    for path in folder.glob("*.json"):
        kept = json.loads(path.read_bytes())
        if path.name != "mark.json" and kept["document"].get("lot") == lot:
            kept["document"]["verdict"] = "accept"
            data = json.dumps(kept).encode()
            path.write_bytes(data)
            mark["answers"][path.name] = sha256_of(data)
    data = json.dumps(mark).encode()
    with History.open(place.history, snapshot=False) as history:
        history.note("kept", {"answers": sha256_of(data)})
    (folder / "mark.json").write_bytes(data)


def test_what_nobody_forged_agrees(works: Shell) -> None:
    publish_snapshot(find_workspace(works.root))
    for words in ((), ("--all",)):
        works("verify", *words)
        assert (works.code, "all agree" in works.out) == (0, True), works.out
    assert answer_of(find_workspace(works.root), "lot", "L2") is not None
    assert Snapshot.up_to_date(find_workspace(works.root).history) is not None


@pytest.mark.parametrize("words", [(), ("--all",)])
def test_a_forged_answer_is_found_and_believed_no_more(works: Shell, words: tuple[str, ...]) -> None:
    place = find_workspace(works.root)
    forge_answer(place, "L2")
    assert works.json("lot", "L2")["verdict"] == "accept"  # what the chain vouches for is believed until verify looks
    works("verify", *words)
    assert works.code == 6
    assert "The answer kept on lot L2 is not what follows from the record" in works.out.replace("\n", " ")
    assert "lot L1" not in works.out
    assert works.json("lot", "L2")["verdict"] == "reject"
    works("verify")
    assert works.code == 0, works.out


def test_a_sample_may_miss_what_all_finds(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recompute, "SAMPLE", 0)
    forge_answer(find_workspace(works.root), "L2")
    works("verify")
    assert works.code == 0
    works("verify", "--all")
    assert works.code == 6


def test_a_forged_snapshot_is_found_and_taken_away(works: Shell) -> None:
    place = find_workspace(works.root)
    with History.open(place.history, snapshot=False) as history:
        found = assess(history, place.settings, as_of=None)
    forged = replace(found, lots={name: replace(lot, verdict="accept") for name, lot in found.lots.items()})
    moment = found.as_of + timedelta(minutes=1)
    publish_snapshot(place, forged, now=moment)
    assert Snapshot.up_to_date(place.history) is not None
    works("verify")
    assert works.code == 6
    said = works.out.replace("\n", " ")
    assert "The state of meters and lots in the snapshot is not what follows from the record" in said
    assert Snapshot.up_to_date(place.history) is None
    works("status")
    assert "REJECT" in works.out
