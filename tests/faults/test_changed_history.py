"""Every value of the history, changed behind the tool's back: `verify` names it, and what it does not look at it says."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING

import duckdb
import pytest
from workspace_files import Shell, full_workspace

import schemas.tables
from pipeline.custody.verify import NOT_LOOKED_AT
from pipeline.history.store import History
from schemas.declare import Table
from schemas.tables import FATES

if TYPE_CHECKING:
    from pathlib import Path

PLACE = "history/annealog.duckdb"

DECLARED = {table.name: table for table in vars(schemas.tables).values() if isinstance(table, Table)}
"""What is declared; the columns that the file holds beyond that stand below, so that a new one of either kind is decided on."""

BESIDE = {
    "reading": ["source_id", "occurrence", "conflict"],
    "source_file": [
        "source_id", "sha256", "name", "size", "layout", "layout_version", "layout_text", "zone", "taken_by_hand", "loaded_at", "lines",
        *FATES, "readings", "conflicts", "metadata", "warnings",
    ],
    "quarantine": ["quarantine_id", "source_id", "state", "decided_by", "decided_why"],
    "baseline": ["sequence"],
    "event": [],
    "reference_text": ["name", "sha256", "content", "recorded_at", "sequence"],
    "verdict_given": ["lot", "verdict", "support", "as_of"],
    "held_file": ["sha256", "name", "size", "reason", "sentence", "held_at"],
    "migration": ["version", "name", "applied_at"],
}  # fmt: skip

COLUMNS = [
    (table, column)
    for table, more in BESIDE.items()
    for column in (*(DECLARED[table].names if table in DECLARED else ()), *more)
]


def unseen(table: str, column: str) -> str | None:
    """Return why a column is not looked at; None where it is."""
    return NOT_LOOKED_AT.get(f"{table}.{column}", NOT_LOOKED_AT.get(table))


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a workspace with rows in every table: duplicates, conflicts, refused lines, decisions, frozen limits, a held file."""
    root = full_workspace(tmp_path_factory.mktemp("full"))
    with History.open(root / PLACE, snapshot=False) as history:
        counts = history.counts()
        assert all(counts[table] >= 1 for table in BESIDE), counts
        assert history.quarantine()["state"].to_list() == ["discarded", "new"]
    return root


