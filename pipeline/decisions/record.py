"""A person's decision, recorded as an event: adjustment, action, disposition, exclusion, baseline."""

from __future__ import annotations

from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.judge.assessment import SignalDecision
from pipeline.judge.carry_on import everything
from pipeline.judge.look_back.events import the_event
from pipeline.judge.values.prepare import exclusions_of
from pipeline.near import nearest
from pipeline.workspace.recorded import recorded
from schemas.page import Decision
from schemas.tables import BASELINE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = [
    "ACTIONS",
    "DECISIONS",
    "deciding",
    "known_in",
    "record_action",
    "record_adjustment",
    "record_baseline",
    "record_disposition",
    "record_exclusion",
]

ACTIONS = ("cleaned", "equalised", "probe changed", "other")
"""What can be done to a meter between checks without setting it (common practice, no source)."""

DECISIONS = ("re-measured", "sorted", "accepted with evidence", "rejected", "customer told", "no effect found")
"""What can be decided about a lot or a signal (common practice, no source)."""


@contextmanager
def deciding(workspace: Workspace, *, by: str, why: str, dry_run: bool) -> Iterator[History]:
    """Open the history for a decision: what it is checked against and what it writes are one transaction.

    A second person who decides at the same time waits, and is then told what the first one decided. In a dry run the
    history is only read.

    Raises
    ------
    UsageError
        If nobody is named, or no reason.
    """
    if not by.strip() or not why.strip():
        raise UsageError("A decision needs --by NAME and --why TEXT.")
    write = not dry_run and workspace.history.exists()
    with (
        History.open(workspace.history, write=write, wait_s=workspace.settings.busy_wait_seconds) as history,
        history.transaction() if write else nullcontext(),
    ):
        yield history


def known_in(history: History, column: str, value: str) -> None:
    """Refuse a meter or a lot of which no reading was loaded."""
    filters: dict[str, Any] = {f"{column}s": [value]}
    if not history.readings(columns=[column], **filters).height:
        hint = (
            nearest(value, history.all_meters() if column == "meter" else history.all_lots())
            or ". Check the spelling: annealog status"
        )
        raise UsageError(f"No reading of {column} {value!r} was loaded{hint}")


def record_adjustment(
    workspace: Workspace,
    meter: str,
    at: datetime,
    *,
    block: str | None = None,
    temperature_c: float | None = None,
    by: str,
    why: str,
    dry_run: bool = False,
) -> Event | None:
    """Record that a meter was set (adjusted); a new baseline starts there.

    Parameters
    ----------
    meter, at
        Which meter, and when.
    block, temperature_c
        The block it was set on and the block's temperature, corrected for its sensor, in °C: what readings in relative
        state need. Recorded beside an exported setting at its time, they state what the export left out.

    Raises
    ------
    UsageError
        If the meter or the block is not known, only one of block and temperature is stated, or the temperature is not
        believed.
    """
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        known_in(history, "meter", meter)
        subject = {
            "meter": meter,
            "at": at.astimezone(UTC).isoformat(),
            **_of_setting(workspace, history, block, temperature_c),
        }
        if dry_run:
            return None
        return history.append_event("adjustment", subject, by=by, why=why)


def _of_setting(
    workspace: Workspace, history: History, block: str | None, temperature_c: float | None
) -> dict[str, Any]:
    """Return what was said of the block that a meter was set on; refuse half of it, and what cannot be."""
    if block is None and temperature_c is None:
        return {}
    if block is None or temperature_c is None:
        raise UsageError("State --block and --temperature together: a block without its temperature says nothing.")
    settings, tables = recorded(history.reference_texts(), workspace.settings)
    blocks = sorted(set(tables["blocks"]["block"].to_list()))
    if block not in blocks:
        hint = nearest(block, blocks) or f". Known: {', '.join(blocks)}."
        raise UsageError(f"Block {block!r} does not stand in reference/blocks.csv as it was last taken over{hint}")
    low, high = settings.plausible_temperature_c
    if not low <= temperature_c <= high:
        raise UsageError(f"--temperature {temperature_c:g} °C: expected {low:g} to {high:g} °C.")
    return {"block": block, "temperature_c": temperature_c}


