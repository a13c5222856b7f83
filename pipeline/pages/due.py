"""What the page of each lot follows from, as one key: a page whose key still holds is not gathered again.

Gathering a page costs much more than its key. A key says nothing of links to other pages, nor of the words of a language; these
stand in the register of written pages.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.sums import sums
from pipeline.questions.lot_detail.detail import earlier_lots
from pipeline.workspace.files import write_atomically
from pipeline.workspace.program import program

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pipeline.judge.assessment import Assessment

__all__ = ["Keys", "lot_keys"]

_OF_CHECKS = [
    "check", "run", "meter", "probe", "frequency_khz", "block", "conflict", "at", "first_at", "readings", "mean", "certificate",
    "certificate_due_on", "certified_value", "tolerance", "bias", "passes",
]  # fmt: skip
"""What a lot shows of the checks around it; where these stand on a chart is a matter of the meter."""


def lot_keys(assessment: Assessment) -> dict[str, str]:
    """Return the key of each lot's page.

    Parameters
    ----------
    assessment
        Everything, as of the moment that the pages show.

    Returns
    -------
    dict of str
        By lot. Keys agree where the page would say the same; late data, decisions, settings, another program and versions of
        table rows that began to hold change the keys of what they may touch.
    """
    everywhere, by_lot = _of_tables(assessment)
    marks: list[dict[str, Any]] = [*by_lot, sums(assessment.brackets, "lot"), _of_checks(assessment)]
    rows = assessment.row_keys()
    glance = {str(row[0]): row for row in assessment.lots_at_a_glance().iter_rows()}
    behind = earlier_lots(assessment.lots_at_a_glance(), assessment.lots)
    # the page of what waits for its closing check, or was never bracketed, states the moment of the assessment
    closed = set(
        assessment.brackets.group_by("lot").agg(pl.col("after_at").null_count() == 0).filter("after_at")["lot"]
    )
    documents = assessment.document_keys()
    found = {}
    for lot, said in documents.items():
        parts = (
            everywhere,
            said,
            rows.get(lot),
            [mark.get(lot) for mark in marks],
            assessment.events_on_lots.get(lot),
            assessment.came_to_light.get(lot),
            [(glance[name], rows.get(name)) for name in behind[lot]],
            None if lot in closed else assessment.as_of,
        )
        found[lot] = hashlib.sha256(repr(parts).encode("utf-8", "surrogatepass")).hexdigest()[:32]
    return found


def _of_tables(assessment: Assessment) -> tuple[str, list[dict[str, tuple[int, ...]]]]:
    """Return what tells program, settings and tables from others; and, by lot, what tables say of it alone."""
    tables = {
        # a version that began to hold may be looked up by any page
        name: table.with_columns((pl.col("valid_from") <= assessment.as_of).alias("begun")) if "valid_from" in table.columns else table
        for name, table in assessment.tables.items()
    }  # fmt: skip
    shared = {name: sums(table, None) for name, table in tables.items() if "lot" not in table.columns}
    everywhere = f"{program()} {pl.__version__} {assessment.settings!r} {shared!r}"
    return everywhere, [sums(table, "lot") for table in tables.values() if "lot" in table.columns]


def _of_checks(assessment: Assessment) -> dict[str, tuple[int, ...]]:
    """Return what tells the checks around each lot from others."""
    checks = assessment.checks.select(_OF_CHECKS)
    around = pl.concat(
        assessment.brackets.select("lot", "meter", pl.col(side).alias("run")) for side in ("before_run", "after_run")
    )
    return sums(around.drop_nulls().unique().join(checks, on=["meter", "run"], how="inner"), "lot")


class Keys:
    """The keys that pages in a folder were last written for; one that was altered, or written by somebody else, has none.

    Parameters
    ----------
    folder
        Of the pages.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._path = folder / ".keys.json"
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            found = {}
        self._kept: dict[str, list[str | int]] = found if isinstance(found, dict) else {}

    def hold(self, address: str, key: str) -> bool:
        """Say whether a page stands as it was written for this key."""
        return self._kept.get(address) == [key, *_state(self._folder / address)]

    def settle(self, keys: Mapping[str, str]) -> None:
        """Keep the keys of the pages by address, which all stand now."""
        kept = {address: [key, *_state(self._folder / address)] for address, key in keys.items()}
        if kept != self._kept:
            write_atomically(self._path, json.dumps(kept).encode())


def _state(path: Path) -> list[int]:
    """Return what tells whether a file was touched since, also by somebody who sets its time back; nothing where there is none."""
    try:
        state = path.stat()
    except OSError:
        return []
    return [state.st_size, state.st_mtime_ns, state.st_ctime_ns]
