"""A month of the company: up to where each site has told, and what waits for somebody."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.company.parts import counted_sites, hand_overs_table, told
from reports.kit.address import address
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, typeset
from reports.kit.page import Masthead, document, section, stamped
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.tables import Heading, Numbered, table
from reports.words import general as words
from reports.words.company import COLUMN, HEAD, HEADING, NAMES, SECTION, TABLE, TEXT, WHAT
from schemas.union import CompanyReviewPage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.union import CompanyReview, OverPlants, Travelled

__all__ = ["REPORT", "render"]

_MOST_NAMES = 100


def render(page: CompanyReviewPage) -> str:
    """Render a month of the company."""
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here = address("review", page.link.identifier)
    body = [
        stamped(
            "hold" if result.waits else "accept",
            TEXT["waits"].format(n=result.waits) if result.waits else TEXT["calm"],
            element("h2", SECTION["waits"]),
            element("ul", join(element("li", one) for one in _points(result))),
        ),
        _section("sites", _sites(result, numbered, clock)),
        _section("meters", _meters(result, numbered)),
        _section("events", _events(result)),
        _section("rejected", _rejected(result, numbered, clock, here)),
        _section("suppliers", _differ("supplier", result, numbered, here)),
        _section("blocks", _differ("block", result, numbered, here)),
        _section("hand_overs", hand_overs_table(result.hand_overs, numbered, clock) if result.hand_overs else _none()),
        _section("two_sites", _two_sites(result, numbered, clock)),
        _section("names", _names(result, numbered)),
        _section("revisions", _earlier(page)),
    ]
    heading = HEADING["review"].format(month=result.month)
    what = WHAT["review"].format(sites=counted_sites(len(result.sites)), revision=result.revision)
    return document(
        Masthead(kind=HEAD["review"], name=result.month, heading=heading, what=what, title=heading, home=HEAD["index"]),
        here,
        page.provenance,
        numbered,
        body,
    )


REPORT = Report(name="company_review", page=CompanyReviewPage, render=render)


def _section(name: str, content: Html) -> Html:
    return section(name, content, heading=SECTION[name], wide=True)


def _none() -> Html:
    return element("p", TEXT["none"])


def _points(result: CompanyReview) -> list[str]:
    odd = sum(site.silent or site.other_version for site in result.sites)
    return [
        TEXT["sites_odd"].format(n=odd, all=len(result.sites)),
        TEXT["meters_out"].format(
            meters=words.counted(len(result.meters), "meter"),
            events=words.counted(sum(result.open_events.values()), "event"),
        ),
        TEXT["lots"].format(**result.lots),
        TEXT["differ"].format(
            suppliers=len(result.suppliers), blocks=len(result.blocks), meters=len(result.travelled_meters)
        ),
        TEXT["unmapped"].format(
            n=len(result.unmapped),
            twice=len(result.at_two_sites),
            moved=sum(bool(one.differ) for one in result.hand_overs),
        ),
        TEXT["copies"].format(n=result.copies),
    ]


def _sites(result: CompanyReview, numbered: Numbered, clock: Clock) -> Html:
    columns = [
        Heading(COLUMN["site"]), Heading(COLUMN["package"], kind="n"), Heading(COLUMN["hash"]), Heading(COLUMN["last_reading"], kind="t"),
        Heading(COLUMN["made"], kind="t"), Heading(COLUMN["program"]), Heading(COLUMN["remark"]),
    ]  # fmt: skip
    rows = []
    for site in result.sites:
        remarks = [toned("overdue", TEXT["silent"])] if site.silent else []
        if site.other_version:
            remarks.append(toned("open", TEXT["other_version"].format(program=shorten(result.program, 40))))
        rows.append(
            (
                isolated(site.site, 60), site.number, element("code", site.sha256[:12]), clock.minute(site.last_reading_at), clock.minute(site.made_at),
                isolated(site.program, 40), join(remarks, ", "),
            )
        )  # fmt: skip
    marked = [site.silent or site.other_version for site in result.sites]
    return table(numbered.table(), "sites", TABLE["sites"], columns, rows, marked=marked)


def _listed(
    name: str, numbered: Numbered, columns: Sequence[Heading], rows: Sequence[Sequence[object]], more: str = ""
) -> Html:
    """Return a table, or the word for nothing where it has no row."""
    anchor = name.replace("_", "-")
    return table(numbered.table(), anchor, TABLE[name] + more, columns, rows) if rows else _none()


def _meters(result: CompanyReview, numbered: Numbered) -> Html:
    columns = [
        Heading(COLUMN["meter"]),
        Heading(COLUMN["state"], kind="t"),
        Heading(COLUMN["reason"]),
        Heading(COLUMN["events"], kind="n"),
    ]
    rows = [
        (isolated(m.meter, 80), toned(m.state, words.STATE.get(m.state, m.state)), shorten(typeset(m.reason), 300), m.open_events)
        for m in result.meters
    ]  # fmt: skip
    return _listed("meters", numbered, columns, rows)


def _events(result: CompanyReview) -> Html:
    if not result.open_events:
        return _none()
    return element("ul", join(element("li", isolated(site, 60), f": {n}") for site, n in result.open_events.items()))


def _rejected(result: CompanyReview, numbered: Numbered, clock: Clock, here: str) -> Html:
    columns = [
        Heading(COLUMN["lot"]),
        Heading(COLUMN["last_reading"], kind="t"),
        Heading(COLUMN["supplier"]),
        Heading(COLUMN["reason"]),
    ]
    rows = [
        (isolated(lot.lot, 80), clock.minute(lot.last_at), linked(here, "supplier", lot.supplier), shorten(typeset(lot.reason), 300))
        for lot in result.rejected
    ]  # fmt: skip
    return _listed("rejected", numbered, columns, rows)


def _differ(what: str, result: CompanyReview, numbered: Numbered, here: str) -> Html:
    travelled = (*result.blocks, *result.travelled_meters)
    found: Sequence[OverPlants | Travelled] = result.suppliers if what == "supplier" else travelled
    if not found:
        return _none()
    columns = [Heading(COLUMN["who"]), Heading(COLUMN["reason"])]
    rows = [
        (
            linked(here, one.kind, one.name),
            join((element("p", shorten(typeset(r), 300)) for r in told(one.reasons)), " "),
        )
        for one in found
    ]
    return table(numbered.table(), f"differ-{what}", TABLE["differ"], columns, rows)


def _two_sites(result: CompanyReview, numbered: Numbered, clock: Clock) -> Html:
    columns = [
        Heading(COLUMN["instrument"]),
        Heading(COLUMN["first"]),
        Heading(COLUMN["second"]),
        Heading(COLUMN["at_once"], kind="t"),
    ]
    rows = [
        (
            isolated(one.instrument, 60), isolated(one.first, 60), isolated(one.second, 60),
            words.FRAGMENT["span"].format(low=clock.day(one.since) or "…", high=clock.day(one.until) or "…"),
        )
        for one in result.at_two_sites
    ]  # fmt: skip
    return _listed("two_sites", numbered, columns, rows)


def _names(result: CompanyReview, numbered: Numbered) -> Html:
    columns = [Heading(COLUMN["what"]), Heading(COLUMN["site"]), Heading(COLUMN["name"]), Heading(COLUMN["said"])]
    rows = [
        (NAMES[one.kind], isolated(one.site, 60), isolated(one.name, 80), shorten(one.stated, 80))
        for one in result.unmapped[:_MOST_NAMES]
    ]
    all_of_them = len(result.unmapped)
    more = (
        f" {words.FRAGMENT['rows'].format(shown=_MOST_NAMES, total=all_of_them)}" if all_of_them > _MOST_NAMES else ""
    )
    return _listed("names", numbered, columns, rows, more)


def _earlier(page: CompanyReviewPage) -> Html:
    if not page.earlier:
        return element("p", TEXT["first"])
    items = []
    for revision, changed in page.earlier:
        said = TEXT["earlier"].format(revision=revision, what=words.listed([shorten(one, 80) for one in changed]))
        items.append(
            element(
                "li",
                linked(address("review", page.link.identifier), "review", f"{page.result.month}-{revision}", said, 600),
            )
        )
    return element("ul", join(items))
