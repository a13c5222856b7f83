"""The gate: a frame passes a table's contract or the failures come back as data."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import polars as pl

from schemas.digits import counted

if TYPE_CHECKING:
    from schemas.declare import Table

__all__ = ["Failures", "failures", "require"]


class Failures(ValueError):
    """A frame broke the contract of its table.

    Parameters
    ----------
    table
        Name of the table.
    cases
        Columns ``column``, ``check``, ``failure_case`` (text), ``index`` (row, or null for the whole frame).
    """

    def __init__(self, table: str, cases: pl.DataFrame) -> None:
        self.table = table
        self.cases = cases
        shown = "; ".join(
            f"column {row['column']}: {row['check']} failed for {row['failure_case']!r}"
            + ("" if row["index"] is None else f" in row {row['index']}")
            for row in cases.head(5).iter_rows(named=True)
        )
        super().__init__(f"table {table}: {counted(cases.height, 'value')} against its contract: {shown}")


@cache
def _contract(table: Table) -> Any:
    return table.pandera()


def failures(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    """Return the values of a frame that break the table's contract.

    Parameters
    ----------
    table
        The declaration.
    frame
        An eager frame. pandera looks only at names and types of a lazy one, so a lazy frame is refused.

    Returns
    -------
    polars.DataFrame
        Columns ``column``, ``check``, ``failure_case``, ``index``; no row where all is well.

    Raises
    ------
    TypeError
        If the frame is lazy.
    """
    if not isinstance(frame, pl.DataFrame):
        raise TypeError(f"only an eager frame can be validated, not {type(frame).__name__}")
    import pandera.errors

    empty = pl.DataFrame(schema={"column": pl.String, "check": pl.String, "failure_case": pl.String, "index": pl.Int64})
    try:
        _contract(table).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as error:
        cases = error.failure_cases
        if not isinstance(cases, pl.DataFrame):  # pragma: no cover - pandera's own type varies by back end
            cases = pl.from_pandas(cases)
        return cases.select(
            pl.col("column").cast(pl.String),
            pl.col("check").cast(pl.String),
            pl.col("failure_case").cast(pl.String),
            pl.col("index").cast(pl.Int64),
        )
    return empty


def require(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame if it keeps the table's contract.

    Raises
    ------
    Failures
        With the failing values as data.
    """
    cases = failures(table, frame)
    if cases.height:
        raise Failures(table.name, cases)
    return frame
