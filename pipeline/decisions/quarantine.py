"""What happens to what was not taken in: refused lines are replayed after a layout was mended; lines and held files discarded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline.decisions.record import deciding
from pipeline.errors import IntegrityProblem, UsageError
from pipeline.history.store import History
from pipeline.intake.identity import decide
from pipeline.load.exports import layouts_of, names_listed, read_export
from pipeline.workspace.files import archived, read_bytes, sha256_of
from pipeline.workspace.recorded import recorded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.workspace.settings import Workspace

__all__ = ["Discarded", "ReplayReport", "discard", "replay"]


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """What a replay did with the refused lines of one file."""

    file: str
    source_id: int
    replayed: int
    readings: int
    still_refused: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Discarded:
    """How many refused lines, and which held files."""

    lines: int
    files: tuple[str, ...]


def discard(
    workspace: Workspace,
    names: Sequence[str] = (),
    *,
    file: str | None = None,
    reason: str | None = None,
    by: str,
    why: str,
    dry_run: bool = False,
) -> Discarded:
    """Mark refused lines and held files as discarded, with a reason; they stay in the record.

    Parameters
    ----------
    names
        Numbers of lines; names of held files, or the first characters of their hashes (at least 8).
    file
        All that waits of files of this name, or of this beginning of a hash.
    reason
        All that waits for this reason; together with `file`, what both fit.

    Raises
    ------
    UsageError
        If something named does not wait, or nobody is named.
    """
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        waiting = history.quarantine(states=["new"])
        held = history.held_files()
        numbers = [int(name) for name in names if _is_number(name)]
        unknown = sorted(set(numbers) - set(waiting["quarantine_id"].to_list()))
        if unknown:
            raise UsageError(f"No new quarantined line {unknown[0]}. See: annealog quarantine list")
        lines, files = pl.col("quarantine_id").is_in(numbers), pl.lit(False)
        for name in names:
            if not _is_number(name):
                fits = _of_file(name, "name")
                if not held.filter(fits).height:
                    known = ", ".join(held["name"].head(5)) or "none"
                    raise UsageError(f"No held file {name!r}. Held: {known}. All of them: annealog quarantine list")
                files = files | fits
        if file is not None or reason is not None:
            for_reason = pl.lit(True) if reason is None else pl.col("reason") == reason
            lines = lines | (for_reason & (pl.lit(True) if file is None else _of_file(file, "file")))
            files = files | (for_reason & (pl.lit(True) if file is None else _of_file(file, "name")))
        rows, gone = waiting.filter(lines), held.filter(files)
        if not rows.height and not gone.height:
            raise UsageError(
                "Nothing that waits fits. Name lines by number, held files by name, or many by --file or --reason. "
                "See: annealog quarantine list"
            )
        found = Discarded(rows.height, tuple(gone["name"].to_list()))
        if dry_run:
            return found
        history.mark_quarantine(rows["quarantine_id"].to_list(), "discarded", by, why)
        history.release_held(gone["sha256"].to_list())
        subject = {
            "lines": [{"sha256": row["sha256"], "line": row["line"]} for row in rows.iter_rows(named=True)],
            **({"files": gone.select("sha256", "name", "reason").to_dicts()} if gone.height else {}),
        }
        history.append_event("discard", subject, by=by, why=why)
        return found


def _is_number(name: str) -> bool:
    return name.isascii() and name.isdigit() and len(name) < _SHORTEST_HASH


_SHORTEST_HASH = 8


def _of_file(name: str, column: str) -> pl.Expr:
    of_hash = pl.col("sha256").str.starts_with(name) if len(name) >= _SHORTEST_HASH else pl.lit(False)
    return (pl.col(column) == name) | of_hash


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


def replay(workspace: Workspace, *, by: str, why: str, dry_run: bool = False) -> list[ReplayReport]:
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
    moment = datetime.now(UTC)
    wrong: dict[str, str] = {}
    layouts = layouts_of(workspace, wrong)
    reports = []
    with History.open(workspace.history, write=not dry_run, wait_s=settings.busy_wait_seconds) as history:
        # an edit decides nothing until a load takes it over
        settings, tables = recorded(history.reference_texts(), settings)
        listed = names_listed(tables)
        waiting = history.quarantine(states=["new"])
        sources = history.sources()
        for source_id in waiting["source_id"].unique().sort().to_list():
            source = sources.filter(pl.col("source_id") == source_id).row(0, named=True)
            refused = waiting.filter(pl.col("source_id") == source_id)
            name = str(source["name"])
            if source["layout"] not in layouts:
                why_not = wrong.get(source["layout"], f"layout {source['layout']} is gone")
                reports.append(ReplayReport(name, source_id, 0, 0, refused.height, why_not))
                continue
            data = read_bytes(archived(workspace.archive, source["sha256"]), settings.size_cap_mb * 1_000_000)
            if sha256_of(data) != source["sha256"]:
                raise IntegrityProblem(f"The raw file of {name} has changed. Run: annealog verify")
            layout, text = layouts[source["layout"]]
            result = read_export(data, name=name, layout=layout, settings=settings, listed=listed, now=moment)
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
