"""The lines of readings of a file, chunk by chunk: what adds up, and the fate of each line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.intake import lines as kinds
from pipeline.intake.reading import Held, HoldFile
from pipeline.intake.refusals import REASONS
from pipeline.intake.sections import Told, disagreements, tell
from schemas.tables import QUARANTINE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.intake.layout import Layout
    from pipeline.intake.reading import Head
    from pipeline.intake.rows import RowReader

__all__ = ["Body"]

MOST_REFUSED = 10_000
"""So many lines may be refused in any case; more only where at least as many could be read."""
MOST_REFUSED_OF_ALL = 250_000
_LONGEST_FOOTER = 50
"""Lines at the end of a file among which a footer is looked for before they are split into cells."""

_OF_LINES = {
    kinds.TOO_FEW: ("too_few_cells", "fewer cells than the header has columns"),
    kinds.TOO_MANY: ("too_many_cells", "more cells than the header has columns"),
    kinds.STRAY: ("stray_carriage_return", "a carriage return inside the line"),
    kinds.BAD_QUOTES: ("bad_quoting", "text after a closing quote mark"),
}


class Body:
    """Carries what adds up over the chunks of a file."""

    def __init__(self, layout: Layout, head: Head, rows: RowReader) -> None:
        self.layout, self.head, self.rows = layout, head, rows
        self.counts = dict(head.counts)
        self.readings: list[pl.DataFrame] = []
        self.quarantine: list[pl.DataFrame] = []
        self.footer: list[tuple[int, str]] = []
        self.warnings: list[str] = list(head.warnings)
        self.next_line = head.lines + 1
        self.width = len(head.columns)
        self.repeated_header = False

    def add(self, text: bytes, *, unfinished: bool, last: bool) -> None:
        """Read one chunk of whole lines."""
        dialect, told = self.layout.dialect, None
        passed = None
        if last and self.layout.footer is not None and not self.layout.at_once:
            passed = self._footer_at_the_end(text)
        if self.layout.at_once:
            told = tell(text.decode("utf-8").split("\n")[:-1], self.layout, self.head, self.next_line)
        found = kinds.split_chunk(
            text,
            dialect,
            cells_wanted=self.rows.cell_types,
            width=self.width,
            first_line=self.next_line,
            passed=passed if told is None else told.passed,
        )
        broken = int(np.isin(found.kinds, list(_OF_LINES)).sum())
        self._hold_if_mostly_refused(broken, len(found.rows))
        lines = pl.Series("line", found.rows + self.next_line, dtype=pl.Int64)
        if told is None:
            readings, refused = self.rows.read(found.cells, lines)
        else:
            readings, refused = self._read_in_parts(found, lines, told)
        refused = pl.concat([refused, self._refused_lines(found, last=last)]).sort("line")
        if unfinished and dialect.final_newline:
            readings, refused = self._cut_off(readings, refused, found)
        originals = [found.original(row) for row in (refused["line"] - self.next_line).to_list()]
        refused = refused.with_columns(original=pl.Series(originals, dtype=pl.String))
        refused = self._known_lines(refused)
        if told is not None:
            readings, refused = self._hold_sections(readings, refused, found, told)
        if self.footer and self.layout.sections is None:
            readings, refused = self._after_footer(readings, refused, found)
        self.counts["blank"] += int((found.kinds == kinds.BLANK).sum())
        self.counts["preamble"] += int((found.kinds == kinds.COMMENT).sum())
        self.counts["accepted"] += readings["line"].n_unique() if self.layout.wide else readings.height
        self.counts["quarantined"] += refused.height
        self._hold_if_mostly_refused(0, 0, refused)
        self.readings.append(readings)
        self.quarantine.append(refused.select(QUARANTINE.names))
        self.next_line += len(found.kinds)

    def _footer_at_the_end(self, text: bytes) -> NDArray[np.bool_]:
        """Take the footer from the last lines, so that one with the cells of a reading is never read as one."""
        lines = text.count(b"\n")
        ends = text.rsplit(b"\n", _LONGEST_FOOTER + 1)[1:-1] if lines > _LONGEST_FOOTER else text.split(b"\n")[:-1]
        passed = np.zeros(lines, np.bool_)
        for place, line in enumerate(ends, start=lines - len(ends)):
            original = line.decode("utf-8")
            if self._is_footer(original):
                passed[place] = True
                self.footer.append((self.next_line + place, original))
        self.counts["footer"] += int(passed.sum())
        return passed

    def _read_in_parts(
        self, found: kinds.ChunkLines, lines: pl.Series, told: Told
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Read a whole file of sections, or with cells that are filled down as far as no line is lost."""
        section = pl.Series("section", told.of[found.rows], dtype=pl.Int64)
        cells = found.cells.with_columns(
            told.column(column.name)
            .gather(section)
            .cast(pl.Categorical if column.field.type == "string" else pl.String)
            .alias(f"c{column.position}")
            for column in self.head.carried
        )
        broken = np.cumsum(np.isin(found.kinds, list(_OF_LINES)))[found.rows]
        parts = section * (len(found.kinds) + 1) + pl.Series(broken, dtype=pl.Int64)
        readings, refused = self.rows.read(cells, lines, parts)
        for fate, count in told.counts.items():
            self.counts[fate] += count
        self.footer.extend(told.footer)
        own = [(line, None, reason, sentence) for line, reason, sentence in told.refused]
        return readings, pl.concat([refused, pl.DataFrame(own, schema=refused.schema, orient="row")])

    def _hold_sections(
        self, readings: pl.DataFrame, refused: pl.DataFrame, found: kinds.ChunkLines, told: Told
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Refuse the readings of each section that states other figures than they have."""
        decimals = self.rows.decimals(found.cells)
        wrong = disagreements(told, readings, refused["line"], self.layout, self.next_line, decimals)
        if not wrong:
            return readings, refused
        of = pl.Series(told.of[readings["line"].to_numpy() - self.next_line], dtype=pl.Int64)
        held = readings.filter(of.is_in(list(wrong)))["line"]  # figures of sections serve one reading a line
        sentences = [
            f"Section that begins in line {told.began[section]}: {wrong[section]}. {REASONS['section_disagrees']}"
            for section in told.of[held.to_numpy() - self.next_line].tolist()
        ]
        more = pl.DataFrame(
            {
                "line": held,
                "column": None,
                "reason": "section_disagrees",
                "sentence": sentences,
                "original": [found.original(line - self.next_line) for line in held],
            },
            schema=refused.schema,
        )
        return readings.filter(~of.is_in(list(wrong))), pl.concat([refused, more]).sort("line")

    def _hold_if_mostly_refused(self, broken: int, whole: int, refused: pl.DataFrame | None = None) -> None:
        """Hold a file of which most is refused: it is written in no such layout, and each line would cost a row.

        Parameters
        ----------
        broken, whole
            Lines of a chunk that have not, or have, the cells of a reading, before any row is made of them.
        refused
            The refused lines of the chunk, when they have been counted.
        """
        lines, good = self.counts["quarantined"] + broken, self.counts["accepted"] + whole
        if lines <= MOST_REFUSED or (lines <= good and lines <= MOST_REFUSED_OF_ALL):
            return
        parts = [*self.quarantine, *([] if refused is None else [refused])]
        reasons = pl.concat(part.select("reason", "line") for part in parts if part.height) if parts else pl.DataFrame()
        counted = reasons["reason"].value_counts(sort=True).iter_rows() if reasons.height else ()
        raise HoldFile(
            Held(
                "mostly_refused",
                f"{lines:,} lines were refused and {good:,} could be read up to here.",
                "Name another layout, or correct this one; then load the file again. Nothing of it was loaded.",
                details=tuple(f"{reason}: {count:,}" for reason, count in counted),
                line=int(reasons["line"][0]) if reasons.height else self.next_line,
            )
        )

    def _refused_lines(self, found: kinds.ChunkLines, *, last: bool) -> pl.DataFrame:
        rows = np.flatnonzero(np.isin(found.kinds, list(_OF_LINES)))
        reasons, sentences = [], []
        for row in rows.tolist():
            reason, what = _OF_LINES[int(found.kinds[row])]
            if reason == "too_few_cells" and last and row == len(found.kinds) - 1:
                reason = "truncated"
            reasons.append(reason)
            sentences.append(f"The line has {what} ({self.width}). {REASONS[reason]}")
        return pl.DataFrame(
            {
                "line": pl.Series(rows + self.next_line, dtype=pl.Int64),
                "column": pl.Series([None] * len(rows), dtype=pl.String),
                "reason": pl.Series(reasons, dtype=pl.String),
                "sentence": pl.Series(sentences, dtype=pl.String),
            }
        )

    def _cut_off(
        self, readings: pl.DataFrame, refused: pl.DataFrame, found: kinds.ChunkLines
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Refuse the last line without a line end: a number cut inside looks like a number, so it is never taken."""
        row = len(found.kinds) - 1
        line = self.next_line + row
        if found.kinds[row] in (kinds.BLANK, kinds.COMMENT, kinds.PASSED):
            return readings, refused
        sentence = (
            f"The last line has no line end. {REASONS['truncated']} If this meter never writes one, declare "
            "dialect.finalNewline = false."
        )
        cut = pl.DataFrame([(line, None, "truncated", sentence)], schema=refused.schema, orient="row")
        return readings.filter(pl.col("line") != line), pl.concat([refused.filter(pl.col("line") != line), cut])

    def _known_lines(self, refused: pl.DataFrame) -> pl.DataFrame:
        """Take from the refused lines those that are no readings: repeated headers and units, blanks, the footer."""
        if refused.is_empty():
            return refused
        original = refused["original"]
        strip = self.layout.dialect.delimiter + " \t\x1a"  # old systems end a file with a 1A
        blank = original.str.strip_chars(strip) == ""
        header = original.str.strip_prefix("\ufeff").is_in(list(self.head.header_texts))
        units = original.eq_missing(self.head.units_text)
        if header.any() and not self.repeated_header:
            self.repeated_header = True
            line = int(refused["line"].filter(header)[0])
            self.warnings.append(
                f"header_repeated: line {line} is the header again; was the file put together from several?"
            )
        for fate, mask in (("blank", blank), ("header", header), ("units", units)):
            self.counts[fate] += int(mask.sum())
        refused = refused.filter(~(blank | header | units))
        if self.layout.footer is not None:
            lines = refused.select("line", "original").iter_rows()
            first = next((row for row in lines if self._is_footer(row[1])), None)
            if first is not None and (not self.footer or first[0] < self.footer[0][0]):
                self.footer.insert(0, first)
        return refused

    def _is_footer(self, text: str) -> bool:
        footer = self.layout.footer
        return footer is not None and footer.pattern.match(text) is not None

    def _after_footer(
        self, readings: pl.DataFrame, refused: pl.DataFrame, found: kinds.ChunkLines
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Count what follows the first line of the footer as footer, unless half as many delimiters as a reading has cells stand in it."""
        start = self.footer[0][0]
        late = refused.filter(pl.col("line") >= start)
        mark, width = self.layout.dialect.delimiter, self.width
        is_footer = [self._is_footer(text) or 2 * text.count(mark) < width for text in late["original"]]
        footer = late.filter(pl.Series(is_footer, dtype=pl.Boolean))
        self.counts["footer"] += footer.height
        self.footer.extend(row for row in footer.select("line", "original").iter_rows() if row[0] > start)
        self.footer.sort()
        refused = refused.filter(~pl.col("line").is_in(footer["line"].implode()))
        stray = readings.filter(pl.col("line") > start)["line"].unique(maintain_order=True)
        if stray.len():
            originals = [found.original(line - self.next_line) for line in stray]
            more = pl.DataFrame(
                {
                    "line": stray,
                    "column": None,
                    "reason": "after_footer",
                    "sentence": f"The footer begins in line {start}. {REASONS['after_footer']}",
                    "original": originals,
                },
                schema=refused.schema,
            )
            refused = pl.concat([refused, more]).sort("line")
            readings = readings.filter(pl.col("line") <= start)
        return readings, refused
