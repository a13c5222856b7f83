"""The supplier page: is the level where it was, is it capable, do certificates agree, what to do, and every lot behind that."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.charts import figure, svg
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact
from reports.kit.page import Masthead, document, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.tables import Numbered, best_order, facts
from reports.process import charts as plots
from reports.process import supplier_tables as own_tables
from reports.process import tables
from reports.process.page import stream_charts, tables_of_streams
from reports.process.text import supplier_points, supplier_steps
from reports.words import general
from reports.words import process as words
from schemas.suppliers import SupplierPage, SupplierResult

if TYPE_CHECKING:
    from reports.kit.charts import Plot

__all__ = ["REPORT", "render"]

MOST_MATERIALS = 6
"""So many materials have charts and lots on one page; the others stand in the tables."""


def render(page: SupplierPage) -> str:
    """Render the page of a supplier.

    Parameters
    ----------
    page
        The supplier with its lots and points.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    page = replace(
        page,
        lots=best_order(page.lots, ("material", "first_at", "lot")),
        points=best_order(page.points, ("stream", "place")),
    )
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here, unit = address("supplier", result.identifier), unit_in_words(result.unit)
    word = words.STATE.get(result.state, result.state)
    points = join(element("li", point) for point in supplier_points(result, clock, unit))
    body = [
        verdict(words.TONE[result.state], word, result.reasons, supplier_steps(result, clock, unit)),
        section("points", element("ul", points, class_="points")),
    ]
    materials = result.materials
    if materials:
        body.append(_section("materials", own_tables.materials_table(result, numbered.table(), unit=unit)))
    charts, numbers = _charts(page, numbered, unit)
    body.append(_section("charts", *(charts or [element("p", words.FRAGMENT["no_streams"])])))
    if materials:
        body.append(_section("certificates", own_tables.certificates_table(result, numbered.table(), here, unit=unit)))
        body.append(_section("comparison", *own_tables.peers_tables(result, numbered, here, unit=unit)))
        streams = tuple(material.stream for material in materials)
        body += tables_of_streams(streams, numbered, clock, here, unit=unit, lots=True)
        body.append(section("method", facts(_method()), heading=words.SECTION["method"]))
        lots = [
            own_tables.lots_table(
                page.lots.filter(page.lots["material"] == place), material.material, numbered.table(), place,
                numbers.get(place, []), clock, here, unit=unit,
            )
            for place, material in enumerate(materials[:MOST_MATERIALS])
        ]  # fmt: skip
        annex = [
            tables.points_table(
                page.points.filter(page.points["stream"] == place), material.stream.name, numbered.table(), f"stream{place}",
                [pair for pair in numbers.get(place, []) if "stream" in pair[1]], clock, here, unit=unit, lots=True,
            )
            for place, material in enumerate(materials[:MOST_MATERIALS])
        ]  # fmt: skip
        body += [_section("lots", *lots), _section("annex", *annex)]
    head = Masthead(
        kind=words.FRAGMENT["supplier"],
        name=result.supplier,
        heading=isolated(result.supplier, 80),
        what=_what(result, clock),
        title=f"{word}: {shorten(result.supplier, 60)}",
    )
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="supplier", page=SupplierPage, render=render)


def _section(name: str, *content: object) -> Html:
    return section(name, *content, heading=words.SECTION[name], wide=True)


def _what(result: SupplierResult, clock: Clock) -> Html:
    said = [general.counted(result.lots, "lot")]
    if result.from_ is None and result.to is None:
        said.append(words.FRAGMENT["whole"])
    else:
        ends = {
            "first": clock.day(result.from_) or words.FRAGMENT["open"],
            "last": clock.day(result.to) or words.FRAGMENT["open"],
        }
        said.append(words.FRAGMENT["asked"].format(**ends))
    if result.first_at is not None:
        said.append(words.FRAGMENT["period"].format(first=clock.day(result.first_at), last=clock.day(result.last_at)))
    return join(said, " · ")


def _charts(page: SupplierPage, numbered: Numbered, unit: str) -> tuple[list[Html], dict[int, list[tuple[int, str]]]]:
    """Draw, for each material, the lot means, the certificates and the suppliers side by side."""
    result = page.result
    charts: list[Html] = []
    numbers: dict[int, list[tuple[int, str]]] = {}
    say = words.CHART

    def add(kind: str, place: int, plot: Plot, table: str, *sentences: str) -> None:
        number = numbered.figure()
        charts.append(figure(number, f"{kind}{place}", svg(plot, sentences[0]), *sentences, table=table))
        numbers[place].append((number, f"{kind}{place}"))

    for place, material in enumerate(result.materials[:MOST_MATERIALS]):
        name = shorten(material.material, 60)
        points = page.points.filter(page.points["stream"] == place)
        drawn, found = stream_charts(
            material.stream, points, numbered, f"stream{place}", unit=unit, reference=result.reference_temperature_c,
            spread="standard_deviation", lots=True,
        )  # fmt: skip
        charts += [element("h3", isolated(material.material, 80)), *drawn]
        numbers[place] = found

        rows = page.lots.filter(page.lots["material"] == place).to_dicts()
        agreed = material.certificates
        pairs = plots.certificates_plot(rows, unit=unit, mean=agreed.mean_difference, limits=agreed.limits_of_agreement)
        if pairs:
            add(
                "certificates",
                place,
                pairs,
                f"lots{place}",
                say["certificates"].format(material=name),
                words.FIGURE["key_certificates"],
            )
        axis = words.FIGURE["mean_axis"].format(reference=f"{result.reference_temperature_c:g}", unit=unit)
        levels = plots.peers_plot(material.peers, result.supplier, what="mean", title=axis)
        if levels:
            add(
                "mean",
                place,
                levels,
                f"peers{place}",
                say["peers_mean"].format(material=name),
                words.FIGURE["key_peers"],
            )
        asked = [(material.ppk_asked, words.FIGURE["asked"].format(value=compact(material.ppk_asked, 3)))]
        capable = plots.peers_plot(
            material.peers, result.supplier, what="ppk", title=words.FIGURE["ppk_axis"], limits=asked
        )
        if capable:
            add(
                "ppk",
                place,
                capable,
                f"peers{place}",
                say["peers_ppk"].format(material=name),
                words.FIGURE["key_peers"],
            )
    return charts, numbers


def _method() -> list[tuple[str, object]]:
    fact, fragment = words.FACT, words.FRAGMENT
    return [
        (fact["subgroups"], words.SUBGROUPS_BY["lot"]),
        (fact["repeats"], fragment["repeats"]),
        (fact["level"], fragment["level"]),
        (fact["changes"], fragment["changes"]),
        (fact["agreement"], fragment["agreement"]),
        (fact["suspect"], fragment["suspect"]),
    ]
