"""Rows of sites for tests of what only all sites together can say: meters, lots and checks. Invented."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from sample_company import START, company_tables, heads, names, same, several_lots

from pipeline.centre.union.company import Company, together
from pipeline.centre.union.levels import over_plants

SITES = ["P-001", "P-002", "P-003"]
OSTROVALD = same("suppliers", "Ostrovald", "Ostrovald Copper", SITES) | same("materials", "Cu-ETP", "ETP copper", SITES)


def meter(site: str, name: str = "EC-01", serial: str | None = None, **more: Any) -> dict[str, Any]:
    row = {
        "site": site,
        "meter": name,
        "maker": "Ostrel",
        "serial_number": serial or f"{site}-1",
        "accuracy_percent": 0.5,
    }
    return row | {"valid_from": None, "valid_to": None} | more


BLOCK = same("blocks", "B1", "Lab K-77", SITES) | {"meters": [meter(site) for site in SITES]}


def company(
    rows: dict[str, list[dict[str, Any]]], tables: dict[str, list[dict[str, Any]]], of: list[str] = SITES
) -> Company:
    return together(heads(*of), company_tables(**rows), names(**tables))


def levels(*at: float, count: int = 10, **more: Any) -> list[dict[str, Any]]:
    return [lot for n, level in enumerate(at) for lot in several_lots(SITES[n], level, count, seed=n, **more)]


def of_supplier(rows: list[dict[str, Any]], tables: Any = None) -> Any:
    return over_plants("supplier", "Ostrovald Copper", company({"lots": rows}, tables or OSTROVALD).lots)


def checks(site: str, level: float, *, count: int = 5, scatter: float = 0.0, **more: Any) -> list[dict[str, Any]]:
    return [
        {"site": site, "check": n, "run": n, "at": START + timedelta(hours=n), "mean": level + scatter * (-1) ** n}
        | more
        for n in range(count)
    ]
