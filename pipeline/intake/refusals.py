"""Why a line is refused: the reason codes, what to do about each, and the collector of refusals of a chunk."""

from __future__ import annotations

import polars as pl

from pipeline.intake.reading import shown

__all__ = ["REASONS", "Refusals", "mask_of"]

REASONS: dict[str, str] = {
    "too_few_cells": "Correct the export, or discard the line with a reason.",
    "too_many_cells": "A delimiter inside a text needs quotes; correct the export, or discard the line with a reason.",
    "truncated": "The export was cut off: export again. The last number cannot be trusted.",
    "bad_quoting": 'Correct the quotes in the export, or declare dialect.quoteChar = "" if they are plain characters.',
    "stray_carriage_return": "Correct the export; if lines end so, declare dialect.lineTerminator in the layout.",
    "after_footer": "Readings after the footer: was the file put together from several? Load them one by one.",
    "missing_value": "Correct the export, or add a constant to the layout if it is the same for every line.",
    "surrounding_space": "Declare dialect.trimCells = true in the layout if such spaces mean nothing.",
    "not_a_number": "If it is a code of the meter, add it to nonReadings of the layout, then replay the line.",
    "not_finite": "A reading is a finite number; if it is a code of the meter, add it to nonReadings of the layout.",
    "unexpected_exponent": "Declare exponent = true at the field if the meter writes numbers so.",
    "not_an_integer": "Correct the export.",
    "negative_value": "Conductivity and resistivity are above zero; repeat the reading.",
    "implausible_value": "Repeat the reading, or widen the plausible range of the workspace by a recorded decision.",
    "impossible_temperature": "Correct the export; the unit of the temperature is declared in the layout.",
    "not_a_time": "Correct the format in the layout, or the export.",
    "impossible_date": "No such day or hour exists; correct the export.",
    "date_out_of_range": "Set the clock of the meter; then correct the year in the export, or discard the line.",
    "ambiguous_time": "The clock was set back over this time; export with an offset, or state which of the two it was.",
    "skipped_time": "The clock was set forward over this time; check the clock of the meter.",
    "not_in_list": "Add it to 'values' of the field in the layout, or correct the export.",
    "breaks_constraint": "Correct the export, or the constraint in the layout.",
    "spreadsheet_damage_suspected": "A spreadsheet rewrites lots and numbers as dates or powers of ten: load the meter's own "
    "export. If it is right, declare a pattern for the column.",
    "damaged_text": "The text was damaged before it came here: load the meter's own export.",
    "missing_lot": "A reading on a part needs its lot.",
    "missing_block": "A check or a setting needs its reference block.",
    "unknown_block": "Enter the block in reference/blocks.csv, or correct the line, then replay it.",
    "lot_named_like_block": "Is it a reading on a reference block? Correct role and block.",
    "block_on_part_row": "A reading on a part names a reference block: correct role or block.",
    "out_of_range": "Correct the export.",
    "formula_cell": "Type the value as it was read, or paste it as a value; if formulas are meant, declare workbook.formulas = "
    '"read" in the layout.',
    "error_cell": "Correct the cell in the workbook, or discard the line with a reason.",
    "percent_cell": "Take the percent format from the cell and look whether its number is the one that was read.",
    "role_disagrees": "The role says a part and the name a block, or the other way round: correct the export.",
    "role_unclear": "Which of the two was read? Correct the export.",
    "not_routed": "Add a route to the layout, or enter the name in reference/blocks.csv, lots.csv or studies.csv; then replay the "
    "line.",
    "in_two_lists": "Give one of the two another name, or tell them apart by a pattern in the routes of the layout.",
    "named_like_a_block": "Is it a reading on the reference block? Correct the name, or add a route by pattern before this one.",
    "nothing_above": "The cell above was refused or is empty, too: correct the export.",
    "outside_section": "Readings after the end of a section: was the file put together from several? Load them one by one.",
    "section_without_header": "Export again; a table without its header is never read by the one before.",
    "section_disagrees": "Was a line changed, lost or added? Load the meter's own export; nothing of the section is taken before.",
    "section_head_lost": "Correct the export; if the line is a remark, declare dialect.commentChar, commentRows or sections.end.",
    "key_twice": "The first counts; correct the export if it is wrong.",
}
"""Every reason for which a line goes to quarantine, and what to do about it."""


def mask_of(rows: pl.Series, height: int) -> pl.Series:
    """Return a boolean a row that is true at the given places."""
    return pl.int_range(height, dtype=pl.UInt32, eager=True).is_in(rows.cast(pl.UInt32).implode())


class Refusals:
    """Collects the refusals of one chunk of lines; the first refusal of a line counts.

    Parameters
    ----------
    lines
        Line numbers of the rows.
    """

    def __init__(self, lines: pl.Series) -> None:
        self._lines = lines
        self._found: list[pl.DataFrame] = []

    def add(self, wrong: pl.Series, column: str, reason: str, expected: str, cells: pl.Series | None = None) -> None:
        """Refuse the rows of a mask.

        Parameters
        ----------
        wrong
            Boolean, one a row; null counts as false.
        column
            Column concerned, as the file names it.
        reason
            Code in :data:`REASONS`.
        expected
            What was expected, as the end of a sentence.
        cells
            What was found.
        """
        rows = wrong.fill_null(value=False).arg_true()
        if not rows.len():
            return
        found = pl.Series([None], dtype=pl.String) if cells is None else cells.gather(rows).cast(pl.String)
        distinct = found.unique()
        shown_of = {text: f"found '{shown(text)}'" for text in distinct.drop_nulls()}
        name = f"Column '{shown(column)}': " if column else ""
        if cells is None:
            sentence = pl.lit(f"{name}expected {expected}. {REASONS[reason]}")
        else:
            sentence = pl.format(
                "{}{}, expected {}. {}",
                pl.lit(name),
                pl.col("found").replace_strict(shown_of, default="the cell is empty", return_dtype=pl.String),
                pl.lit(expected),
                pl.lit(REASONS[reason]),
            )
        frame = pl.DataFrame({"row": rows.cast(pl.UInt32)})
        if cells is not None:
            frame = frame.with_columns(found.alias("found"))
        self._found.append(
            frame.select(
                "row",
                pl.lit(len(self._found), dtype=pl.UInt32).alias("order"),
                pl.lit(column).alias("column"),
                pl.lit(reason).alias("reason"),
                sentence.alias("sentence"),
            )
        )

    @property
    def any(self) -> bool:
        """Whether a row was refused."""
        return bool(self._found)

    def frame(self) -> pl.DataFrame:
        """Return one row a refused row: row, line, column, reason, sentence, by row."""
        schema = {"row": pl.UInt32, "line": pl.Int64, "column": pl.String, "reason": pl.String, "sentence": pl.String}
        if not self._found:
            return pl.DataFrame(schema=schema)
        first = pl.concat(self._found).sort("row", "order").unique("row", keep="first", maintain_order=True)
        return first.with_columns(line=self._lines.gather(first["row"])).select(list(schema))

    def kept(self, height: int) -> pl.Series | None:
        """Return the mask of rows that were not refused, or None where none was."""
        if not self._found:
            return None
        rows = pl.concat([found["row"] for found in self._found]).unique()
        return ~mask_of(rows, height)
