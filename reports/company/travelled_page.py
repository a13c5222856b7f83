"""A block or a meter that several sites had, and who disagrees by how much."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.company.charts import e_n_chart
from reports.company.parts import counted_sites, furthest, hand_overs_table, next_steps, told, tone
from reports.kit.address import address
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact, decimals_for, fixed, significant
from reports.kit.page import Masthead, document, section, verdict
from reports.kit.report import Report
from reports.kit.tables import Heading, Numbered, table
from reports.sections.comparisons import comparison_table
from reports.sections.meter_differences import differences_table
from reports.words import general as words
from reports.words.company import COLUMN, HEAD, HEADING, POINT, SECTION, STATE, TABLE, TEXT, WHAT
from schemas.union import TravelledPage

if TYPE_CHECKING:
    from schemas.union import Travelled

__all__ = ["REPORT", "render"]


def render(page: TravelledPage) -> str:
    """Render a block or a meter that travels."""
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here = address(result.kind, result.name)
    body = [verdict(tone(result.state), STATE[result.state], told(result.reasons), next_steps(result))]
    body.append(
        section("stays", _readings(result), _stays(result, clock, numbered), heading=SECTION["stays"], wide=True)
    )
    if result.hand_overs:
        moved = hand_overs_table(result.hand_overs, numbered, clock)
        body.append(section("hand_overs", moved, heading=SECTION["hand_overs"], wide=True))
    if result.pairs:
        shown, said = furthest(result.pairs, TABLE[f"{result.kind}_differences"])
        table_of_pairs = differences_table(shown, numbered.table(), said, unit="MS/m")
        chart = e_n_chart(result.pairs, numbered)
        body.append(section("agreement", chart, table_of_pairs, heading=SECTION["differences"], wide=True))
    if result.comparison is not None:
        together = comparison_table([result.comparison], here, numbered.table(), unit="MS/m")
        body.append(section("together", together, heading=SECTION["together"], wide=True))
    what = WHAT["travelled"].format(
        checks=words.counted(sum(stay.checks for stay in result.stays), "check"),
        meters=words.counted(len({stay.instrument or (stay.site, stay.meter) for stay in result.stays}), "meter"),
        sites=counted_sites(result.sites),
    )
    heading = HEADING[result.kind].format(name=shorten(result.name, 80))
    head = Masthead(
        kind=HEAD[result.kind], name=result.name, heading=heading, what=what, title=heading, home=HEAD["index"]
    )
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="travelled", page=TravelledPage, render=render)


def _readings(result: Travelled) -> Html:
    if result.readings is None:
        return Html("")
    copies = [POINT["copies"].format(n=n, site=shorten(site, 60)) for site, n in (result.copies or {}).items()]
    return element("p", join([POINT["readings"].format(n=result.readings), *copies], " "))


def _stays(result: Travelled, clock: Clock, numbered: Numbered) -> Html:
    other = COLUMN["instrument"] if result.kind == "block" else COLUMN["block"]
    columns = [
        Heading(COLUMN["site"]), Heading(COLUMN["meter"]), Heading(other), Heading(COLUMN["frequency"]), Heading(COLUMN["from_to"], kind="t"),
        Heading(COLUMN["checks"], kind="n"), Heading(COLUMN["check_mean"], "MS/m", "n"), Heading(COLUMN["bias"], "MS/m", "n"),
        Heading(COLUMN["s_checks"], "MS/m", "n"), Heading(COLUMN["claim"], "MS/m", "n"),
    ]  # fmt: skip
    copies = any(stay.also_at for stay in result.stays)
    if copies:
        columns.append(Heading(COLUMN["also_at"]))
    rows = []
    for stay in result.stays:
        decimals = decimals_for(stay.standard_deviation or stay.own_standard_uncertainty, stay.mean)
        block = stay.company_block or stay.block
        rows.append(
            (
                isolated(stay.site, 60), isolated(stay.meter, 40), isolated((stay.instrument or "") if result.kind == "block" else block, 60),
                "" if stay.frequency_khz is None else TEXT["frequency"].format(f=compact(stay.frequency_khz, 6)),
                words.FRAGMENT["span"].format(low=clock.day(stay.first_at), high=clock.day(stay.last_at)), stay.checks,
                fixed(stay.mean, decimals), fixed(stay.bias, decimals, sign=True), significant(stay.standard_deviation, 2),
                significant(stay.own_standard_uncertainty, 2),
                *([words.listed([shorten(site, 30) for site in stay.also_at])] if copies else []),
            )
        )  # fmt: skip
    return table(numbered.table(), "stays", TABLE["stays"], columns, rows, row_heads=2)
