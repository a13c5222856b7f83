"""Who signed what from where: stated by the event, shown by trace and verify, held against the accounts of that time."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from visiting import PASSWORD, Person, application, cheap_passwords, people
from workspace_files import Shell, full_workspace

from pipeline.custody.verify import verify
from pipeline.decisions.accounts import change_account
from pipeline.decisions.record import record_action
from pipeline.history.chain import Signature, signed
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cheap_passwords(monkeypatch)
    root = full_workspace(tmp_path / "works")
    people(root)
    return root


def act(root: Path, **given: Any) -> None:
    """Record an action with a signature as given, behind the back of the application."""
    stated = {
        "account": "Cia Ek",
        "role": "technician",
        "address": "10.0.0.7",
        "how": "password at the moment of signing",
        "seen": 10**6,
        "stated_by": 10**6,
    }
    signature = Signature(**{**stated, **given})
    with signed(signature):
        record_action(find_workspace(root), "M1", by=signature.account, why="a test")


def test_what_was_signed_is_told_with_name_role_and_address(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Person(application(root)).sign_in("Ben Moor").decide("lot", lot="L1", decision="sorted", why="two tempers")
    act(root)
    change_account(find_workspace(root), "Cia Ek", password=None, by="Eve", why="left")  # what was signed stays signed
    report = verify(find_workspace(root))
    assert report.problems == ()
    assert "Signed by Ben Moor, metrologist, from 127.0.0.1: 1 event." in report.notes
    assert "Signed by Cia Ek, technician, from 10.0.0.7: 1 event." in report.notes
    shell = Shell(root, capsys)
    told = shell("lot", "L1", "--dry-run", "--workspace", str(root))
    assert (
        "decided: sorted by Ben Moor (signed: metrologist, from 127.0.0.1, password at the moment of signing): two tempers"
        in told
    )
    document = shell.json("lot", "L1", "--dry-run", "--workspace", str(root))
    assert document["dispositions"][0]["signed"] == "metrologist, from 127.0.0.1, password at the moment of signing"
    assert PASSWORD not in json.dumps(document)


@pytest.mark.parametrize(
    "given", [{"account": "Nobody Here"}, {"role": "supervisor"}, {"account": "cia ek"}, {"account": "Flo Ny"}]
)
def test_a_signature_that_nobody_could_give_is_found(root: Path, given: dict[str, str]) -> None:
    if given.get("account") == "Flo Ny":  # closed before
        from pipeline.decisions.accounts import open_account

        open_account(find_workspace(root), "Flo Ny", role="technician", password=PASSWORD, by="Eve", why="x")
        change_account(find_workspace(root), "Flo Ny", password=None, by="Eve", why="x")
    act(root, **given)
    (problem,) = verify(find_workspace(root)).problems
    assert "who had no such account then" in problem


def test_a_command_signs_nothing(root: Path) -> None:
    record_action(find_workspace(root), "M1", by="Cia Ek", why="a test")
    assert not [note for note in verify(find_workspace(root)).notes if note.startswith("Signed by")]


def test_an_account_changed_in_the_history_is_found(root: Path) -> None:
    import duckdb

    with duckdb.connect(str(find_workspace(root).history)) as history:
        history.execute(
            "UPDATE event SET subject = replace(subject, '\"reader\"', '\"supervisor\"') WHERE kind = 'account'"
        )
    assert any("account" in problem for problem in verify(find_workspace(root)).problems)
