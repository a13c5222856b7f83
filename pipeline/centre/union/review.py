"""The month of the company: up to where each site has told, and what waits for somebody. It follows from the heads alone, not from the clock."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.centre.union.levels import names_over_plants, over_plants
from pipeline.centre.union.names import at_two_sites, unmapped
from pipeline.centre.union.travellers import travelled, travellers
from schemas.union import CompanyMeter, CompanyReview, RejectedLot, SiteHead

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from pipeline.centre.union.company import Company

__all__ = ["changed_since", "company_review", "revision_of"]

_VERDICTS = ("accept", "hold", "reject", "not_assessed")


def revision_of(
    heads: pl.DataFrame, names: Mapping[str, pl.DataFrame], program: str, about: Sequence[object] = ()
) -> str:
    """Return what a result follows from, as twelve hexadecimal digits of a hash: heads, the company's tables, program.

    The same inputs give the same revision, whatever the order of sites; late data or another name gives another one.
    """
    tables = {name: names[name].sort(*names[name].columns).write_json() for name in sorted(names)}
    found = [sorted(heads.select("site", "number", "sha256", "closed").iter_rows()), tables, program, list(about)]
    return hashlib.sha256(json.dumps(found).encode()).hexdigest()[:12].upper()


def changed_since(before: Mapping[str, Any], result: CompanyReview) -> tuple[str, ...]:
    """Return in words what changed since an earlier revision of the same month.

    Parameters
    ----------
    before
        The JSON document of the earlier revision.
    result
        The present one.
    """
    old = {site["site"]: (site["number"], site["sha256"]) for site in before["sites"]}
    new = {site.site: (site.number, site.sha256) for site in result.sites}
    said = [
        f"{site}: package {new[site][0]} where it was {old[site][0]}"
        for site in sorted(old.keys() & new.keys())
        if old[site] != new[site]
    ]
    said += [f"{site} came in" for site in sorted(new.keys() - old.keys())]
    said += [f"{site} is gone" for site in sorted(old.keys() - new.keys())]
    if before["program"] != result.program:
        said.append(f"program {result.program} where it was {before['program']}")
    return tuple(said) or ("tables of names of the company",)


def _heads(heads: pl.DataFrame, program: str, silent_after: timedelta) -> tuple[SiteHead, ...]:
    """Judge silence against the package that came last, so that the same heads always say the same, and by the centre's clock."""
    latest: Any = heads["came_at"].max()
    columns = ("site", "number", "sha256", "last_reading_at", "made_at", "program", "closed")
    return tuple(
        SiteHead(
            **{name: row[name] for name in columns},
            silent=not row["closed"] and latest - row["came_at"] > silent_after,
            other_version=not row["closed"] and row["program"] != program,
        )
        for row in heads.iter_rows(named=True)
    )


def company_review(
    company: Company, month: str, start: datetime, end: datetime, *, program: str, silent_after_hours: float
) -> CompanyReview:
    """Review a month.

    Parameters
    ----------
    company
        All sites together.
    month
        As ``2026-06``.
    start, end
        Its first moment, and the first one after it. Lots and checks after it enter nothing; states of meters and open events are
        those of each site's head.
    program
        Version of the centre.
    silent_after_hours
        How much earlier than the latest package of all a site's own may have come; how long a meter may be on its way.
    """
    lots = company.lots.filter(pl.col("last_at") < end)
    checks = company.checks.filter(pl.col("at") < end)
    of_month = lots.filter(pl.col("last_at") >= start)
    counts = Counter(of_month["verdict"].to_list())
    meters = company.meters.sort("site", "meter")
    rejected = of_month.filter(pl.col("verdict") == "reject")
    unfit = meters.filter(pl.col("state").is_in(("suspended", "overdue")))
    waiting = meters.group_by("site").agg(pl.col("open_events").sum()).filter(pl.col("open_events") > 0).sort("site")
    suppliers = [over_plants("supplier", name, lots) for name in names_over_plants("supplier", lots, sites=2)]
    moved = {kind: [travelled(kind, name, checks) for name in travellers(kind, checks)] for kind in ("block", "meter")}
    tables = {"checks": company.checks, "lots": company.lots, "meters": company.meters}
    return CompanyReview(
        month=month,
        revision=revision_of(company.heads, company.names, program, (month, silent_after_hours)),
        sites=_heads(company.heads, program, timedelta(hours=silent_after_hours)),
        program=program,
        meters=tuple(
            CompanyMeter(
                meter=f"{row['site']}/{row['meter']}", state=row["state"], reason=row["reason"] or "",
                open_events=row["open_events"],
            )
            for row in unfit.iter_rows(named=True)
        ),
        open_events=dict(waiting.iter_rows()),
        lots={verdict: counts[verdict] for verdict in _VERDICTS},
        rejected=tuple(
            RejectedLot(
                lot=f"{row['site']}/{row['lot']}", supplier=row["company_supplier"] or row["supplier"],
                reason=row["reason"] or "", last_at=row["last_at"],
            )
            for row in rejected.iter_rows(named=True)
        ),
        suppliers=tuple(one for one in suppliers if one.state == "differs"),
        blocks=tuple(one for one in moved["block"] if one.state == "differs"),
        travelled_meters=tuple(one for one in moved["meter"] if one.state == "differs"),
        at_two_sites=at_two_sites(company.names["meters"]),
        hand_overs=tuple(
            one
            for one in company.hand_overs(timedelta(hours=silent_after_hours), end=end)
            if one.differ or max(filter(None, (one.handed_at, one.received_at))) >= start
        ),
        unmapped=unmapped(tables, company.names),
        copies=company.copies,
    )  # fmt: skip
