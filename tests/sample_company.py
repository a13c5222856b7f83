"""Small companies for tests: sites with lots, checks and meters, as their packages hold them. Invented numbers."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from sample_texts import HOSTILE, provenance, text_or_hostile

from pipeline.centre.union.company import together
from pipeline.centre.union.hand_overs import moves_of
from pipeline.centre.union.levels import over_plants
from pipeline.centre.union.review import company_review
from pipeline.centre.union.travellers import travelled, with_hand_overs
from schemas.company import COMPANY_TABLES
from schemas.company_names import NAME_TABLES
from schemas.union import (
    CompanyGlance,
    CompanyIndex,
    CompanyIndexPage,
    CompanyReviewPage,
    OverPlantsPage,
    ReviewGlance,
    SiteStatus,
    TravelledPage,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "START",
    "company_pages",
    "company_tables",
    "frame",
    "heads",
    "names",
    "one_lot",
    "same",
    "several_lots",
    "site_status",
]

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


def several_lots(
    site: str, level: float, count: int = 10, *, seed: int = 1, scatter: float = 0.05, **more: Any
) -> list[dict[str, Any]]:
    """Return lots that scatter about a level."""
    rng = np.random.default_rng(seed)
    return [one_lot(site, n, mean=level + float(rng.normal(0, scatter)), **more) for n in range(count)]


def names(**tables: list[dict[str, Any]]) -> dict[str, pl.DataFrame]:
    """Return the tables of names of a company; those not given are empty."""
    return {
        name: table.complete(
            pl.DataFrame(rows, schema_overrides={c: t for c, t in table.polars_schema.items() if rows and c in rows[0]})
        )
        if (rows := tables.get(name))
        else table.empty()
        for name, table in NAME_TABLES.items()
    }


def same(kind: str, name: str, company_name: str, sites: list[str]) -> dict[str, list[dict[str, Any]]]:
    """Return a table that gives a name of several sites one name of the company."""
    return {kind: [{"site": site, "name": name, "company_name": company_name} for site in sites]}


def heads(*sites: str, **more: Any) -> pl.DataFrame:
    """Return the heads of some sites."""
    made = more.get("made_at", START + timedelta(days=29))
    rows = [
        {
            "site": site, "number": 3, "sha256": f"{n * 0x1F3A:04x}" * 16, "made_at": made, "came_at": made, "program": "1.0",
            "last_reading_at": START + timedelta(days=28), "closed": False, **more,
        }
        for n, site in enumerate(sites, start=1)
    ]  # fmt: skip
    times = pl.Datetime("us", "UTC")
    schema = {
        "site": pl.String,
        "number": pl.Int64,
        "sha256": pl.String,
        "made_at": times,
        "came_at": times,
        "program": pl.String,
        "last_reading_at": times,
        "closed": pl.Boolean,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def site_status(site: str, **more: Any) -> SiteStatus:
    """Return what the register says of a site; what is not given is as of a quiet one."""
    quiet: dict[str, Any] = {
        "state": "open", "number": 3, "sha256": "ab" * 32, "made_at": START, "last_reading_at": START, "program": "1.0",
        "clock_s": None, "silent_h": None, "gap": None, "refused": (),
    }  # fmt: skip
    return SiteStatus(site=site, **(quiet | more))


def company_tables(
    lots: Sequence[dict[str, Any]] = (), checks: Sequence[dict[str, Any]] = (), meters: Sequence[dict[str, Any]] = ()
) -> dict[str, pl.DataFrame]:
    """Return the tables of all sites."""
    return {"lots": frame("lots", *lots), "checks": frame("checks", *checks), "meters": frame("meters", *meters)}


def company_pages(*, hostile: bool = False) -> dict[str, Any]:
    """Return a page of each kind, of three sites with something in every part."""

    def named(plain: str, place: int) -> str:
        return text_or_hostile(hostile, plain, place)

    sites = [named(f"P-00{n}", n) for n in (1, 2, 3)] if not hostile else [f"{HOSTILE[n]}{n}" for n in (1, 2, 3)]
    supplier, product, block, maker = (
        named("Ostrovald Copper", 4),
        named("bar", 5),
        named("Lab K-77", 6),
        named("Ostrel", 7),
    )
    meters = [
        {"site": site, "meter": "EC-01", "maker": maker, "serial_number": "K2-7" if n < 2 else "K2-8", "accuracy_percent": 0.5,
         "valid_from": START + timedelta(days=9) if n == 1 else None, "valid_to": START + timedelta(days=12) if n == 0 else None}
        for n, site in enumerate(sites)
    ]  # fmt: skip
    tables = names(
        meters=meters,
        **same("suppliers", "Ostrovald", supplier, sites), **same("materials", "Cu-ETP", "ETP copper", sites),
        **same("products", "bar", product, sites), **same("blocks", "B1", block, sites),
    )  # fmt: skip
    lots = [lot for n, site in enumerate(sites) for lot in several_lots(site, (58.0, 58.02, 59.2)[n], 9, seed=n)]
    lots += [
        one_lot(sites[0], 90, verdict="reject", reason=named("mean above the upper limit", 8), support="suspect"),
        one_lot(sites[1], 91, verdict="hold", supplier=named("another mill", 9)),
    ]  # fmt: skip
    checks = [
        {"site": site, "check": k, "run": k, "mean": (58.0, 58.1, 59.4)[n] + 0.02 * (k % 3), "at": START + timedelta(days=10 if n == 1 else 1, hours=k)}
        for n, site in enumerate(sites)
        for k in range(6)
    ]  # fmt: skip
    checks += [{**row, "site": sites[1]} for row in checks if row["site"] == sites[0] and row["check"] == 5]
    kept = [
        {"site": sites[0], "state": "suspended", "reason": named("the check on B1 failed", 10), "open_events": 2},
        {"site": sites[1]}, {"site": sites[2], "meter": named("EC-44", 11), "maker": maker, "serial_number": "K2-9"},
    ]  # fmt: skip
    of = heads(*sites).with_columns(
        made_at=pl.Series([START + timedelta(days=n) for n in (29, 29, 20)]), program=pl.Series(["1.0", "1.0", named("0.9", 12)]),
    )  # fmt: skip
    whole = together(of, company_tables(lots, checks, kept), tables)
    gone = START + timedelta(days=9)
    moves = [
        {"site": site, "sequence": 1, "kind": kind, "by": "Ada", "why": named("moves for the bars", 13),
         "subject": json.dumps({"meter": "EC-01", "at": at.isoformat(), way: other, "maker": maker, "serial_number": "K2-7"})}
        for site, kind, at, way, other in (
            (sites[0], "hand_over", gone, "to", sites[1]),
            (sites[1], "receipt", gone - timedelta(hours=2), "from", sites[0]),
            (sites[1], "hand_over", gone + timedelta(days=11), "to", "P-009"),
        )
    ]  # fmt: skip
    whole = replace(whole, moves=moves_of(frame("events", *moves), tables))
    review = company_review(
        whole,
        "2026-06",
        START.replace(day=1, hour=0),
        START.replace(month=7, day=1, hour=0),
        program="1.0",
        silent_after_hours=72.0,
    )
    earlier = (("0A1B2C3D4E5F", (f"{sites[1]}: package 3 where it was 2",)),)
    moved = travelled("meter", f"{maker} K2-7", whole.checks)
    made = provenance(hostile=hostile)
    return {
        "supplier": OverPlantsPage(made, over_plants("supplier", supplier, whole.lots)),
        "process": OverPlantsPage(made, over_plants("process", product, whole.lots)),
        "block": TravelledPage(made, travelled("block", block, whole.checks)),
        "meter": TravelledPage(made, with_hand_overs(
            replace(moved, readings=730, copies={sites[1]: 5}), whole.hand_overs(timedelta(hours=72)))),
        "review": CompanyReviewPage(made, review, earlier),
        "index": CompanyIndexPage(made, CompanyIndex(
            program="1.0",
            sites=(
                site_status(sites[0], silent_h=90.0, clock_s=-420.0), site_status(sites[1], program=named("0.9", 12)),
                site_status(sites[2], state="fork", gap=4, refused=(named("Package 5 is another history", 13),)),
                SiteStatus(**{**asdict(site_status("P-009")), "number": 0, "sha256": "", "made_at": None, "last_reading_at": None, "program": ""}),
                site_status("P-010", state="closed", silent_h=900.0),
            ),
            glances=tuple(
                CompanyGlance(kind=kind, name=name, state=state, sites=2, reason=named("P-001 and P-002 differ", 14))
                for kind, name, state in (
                    ("supplier", supplier, "differs"), ("supplier", "a calm mill", "agrees"), ("process", product, "not_assessed"),
                    ("block", block, "agrees"), ("meter", f"{maker} K2-7", "differs"),
                )
            ),
            reviews=(ReviewGlance(month="2026-06", revision="0A1B2C3D4E5F", waits=3),),
        )),
        "index quiet": CompanyIndexPage(made, CompanyIndex(program="1.0", sites=(), glances=(), reviews=())),
        "quiet": CompanyReviewPage(made, company_review(
            together(heads(), company_tables(), names()), "2026-05", START, START, program="1.0", silent_after_hours=72.0), ()),
    }  # fmt: skip
