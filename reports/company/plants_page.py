"""A supplier or a process at all plants: its level over them, and which plant differs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.company.charts import levels_chart
from reports.company.parts import counted_sites, furthest, next_steps, told, tone
from reports.kit.address import address
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import decimals_for, fixed, significant, typeset
from reports.kit.page import Masthead, document, section, verdict
from reports.kit.report import Report
from reports.kit.tables import Heading, Numbered, table
from reports.sections.meter_differences import differences_table
from reports.words import block as block_words
from reports.words import general as words
from reports.words.company import COLUMN, HEAD, HEADING, POINT, SECTION, STATE, TABLE, WHAT
from schemas.union import OverPlantsPage

if TYPE_CHECKING:
    from schemas.union import GroupOverPlants

__all__ = ["REPORT", "render"]


def render(page: OverPlantsPage) -> str:
    """Render a supplier or a process at all plants."""
    result, numbered = page.result, Numbered()
    here = address(result.kind, result.name)
    body = [verdict(tone(result.state), STATE[result.state], told(result.reasons), next_steps(result))]
    plants = [_points(group) for group in result.groups]
    plants += [levels_chart(group, place, numbered) for place, group in enumerate(result.groups)]
    tables = [_plants(group, place, numbered) for place, group in enumerate(result.groups)]
    body.append(section("plants", *plants, *tables, heading=SECTION["plants"], wide=True))
    pairs = []
    for place, group in enumerate(result.groups):
        if group.pairs:
            shown, said = furthest(group.pairs, TABLE["plant_differences"].format(material=shorten(group.material, 60)))
            pairs.append(differences_table(shown, numbered.table(), said, unit="MS/m", anchor=f"differences-{place}"))
    if pairs:
        body.append(section("agreement", *pairs, heading=SECTION["differences"], wide=True))
    lots = sum(plant.lots for group in result.groups for plant in group.plants)
    what = WHAT["plants"].format(lots=words.counted(lots, "lot"), sites=counted_sites(result.sites))
    heading = HEADING[result.kind].format(name=shorten(result.name, 80))
    head = Masthead(
        kind=HEAD[result.kind], name=result.name, heading=heading, what=what, title=heading, home=HEAD["index"]
    )
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="plants", page=OverPlantsPage, render=render)


def _points(group: GroupOverPlants) -> Html:
    said, material = [], shorten(group.material, 60)
    if group.mean is not None:
        ends = group.mean_interval
        decimals = decimals_for(None if ends is None else (ends[1] - ends[0]) / 2, group.mean)
        interval = (
            ""
            if ends is None
            else POINT["interval"].format(low=fixed(ends[0], decimals), high=fixed(ends[1], decimals))
        )
        said.append(POINT["level"].format(material=material, mean=fixed(group.mean, decimals), interval=interval))
        between, within = (
            significant(s, 2) for s in (group.between_standard_deviation, group.within_standard_deviation)
        )
        said.append(POINT["spread"].format(material=material, between=between, within=within))
    said += [POINT["not_said"].format(material=material, reason=shorten(reason, 300)) for reason in group.not_said]
    return element("ul", join(element("li", typeset(one)) for one in said)) if said else Html("")


def _plants(group: GroupOverPlants, place: int, numbered: Numbered) -> Html:
    columns = [
        Heading(COLUMN["site"]), Heading(COLUMN["lots"], kind="n"), Heading(COLUMN["held"], kind="n"), Heading(COLUMN["rejected"], kind="n"),
        Heading(COLUMN["mean"], "MS/m", "n"), Heading(COLUMN["s"], "MS/m", "n"), Heading(COLUMN["own"], "MS/m", "n"),
        Heading(COLUMN["h"], kind="n"), Heading(COLUMN["suspect"]), Heading(COLUMN["suspended"]),
    ]  # fmt: skip
    rows = [
        (
            isolated(plant.site, 60), plant.lots, plant.held, plant.rejected,
            fixed(plant.mean, decimals_for(plant.standard_deviation, plant.mean)), significant(plant.standard_deviation, 2),
            significant(plant.own_standard_uncertainty, 2),
            "" if plant.h is None or group.h_limit is None
            else block_words.FRAGMENT["with_limit"].format(value=fixed(plant.h, 2, sign=True), limit=fixed(group.h_limit, 2)),
            words.listed([shorten(lot, 30) for lot in plant.suspect]), words.listed([shorten(lot, 30) for lot in plant.on_suspended], 3),
        )
        for plant in group.plants
    ]  # fmt: skip
    beyond = {
        one for one in group.plants if one.h is not None and group.h_limit is not None and abs(one.h) > group.h_limit
    }
    said = TABLE["plants"].format(material=shorten(group.material, 60), least=group.least_lots)
    return table(
        numbered.table(), f"plants-{place}", said, columns, rows,
        marked=[plant in beyond or bool(plant.suspect or plant.on_suspended) for plant in group.plants],
    )  # fmt: skip
