"""Rows of cells to readings: the columns of a chunk together, the rules between columns, and the contract."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.intake import cells as read
from pipeline.intake.layout_parts import LayoutField
from pipeline.intake.reading import FileColumn, Held, HoldFile
from pipeline.intake.refusals import Refusals, mask_of
from pipeline.intake.routes import route
from pipeline.metrology.units import convert_expression
from pipeline.near import nearest_name
from schemas.tables import READING, UNITS
from schemas.validate import failures

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.intake.layout import Layout
    from pipeline.intake.reading import Head

__all__ = ["RowReader"]

_TEXT_TYPES = ("string",)
_MOMENTS = ("datetime", "date", "time")
_HINTS = 50
"""So many unknown blocks are told the nearest known one, which costs more than all else."""


class RowReader:
    """Turns chunks of cells into readings.

    Parameters
    ----------
    layout
        What the file is.
    head
        Its columns and what its preamble states.
    plausible_ms_per_m
        Range of values that can be, in MS/m.
    site_zone
        Zone of the site.
    listed
        Names in the registers: blocks, lots, studies.
    now
        Time of loading; a reading more than a day later has no believable clock.
    earliest_clock_year
        Nor has one before this year, by UTC.
    """

    def __init__(
        self,
        layout: Layout,
        head: Head,
        *,
        plausible_ms_per_m: tuple[float, float],
        site_zone: str,
        listed: Mapping[str, frozenset[str]],
        now: datetime,
        earliest_clock_year: int,
    ) -> None:
        self._layout = layout
        self._of_file = [column for column in head.columns if column.field.column is not None]
        # a time before the header may be one half of the moment, the other stands in the lines: it is read with them
        width = len(head.columns) + len(head.carried)
        times = [(key, text) for key, text in head.said if key.type in _MOMENTS]
        of_head = [FileColumn(width + n, key.key, key) for n, (key, _) in enumerate(times)]
        self._cells_of_head = {f"c{column.position}": text for column, (_, text) in zip(of_head, times, strict=True)}
        self._columns = [*self._of_file, *head.carried, *of_head]
        self._filled_down = [c for c in self._of_file if isinstance(c.field, LayoutField) and c.field.fill_down]
        joined = {name for column in self._columns for name in column.field.join_with}
        self._joined = {column.field.name: column for column in head.columns if column.field.name in joined}
        self._filled: dict[str, Any] = {**_said(head), **layout.constants}
        self._low, self._high = plausible_ms_per_m
        self._listed, self._blocks = listed, listed["blocks"]
        self._earliest = datetime(earliest_clock_year, 1, 1, tzinfo=UTC)
        self._latest = now.astimezone(UTC) + timedelta(days=1)
        self._zone = None if layout.zone == "offset" else site_zone if layout.zone == "site" else layout.zone

    @property
    def cell_types(self) -> dict[str, Any]:
        """Polars type of the cells to read, by name ``c0``, ``c1`` ...: categorical for text, text for the rest."""
        return {
            f"c{column.position}": pl.Categorical if column.field.type in _TEXT_TYPES else pl.String
            for column in self._of_file
        } | {f"c{column.position}": pl.String for column in self._joined.values()}

    def decimals(self, raw: pl.DataFrame) -> int:
        """Return the most decimals in which a value of these cells is written."""
        value = next(column for column in self._of_file if column.field.column == "value")
        mark = "[.]" if value.field.decimal_char == "." else ","
        found = raw[f"c{value.position}"].str.extract(rf"{mark}([0-9]+)").str.len_chars().max()
        return found if isinstance(found, int) else 0

    def read(
        self, raw: pl.DataFrame, lines: pl.Series, parts: pl.Series | None = None
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Read a chunk.

        Parameters
        ----------
        raw
            Cells, null where empty, columns as in :attr:`cell_types`.
        lines
            Line number of each row.
        parts
            Number of the part of the file in which a cell may be carried down, for each row.

        Returns
        -------
        (polars.DataFrame, polars.DataFrame)
            Readings; and one row a refused line (line, column, reason, sentence).

        Raises
        ------
        HoldFile
            If the numbers of the file are written with other marks than declared.
        """
        refusals = Refusals(lines)
        height = raw.height
        if parts is not None and self._filled_down:
            names = [f"c{column.position}" for column in self._filled_down]
            raw = raw.with_columns(pl.col(names).forward_fill().over(parts))
            for column in self._filled_down:
                refusals.add(
                    raw[f"c{column.position}"].is_null(), column.name, "nothing_above", "a value above an empty cell"
                )
        raw = raw.with_columns(pl.lit(text).alias(name) for name, text in self._cells_of_head.items())
        found: dict[str, pl.Series] = {}
        replicates: list[tuple[FileColumn, pl.Series, pl.Series, pl.Series | None]] = []
        by_target = {column.field.column: column for column in self._columns}
        for column in self._columns:
            target, cells = column.field.column or "", raw[f"c{column.position}"]
            if target == "value":
                number, codes = read.values(cells, lines, column, self._layout, refusals)
                replicates.append((column, cells, number, codes))
            elif target == "measured_at":
                if column.field.join_with:
                    spread = [column, *(self._joined[name] for name in column.field.join_with)]
                    cells = raw.select(pl.concat_str([f"c{one.position}" for one in spread], separator=" ")).to_series()
                found[target] = read.moments(cells, column, refusals, zone=self._zone, year=self._layout.year)
            elif target == "measured_date":
                clock_column = by_target["measured_time"]
                joined = raw.select(
                    pl.concat_str(f"c{column.position}", f"c{clock_column.position}", separator=" ")
                ).to_series()
                found["measured_at"] = read.moments(
                    joined, column, refusals, zone=self._zone, year=self._layout.year, time_field=clock_column.field
                )
            elif target == "measured_time":
                continue
            elif column.field.type == "string":
                found[target] = read.texts(cells, column, refusals)
            elif column.field.type == "integer":
                found[target] = read.integers(cells, column, refusals)
            elif column.field.type == "boolean":
                found[target] = read.booleans(cells, column, refusals)
            else:
                found[target] = read.numbers(cells, lines, column, refusals)
        for target, value in self._filled.items():
            found[target] = _constant(target, value, height)
        if self._layout.routes is not None:
            told = by_target["name"].name if "name" in by_target else "name"
            stated = found.pop("role", None)
            found |= route(found.pop("name"), told, lines, self._layout.routes, self._listed, refusals)
            if stated is not None:
                # whether a block was checked or set the export says itself; whether it is a block both must say
                differs = (stated == "part").ne_missing(found["role"] == "part") & found["role"].is_not_null()
                refusals.add(
                    differs & stated.is_not_null(), told, "role_disagrees", "a name of what the role says", stated
                )
                found["role"] = stated
        if self._layout.role_by_column:
            found["role"] = _role_by_column(found["lot"], found["block"], refusals)
        if self._layout.unit is not None:
            found["unit"] = _constant("unit", self._layout.unit, height)
        self._rules(found, by_target, refusals)
        readings = self._readings(found, replicates, lines, refusals)
        return self._contract(readings, lines, refusals)

    def _rules(self, found: dict[str, pl.Series], by_target: dict[str | None, FileColumn], refusals: Refusals) -> None:
        """Rules between columns, and columns without which a reading makes no sense."""

        def name(target: str) -> str:
            return by_target[target].name if target in by_target else target

        for target in ("meter", "role", "unit", "temperature_state"):
            said = f"a {target.replace('_', ' ')}"
            refusals.add(found[target].is_null(), name(target), "missing_value", said, found[target])
        role = found["role"]
        is_part = role == "part"
        checks = role.is_in(["block", "setting"])
        lot, block = found.get("lot"), found.get("block")
        no_lot = is_part if lot is None else is_part & lot.is_null()
        refusals.add(no_lot, name("lot"), "missing_lot", "the lot of a reading on a part", lot)
        no_block = checks if block is None else checks & block.is_null()
        refusals.add(no_block, name("block"), "missing_block", "the reference block that was read", block)
        if block is not None:
            unknown = [one for one in block.unique().cast(pl.String).drop_nulls() if one not in self._blocks]
            near = {one: nearest_name(one, sorted(self._blocks)) for one in unknown[:_HINTS]}
            for meant in dict.fromkeys(near.get(one) for one in unknown):
                like = [one for one in unknown if near.get(one) == meant]
                refusals.add(
                    checks & block.cast(pl.String).is_in(like),
                    name("block"),
                    "unknown_block",
                    "a reference block in the register" + (f" (did you mean '{meant}'?)" if meant else ""),
                    block,
                )
            filed = is_part & block.is_not_null()
            refusals.add(filed, name("block"), "block_on_part_row", "no reference block on the row of a part", block)
        if lot is not None:
            like = [one for one in lot.unique().cast(pl.String).drop_nulls() if one in self._blocks]
            if like:
                refusals.add(
                    lot.cast(pl.String).is_in(like),
                    name("lot"),
                    "lot_named_like_block",
                    "a lot, not the name of a reference block",
                    lot,
                )

    def _readings(
        self,
        found: dict[str, pl.Series],
        replicates: list[tuple[FileColumn, pl.Series, pl.Series, pl.Series | None]],
        lines: pl.Series,
        refusals: Refusals,
    ) -> pl.DataFrame:
        """One row a number, with its value in MS/m, of the lines that were not refused."""
        base = pl.DataFrame([series.alias(name) for name, series in found.items()]).with_columns(
            lines.alias("line"), row=pl.int_range(lines.len(), dtype=pl.UInt32)
        )
        unit = found["unit"]
        nothing_in: list[pl.Series] = []
        parts: list[pl.DataFrame] = []
        for column, cells, number, codes in replicates:
            in_ms = _in_ms_per_m(number, unit)
            implausible = (in_ms < self._low) | (in_ms > self._high)
            if implausible.any():
                read.hold_if_groups_mislead(cells, implausible, lines, column)
                refusals.add(
                    implausible,
                    column.name,
                    "implausible_value",
                    f"a value between {self._low:g} and {self._high:g} MS/m",
                    cells,
                )
            nothing = number.is_null() if codes is None else number.is_null() & codes.is_null()
            nothing_in.append(nothing)
            part = base.with_columns(
                pl.lit(column.replicate, dtype=pl.Int64).alias("replicate"),
                number.alias("value"),
                in_ms.alias("value_ms_per_m"),
                (pl.lit(None, dtype=pl.Categorical) if codes is None else codes).alias("non_reading"),
            )
            parts.append(part if not self._layout.wide else part.filter(~nothing))
        no_cells = pl.Series([None], dtype=pl.String).new_from_index(0, lines.len())
        no_value = pl.select(pl.all_horizontal(nothing_in)).to_series()
        refusals.add(no_value, replicates[0][0].name, "missing_value", "a value or a code of the meter", no_cells)
        readings = parts[0] if len(parts) == 1 else pl.concat(parts).sort("row", "replicate")
        kept = refusals.kept(lines.len())
        if kept is not None:
            readings = readings.filter(kept.gather(readings["row"]))
        earliest, latest = pl.lit(self._earliest), pl.lit(self._latest)
        believable = pl.col("measured_at").cast(pl.Datetime("us", "UTC")).is_between(earliest, latest)
        readings = readings.with_columns(
            clock=pl.when(believable).then(pl.lit("known")).otherwise(pl.lit("unknown")).cast(pl.Categorical)
        )
        have = set(readings.columns)
        if readings["non_reading"].null_count() == readings.height:
            have.discard("non_reading")
        return readings.select("row", *(name for name in READING.names if name in have))

    def _contract(
        self, readings: pl.DataFrame, lines: pl.Series, refusals: Refusals
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Apply the contract of the table to the readings that passed everything else."""
        plain = readings.drop("row").with_columns(pl.col(pl.Categorical).cast(pl.String))
        broken = failures(READING, plain)
        if broken.height:
            if broken["index"].null_count():
                raise _broken_contract(broken.filter(pl.col("index").is_null()))
            for (name,), cases in broken.group_by("column", maintain_order=True):
                rows = readings["row"].gather(cases["index"])
                mask = mask_of(rows, lines.len())
                declared = READING[str(name)]
                expected = next(
                    (text for value in plain[str(name)].gather(cases["index"]) if (text := declared.problem(value))), ""
                ).removeprefix("expected ")
                refusals.add(mask, str(name), "out_of_range", expected or "a value that the column allows")
            kept = refusals.kept(lines.len())
            if kept is not None:
                readings = readings.filter(kept.gather(readings["row"]))
        return readings.drop("row"), refusals.frame().drop("row")


def _role_by_column(lot: pl.Series, block: pl.Series, refusals: Refusals) -> pl.Series:
    """Return what was read, by which of two columns is filled."""
    both, none = lot.is_not_null() & block.is_not_null(), lot.is_null() & block.is_null()
    refusals.add(both | none, "", "role_unclear", "either a lot or a block")
    role = pl.select(pl.when(block.is_not_null()).then(pl.lit("block")).otherwise(pl.lit("part"))).to_series()
    return role.cast(pl.Categorical)


def _said(head: Head) -> dict[str, Any]:
    """Return what keys say of the whole file, by column.

    Raises
    ------
    HoldFile
        If one cannot be read.
    """
    found: dict[str, Any] = {}
    line = pl.Series([1], dtype=pl.Int64)
    for key, text in head.said:
        if key.type in _MOMENTS:
            continue
        column, refusals = FileColumn(0, key.key, key), Refusals(line)
        cell = pl.Series([text], dtype=pl.String)
        series: pl.Series | list[str]
        if key.type == "string":
            series = [text]
        elif key.type == "integer":
            series = read.integers(cell, column, refusals)
        elif key.type == "boolean":
            series = read.booleans(cell, column, refusals)
        else:
            series = read.numbers(cell, line, column, refusals)
        if refusals.any:
            what = "Correct the key in the layout, or export again."
            raise HoldFile(Held("preamble_mismatch", refusals.frame()["sentence"][0], what))
        found[key.column or ""] = series[0]
    return found


def _broken_contract(cases: pl.DataFrame) -> HoldFile:
    listed = tuple(
        f"column {row['column']}: {row['check']} {row['failure_case']}" for row in cases.iter_rows(named=True)
    )
    held: Held = Held(
        "breaks_contract",
        f"The readings do not fit the table of readings: {listed[0]}.",
        "Correct the layout; this concerns the whole file, not one line.",
        details=listed,
    )
    return HoldFile(held)


def _constant(target: str, value: Any, height: int) -> pl.Series:
    dtype = pl.String if target == "name" else READING[target].dtype
    kind = pl.Categorical if dtype == pl.String else dtype
    return (
        pl.Series(target, [value], dtype=pl.String if kind == pl.Categorical else kind)
        .cast(kind)
        .new_from_index(0, height)
    )


def _in_ms_per_m(number: pl.Series, unit: pl.Series) -> pl.Series:
    """Return the value as conductivity; null where it is below zero, infinite where a resistivity is zero."""
    frame = pl.DataFrame({"number": number, "unit": unit})
    number_read = pl.when(pl.col("number") >= 0).then(pl.col("number"))
    known = [one for one in unit.unique().cast(pl.String) if one in UNITS]
    if len(known) == 1:
        return frame.select(convert_expression(number_read, known[0], "MS/m").alias("ms")).to_series()
    parts = [pl.when(pl.col("unit") == one).then(convert_expression(number_read, one, "MS/m")) for one in known]
    return frame.with_columns(pl.coalesce(*parts, pl.lit(None, dtype=pl.Float64)).alias("ms"))["ms"]