@pytest.fixture
def works(full: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    shutil.copytree(full, tmp_path / "works")
    monkeypatch.chdir(tmp_path / "works")
    return Shell(tmp_path / "works", capsys)


def change(root: Path, *statements: str) -> None:
    with duckdb.connect(str(root / PLACE)) as connection:
        for statement in statements:
            connection.execute(statement)


def changed(kind: str, column: str) -> str:
    """Return another value of a column, as SQL."""
    name = f'"{column}"'
    if kind == "BOOLEAN":
        return f"NOT coalesce({name}, FALSE)"
    if kind == "TIMESTAMP":
        return f"coalesce({name}, TIMESTAMP '2026-01-01') + INTERVAL 1 SECOND"
    if kind == "DOUBLE":
        return f"coalesce({name} * (1 + 1e-15) + 1e-300, 1.0)"
    if kind == "VARCHAR":
        return f"coalesce({name}, '') || ' '"
    return f"coalesce({name}, 0) + 1"


def test_every_column_of_the_file_is_decided_on(full: Path) -> None:
    with duckdb.connect(str(full / PLACE), read_only=True) as connection:
        there = connection.execute("SELECT table_name, column_name FROM information_schema.columns").fetchall()
    assert sorted(there) == sorted(COLUMNS)
    assert all(reason for reason in NOT_LOOKED_AT.values())
    assert {name.partition(".")[0] for name in NOT_LOOKED_AT} <= set(BESIDE)


def test_nothing_is_wrong_before(works: Shell) -> None:
    works("verify")
    assert (works.code, works.out.count("all agree")) == (0, 1), works.out


def changes(root: Path, table: str, columns: list[str]) -> list[str]:
    """Return statements that change each column, in a row of its own where there are as many."""
    statements = []
    for number, column in enumerate(columns):
        value = changed(duckdb_kind(root, table, column), column)
        also = ""
        if table == "source_file" and column in ("lines", *schemas.tables.FATES):  # the table itself holds its balance
            other = "blank" if column != "blank" else "footer"
            also = f', "{other}" = "{other}" + 1' if column == "lines" else ", lines = lines + 1"
        where = (
            f'(SELECT rowid FROM "{table}" ORDER BY rowid LIMIT 1 OFFSET {number} % (SELECT count(*) FROM "{table}"))'
        )
        if table == "reading" and column == "non_reading":  # else the check of the table forbids it
            value = "'OVR'"
        statements.append(f'UPDATE "{table}" SET "{column}" = {value}{also} WHERE rowid = {where}')
    return statements


KEYS = {"source_id", "line", "replicate", "quarantine_id", "sequence", "lot", "sha256"}


@pytest.mark.parametrize("table", [table for table in BESIDE if table not in NOT_LOOKED_AT])
def test_every_value_changed_behind_the_back_is_named(works: Shell, table: str) -> None:
    columns = [column for one, column in COLUMNS if one == table and column not in KEYS and unseen(one, column) is None]
    if table in ("reading", "source_file", "quarantine"):
        change(works.root, *changes(works.root, table, columns))
        works("verify")
        assert works.code == 6, works.out
        said = set(re.findall(r"\w+", works.out))
        assert [column for column in columns if column not in said] == []
        return
    for column in columns:  # not named one by one
        kept = (works.root / PLACE).read_bytes()
        change(works.root, *changes(works.root, table, [column]))
        works("verify")
        assert works.code == 6, (column, works.out)
        assert SAID[table] in " ".join(works.out.split()), column
        (works.root / PLACE).write_bytes(kept)


SAID = {
    "event": "Event 1 ",
    "verdict_given": "verdicts given last",
    "reference_text": "text of reference table",
    "baseline": "limits of control of M1 on B1",
    "held_file": "42.csv",
}


@pytest.mark.parametrize(("table", "column"), [(t, c) for t, c in COLUMNS if c in KEYS and unseen(t, c) is None])
def test_a_key_changed_behind_the_back(works: Shell, table: str, column: str) -> None:
    change(works.root, *changes(works.root, table, [column]))
    works("verify")
    assert works.code == 6, works.out


@pytest.mark.parametrize("table", list(NOT_LOOKED_AT))
def test_what_is_not_looked_at_is_said(works: Shell, table: str) -> None:
    works("verify")
    assert f"Not looked at: {table} ({NOT_LOOKED_AT[table]})" in " ".join(works.out.split())


def duckdb_kind(root: Path, table: str, column: str) -> str:
    with duckdb.connect(str(root / PLACE), read_only=True) as connection:
        row = connection.execute(
            "SELECT data_type FROM information_schema.columns WHERE table_name = ? AND column_name = ?", [table, column]
        ).fetchone()
    assert row is not None
    return str(row[0])


@pytest.mark.parametrize("table", [table for table in BESIDE if table not in NOT_LOOKED_AT])
@pytest.mark.parametrize("what", ["taken away", "doubled"])
def test_a_row_more_or_less(works: Shell, table: str, what: str) -> None:
    first = f'(SELECT min(rowid) FROM "{table}")'
    change(
        works.root,
        {
            "taken away": f'DELETE FROM "{table}" WHERE rowid = {first}',
            "doubled": f'INSERT INTO "{table}" SELECT * FROM "{table}" WHERE rowid = {first}',
        }[what],
    )
    works("verify")
    assert works.code == 6, works.out


@pytest.mark.parametrize("number", [-7, 2_000_000_000])
def test_a_reading_of_a_file_that_was_never_loaded(works: Shell, number: int) -> None:
    change(
        works.root,
        f"INSERT INTO reading SELECT * REPLACE ({number} AS source_id) FROM reading WHERE lot = 'L1' LIMIT 1",
    )
    works("verify")
    assert works.code == 6, works.out
    assert works.json("lot", "L1")["verdict"] == "not_assessed"
