"""Taking over reference tables and settings: read, validate, see what a change would do, record it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import ChangesRefused, SettingsError
from pipeline.history.store import History
from pipeline.judge.values.corrections import check_corrections
from pipeline.load.exports import layouts_of
from pipeline.near import nearest
from pipeline.workspace.location import shared_place
from pipeline.workspace.recorded import recorded_tables
from pipeline.workspace.settings import SETTINGS_FILE, read_settings
from pipeline.workspace.texts import SETTINGS_TEXT, read_reference

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    import polars as pl

    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["ReferenceChange", "check_names", "read_reference", "take_over", "take_over_reference"]


@dataclass(frozen=True, slots=True)
class ReferenceChange:
    """What changed in the reference tables and settings, and which verdicts and checks it altered."""

    changed: tuple[str, ...]
    altered: tuple[str, ...]


def _altered(history: History, old: Mapping[str, str], new: Mapping[str, str], settings: Settings) -> list[str]:
    """Say which verdicts already given, and which checks, would come out differently."""
    from pipeline.judge.assess import assess  # checking tables alone needs nothing of it

    old_settings = read_settings(old[SETTINGS_TEXT]) if SETTINGS_TEXT in old else settings
    before = assess(history, old_settings, as_of=None, tables=recorded_tables(old, old_settings))
    after = assess(history, settings, as_of=None, tables=recorded_tables(new, settings))
    given = set(history.verdicts_given()["lot"].to_list())
    altered = []
    for lot, result in before.lots.items():
        later = after.lots.get(lot)
        # what was not assessed had no verdict that could be altered
        if lot in given and result.verdict != "not_assessed" and (later is None or later.verdict != result.verdict):
            altered.append(f"lot {lot}: {result.verdict} would become {later.verdict if later else 'unknown'}")
    passes = {
        (row["meter"], row["block"], row["at"]): row["passes"]
        for row in before.checks.select("meter", "block", "at", "passes").iter_rows(named=True)
    }
    for meter, state in before.meters.items():
        now = after.meters[meter].state if meter in after.meters else "unknown"
        if now != state.state:
            altered.append(f"meter {meter}: {state.state} would become {now}")
    for row in after.checks.select("meter", "block", "at", "passes").iter_rows(named=True):
        earlier = passes.get((row["meter"], row["block"], row["at"]))
        if earlier is not None and earlier != row["passes"]:
            words = {True: "passed", False: "failed", None: "could not be judged"}
            altered.append(
                f"check of {row['meter']} on {row['block']} at {row['at']:%Y-%m-%d %H:%M} UTC: {words[earlier]}, "
                f"would be: {words[row['passes']]}"
            )
    return altered


def check_names(settings: Settings, tables: Mapping[str, pl.DataFrame], layouts: Iterable[str]) -> None:
    """Refuse settings that name a block or a layout nobody knows, and corrections that contradict each other.

    Raises
    ------
    SettingsError
        Names the setting.
    """
    check_corrections(tables["corrections"], settings)
    blocks = sorted(set(tables["blocks"]["block"].to_list()))
    wrong = [
        f"{SETTINGS_FILE}: block_tolerance names {block!r}, which does not stand in reference/blocks.csv{nearest(block, blocks)}"
        for block in settings.block_tolerance
        if block not in blocks
    ]
    known = sorted(layouts)
    wrong += [
        f"{SETTINGS_FILE}: folders.{folder!r} names {layout!r}; known layouts: {', '.join(known)}{nearest(layout, known)}"
        for folder, layout in settings.folders.items()
        if layout not in known
    ]
    if wrong:
        raise SettingsError("\n".join(wrong))


def _only_new_rows(name: str, old: str, new: str) -> bool:
    """Whether a table of results that arrive one by one (hardness, sensor checks) only grew: no earlier line changed or went."""
    return name in ("hardness", "sensor_checks") and set(old.splitlines()) <= set(new.splitlines())


def take_over(
    history: History,
    texts: Mapping[str, str],
    settings: Settings,
    *,
    now: datetime,
    accept: bool = False,
    by: str = "",
    why: str = "",
    dry_run: bool = False,
) -> ReferenceChange:
    """Take over reference tables and settings into the history. Call inside a transaction.

    Parameters
    ----------
    history
        Open to write.
    texts
        From :func:`read_reference`.
    settings
        The new settings.
    now
        Time of the event.
    accept, by, why
        A person's consent to changes that alter verdicts already given.
    dry_run
        Only say what would change.

    Raises
    ------
    ChangesRefused
        If verdicts would be altered and nobody accepted it.
    ReferenceTableError
        If a table cannot be read.
    """
    old = history.reference_texts()
    changed = [name for name in sorted({*texts, *old}) if texts.get(name, "") != old.get(name, "")]
    # a wrong table is refused here, whatever else happens; texts that were taken over kept the contract then
    recorded_tables(texts, settings, contract=bool(changed))
    if not changed:
        return ReferenceChange((), ())
    altered: list[str] = []
    if old and not history.is_empty():
        altered = _altered(history, old, texts, settings)
    grown = all(_only_new_rows(name, old.get(name, ""), texts.get(name, "")) for name in changed)
    if altered and not accept and not grown:
        shown = "\n".join(f"  {line}" for line in altered[:20])
        more = f"\n  and {len(altered) - 20} more" if len(altered) > 20 else ""
        names = ", ".join(SETTINGS_FILE if name == SETTINGS_TEXT else f"reference/{name}.csv" for name in changed)
        raise ChangesRefused(
            f"Changes in {names} would alter what was already said:\n{shown}{more}\n"
            "Nothing was loaded. Give the new version its own valid_from date, or accept the change with: "
            "annealog load PATH --accept-changes --by NAME --why TEXT"
        )
    if dry_run:
        return ReferenceChange(tuple(changed), tuple(altered))
    for name in changed:
        history.put_reference_text(name, texts.get(name, ""), now)
    history.append_event(
        "reference",
        {
            "changed": {name: hashlib.sha256(texts.get(name, "").encode()).hexdigest() for name in changed},
            "altered": altered,
            **(
                {"plausible_range_decision": settings.plausible_range_decision}
                if settings.plausible_range_decision
                else {}
            ),
        },
        by=by or "load",
        why=why
        or ("first take-over" if not old else "new results only" if altered else "no verdict already given is altered"),
        at=now,
    )
    return ReferenceChange(tuple(changed), tuple(altered))


def take_over_reference(
    workspace: Workspace, *, now: datetime, accept: bool = False, by: str = "", why: str = "", dry_run: bool = False
) -> ReferenceChange:
    """Take over the reference tables and settings of a workspace into its history, or only say what would change."""
    texts = read_reference(workspace)
    settings = workspace.settings
    wrong: dict[str, str] = {}
    known = layouts_of(workspace, wrong)
    # what changed is held against its contract when it is taken over
    check_names(settings, recorded_tables(texts, settings, contract=not workspace.history.exists()), [*known, *wrong])
    if dry_run:
        if not workspace.history.exists():
            return ReferenceChange((), ())
        with History.open(workspace.history, wait_s=settings.busy_wait_seconds) as history:
            return take_over(history, texts, settings, now=now, accept=accept, by=by, why=why, dry_run=True)
    with (
        History.open(workspace.history, write=True, wait_s=settings.busy_wait_seconds) as history,
        history.transaction(),
    ):
        _record_place(history, workspace, now)
        texts = read_reference(workspace)  # whoever had the history meanwhile may have added a row to a table
        return take_over(history, texts, settings, now=now, accept=accept, by=by, why=why)


def _record_place(history: History, workspace: Workspace, now: datetime) -> None:
    """Record once that somebody decided to keep the history on a network or sync folder."""
    decision = workspace.settings.network_history_decision.strip()
    why = shared_place(workspace.history.parent) if decision else None
    if why is not None and all(event.why != decision for event in history.events("network_history")):
        history.append_event(
            "network_history",
            {"place": str(workspace.history.parent), "reason": why},
            by="settings",
            why=decision,
            at=now,
        )
