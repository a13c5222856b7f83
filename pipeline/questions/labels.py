"""What stands on the label of a lot or a block, with a QR code of its id."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UsageError
from pipeline.questions.blocks import block_results
from schemas.papers import LabelPage
from schemas.versions import version_at

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment

__all__ = ["MOST_CHARACTERS", "code_of", "label_of_block", "label_of_lot"]

MOST_CHARACTERS = 200
"""Bytes of an id in the code: more would make modules finer than 0.4 mm, which label printers do not draw and readers do not read
(common practice, no source)."""


def code_of(identifier: str) -> tuple[tuple[bool, ...], ...]:
    """Return the QR code (ISO/IEC 18004) of an id, level M: rows of modules, dark ones true, without the quiet zone.

    Raises
    ------
    UsageError
        If the id is empty or too long for the label.
    """
    import segno

    data = identifier.encode("utf-8", "surrogatepass")
    if not data or len(data) > MOST_CHARACTERS:
        raise UsageError(
            f"{identifier[:40]!r}: an id of {len(data)} bytes; a label holds 1 to {MOST_CHARACTERS} in a code that can be read."
        )
    # UTF-8 is marked as such where the id needs it, so that every reader gives back the same text
    made = segno.make_qr(
        identifier, error="m", encoding=None if identifier.isascii() else "utf-8", eci=not identifier.isascii()
    )
    return tuple(tuple(bool(module) for module in row) for row in made.matrix)


def label_of_lot(assessment: Assessment, lot: str) -> LabelPage:
    """Return the label of a lot: its verdict, with what comes first, and when it was read.

    Raises
    ------
    UsageError
        If the lot has no readings, or its name does not fit in a code.
    """
    result = assessment.lots.get(lot)
    if result is None:
        raise UsageError(f"Lot {lot!r} has no readings. Check the spelling: annealog status lists what was read.")
    return LabelPage(
        kind="lot", identifier=lot, state=result.verdict, first=result.conditions[0] if result.conditions else None,
        dated=result.last_at, due=None, zone=assessment.settings.time_zone, code=code_of(lot),
    )  # fmt: skip


def label_of_block(assessment: Assessment, block: str) -> LabelPage:
    """Return the label of a reference block: its state, the date of its certificate and when it is due.

    Raises
    ------
    UsageError
        If the block is not known, or its name does not fit in a code.
    """
    found = block_results(assessment, [block]).get(block)
    if found is None:
        known = ", ".join(sorted({*assessment.tables["blocks"]["block"], *assessment.checks["block"]})) or "none"
        raise UsageError(f"Block {block!r} is not known. Known blocks: {known}.")
    held = version_at(assessment.tables["blocks"].filter(pl.col("block") == block), ["block"], assessment.as_of)
    row = held.row(0, named=True) if held.height else {}
    return LabelPage(
        kind="block", identifier=block, state=found.state, first=None, dated=row.get("certified_on"), due=row.get("due_on"),
        zone=assessment.settings.time_zone, code=code_of(block),
    )  # fmt: skip
