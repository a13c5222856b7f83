"""Limits that the centre gives change nothing at a site until a person there takes them over."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from scenario import Scenario
from workspace_files import neutral_csv

from pipeline.centre.given import give, key_of
from pipeline.centre.place import make_centre
from pipeline.centre.register import Register
from pipeline.cli import run
from pipeline.load.load import load
from pipeline.load.reference_rows import table_now
from pipeline.publish import seal
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

GIVEN = "specification,lower,upper,unit\nNEW-BAR,57,59,MS/m\n"


def test_from_the_centre_to_the_table_of_a_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = make_centre(tmp_path / "centre")
    (place.root / "storage").mkdir()
    limits = tmp_path / "specifications.csv"
    limits.write_text(GIVEN, encoding="utf-8")
    with Register(place.register) as register:
        register.make()
        give(place, register, limits, by="Ada", why="the new contract")
    root = tmp_path / "works"
    assert run(["init", str(root)]) == 0
    for name, text in Scenario().reference.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "annealog.toml").write_text('site = "P-1"\npublish_to = "../centre/storage"\n', encoding="utf-8")
    (root / "inbox" / "a.csv").write_text(
        neutral_csv(Scenario().check("08:00").lot("09:00").check("10:00")), encoding="utf-8"
    )
    load(find_workspace(root), [root / "inbox" / "a.csv"])
    seal.make_key(root / "site.key")
    (root / "centre.pub").write_text(key_of(place), encoding="ascii")
    before = (root / "reference" / "specifications.csv").read_bytes()
    capsys.readouterr()
    assert run(["publish", "--workspace", str(root), "--json"]) == 0
    (proposal,) = json.loads(capsys.readouterr().out)["proposals"]
    assert (root / "reference" / "specifications.csv").read_bytes() == before
    assert run(["publish", "--workspace", str(root), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["proposals"] == []
    assert (
        run(["reference", "import", str(root / proposal), "--table", "specifications", "--workspace", str(root)]) == 0
    )
    assert "NEW-BAR" in table_now(find_workspace(root), "specifications")["specification"].to_list()


def test_a_table_nobody_signed_ends_in_an_integrity_failure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root = tmp_path / "works"
    assert run(["init", str(root)]) == 0
    (tmp_path / "storage" / "centre" / "tables").mkdir(parents=True)
    (tmp_path / "storage" / "centre" / "tables" / f"00000001-{'0' * 64}.json").write_text("{}", encoding="utf-8")
    (root / "annealog.toml").write_text('site = "P-1"\npublish_to = "../storage"\n', encoding="utf-8")
    load(find_workspace(root), [])
    seal.make_key(root / "site.key")
    (root / "centre.pub").write_text(seal.make_key(tmp_path / "centre.key"), encoding="ascii")
    assert run(["publish", "--workspace", str(root)]) == 6
    assert "no sealed document" in capsys.readouterr().err
    assert not (root / "proposals").exists()
