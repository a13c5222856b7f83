"""Looking at an unknown or doubtful file: propose a layout, try one, write a sheet for readings taken by hand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import LayoutError, UsageError
from pipeline.history.store import History
from pipeline.intake.identity import decide
from pipeline.intake.layout import Layout, parse_layout
from pipeline.intake.match import match
from pipeline.intake.reading import FileReading, Held
from pipeline.intake.suggest import suggest
from pipeline.intake.template import Template, template
from pipeline.load.exports import layouts_of, misspelt_lots, names_listed, read_export
from pipeline.load.one_file import shown_name
from pipeline.load.take_over import read_reference
from pipeline.near import nearest
from pipeline.workspace.files import read_bytes, write_atomically
from pipeline.workspace.recorded import recorded_tables

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pipeline.intake.suggest import Suggestion
    from pipeline.workspace.settings import Workspace

__all__ = ["Check", "check", "propose", "write_template"]


@dataclass(frozen=True)
class Check:
    """What a layout would make of a file: nothing was written."""

    held: Held | None
    layout: str | None
    result: FileReading | None
    duplicate_lines: int = 0
    conflicts: int = 0


def check(
    workspace: Workspace,
    path: Path,
    *,
    layout: str | None = None,
    layout_file: Path | None = None,
    now: datetime | None = None,
) -> Check:
    """Read a file as a load would, and write nothing.

    Parameters
    ----------
    workspace
        For its layouts, blocks and history.
    path
        The file.
    layout
        Name of a known layout; None matches.
    layout_file
        A layout that is not in the workspace yet.

    Returns
    -------
    Check

    Raises
    ------
    UsageError
        If the named layout is not known, or both ways of naming one are used.
    """
    if layout is not None and layout_file is not None:
        raise UsageError("Name either --layout or --layout-file, not both.")
    settings = workspace.settings
    cap = settings.size_cap_mb * 1_000_000
    data = read_bytes(path, cap)
    name = shown_name(workspace, path)
    wrong: dict[str, str] = {}
    known = {key: pair[0] for key, pair in layouts_of(workspace, wrong).items()}
    chosen: Layout | Held
    if layout_file is not None:
        chosen = parse_layout(read_bytes(layout_file, 1_000_000).decode("utf-8-sig"), str(layout_file))
    elif layout is not None:
        if layout in wrong:
            raise LayoutError(wrong[layout])
        if layout not in known:
            raise UsageError(
                f"There is no layout {layout!r}. Known layouts: {', '.join(sorted(known))}{nearest(layout, known)}"
            )
        chosen = known[layout]
    else:
        chosen = match(name, data, known, settings.folders)
    if isinstance(chosen, Held):
        unusable = tuple(f"not usable: {line}" for text in wrong.values() for line in text.split("\n"))
        return Check(replace(chosen, details=chosen.details + unusable), None, None)
    listed = names_listed(recorded_tables(read_reference(workspace), settings))
    result = read_export(data, name=name, layout=chosen, settings=settings, listed=listed, now=now or datetime.now(UTC))
    if result.held is not None:
        return Check(result.held, chosen.name, result)
    result = replace(result, warnings=result.warnings + misspelt_lots(result.readings, listed))
    if not workspace.history.exists():
        return Check(None, chosen.name, result)
    with History.open(workspace.history, wait_s=settings.busy_wait_seconds) as history:
        decided = decide(result.readings, history.stored_slots(result.readings), repeats_kept=chosen.repeats_kept)
    lines = decided.group_by("line").agg((pl.col("fate") == "duplicate").all().alias("duplicate"))
    return Check(None, chosen.name, result, int(lines["duplicate"].sum()), int((decided["fate"] == "conflict").sum()))


def propose(
    workspace: Workspace | None, path: Path, answers: Mapping[str, str], *, data: bytes | None = None
) -> Suggestion:
    """Propose a layout for a file and try it, with the registers of the workspace where there is one.

    Parameters
    ----------
    workspace
        For names of blocks, lots and studies, the zone and the plausible range; None outside one.
    path
        The file.
    answers
        To questions asked before.
    data
        Its bytes, where they lie elsewhere.

    Returns
    -------
    Suggestion
    """
    now = datetime.now(UTC)
    if workspace is None:
        return suggest(read_bytes(path, 2_000_000_000), path.name, answers=answers, now=now)
    settings = workspace.settings
    return suggest(
        read_bytes(path, settings.size_cap_mb * 1_000_000) if data is None else data,
        path.name,
        answers=answers,
        listed=names_listed(recorded_tables(read_reference(workspace), settings)),
        site_zone=settings.time_zone,
        plausible_ms_per_m=settings.plausible_range_ms_per_m,
        now=now,
    )


def write_template(
    workspace: Workspace,
    folder: Path,
    *,
    unit: str,
    delimiter: str,
    decimal_char: str,
    name: str,
    dry_run: bool = False,
) -> tuple[Template, list[Path]]:
    """Write a sheet for readings taken by hand (CSV and workbook) and put its layout into the workspace.

    Returns
    -------
    (Template, list of Path)
        The sheet, and what was (or would be) written.

    Raises
    ------
    UsageError
        If a file of that name exists.
    """
    tables = recorded_tables(read_reference(workspace), workspace.settings)
    made = template(
        unit=unit,
        delimiter=delimiter,
        decimal_char=decimal_char,
        name=name,
        meters=tables["meters"]["meter"].unique().sort().to_list(),
        probes=tables["probes"]["probe"].unique().sort().to_list(),
        blocks=tables["blocks"]["block"].unique().sort().to_list(),
    )
    files = {
        folder / f"{name}.csv": made.csv_text.encode("utf-8-sig"),
        folder / f"{name}.xlsx": made.workbook_bytes,
        workspace.layouts / f"{name}.toml": made.layout_text.encode(),
    }
    for path in files:
        if path.exists():
            raise UsageError(f"{path} exists already. Choose another --name or --folder.")
    if not dry_run:
        for path, content in files.items():
            write_atomically(path, content)
    return made, list(files)
