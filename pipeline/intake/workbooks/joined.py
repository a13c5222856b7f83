"""What the sheets of one workbook gave becomes what the file gave: lines run through all sheets, counts add up."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.intake.reading import shown
from pipeline.intake.workbooks.parts import in_sheet
from schemas.tables import FATES, QUARANTINE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.intake.reading import FileReading
    from pipeline.intake.workbooks.parts import Part

__all__ = ["joined"]


def joined(parts: Sequence[Part], found: Sequence[FileReading]) -> FileReading:
    """Return one reading of a file.

    Parameters
    ----------
    parts
        Its sheets, in their order.
    found
        What each gave, lines counted within it.

    Returns
    -------
    FileReading
        Held if one of them is; lines of the second sheet follow those of the first.
    """
    for part, one in zip(parts, found, strict=True):
        if one.held is not None:
            return replace(one, held=in_sheet(one.held, part.sheet))
    several = len(parts) > 1
    before = 0
    shifted: list[FileReading] = []
    warnings: list[str] = []
    metadata: dict[str, str] = {}
    sheets: list[str] = []
    for part, one in zip(parts, found, strict=True):
        shifted.append(_shifted(_faults_taken(one, part), before, part.sheet if several else None))
        name = "" if part.sheet is None else shown(part.sheet)
        warnings += part.warnings
        warnings += [f"{text} (sheet '{name}')" if several else text for text in one.warnings]
        metadata |= {f"{name}: {key}" if several else key: value for key, value in one.metadata.items()}
        sheets.append(f"{name} (lines {before + 1} to {before + one.lines})" if several else name)
        before += one.lines
    if parts[0].sheet is not None:
        metadata["sheet"] = ", ".join(sheets)
    return replace(
        shifted[0],
        readings=pl.concat([one.readings for one in shifted], how="diagonal"),
        quarantine=pl.concat([one.quarantine for one in shifted]),
        counts={fate: sum(one.counts[fate] for one in shifted) for fate in FATES},
        metadata=metadata,
        warnings=tuple(warnings),
    )


def _faults_taken(found: FileReading, part: Part) -> FileReading:
    """Move the lines that rest on a formula, an error or a percentage to quarantine; the first such cell is named."""
    read, refused = set(found.readings["line"]), set(found.quarantine["line"])
    faults = {fault.line: fault for fault in reversed(part.faults) if fault.line in read | refused}
    if not faults:
        return found
    lines = part.text.decode("utf-8").split("\n")
    rows = [(n, one.column, one.reason, one.sentence, lines[n - 1]) for n, one in faults.items()]
    moved = pl.DataFrame(rows, schema=QUARANTINE.polars_schema, orient="row")
    taken = pl.col("line").is_in(list(faults))
    counts, more = dict(found.counts), len(set(faults) & read)
    counts["accepted"] -= more
    counts["quarantined"] += more
    return replace(
        found,
        readings=found.readings.filter(~taken),
        quarantine=pl.concat([found.quarantine.filter(~taken), moved]).sort("line"),
        counts=counts,
    )


def _shifted(found: FileReading, before: int, sheet: str | None) -> FileReading:
    if sheet is None:
        return found
    where = pl.format(" Sheet {}, row {}.", pl.lit(f"'{shown(sheet)}'"), pl.col("line"))
    return replace(
        found,
        readings=found.readings.with_columns(pl.col("line") + before),
        quarantine=found.quarantine.with_columns(
            pl.col("line") + before, pl.concat_str("sentence", where).alias("sentence")
        ),
    )
