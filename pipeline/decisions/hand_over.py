"""A meter goes from one site of the company to another: an event at each of them, which the centre holds against one another."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline.decisions.record import deciding, known_in
from pipeline.errors import UsageError
from pipeline.judge.values.prepare import PARTS
from pipeline.near import nearest
from pipeline.workspace.recorded import recorded_settings, recorded_tables
from schemas.terms import is_site_name
from schemas.versions import version_at

if TYPE_CHECKING:
    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Workspace

__all__ = ["record_hand_over"]


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
        If the other site cannot be one, the meter has no maker and serial number here, was never read before it is handed over,
        or the last hand-over or receipt of it is the same or a later one.
    """
    kind, site = ("hand_over", to) if to is not None else ("receipt", sender or "")
    if not is_site_name(site or "") or site == workspace.settings.site:
        raise UsageError(f"{site!r} is no other site: name it as its own annealog.toml states it.")
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        if kind == "hand_over":
            known_in(history, "meter", meter)
        texts = history.reference_texts()
        register = recorded_tables(texts, recorded_settings(texts, workspace.settings))["meters"]
        named = (
            version_at(register, ["meter"], at).filter(pl.col("meter") == meter).drop_nulls(["maker", "serial_number"])
        )
        if not named.height:
            raise UsageError(
                f"Meter {meter!r} has no maker and serial_number in reference/meters.csv as it was last taken over: by these the "
                f"company knows it{nearest(meter, register['meter'].to_list())}"
            )
        before = [e for e in history.decisions() if e.kind in ("hand_over", "receipt") and e.subject["meter"] == meter]
        if before and (before[-1].kind == kind or datetime.fromisoformat(before[-1].subject["at"]) > at):
            raise UsageError(
                f"Meter {meter} was {PARTS[before[-1].kind].format_map(before[-1].subject)} at {before[-1].subject['at'][:16]} UTC (event "
                f"{before[-1].sequence}): hand-over and receipt take turns, each after the one before. One that was wrong is taken "
                "back by the other one at the same time."
            )
        subject = {
            "meter": meter,
            "at": at.astimezone(UTC).isoformat(),
            "to" if kind == "hand_over" else "from": site,
            **named.select("maker", "serial_number").row(0, named=True),
        }
        return None if dry_run else history.append_event(kind, subject, by=by, why=why)
