"""Whose names mean the same: only where a company table says so, never by likeness."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from schemas.company_names import NAMED
from schemas.union import AtTwoSites, Unmapped

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Frames = Mapping[str, pl.DataFrame]

__all__ = ["at_two_sites", "counted_once", "named", "unmapped"]

_BETWEEN = (pl.col("valid_from").is_null() | (pl.col("valid_from") <= pl.col("_at"))) & (
    pl.col("valid_to").is_null() | (pl.col("_at") < pl.col("valid_to"))
)


def named(frame: pl.DataFrame, company: Frames, *, at: str | None = None) -> pl.DataFrame:
    """Add the company's names to rows of sites.

    Parameters
    ----------
    frame
        Has `site`, and any of supplier, material, specification, product, block, meter.
    company
        The tables of `schemas.company_names`.
    at
        Column of the time at which the meter's name is asked for; None where the rows have no meter.

    Returns
    -------
    polars.DataFrame
        With `company_supplier` and so on, and with `instrument` (maker and serial number), `serial_number` and
        `accuracy_percent`; null where nothing is said. The order of rows stays.
    """
    for table, column in NAMED.items():
        if column in frame.columns:
            right = company[table].select(
                "site", pl.col("name").alias(column), pl.col("company_name").alias(f"company_{column}")
            )
            frame = frame.join(right, on=["site", column], how="left", maintain_order="left")
    if at is None:
        return frame
    frame = frame.drop("serial_number", "maker", strict=False).with_row_index("_row")
    found = (
        frame.select("_row", "site", "meter", pl.col(at).alias("_at"))
        .join(_periods(company["meters"]), on=["site", "meter"])
        .filter(_BETWEEN)
        .select("_row", "instrument", "serial_number", "accuracy_percent")
    )
    return frame.join(found, on="_row", how="left", maintain_order="left").drop("_row")


def _periods(meters: pl.DataFrame) -> pl.DataFrame:
    """Add `instrument`, and end each row of a meter where the next one begins."""
    following = pl.col("valid_from").shift(-1).over("site", "meter")
    return meters.sort("site", "meter", "valid_from", nulls_last=False).with_columns(
        pl.concat_str("maker", "serial_number", separator=" ").alias("instrument"),
        pl.min_horizontal("valid_to", following).alias("valid_to"),
    )


def unmapped(tables: Frames, company: Frames) -> tuple[Unmapped, ...]:
    """Return the names of sites that no company table explains, sorted.

    Parameters
    ----------
    tables
        `checks`, `lots` and `meters` of all sites, the first two from :func:`named`.
    company
        The tables of the company.
    """
    checks, lots, meters = tables["checks"], tables["lots"], tables["meters"]
    stated = pl.concat_str("maker", "serial_number", separator=" ", ignore_nulls=True).alias("stated")
    unknown = meters.join(company["meters"], on=["site", "meter"], how="anti").select("site", "meter", stated)
    # a meter that a row names, but not at the time of the check
    at_other_times = checks.filter(pl.col("instrument").is_null()).join(unknown, on=["site", "meter"], how="anti")
    found = {("meters", *row) for row in unknown.iter_rows()}
    for site, meter, at in at_other_times.group_by("site", "meter").agg(pl.col("at").max()).iter_rows():
        found.add(("meters", site, meter, f"no row holds on {at:%Y-%m-%d}"))
    for table, column in NAMED.items():
        frame = checks if column == "block" else lots
        said = pl.col("certificate").last() if column == "block" else pl.lit("")
        without = frame.filter(pl.col(column).is_not_null() & pl.col(f"company_{column}").is_null())
        rows = without.sort("at" if column == "block" else "lot").group_by("site", column).agg(said.alias("stated"))
        found |= {(table, site, name, text or "") for site, name, text in rows.iter_rows()}
    return tuple(Unmapped(kind=kind, site=site, name=name, stated=text) for kind, site, name, text in sorted(found))


def at_two_sites(meters: pl.DataFrame) -> tuple[AtTwoSites, ...]:
    """Return the instruments that the company's table of meters places at two sites at one time; it is told, not resolved.

    Parameters
    ----------
    meters
        The company's table.
    """
    rows = _periods(meters).sort("instrument", "site", "meter").with_row_index("n").to_dicts()
    found = []
    for one in rows:
        for other in rows[one["n"] + 1 :]:
            if one["instrument"] != other["instrument"]:
                break
            starts = [row["valid_from"] for row in (one, other) if row["valid_from"] is not None]
            ends = [row["valid_to"] for row in (one, other) if row["valid_to"] is not None]
            since, until = max(starts, default=None), min(ends, default=None)
            if one["site"] != other["site"] and (since is None or until is None or since < until):
                first, second = (f"{row['site']}/{row['meter']}" for row in (one, other))
                found.append(
                    AtTwoSites(instrument=one["instrument"], first=first, second=second, since=since, until=until)
                )
    return tuple(found)


def counted_once(frame: pl.DataFrame, slot: Sequence[str], content: Sequence[str]) -> pl.DataFrame:
    """Count once what lies at several sites: the first site by name has it, the others are named.

    Two rows are the same where slot and content are equal; what one site has twice stays twice. Rows whose instrument no
    table names are never the same as others.

    Parameters
    ----------
    frame
        Has `site` and `instrument`, one row a thing.
    slot
        What says where a row stands: instrument, time, and so on.
    content
        What was measured.

    Returns
    -------
    polars.DataFrame
        Sorted by site, with `also_at` (list of sites).
    """
    same, names = [*slot, *content], ["instrument", "site", *slot, *content]
    frame = frame.sort("site", maintain_order=True)
    places = frame.drop_nulls("instrument").group_by("instrument").agg(pl.col("site").n_unique())
    # of an instrument that one site alone had nothing lies at a second one: these are most, and are not looked through
    travelled = pl.col("instrument").is_in(places.filter(pl.col("site") > 1)["instrument"].to_list())
    rows = frame.select(*dict.fromkeys(names)).with_row_index("_row").filter(travelled)
    once = (
        rows.with_columns(pl.int_range(pl.len()).over("site", *same).alias("_turn"))
        .group_by(*same, "_turn", maintain_order=True)
        .agg(pl.col("_row").first(), pl.col("site").slice(1).alias("also_at"))
    )
    places_of_all = pl.DataFrame({"_row": pl.int_range(frame.height, dtype=pl.UInt32, eager=True)})
    also = places_of_all.join(once.select("_row", "also_at"), on="_row", how="left", maintain_order="left")["also_at"]
    frame = frame.with_columns(also.fill_null(pl.Series([[]], dtype=pl.List(pl.String))))
    if once.height == rows.height:
        return frame
    copies = rows.join(once, on="_row", how="anti")["_row"]
    return frame.filter(~pl.int_range(pl.len(), dtype=pl.UInt32).is_in(copies.implode()))
