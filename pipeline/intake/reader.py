"""A layout and the bytes of a file give readings and quarantine; every line has one fate, and the counts balance."""

from __future__ import annotations

import dataclasses
import hashlib
from functools import partial
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import IntegrityProblem
from pipeline.intake.body import Body
from pipeline.intake.decoding import CHUNK_BYTES, LONGEST_LINE_BYTES, choose_encoding, chunks, container, too_long
from pipeline.intake.footer import check_footer
from pipeline.intake.head import LONGEST_HEAD, read_head
from pipeline.intake.reading import FileReading, Head, Held, HoldFile
from pipeline.intake.rows import RowReader
from pipeline.intake.sections import carried_columns
from pipeline.intake.workbooks.joined import joined
from pipeline.intake.workbooks.parts import parts_of
from schemas.tables import QUARANTINE, READING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from pipeline.intake.decoding import Chunk
    from pipeline.intake.layout import Layout
    from pipeline.intake.workbooks.parts import Part

__all__ = ["head_lines", "read"]


def head_lines(chunk: Chunk) -> list[str]:
    """Return the first lines of a file as text.

    Parameters
    ----------
    chunk
        The first chunk of the file.

    Returns
    -------
    list of str
        At most :data:`head.LONGEST_HEAD` lines, without line ends.

    Raises
    ------
    HoldFile
        For a line that is too long.
    """
    end = 0
    for _ in range(LONGEST_HEAD):
        found = chunk.text.find(b"\n", end)
        if found < 0:
            break
        if found - end > LONGEST_LINE_BYTES:
            raise too_long(chunk.text.count(b"\n", 0, end) + 1)
        end = found + 1
    return chunk.text[:end].decode("utf-8").split("\n")[:-1]


def _balanced(body: Body) -> None:
    total = body.next_line - 1
    if sum(body.counts.values()) != total:
        raise IntegrityProblem(
            f"{total} lines, but the fates add up to {sum(body.counts.values())}: {body.counts}; nothing was loaded"
        )


def _read_body(data: bytes, layout: Layout, name: str, rows_of: Callable[[Head], RowReader]) -> Body:
    encoding = choose_encoding(data, layout.dialect.encoding)
    body: Body | None = None
    size = len(data) + 1 if layout.at_once else CHUNK_BYTES
    for chunk in chunks(data, encoding, layout.dialect.line_terminator, size):
        text = chunk.text
        if body is None:
            head = read_head(_told_apart(head_lines(chunk)), layout, name.rpartition("/")[2])
            head.carried = carried_columns(layout, len(head.columns))
            body = Body(layout, head, rows_of(head))
            if encoding.warning:
                body.warnings.append(f"encoding: {encoding.warning}")
            start = 0
            for _ in range(head.lines):
                start = text.index(b"\n", start) + 1
            text = text[start:]
        if text:
            body.add(text, unfinished=chunk.unfinished, last=chunk.last)
    if body is None:
        raise HoldFile(Held("empty_file", "The file has no line.", "Export again."))
    return body


def _told_apart(lines: list[str]) -> list[str]:
    if len(lines) == 1 and "\r" in lines[0]:
        raise HoldFile(
            Held(
                "line_ends",
                "The lines end with a carriage return alone; the layout declares another line end.",
                'Declare dialect.lineTerminator = "\\r" in the layout if this meter writes so.',
                line=1,
            )
        )
    return lines


def _hold_if_no_line_fits(body: Body, quarantine: pl.DataFrame) -> None:
    if body.counts["accepted"] or quarantine.height < 2:
        return
    if quarantine["reason"].is_in(["too_few_cells", "too_many_cells"]).sum() >= quarantine.height - 1:
        raise HoldFile(
            Held(
                "cells_mismatch",
                f"None of {quarantine.height} lines has {body.width} cells, as the header has.",
                "Does the decimal mark of the numbers equal the delimiter? Export with another delimiter or with quotes.",
                line=int(quarantine["line"][0]),
            )
        )


def _unreadable(data: bytes, size_cap_bytes: int) -> Held | None:
    if len(data) <= size_cap_bytes:
        return container(data)
    return Held(
        "too_large",
        f"The file has {len(data):,} bytes; at most {size_cap_bytes:,} are read.",
        "Export a shorter time at once, or raise the cap in the settings.",
    )


