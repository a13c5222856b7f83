"""Every statement of a load that writes fails once (faults, row 6): a file of its own, since it takes long."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING, Any

import duckdb
from scenario import Scenario

from pipeline.history.store import History

if TYPE_CHECKING:
    import pytest
    from workspace_files import Shell


def stored(shell: Shell) -> int:
    """Check that nothing is half in; return how many files are in."""
    place = shell.root / "history" / "annealog.duckdb"
    if not place.exists():
        return 0
    with History.open(place, write=True, snapshot=False) as history:
        sources = history.sources()
        assert history.table("reading")["source_id"].value_counts()["count"].to_list() == [9] * sources.height
        assert sources["readings"].to_list() == [9] * sources.height
    assert list((shell.root / "archive").rglob("*.tmp")) == []
    return sources.height


def test_the_database_fails_at_its_nth_writing_statement(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """For every statement of a load that writes or ends a transaction: nothing half in, and the next load completes."""
    shell.make()
    shell.put("0.csv", Scenario().check("08:00").lot("09:00").check("10:00"))
    clean = shell.root.parent / "clean"
    shutil.copytree(shell.root, clean)
    run = History._execute
    count, limit, failed = 0, 0, 0

    def broken(self: History, sql: str, parameters: Any) -> Any:
        nonlocal count
        writes = not sql.lstrip().upper().startswith(("SELECT", "SET ", "ROLLBACK", "WITH", "FROM"))
        count += writes
        if count == limit and writes:
            raise duckdb.IOException("Could not write file: No space left on device")
        return run(self, sql, parameters)

    while True:
        limit, count = limit + 1, 0
        shutil.rmtree(shell.root)
        shutil.copytree(clean, shell.root)
        os.chdir(shell.root)
        with monkeypatch.context() as patch:
            patch.setattr(History, "_execute", broken)
            shell("load", "--direct", "inbox")
        if count < limit:
            break
        failed += 1
        assert shell.code == 7, (limit, shell.code, shell.err)
        assert stored(shell) in (0, 1)
        if failed % 5 == 0:
            shell("load", "--direct", "inbox")
            assert shell.code == 0, (limit, shell.err)
            assert stored(shell) == 1
    assert failed > 15
