"""The first page of a centre: its sites, what is held, and the way to every other page of the company."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.company.parts import counted_sites, tone
from reports.kit.address import INDEX
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, fixed, typeset
from reports.kit.page import KIND_ANCHOR, Masthead, document, section, stamped
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.tables import Heading, Numbered, table
from reports.words import general as words
from reports.words.company import COLUMN, HEAD, HEADING, SECTION, SITE_STATE, STATE, TABLE, TEXT, WHAT
from schemas.union import CompanyIndexPage

if TYPE_CHECKING:
    from schemas.union import CompanyIndex, ReviewGlance, SiteStatus

__all__ = ["REPORT", "render"]

_MOST = 200
_FIRST = {"differs": 0, "not_assessed": 2}


def render(page: CompanyIndexPage) -> str:
    """Render the first page of a centre."""
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    differ = [one for one in result.glances if one.state == "differs"]
    odd = [site for site in result.sites if result.odd(site)]
    points: list[object] = [TEXT["sites_wait"].format(n=len(odd), all=len(result.sites))]
    points += [
        TEXT["one_differs"].format(what=HEADING[one.kind].format(name=shorten(one.name, 60))) for one in differ[:8]
    ]
    points += [_review(one) for one in result.reviews[:1]]
    # what meters and lots wait for is counted by a review alone
    state, word = ("accept", TEXT["calm"]) if result.reviews else ("not_assessed", TEXT["not_reviewed"])
    if result.waits:
        state, word = "hold", TEXT["waits"].format(n=result.waits)
    body = [
        stamped(
            state, word,
            element("h2", SECTION["waits"]), element("ul", join(element("li", one) for one in points)),
        ),
        section("sites", _sites(result, numbered, clock), heading=SECTION["sites"], wide=True),
    ]  # fmt: skip
    refused = [(site.site, said) for site in odd for said in site.refused]
    if refused:
        listed = (element("li", isolated(site, 60), ": ", shorten(said, 600)) for site, said in refused[:_MOST])
        body.append(section("refused", element("ul", join(listed)), heading=SECTION["refused"], wide=True))
    for kind in ("supplier", "process", "block", "meter"):
        anchor = KIND_ANCHOR.get(kind, f"kind-{kind}")
        shown = _glances(result, kind, numbered) if any(one.kind == kind for one in result.glances) else None
        body.append(section(anchor, shown or element("p", TEXT["none_shared"]), heading=words.KIND[kind], wide=True))
    body.append(section("kind-review", _reviews(result), heading=words.KIND["review"], wide=True))
    name = page.provenance.workspace
    head = Masthead(
        kind=HEAD["index"], name=None, heading=isolated(name, 80), what=WHAT["index"].format(sites=counted_sites(len(result.sites))), title=name
    )  # fmt: skip
    return document(head, INDEX, page.provenance, numbered, body)


REPORT = Report(name="company_index", page=CompanyIndexPage, render=render)


def _sites(result: CompanyIndex, numbered: Numbered, clock: Clock) -> Html:
    columns = [
        Heading(COLUMN["site"]), Heading(COLUMN["state"], kind="t"), Heading(COLUMN["remark"]), Heading(COLUMN["last_reading"], kind="t"),
        Heading(COLUMN["package"], kind="n"), Heading(COLUMN["made"], kind="t"), Heading(COLUMN["program"]), Heading(COLUMN["hash"]),
    ]  # fmt: skip
    rows = [
        (
            isolated(site.site, 60), SITE_STATE[site.state], join(_remarks(result, site), ", "), clock.minute(site.last_reading_at),
            site.number or "", clock.minute(site.made_at), isolated(site.program, 40) if site.program else "",
            element("code", site.sha256[:12]),
        )
        for site in result.sites
    ]  # fmt: skip
    marked = [result.odd(site) for site in result.sites]
    return table(numbered.table(), "sites", TABLE["index_sites"], columns, rows, marked=marked)


def _remarks(result: CompanyIndex, site: SiteStatus) -> list[object]:
    said: list[object] = []
    if site.silent_h is not None:
        said.append(toned("overdue", TEXT["silent_for"].format(h=f"{site.silent_h:.0f}")))
    if site.gap is not None:
        said.append(toned("open", TEXT["gap"].format(n=site.gap)))
    if site.refused:
        said.append(toned("open", TEXT["refused"].format(n=len(site.refused))))
    if site.program not in ("", result.program):
        said.append(toned("open", TEXT["other_version"].format(program=shorten(result.program, 40))))
    if site.clock_s is not None:
        said.append(TEXT["clock"].format(minutes=fixed(site.clock_s / 60, 0, sign=True)))
    return said


def _glances(result: CompanyIndex, kind: str, numbered: Numbered) -> Html:
    found = sorted(
        (one for one in result.glances if one.kind == kind), key=lambda one: (_FIRST.get(one.state, 1), one.name)
    )
    columns = [
        Heading(COLUMN["who"]),
        Heading(COLUMN["state"], kind="t"),
        Heading(COLUMN["sites"], kind="n"),
        Heading(COLUMN["reason"]),
    ]
    rows = [
        (
            linked(INDEX, kind, one.name, length=80), toned(tone(one.state), STATE[one.state]), one.sites,
            shorten(typeset(one.reason), 200),
        )
        for one in found[:_MOST]
    ]  # fmt: skip
    more = f" {words.FRAGMENT['rows'].format(shown=_MOST, total=len(found))}" if len(found) > _MOST else ""
    said = TABLE[f"index_{kind}"] + more
    return table(
        numbered.table(), f"index-{kind}", said, columns, rows, marked=[o.state == "differs" for o in found[:_MOST]]
    )


def _reviews(result: CompanyIndex) -> Html:
    if not result.reviews:
        return element("p", TEXT["no_review"])
    return element("ul", join(element("li", _review(one)) for one in result.reviews[:_MOST]))


def _review(one: ReviewGlance) -> object:
    said = TEXT["review"].format(month=one.month, revision=one.revision, n=one.waits)
    return linked(INDEX, "review", f"{one.month}-{one.revision}", said, 100)
