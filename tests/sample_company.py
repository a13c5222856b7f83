"""Small companies for tests: sites with lots, checks and meters, as their packages hold them. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from schemas.company import COMPANY_TABLES
from schemas.company_names import NAME_TABLES

__all__ = ["START", "company_tables", "frame", "heads", "names", "one_lot", "same", "several_lots"]

START = datetime(2026, 6, 1, 8, tzinfo=UTC)
LOT: dict[str, Any] = {
    "verdict": "accept", "reason": "inside the limits", "supplier": "Ostrovald", "material": "Cu-ETP", "product": "bar",
    "specification": "S-1", "mean": 58.0, "expanded_uncertainty": 0.1, "k": 2.0, "standard_deviation": 0.05, "parts": 5, "readings": 25,
    "unit": "MS/m", "reference_temperature_c": 20.0, "first_at": START, "last_at": START, "support": "supported", "meters": "EC-01",
}  # fmt: skip
CHECK: dict[str, Any] = {
    "meter": "EC-01", "check": 1, "run": 1, "block": "B1", "certificate": "K-77", "at": START, "readings": 5, "mean": 58.0,
    "standard_deviation": 0.02, "certified_value": 58.0, "certificate_standard_uncertainty": 0.05, "unit": "MS/m",
    "reference_temperature_c": 20.0,
}  # fmt: skip
METER: dict[str, Any] = {"meter": "EC-01", "state": "fit", "reason": "passed", "checks": 1, "open_events": 0}
_ROW = {"lots": LOT, "checks": CHECK, "meters": METER}


def frame(table: str, *rows: dict[str, Any]) -> pl.DataFrame:
    """Return rows of a package's table with their site; what is not given is as in a quiet site."""
    schema = {"site": pl.String, **COMPANY_TABLES[table].polars_schema}
    given = [{**dict.fromkeys(schema), **_ROW.get(table, {}), **row} for row in rows]
    for row in given:
        if "bias" in schema and row["bias"] is None and row["mean"] is not None:
            row["bias"] = row["mean"] - row["certified_value"]
    return pl.DataFrame(given, schema=schema, orient="row")


def one_lot(site: str, number: int, **more: Any) -> dict[str, Any]:
    """Return a lot, read so many hours after the start."""
    at = START + timedelta(hours=number)
    return {"site": site, "lot": f"L-{number:03}", "first_at": at, "last_at": at + timedelta(minutes=5), **more}


def several_lots(site: str, level: float, count: int = 10, *, seed: int = 1, scatter: float = 0.05, **more: Any) -> list[dict[str, Any]]:
    """Return lots that scatter about a level."""
    rng = np.random.default_rng(seed)
    return [one_lot(site, n, mean=level + float(rng.normal(0, scatter)), **more) for n in range(count)]


def names(**tables: list[dict[str, Any]]) -> dict[str, pl.DataFrame]:
    """Return the tables of names of a company; those not given are empty."""
    return {
        name: table.complete(pl.DataFrame(rows, schema_overrides={c: t for c, t in table.polars_schema.items() if rows and c in rows[0]}))
        if (rows := tables.get(name))
        else table.empty()
        for name, table in NAME_TABLES.items()
    }


def same(kind: str, name: str, company_name: str, sites: list[str]) -> dict[str, list[dict[str, Any]]]:
    """Return a table that gives a name of several sites one name of the company."""
    return {kind: [{"site": site, "name": name, "company_name": company_name} for site in sites]}


def heads(*sites: str, **more: Any) -> pl.DataFrame:
    """Return the heads of some sites."""
    rows = [
        {
            "site": site, "number": 3, "sha256": f"{n:064x}", "made_at": START + timedelta(days=29), "program": "1.0",
            "last_reading_at": START + timedelta(days=28), **more,
        }
        for n, site in enumerate(sites, start=1)
    ]  # fmt: skip
    return pl.DataFrame(rows)


def company_tables(
    lots: list[dict[str, Any]] = [], checks: list[dict[str, Any]] = [], meters: list[dict[str, Any]] = []  # noqa: B006
) -> dict[str, pl.DataFrame]:
    """Return the tables of all sites."""
    return {"lots": frame("lots", *lots), "checks": frame("checks", *checks), "meters": frame("meters", *meters)}