def record_action(
    workspace: Workspace,
    meter: str,
    at: datetime | None = None,
    *,
    kind: str = "other",
    by: str,
    why: str,
    dry_run: bool = False,
) -> Event | None:
    """Record what was done to a meter without setting it: a new run of checks starts there, and the baseline stays.

    Parameters
    ----------
    meter, at
        Which meter, and when; None means now.
    kind
        One of `ACTIONS`.

    Raises
    ------
    UsageError
        If the meter is not known, or the kind is none of `ACTIONS`.
    """
    if kind not in ACTIONS:
        raise UsageError(f"Action {kind!r} is not known. Expected one of: {', '.join(ACTIONS)}{nearest(kind, ACTIONS)}")
    now = datetime.now(UTC)
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        known_in(history, "meter", meter)
        if dry_run:
            return None
        subject = {"meter": meter, "at": (at or now).astimezone(UTC).isoformat(), "kind": kind}
        return history.append_event("action", subject, by=by, why=why, at=now)


def record_disposition(
    workspace: Workspace,
    *,
    lot: str | None,
    meter: str | None,
    block: str | None,
    at: datetime | None,
    decision: str,
    by: str,
    why: str,
    event: str | None = None,
    dry_run: bool = False,
) -> Event | None:
    """Record what was decided about a lot, an event, a lot of an event, or a signal of a meter.

    Verdict and support stay as they are, and earlier decisions stand beside it.

    Raises
    ------
    UsageError
        If not one of lot, event (with or without a lot) and meter is named, nothing of that name is known, or the
        decision is none of `DECISIONS`.
    """
    if (meter is None) == (lot is None and event is None):
        raise UsageError(
            "A disposition is about a lot (--lot), an event of the look-back (--event, also with --lot) or a signal of a "
            "meter (--meter); name one of them."
        )
    if decision not in DECISIONS:
        raise UsageError(
            f"Decision {decision!r} is not known. Expected one of: {', '.join(DECISIONS)}{nearest(decision, DECISIONS)}"
        )
    subject: dict[str, Any] = {"decision": decision}
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        if event is not None:
            subject |= _of_event(workspace, history, event, lot)
        if lot is not None:
            known_in(history, "lot", lot)
            subject["lot"] = lot
        if meter is not None:
            known_in(history, "meter", meter)
            _fits_a_signal(workspace, history, meter, block, at)
            subject |= {
                "meter": meter,
                **({"block": block} if block else {}),
                **({"at": at.astimezone(UTC).isoformat()} if at else {}),
            }
        if dry_run:
            return None
        return history.append_event("disposition", subject, by=by, why=why)


def _of_event(workspace: Workspace, history: History, given: str, lot: str | None) -> dict[str, Any]:
    """Return what a decision on an event, or on a lot of it, is about; refuse an event or a lot that is not there."""
    assessment = everything(history, workspace.settings, as_of=None)
    event = the_event(assessment.found_events, given)
    if lot is not None:
        touched = {row.lot for row in assessment.events[event.name].lots}
        if lot not in touched:
            raise UsageError(
                f"Event {event.short} did not touch lot {lot!r}. It touched: {', '.join(sorted(touched)) or 'none'}"
                f"{nearest(lot, touched)}"
            )
        return {"event": event.name}
    span = [event.checks["at"].min(), event.checks["at"].max()] if event.checks.height else []
    # recorded by the name that never changes; what fires later is not decided on yet
    return {
        "event": event.name,
        **({"meter": event.meter, "checks": [at.isoformat() for at in span]} if span else {}),  # type: ignore[union-attr]
    }


def _fits_a_signal(workspace: Workspace, history: History, meter: str, block: str | None, at: datetime | None) -> None:
    """Refuse a disposition that would attach to nothing: no signal and no failed check of that meter, block and time."""
    checks = everything(history, workspace.settings, as_of=None).checks
    told = checks.filter((pl.col("meter") == meter) & ((pl.col("rejects") != "") | ~pl.col("passes").fill_null(True)))
    now = datetime.now(UTC)
    decision = SignalDecision(meter, block, at, Decision(now, "", "", ""))
    if not any(decision.fits(row) for row in told.iter_rows(named=True)):
        blocks = ", ".join(told["block"].unique().sort().to_list()) or "none"
        raise UsageError(
            f"No signal and no failed check of {meter} fits that block and time. Blocks with signals: {blocks}. "
            f"See: annealog meter {meter}"
        )


