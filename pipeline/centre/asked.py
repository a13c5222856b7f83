"""What the company is asked: the last packages of all sites are put together, and what is found becomes a page and is kept."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl

import reports
from pipeline.centre.pieces import manifest_of, tables_of
from pipeline.centre.status import site_statuses
from pipeline.centre.union.company import Company, readings_once, together
from pipeline.centre.union.hand_overs import meters_of, moves_of
from pipeline.centre.union.levels import names_over_plants, over_plants
from pipeline.centre.union.review import changed_since, company_review, revision_of
from pipeline.centre.union.travellers import travelled, travellers, with_hand_overs
from pipeline.centre.union.units import UNIT
from pipeline.errors import UsageError
from pipeline.intake.tables import parse_table
from pipeline.publish.storage import Storage
from pipeline.workspace.files import read_bytes, sha256_of, write_atomically
from pipeline.workspace.program import software_version
from schemas.company import COMPANY_TABLES, moment_of
from schemas.company_names import NAME_TABLES
from schemas.documents import as_json
from schemas.page import Provenance
from schemas.union import (
    CompanyGlance,
    CompanyIndex,
    CompanyIndexPage,
    CompanyReviewPage,
    OverPlants,
    OverPlantsPage,
    ReviewGlance,
    TravelledPage,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register
    from schemas.company import Manifest
    from schemas.union import HandOver, Travelled

__all__ = ["NAMES", "Asked", "asked_company", "names_of"]

NAMES = "names"
"""Folder of the company's tables in that of the centre."""
_EVERY = pl.lit(True)
_TABLES = {"checks": _EVERY, "lots": _EVERY, "meters": _EVERY, "events": pl.col("kind").is_in(["hand_over", "receipt"])}
"""Tables of all sites that every question reads, and which rows of them."""
_BUT = {
    "checks": ("certificate_coverage_factor", "tolerance", "passes", "z", "rejects"),
    "lots": ("heat", "customer", "purchase_order", "line", "lower", "upper", "cpk", "ppk", "flags", "open"),
}
"""Columns of them that no question asks for: a company has millions of lots."""
_UTC = ZoneInfo("UTC")
_LARGEST_TABLE = 100_000_000
_FILES = {"name": pl.String, "sha256": pl.String, "layout": pl.String, "layout_version": pl.Int64, "readings": pl.Int64}
_TIME = pl.Datetime("us", "UTC")
_HEADS: Any = {
    "site": pl.String, "number": pl.Int64, "sha256": pl.String, "made_at": _TIME, "came_at": _TIME, "program": pl.String, "last_reading_at": _TIME,
    "closed": pl.Boolean,
}  # fmt: skip


