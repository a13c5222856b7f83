"""One declaration a column: name, type, unit, what is allowed, and what it means.

A table declared here is a value. From it come the pandera contract, the polars schema, the header of a
reference file and the documentation, so that none of them can drift from the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from schemas.terms import END_OF_TIME, START_OF_TIME, YEARS, in_years

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

__all__ = ["UTC_TIME", "Column", "Table"]

UTC_TIME = pl.Datetime("us", "UTC")
"""The one type of time in the product: microseconds in UTC."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name
        Name in full words, with the unit where there is one (``temperature_c``).
    dtype
        Polars type of the column.
    doc
        One sentence for the reader of a file or a report.
    required
        The column must be present and, unless ``nullable``, filled in every row.
    nullable
        An empty value makes sense.
    unit
        Unit of the values, as printed.
    allowed
        Closed list of values.
    above, at_least, at_most
        Limits of a number (``above`` is exclusive).
    """

    name: str
    dtype: Any
    doc: str
    required: bool = False
    nullable: bool = True
    unit: str | None = None
    allowed: tuple[str, ...] | None = None
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None

    @property
    def is_float(self) -> bool:
        """Whether the column holds measured numbers, which must be finite."""
        return bool(self.dtype == pl.Float64)

    def problem(self, value: Any) -> str | None:
        """Say what is wrong with one value, or return None.

        Parameters
        ----------
        value
            A value of the column's type, or None.

        Returns
        -------
        str or None
            What was expected, as the end of a sentence.
        """
        if value is None:
            return None if self.nullable else "a value is needed here"
        if self.allowed is not None and value not in self.allowed:
            return f"expected one of {', '.join(self.allowed)}"
        if self.dtype is pl.String:
            return None
        if self.dtype == UTC_TIME and not in_years(value):
            return f"expected a time in {YEARS}"
        if self.is_float and not (abs(value) < float("inf")):
            return "expected a finite number"
        if self.above is not None and not value > self.above:
            return f"expected a number above {self.above:g}"
        if self.at_least is not None and not value >= self.at_least:
            return f"expected a number of at least {self.at_least:g}"
        if self.at_most is not None and not value <= self.at_most:
            return f"expected a number of at most {self.at_most:g}"
        return None


@dataclass(frozen=True, slots=True)
class Table:
    """A named list of columns, with the columns that identify a row."""

    name: str
    doc: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[Column]:
        return iter(self.columns)

    def __getitem__(self, name: str) -> Column:
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the columns, in order."""
        return tuple(column.name for column in self.columns)

    @property
    def polars_schema(self) -> dict[str, Any]:
        """Column names and polars types, in order."""
        return {column.name: column.dtype for column in self.columns}

    def empty(self) -> pl.DataFrame:
        """Return a frame of this table with no row."""
        return pl.DataFrame(schema=self.polars_schema)

    def complete(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return the frame with every declared column, in order and of its type; missing ones are null.

        Parameters
        ----------
        frame
            Any subset of the declared columns.
        """
        return frame.select(
            pl.col(column.name).cast(column.dtype)
            if column.name in frame.columns
            else pl.lit(None, dtype=column.dtype).alias(column.name)
            for column in self.columns
        )

    def as_json(self, row: Mapping[str, Any]) -> dict[str, Any]:
        """Return the declared columns of a row as JSON values: times as ISO 8601 text."""
        values = {name: row[name] for name in self.names}
        return {name: v.isoformat() if isinstance(v, datetime) else v for name, v in values.items()}

    def from_json(self, rows: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
        """Return a frame of rows that :meth:`as_json` gave."""
        times = {column.name for column in self.columns if column.dtype == UTC_TIME}
        read = [
            {name: datetime.fromisoformat(v) if name in times and v is not None else v for name, v in row.items()}
            for row in rows
        ]
        return self.complete(pl.DataFrame(read, schema_overrides=self.polars_schema, infer_schema_length=None))

    def pandera(self) -> Any:
        """Return the pandera contract of this table.

        Column checks only: frame-wide checks and uniqueness are slow in pandera when they fail, so cross-column
        rules are expressions of our own. The import is here because it costs a second.
        """
        import pandera.polars as pa

        columns: dict[str, Any] = {}
        for column in self.columns:
            checks: list[Any] = []
            if column.allowed is not None:
                checks.append(pa.Check.isin(list(column.allowed)))
            if column.above is not None:
                checks.append(pa.Check.gt(column.above))
            if column.at_least is not None:
                checks.append(pa.Check.ge(column.at_least))
            if column.at_most is not None:
                checks.append(pa.Check.le(column.at_most))
            if column.dtype == UTC_TIME:
                checks.append(pa.Check.in_range(START_OF_TIME, END_OF_TIME, include_max=False))
            if column.is_float:
                # NaN is larger than every number in polars, so bounds alone would let it pass
                checks.append(pa.Check(lambda data: data.lazyframe.select(pl.col(data.key).is_finite()), name="finite"))
            columns[column.name] = pa.Column(
                column.dtype, checks=checks, nullable=column.nullable, required=column.required
            )
        return pa.DataFrameSchema(columns, strict=True, name=self.name)
