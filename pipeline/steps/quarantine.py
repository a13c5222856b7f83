"""What happens to refused lines: replayed after a layout was mended, or discarded with a reason."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import IntegrityProblem, UsageError
from pipeline.history.store import History
from pipeline.intake.identity import decide
from pipeline.steps.exports import layouts_of, read_export
from pipeline.steps.files import archived, read_bytes, sha256_of
from pipeline.steps.recorded import recorded_tables
from pipeline.steps.refused import listed
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.settings import Workspace

__all__ = ["ReplayReport", "discard", "replay"]


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """What a replay did with the refused lines of one file."""

    file: str
    source_id: int
    replayed: int
    readings: int
    still_refused: int
    sentence: str


def discard(
    workspace: Workspace,
    quarantine_ids: Sequence[int],
    *,
    by: str,
    why: str,
    dry_run: bool = False,
    now: datetime | None = None,
) -> int:
    """Mark refused lines as discarded, with a reason; they stay in the record.

    Returns
    -------
    int
        How many lines.

    Raises
    ------
    UsageError
        If a line is not new, or nobody is named.
    """
    if not by.strip() or not why.strip():
        raise UsageError("A decision needs --by NAME and --why TEXT.")
    waiting = listed(workspace)
    unknown = sorted(set(quarantine_ids) - set(waiting["quarantine_id"].to_list()))
    if unknown:
        raise UsageError(f"No new quarantined line {unknown[0]}. See: annealog quarantine list")
    if dry_run:
        return len(quarantine_ids)
    rows = waiting.filter(pl.col("quarantine_id").is_in(list(quarantine_ids)))
    with (
        History.open(workspace.history, write=True, wait_s=workspace.settings.busy_wait_seconds) as history,
        history.transaction(),
    ):
        history.mark_quarantine(quarantine_ids, "discarded", by, why)
        lines = [{"sha256": row["sha256"], "line": row["line"]} for row in rows.iter_rows(named=True)]
        history.append_event("discard", {"lines": lines}, by=by, why=why, at=now or datetime.now(UTC))
    return len(quarantine_ids)


def _same(stored: pl.DataFrame, again: pl.DataFrame) -> int:
    """Return how many readings already stored would now be read otherwise."""
    columns = ["measured_at", "meter", "role", "value", "unit", "temperature_c", "temperature_state"]
    both = stored.select("line", "replicate", *columns).join(
        again.select("line", "replicate", *(pl.col(name).alias(f"{name}_again") for name in columns)),
        on=["line", "replicate"],
        how="left",
    )
    differs = pl.any_horizontal(
        pl.col(name).cast(pl.String).ne_missing(pl.col(f"{name}_again").cast(pl.String)) for name in columns
    )
    return both.filter(differs).height


def replay(
    workspace: Workspace, *, by: str, why: str, dry_run: bool = False, now: datetime | None = None
) -> list[ReplayReport]:
    """Read the files with refused lines again, with their layouts as they are now, and store what fits.

    The same code reads as at loading. A layout that would read lines already stored otherwise is refused for that file:
    stored readings never change.

    Returns
    -------
    list of ReplayReport
        One for each file with new refused lines.

    Raises
    ------
    UsageError
        If nobody is named.
    IntegrityProblem
        If a raw file has changed.
    """
    if not by.strip() or not why.strip():
        raise UsageError("A decision needs --by NAME and --why TEXT.")
    settings = workspace.settings
    moment = now or datetime.now(UTC)
    layouts = layouts_of(workspace)
    reports = []
    with History.open(workspace.history, write=not dry_run, wait_s=settings.busy_wait_seconds) as history:
        tables = recorded_tables(history.reference_texts(), settings)
        blocks = frozenset(version_at(tables["blocks"], ["block"], None)["block"].to_list())
        waiting = history.quarantine(states=["new"])
        sources = history.sources()
        for source_id in waiting["source_id"].unique().sort().to_list():
            source = sources.filter(pl.col("source_id") == source_id).row(0, named=True)
            refused = waiting.filter(pl.col("source_id") == source_id)
            name = str(source["name"])
            if source["layout"] not in layouts:
                reports.append(
                    ReplayReport(name, source_id, 0, 0, refused.height, f"layout {source['layout']} is gone")
                )
                continue
            data = read_bytes(archived(workspace.archive, source["sha256"]), settings.size_cap_mb * 1_000_000)
            if sha256_of(data) != source["sha256"]:
                raise IntegrityProblem(f"The raw file of {name} has changed. Run: annealog verify")
            layout, text = layouts[source["layout"]]
            result = read_export(data, name=name, layout=layout, settings=settings, blocks=blocks, now=moment)
            if result.held is not None:
                reports.append(ReplayReport(name, source_id, 0, 0, refused.height, f"held: {result.held.sentence}"))
                continue
            stored = history.readings_of(source_id)
            changed = _same(stored, result.readings)
            if changed:
                sentence = f"the layout now reads {changed} stored readings otherwise; they stay as they are, nothing was replayed"
                reports.append(ReplayReport(name, source_id, 0, 0, refused.height, sentence))
                continue
            mended = result.readings.filter(pl.col("line").is_in(refused["line"].to_list()))
            lines = mended["line"].unique().sort().to_list()
            decided = decide(mended, history.stored_slots(mended), repeats_kept=layout.repeats_kept)
            fresh = decided.filter(pl.col("fate") != "duplicate")
            if lines and not dry_run:
                ids = refused.filter(pl.col("line").is_in(lines))["quarantine_id"].to_list()
                known = len(set(lines) - set(fresh["line"].to_list()))
                with history.transaction():
                    history.add_replayed(
                        source_id,
                        fresh.with_columns((pl.col("fate") == "conflict").alias("conflict")).drop("fate"),
                        lines=len(lines),
                        duplicates=known,
                        layout_version=layout.version,
                        layout_text=text,
                    )
                    history.mark_quarantine(ids, "replayed", by, why)
                    history.append_event(
                        "replay",
                        {
                            "sha256": source["sha256"],
                            "name": name,
                            "lines": lines,
                            "layout": f"{layout.name} {layout.version}",
                            "layout_sha256": sha256_of(text.encode()),
                        },
                        by=by,
                        why=why,
                        at=moment,
                    )
            sentence = f"{len(lines)} lines read, {fresh.height} readings stored"
            reports.append(
                ReplayReport(name, source_id, len(lines), fresh.height, refused.height - len(lines), sentence)
            )
    return reports