def read(
    data: bytes,
    *,
    name: str,
    layout: Layout,
    plausible_ms_per_m: tuple[float, float],
    site_zone: str,
    listed: Mapping[str, frozenset[str]],
    now: datetime,
    size_cap_bytes: int,
    earliest_clock_year: int = 2010,
) -> FileReading:
    """Read one file.

    Parameters
    ----------
    data
        The bytes of the file.
    name
        Its name, kept for the ledger.
    layout
        How it is written.
    plausible_ms_per_m
        Range of values that can be, in MS/m.
    site_zone
        IANA zone of the site, for layouts that say ``zone = "site"``.
    listed
        Names in the registers: blocks, lots, studies.
    now
        Time of loading, with a zone.
    size_cap_bytes
        Larger files are held unread.
    earliest_clock_year
        A clock before this year (UTC) is not believed.

    Returns
    -------
    FileReading
        With readings and quarantine, or held with the reason.

    Raises
    ------
    errors.IntegrityProblem
        If the fates of the lines do not add up: a fault of this product, never of the file.
    """
    empty = FileReading(
        sha256=hashlib.sha256(data).hexdigest(),
        name=name,
        size=len(data),
        layout_name=layout.name,
        layout_version=layout.version,
        zone={"offset": "offset in the data", "site": site_zone}.get(layout.zone, layout.zone),
    )
    refused = _unreadable(data, size_cap_bytes)
    if refused is not None:
        return dataclasses.replace(empty, held=refused)

    try:
        parts = parts_of(data, layout, site_zone)
    except HoldFile as stop:
        return dataclasses.replace(empty, held=stop.held)
    found = [
        _read_part(
            part,
            empty,
            partial(
                RowReader,
                part.layout,
                plausible_ms_per_m=plausible_ms_per_m,
                site_zone=site_zone,
                listed=listed,
                now=now,
                earliest_clock_year=earliest_clock_year,
            ),
            earliest_clock_year,
        )
        for part in parts
    ]
    return found[0] if parts[0].sheet is None else joined(parts, found)


def _read_part(
    part: Part, empty: FileReading, rows_of: Callable[[Head], RowReader], earliest_clock_year: int
) -> FileReading:
    """Read one text: a file, or a sheet of a workbook."""
    layout = part.layout
    try:
        body = _read_body(part.text, layout, empty.name, rows_of)
        quarantine = _joined(body.quarantine, QUARANTINE.empty())
        _hold_if_no_line_fits(body, quarantine)
    except HoldFile as stop:
        return dataclasses.replace(empty, held=stop.held)
    _balanced(body)
    readings = _joined(body.readings, READING.empty())
    late = int((quarantine["reason"] == "after_footer").sum())
    warnings = body.warnings + check_footer(
        body.footer,
        layout,
        data_lines=body.counts["accepted"] + quarantine.height - late,
        refused_lines=quarantine.height - late,
        values=readings["value"],
    )
    warnings += _clock_told(readings, earliest_clock_year)
    if not readings.height:
        warnings.append(
            "no_reading: the file has no line of readings"
            if not quarantine.height
            else "no_reading: every line of readings was refused"
        )
    return dataclasses.replace(
        empty,
        readings=readings,
        quarantine=quarantine,
        counts=body.counts,
        metadata=body.head.metadata,
        warnings=tuple(warnings),
    )


def _clock_told(readings: pl.DataFrame, earliest_clock_year: int) -> list[str]:
    """Say how many readings have a clock that is not believed."""
    unknown = readings.filter(pl.col("clock") == "unknown")
    if not unknown.height:
        return []
    on_blocks = int((unknown["role"].cast(pl.String) != "part").sum())
    dated = f"before {earliest_clock_year} (earliest_clock_year) or more than a day after they were loaded"
    text = f"clock_unknown: {unknown.height} readings are dated {dated}; {on_blocks} of them are on blocks and in no check."
    return [f"{text} Set the meter's clock."]


def _joined(parts: Sequence[pl.DataFrame], empty: pl.DataFrame) -> pl.DataFrame:
    """One frame of the frames of all chunks; a column that some chunks have not is null there."""
    return pl.concat(parts, how="diagonal") if parts else empty