def names_of(place: Centre) -> dict[str, pl.DataFrame]:
    """Return the company's tables of names; one that is not there has no row.

    Raises
    ------
    ReferenceTableError
        Names file, line and column of all that is wrong.
    """
    found = {}
    for name, table in NAME_TABLES.items():
        path = place.root / NAMES / f"{name}.csv"
        text = read_bytes(path, _LARGEST_TABLE).decode("utf-8-sig", "replace") if path.is_file() else ""
        found[name] = parse_table(table, text, where=f"{NAMES}/{path.name}", zone=_UTC)
    return found


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A centre that was opened to be asked: all sites together, and where what is found goes."""

    place: Centre
    register: Register
    storage: Storage
    manifests: tuple[Manifest, ...]
    company: Company

    @cached_property
    def _provenance(self) -> Provenance:
        heads = self.company.heads
        latest = heads["came_at"].max() if heads.height else None
        mark = revision_of(heads, self.company.names, software_version())
        return Provenance(
            software_version=f"annealog {software_version()}", workspace=self.place.settings.name or self.place.root.name,
            as_of=latest if isinstance(latest, datetime) else datetime(1970, 1, 1, tzinfo=UTC), zone="UTC", unit=UNIT,
            reference_temperature_c=self._temperature(), files=pl.DataFrame(schema=_FILES), data_sha256=sha256_of(mark.encode()),
        )  # fmt: skip

    def _temperature(self) -> float:
        usual: Any = self.company.lots["reference_temperature_c"].drop_nulls().mode().min()
        return 20.0 if usual is None else float(usual)

    @cached_property
    def _moved(self) -> tuple[HandOver, ...]:
        return self.company.hand_overs(timedelta(hours=self.place.settings.silent_after_hours))

    def about(self, kind: str, name: str) -> OverPlantsPage | TravelledPage:
        """Return what all sites say of a supplier, a process, a block or a meter.

        Raises
        ------
        UsageError
            If nothing bears the name.
        """
        if kind in ("supplier", "process"):
            return self._page(over_plants(kind, name, self.company.lots))
        found = travelled(kind, name, self.company.checks)
        return self._page(self._with_moves(found) if kind == "meter" else found)

    def _with_moves(self, found: Travelled) -> Travelled:
        if found.name not in self.company.moves["instrument"]:
            return found
        return with_hand_overs(found, [one for one in self._moved if one.instrument == found.name])

    def _page(self, found: OverPlants | Travelled) -> OverPlantsPage | TravelledPage:
        """Return the page of a result; of a meter its readings are counted."""
        if isinstance(found, OverPlants):
            return OverPlantsPage(self._provenance, found)
        if found.kind == "meter":
            names = self.company.names
            own = names["meters"].filter(pl.concat_str("maker", "serial_number", separator=" ") == found.name)
            raw = _readings_of(self.storage, self.manifests, self.place.cache, own)
            readings, copies = readings_once(raw, names, found.name)
            found = replace(found, readings=readings, copies=copies)
        return TravelledPage(self._provenance, found)

    def write(self, *pages: Any) -> Path:
        """Write pages, which link to one another, to those that lie there and to the index; return where the last one lies."""
        at = [reports.address(page.link.kind, page.link.identifier) for page in pages]
        there = {found.relative_to(self.place.pages).as_posix() for found in self.place.pages.glob("*/*.html")}
        site = reports.Site(known=frozenset({*there, *at, reports.address("index", "")}))
        for page, address in zip(pages, at, strict=True):
            write_atomically(self.place.pages / address, reports.render(page, site).encode())
        return self.place.pages / at[-1]

    def overview(self, *, dry_run: bool = False) -> tuple[CompanyIndex, Path]:
        """Say what the centre has, in a line each; write the index, and the pages of what two sites and more have to do with.

        Of meters, whose readings are counted for their pages, only those that differ.
        """
        found = self._across()
        page = self._index(found)
        if dry_run:
            return page.result, self.place.pages / reports.address("index", "")
        return page.result, self.write(*self._pages(found), page)

    def _pages(self, found: Iterable[OverPlants | Travelled], meters: Iterable[str] = ()) -> list[Any]:
        """Return the pages of results; of meters of those that differ or are named."""
        shown = {*meters}
        return [self._page(one) for one in found if one.kind != "meter" or one.state == "differs" or one.name in shown]

    def _across(self) -> list[OverPlants | Travelled]:
        """Return what two sites and more have to do with."""
        company = self.company
        found: list[OverPlants | Travelled] = [
            over_plants(kind, name, company.lots)
            for kind in ("supplier", "process")
            for name in names_over_plants(kind, company.lots, sites=2)
        ]
        found += [travelled("block", name, company.checks) for name in travellers("block", company.checks)]
        known = set(company.checks["instrument"])
        meters = {
            *travellers("meter", company.checks),
            *(one.instrument for one in self._moved if one.instrument in known),
        }
        found += [self._with_moves(travelled("meter", name, company.checks)) for name in sorted(meters)]
        return found

    def _index(self, found: Iterable[OverPlants | Travelled]) -> CompanyIndexPage:
        reviews = [json.loads(body) for body in self.register.kept_of("review")]
        result = CompanyIndex(
            program=software_version(),
            sites=tuple(site_statuses(self.place, self.register)),
            glances=tuple(
                CompanyGlance(kind=one.kind, name=one.name, state=one.state, sites=one.sites, reason=one.reasons[0]) for one in found
            ),
            reviews=tuple(
                ReviewGlance(**{name: body[name] for name in ("month", "revision", "waits")})
                for _, body in sorted(enumerate(reviews), key=lambda one: (one[1]["month"], one[0]), reverse=True)
            ),
        )  # fmt: skip
        return CompanyIndexPage(replace(self._provenance, as_of=datetime.now(UTC)), result)

    def review(self, month: str, *, dry_run: bool = False) -> tuple[dict[str, Any], Path]:
        """Review a month: the same heads, names and program give the result that is kept; others a revision beside it.

        Returns
        -------
        (dict, Path)
            The document, and its page with those of what it names.

        Raises
        ------
        UsageError
            If the month is none.
        """
        start, end = _month(month)
        program, hours = software_version(), self.place.settings.silent_after_hours
        revision = revision_of(self.company.heads, self.company.names, program, (month, hours))
        path = self.place.pages / reports.address("review", f"{month}-{revision}")
        kept = self.register.kept("review", month, revision, program)
        if kept is not None and path.is_file():
            return dict(json.loads(kept)), path
        result = company_review(self.company, month, start, end, program=program, silent_after_hours=hours)
        document: dict[str, Any] = as_json(result) | {"waits": result.waits}
        if dry_run:
            return document, path
        earlier = [
            (body["revision"], changed_since(body, result))
            for body in map(json.loads, self.register.kept_of("review", month))
            if body["revision"] != revision
        ]
        found = self._across()
        pages = self._pages(found, {one.name for one in result.travelled_meters})
        self.write(*pages, CompanyReviewPage(self._provenance, result, tuple(earlier)))
        self.register.keep("review", month, revision, program, json.dumps(document, sort_keys=True))
        self.write(self._index(found))
        return document, path


def _month(month: str) -> tuple[datetime, datetime]:
    try:
        start = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        raise UsageError(f"{month!r} is no month: expected one such as 2026-06.") from None
    return start, start.replace(year=start.year + start.month // 12, month=start.month % 12 + 1)


def _with_site(
    storage: Storage, manifests: Iterable[Manifest], cache: Path, tables: Mapping[str, pl.Expr]
) -> dict[str, pl.DataFrame]:
    """Return some rows of tables of all sites, with their site."""
    parts: dict[str, list[pl.DataFrame]] = {
        table: [
            COMPANY_TABLES[table].empty().drop(_BUT.get(table, ())).insert_column(0, pl.Series("site", [], pl.String))
        ]
        for table in tables
    }
    for manifest in manifests:
        for table, frame in tables_of(storage, manifest, cache, tables=tables, rows=tables, but=_BUT).items():
            parts[table].append(frame.select(pl.lit(manifest.site).alias("site"), pl.all()))
    return {table: pl.concat(frames) for table, frames in parts.items()}


def _readings_of(storage: Storage, manifests: Iterable[Manifest], cache: Path, meters: pl.DataFrame) -> pl.DataFrame:
    """Return the raw readings of some meters (site, meter)."""
    found = []
    for manifest in manifests:
        own = meters.filter(pl.col("site") == manifest.site)["meter"].to_list()
        if own:
            found.append(_with_site(storage, [manifest], cache, {"readings": pl.col("meter").is_in(own)})["readings"])
    return pl.concat(found) if found else _with_site(storage, (), cache, {"readings": _EVERY})["readings"]


def asked_company(place: Centre, register: Register) -> Asked:
    """Put the last package of each site together; a site that is held or closed stays with what it sent.

    Raises
    ------
    IntegrityProblem
        If a package that was registered cannot be read any more.
    """
    storage = Storage(place.storage)
    sites = [site for site in register.sites() if site.last is not None]
    manifests = tuple(manifest_of(storage, site.last, place.cache) for site in sites if site.last is not None)
    rows = [
        {
            "site": site.name, "number": one.number, "sha256": one.sha256, "program": one.program,
            # of packages let in before moments were looked at: when storage had them
            "made_at": moment_of(one.made_at) or site.last.came_at, "came_at": site.last.came_at,
            "last_reading_at": moment_of(one.last_reading_at), "closed": site.state == "closed",
        }
        for site, one in zip(sites, manifests, strict=True) if site.last is not None
    ]  # fmt: skip
    heads = pl.DataFrame(rows, schema=_HEADS, orient="row")
    tables, names = _with_site(storage, manifests, place.cache, _TABLES), names_of(place)
    moves = moves_of(tables["events"], names)

    @cache
    def moved() -> pl.DataFrame:
        return _readings_of(storage, manifests, place.cache, meters_of(moves, names))

    company = replace(together(heads, tables, names), moves=moves, moved=moved)
    return Asked(place=place, register=register, storage=storage, manifests=manifests, company=company)