def record_exclusion(
    workspace: Workspace,
    *,
    file: str,
    line: int,
    by: str,
    why: str,
    undo: bool = False,
    dry_run: bool = False,
) -> Event | None:
    """Record that the readings of one line are left out (or taken in again); they stay in the record.

    Parameters
    ----------
    file
        Name or the first characters of the hash of a loaded file.
    line
        Line of that file.
    undo
        Take the line in again.

    Raises
    ------
    UsageError
        If no such line was loaded, the name fits two files, or the line is left out (or in) already.
    """
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        sources = history.sources()
        fits = sources.filter((pl.col("name") == file) | (pl.col("sha256").str.starts_with(file) & (len(file) >= 8)))
        if fits.height != 1:
            raise UsageError(
                f"{fits.height} loaded files fit {file!r}. Name one by its path in the ledger or by at least 8 characters of its hash."
            )
        source = fits.row(0, named=True)
        if line not in history.readings_of(source["source_id"])["line"]:
            raise UsageError(f"Line {line} of {source['name']} holds no stored reading.")
        out = exclusions_of(history.decisions(), sources).filter(source_id=source["source_id"], line=line)
        if out.height and not undo:
            before = out.row(0, named=True)
            raise UsageError(
                f"Line {line} of {source['name']} is left out already, by {before['by']}: {before['why']}. To take it in again: --undo"
            )
        if undo and not out.height:
            raise UsageError(f"Line {line} of {source['name']} is not left out, so there is nothing to undo.")
        if dry_run:
            return None
        subject = {"sha256": source["sha256"], "name": source["name"], "line": line}
        kind = "inclusion" if undo else "exclusion"
        return history.append_event(kind, subject, by=by, why=why)


def record_baseline(
    workspace: Workspace,
    *,
    meter: str,
    block: str,
    start: datetime | None,
    end: datetime | None,
    by: str,
    why: str,
    dry_run: bool = False,
) -> tuple[Event | None, pl.DataFrame]:
    """Name the checks whose mean and standard deviation are the limits of control from now on.

    Parameters
    ----------
    meter, block
        Whose checks.
    start, end
        First and last moment; None means from the first, to the last check.

    Returns
    -------
    (Event or None, polars.DataFrame)
        The event, and the limits (columns of `schemas.tables.BASELINE`, one row a series).

    Raises
    ------
    UsageError
        If fewer than two checks lie in the window.
    """
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        known_in(history, "meter", meter)
        found = everything(history, workspace.settings, as_of=None)
        limits = _limits_of(found, meter, block, start, end)
        if dry_run:
            return None, limits
        subject = {
            "meter": meter,
            "block": block,
            "from": start.astimezone(UTC).isoformat() if start else None,
            "to": end.astimezone(UTC).isoformat() if end else None,
            "limits": [BASELINE.as_json(row) for row in BASELINE.complete(limits).iter_rows(named=True)],
        }
        event = history.append_event("baseline", subject, by=by, why=why)
        history.add_baselines(limits)
        return event, limits


def _limits_of(found: Assessment, meter: str, block: str, start: datetime | None, end: datetime | None) -> pl.DataFrame:
    """Return mean and standard deviation of the checks in a window, one row a series."""
    # the checks are in the unit that was taken over, whatever annealog.toml says since
    checks, scale = found.checks, found.settings
    inside = checks.filter((pl.col("meter") == meter) & (pl.col("block") == block) & pl.col("mean").is_not_null())
    if start is not None:
        inside = inside.filter(pl.col("at") >= start)
    if end is not None:
        inside = inside.filter(pl.col("at") <= end)
    limits = (
        inside.group_by("meter", "probe", "frequency_khz", "block", "phase", maintain_order=True)
        .agg(
            pl.col("at").min().alias("first_at"),
            pl.col("at").max().alias("last_at"),
            pl.len().cast(pl.Int64).alias("checks"),
            pl.col("mean").mean().alias("centre"),
            pl.col("mean").std().alias("standard_deviation"),
        )
        .filter(pl.col("checks") >= 2)
        .with_columns(
            pl.lit(True).alias("named"),
            pl.lit(scale.unit).alias("unit"),
            pl.lit(scale.reference_temperature_c).alias("reference_temperature_c"),
        )
    )
    if not limits.height:
        read = checks.filter(pl.col("meter") == meter)["block"].unique().sort().to_list()
        raise UsageError(
            f"Fewer than two checks of {meter} on {block} lie in that window; a baseline needs at least two"
            f"{'' if block in read else nearest(block, read)}"
        )
    return limits
