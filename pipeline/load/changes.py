"""What a load changed of what was said before: verdicts of lots, states of meters and studies.

Verdicts given stand in the history. What was said of meters and studies last is kept in a small file beside it, for telling
alone: nothing follows from it, and without it the next load says nothing of them.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import polars as pl

from pipeline.load.report import Change
from pipeline.workspace.files import write_atomically

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment

__all__ = ["changes_since", "keep_said"]

Said = dict[str, dict[str, tuple[str, str]]]
"""By kind and name: the state, and its first reason."""


def _said(history: History, found: Assessment, others: Iterable[str]) -> Said:
    """Return what is said now: of lots, where it is other than the verdict given last."""
    evaluated = {}
    if found.study_readings.height:
        from pipeline.questions.studies.studies import studies  # its libraries take a quarter of a second

        evaluated = studies(found, history.decisions(), history.sources())
    return {
        "lot": {name: (found.lots[name].verdict, found.lots[name].reasons[0]) for name in others},
        "meter": {name: (result.state, result.reasons[0]) for name, result in found.meters.items()},
        "study": {name: (result.state, result.reasons[0]) for name, (result, _, _) in evaluated.items()},
    }


def _place(history: Path) -> Path:
    return history.parent / "said.json"


def _before(history: History) -> dict[str, dict[str, str]]:
    """Return the states said last."""
    try:
        kept = json.loads(_place(history.path).read_text(encoding="utf-8"))
        states = {kind: {str(name): str(state) for name, state in kept[kind].items()} for kind in ("meter", "study")}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        states = {"meter": {}, "study": {}}
    return states


def changes_since(history: History, found: Assessment) -> tuple[tuple[Change, ...], Said]:
    """Return what is said otherwise than last time, and what is said now.

    Parameters
    ----------
    history
        Open, with the verdicts given last.
    found
        Everything, as it is now.

    Returns
    -------
    (tuple of Change, dict)
        Meters, studies and lots, each by name; what was never spoken of before has not changed. What is said now is for
        :func:`keep_said`, once it is.
    """
    given = history.verdicts_given().select("lot", pl.col("verdict").alias("before"))
    lots = found.columns_of_lots(["lot", "verdict"]).join(given, on="lot").filter(pl.col("verdict") != pl.col("before"))
    before = {"lot": dict(lots.select("lot", "before").iter_rows()), **_before(history)}
    now = _said(history, found, before["lot"])
    return tuple(
        Change(kind=kind, name=name, before=before[kind][name], after=state, why=why)
        for kind in ("meter", "study", "lot")
        for name, (state, why) in sorted(now[kind].items())
        if before[kind].get(name, state) != state
    ), now


def keep_said(history: Path, said: Said) -> None:
    """Keep what is said of meters and studies; where it cannot be written, the next load says it again."""
    kept = {kind: {name: state for name, (state, _) in said[kind].items()} for kind in ("meter", "study")}
    write_atomically(_place(history), json.dumps(kept, ensure_ascii=False, sort_keys=True).encode())
