"""A meter goes from one site of the company to another: an event at each of them, which the centre holds against one another."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline.decisions.record import deciding, known_in
from pipeline.errors import UsageError
from pipeline.judge.values.prepare import PARTS, standing
from pipeline.moves import KINDS_OF_MOVES, Move
from pipeline.near import nearest
from pipeline.workspace.recorded import recorded
from schemas.terms import is_site_name
from schemas.versions import version_at

if TYPE_CHECKING:
    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.workspace.settings import Workspace

__all__ = ["record_hand_over"]

_KNOWN_BY = ["maker", "serial_number"]


def record_hand_over(
    workspace: Workspace,
    meter: str,
    at: datetime,
    *,
    to: str | None = None,
    sender: str | None = None,
    by: str,
    why: str,
    dry_run: bool = False,
) -> Event | None:
    """Record that a meter was handed over to another site, or received from one; its checks before and after are parted.

    Parameters
    ----------
    meter, at
        Which meter, as this site names it, and when.
    to, sender
        The other site: one of the two.

    Raises
    ------
    UsageError
        If the other site cannot be one, the time is yet to come, the meter has no maker and serial number here, was never read
        before it is handed over, or the last hand-over or receipt of it is the same or a later one. What takes back the last one
        is never refused.
    """
    kind, site = ("hand_over", to) if to is not None else ("receipt", sender or "")
    if not is_site_name(site) or site == workspace.settings.site:
        raise UsageError(f"{site!r} is no other site: name it as its own annealog.toml states it.")
    now, move = datetime.now(UTC), Move(kind, at.astimezone(UTC), site)
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        subject = {"meter": meter, "at": move.at.isoformat(), "to" if kind == "hand_over" else "from": site}
        moves = [
            one for one in standing(history.decisions()) if one.kind in KINDS_OF_MOVES and one.subject["meter"] == meter
        ]
        last = moves[-1] if moves else None
        before = Move.of(last.kind, last.subject) if last else None
        if last and move.takes_back(before):
            # also where nobody ever read it, or the time was one to come: what is wrong can be put right
            subject |= {name: last.subject[name] for name in _KNOWN_BY}
        else:
            if move.at > now:
                raise UsageError(f"{subject['at']} is yet to come: state when it was, not when it will be.")
            if kind == "hand_over":
                known_in(history, "meter", meter)
            subject |= _known_by(workspace, history, meter, at)
            if last and before and (before.kind == kind or before.at > move.at):
                raise UsageError(
                    f"Meter {meter} was {PARTS[last.kind].format_map(last.subject)} at {last.subject['at']} (event {last.sequence}): "
                    "hand-over and receipt take turns, each after the one before. One that was wrong is taken back by the other one, "
                    "to or from the same site at the same time."
                )
        return None if dry_run else history.append_event(kind, subject, by=by, why=why)


def _known_by(workspace: Workspace, history: History, meter: str, at: datetime) -> dict[str, str]:
    register = recorded(history.reference_texts(), workspace.settings)[1]["meters"]
    named = version_at(register, ["meter"], at).filter(pl.col("meter") == meter).drop_nulls(_KNOWN_BY)
    if not named.height:
        raise UsageError(
            f"Meter {meter!r} has no maker and serial_number in reference/meters.csv as it was last taken over: by these the "
            f"company knows it{nearest(meter, register['meter'].to_list())}"
        )
    return named.select(_KNOWN_BY).row(0, named=True)
