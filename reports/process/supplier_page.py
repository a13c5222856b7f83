"""The supplier page: is the level where it was, is it capable, do certificates agree, what to do, and every lot behind that."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.charts import figure, svg
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact
from reports.kit.page import Masthead, behind, document, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.tables import Numbered, best_order, facts
from reports.process import charts as plots
from reports.process import supplier_tables as own_tables
from reports.process import tables
from reports.process.page import STYLE, own_section, stream_charts, streams_drawn, tables_of_streams
from reports.process.text import material_points, shown_state, supplier_steps, verdicts_in_words
from reports.words import general
from reports.words import process as words
from schemas.suppliers import SupplierPage, SupplierResult

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.charts import Plot

__all__ = ["REPORT", "render"]


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
    materials, streams = result.materials, [material.stream for material in result.materials]
    tone, word = shown_state(result.state, streams, "material")
    own = f"supplier {result.supplier}"
    places, told = streams_drawn(streams)
    body = [verdict(tone, word, result.reasons, supplier_steps(result, clock, unit))]
    if materials:
        counts = element("p", verdicts_in_words(result))
        body.append(own_section("materials", counts, own_tables.materials_table(result, numbered.table(), unit=unit)))
    charts, beside, numbers = _charts(page, places, numbered, clock, own, unit)
    body.append(own_section("charts", *charts, *told))
    if any(material.certificates.pairs for material in materials):
        shown = own_tables.certificates_table(result, numbered.table(), here, unit=unit)
        body.append(own_section("certificates", shown))
    if materials:
        body += tables_of_streams(streams, places, numbered, clock, here, own, unit=unit, lots=True)
        others = own_tables.peers_tables(result, numbered, here, unit=unit)
        lots = [
            own_tables.lots_table(
                page.lots.filter(page.lots["material"] == place), material.material, numbered.table(), place,
                numbers.get(place, []), clock, here, unit=unit,
            )
            for place, material in enumerate(materials)
        ]  # fmt: skip
        annex = [
            tables.points_table(
                page.points.filter(page.points["stream"] == place), tables.titled(streams[place], own), numbered.table(), f"stream{place}",
                [pair for pair in numbers.get(place, []) if "stream" in pair[1]], clock, here, unit=unit, lots=True,
            )
            for place in places
        ]  # fmt: skip
        body += [behind(own_section("comparison", *beside, *others)), behind(own_section("lots", *lots))]
        if annex:
            body.append(behind(own_section("annex", *annex)))
        body.append(behind(section("method", facts(_method()), heading=words.SECTION["method"])))
    head = Masthead(
        kind=words.FRAGMENT["supplier"],
        name=result.supplier,
        heading=isolated(result.supplier, 80),
        what=_what(result, clock),
        title=f"{word}: {shorten(result.supplier, 60)}",
    )
    return document(head, here, page.provenance, numbered, body, style=STYLE)


REPORT = Report(name="supplier", page=SupplierPage, render=render)


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
        first, last = clock.day(result.first_at), clock.day(result.last_at)
        said.append(words.FRAGMENT["period" if first != last else "one_day"].format(first=first, last=last))
    return join(said, " · ")


def _charts(
    page: SupplierPage, places: Sequence[int], numbered: Numbered, clock: Clock, own: str, unit: str
) -> tuple[list[Html], list[Html], dict[int, list[tuple[int, str]]]]:
    """Draw, for each of some materials, lot means and certificates, and apart from these the suppliers side by side."""
    result = page.result
    charts: list[Html] = []
    beside: list[Html] = []
    numbers: dict[int, list[tuple[int, str]]] = {}
    say, key = words.CHART, words.FIGURE

    def drawn(kind: str, place: int, plot: Plot, table: str, *sentences: str) -> Html:
        numbers[place].append((numbered.figure(), f"{kind}{place}"))
        return figure(*numbers[place][-1], svg(plot, sentences[0]), *sentences, table=f"{table}{place}")

    for place in places:
        material = result.materials[place]
        name, agreed = shorten(material.material, 60), material.certificates
        points = page.points.filter(page.points["stream"] == place)
        figures, numbers[place] = stream_charts(
            material.stream, points, numbered, clock, f"stream{place}", unit=unit, reference=result.reference_temperature_c,
            spread="standard_deviation", name=tables.titled(material.stream, own),
        )  # fmt: skip
        told = (element("li", point) for point in material_points(material, clock, unit))
        charts += [element("h3", isolated(material.material, 80)), element("ul", *told), *figures]
        rows = page.lots.filter(page.lots["material"] == place).to_dicts()
        if pairs := plots.certificates_plot(rows, clock, unit=unit, mean=agreed.mean_difference, limits=agreed.limits_of_agreement):  # fmt: skip
            charts.append(drawn("certificates", place, pairs, "lots", say["certificates"].format(material=name), key["key_certificates"]))  # fmt: skip
    # figures are numbered as they stand
    for place in places:
        material, name = result.materials[place], shorten(result.materials[place].material, 60)
        axis = key["mean_axis"].format(reference=f"{result.reference_temperature_c:g}", unit=unit)
        if levels := plots.peers_plot(material.peers, result.supplier, what="mean", title=axis):
            beside.append(drawn("mean", place, levels, "peers", say["peers_mean"].format(material=name), key["key_peers"]))  # fmt: skip
        asked = [(material.ppk_asked, key["asked"].format(value=compact(material.ppk_asked, 3)))]
        if capable := plots.peers_plot(material.peers, result.supplier, what="ppk", title=key["ppk_axis"], limits=asked):  # fmt: skip
            beside.append(drawn("ppk", place, capable, "peers", say["peers_ppk"].format(material=name), key["key_peers"]))  # fmt: skip
    return charts, beside, numbers


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
