"""The process page: in control or not and since when, what to do, and every subgroup behind that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.charts import figure, svg
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact
from reports.kit.page import Masthead, behind, document, folded, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.tables import Numbered, best_order, facts
from reports.process import charts as plots
from reports.process import tables
from reports.process.text import process_steps, shown_state, stream_points
from reports.words import general
from reports.words import process as words
from schemas.processes import ProcessPage, ProcessResult

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from reports.kit.charts import Plot
    from schemas.processes import StreamResult

__all__ = ["REPORT", "STYLE", "own_section", "render", "stream_charts", "streams_drawn", "tables_of_streams"]

MOST_STREAMS = 6
"""So many streams have charts and points on one page, the worst first; the others stand in the table."""
STYLE = "@media print{.word{font-size:1.2rem}}"
FEW_LOTS = 8
"""A stream of fewer lots is a row of the table, unless it alarms."""


def render(page: ProcessPage) -> str:
    """Render the page of a process.

    Parameters
    ----------
    page
        The process with its points.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here, unit = address("process", result.process), unit_in_words(result.unit)
    tone, word = shown_state(result.state, result.streams, "stream")
    lots = result.subgroups_by == "lot"
    every = best_order(page.points, ("stream", "place"))
    own = result.process if result.process.startswith(f"{result.kind} ") else f"{result.kind} {result.process}"
    places, told = streams_drawn(result.streams)
    streams = sorted(result.streams, key=tables.of_need)
    body = [verdict(tone, word, result.reasons, process_steps(result, clock, quiet=_quiet(result)))]
    if streams:
        body.append(own_section("streams", tables.streams_table(streams, numbered.table(), clock, own, unit=unit)))
    charts: list[Html] = []
    figures: list[list[tuple[int, str]]] = []
    for place in places:
        stream = result.streams[place]
        drawn, numbers = stream_charts(
            stream, _of(every, place), numbered, clock, f"stream{place}", unit=unit, reference=result.reference_temperature_c,
            spread=result.spread, name=tables.titled(stream, own),
        )  # fmt: skip
        points = [element("li", point) for point in stream_points(stream, clock, unit)]
        charts += [element("h3", isolated(tables.titled(stream, own), 120)), element("ul", *points), *drawn]
        figures.append(numbers)
    body.append(own_section("charts", *charts, *told))
    body += tables_of_streams(result.streams, places, numbered, clock, here, own, unit=unit, lots=lots)
    body.append(behind(own_section("rules", tables.rules_table(result, numbered.table()), facts(_method(result)))))
    annex = [
        tables.points_table(
            _of(every, place), tables.titled(result.streams[place], own), numbered.table(), f"stream{place}", numbers, clock, here,
            unit=unit, lots=lots,
        )
        for place, numbers in zip(places, figures, strict=True)
    ]  # fmt: skip
    if annex:
        body.append(behind(own_section("annex", *annex)))
    head = Masthead(
        kind=words.FRAGMENT["process"],
        name=result.process,
        heading=isolated(result.process, 80),
        what=join([words.FRAGMENT[result.kind], words.counted(len(streams), "stream")], " · "),
        title=f"{word}: {shorten(result.process, 60)}",
    )
    return document(head, here, page.provenance, numbered, body, style=STYLE)


REPORT = Report(name="process", page=ProcessPage, render=render)


def own_section(name: str, *content: object) -> Html:
    """Return a section of a page of a process or supplier."""
    return section(name, *content, heading=words.SECTION[name], wide=True)


def _of(points: pl.DataFrame, place: int) -> pl.DataFrame:
    return points.filter(points["stream"] == place)


def _quiet(result: ProcessResult) -> int:
    for name, title, _ in result.patterns:
        if name == "same-side":
            return int(title.split()[0])
    return 7


def streams_drawn(streams: Sequence[StreamResult]) -> tuple[list[int], list[Html]]:
    """Return which streams have charts, what alarms first, and sentences that say which have none."""
    order = sorted(range(len(streams)), key=lambda n: tables.of_need(streams[n]))
    able = [n for n in order if streams[n].lots >= FEW_LOTS or streams[n].state in ("out_of_control", "watch")]
    shown, told = able[:MOST_STREAMS], []
    if not streams:
        told.append(words.FRAGMENT["no_streams"])
    if rest := able[MOST_STREAMS:]:
        names = general.listed([shorten(streams[n].name, 60) for n in sorted(rest)])
        told.append(words.FRAGMENT["not_drawn"].format(n=len(rest), names=names))
    if len(able) < len(streams):
        told.append(words.FRAGMENT["few_lots"].format(n=FEW_LOTS))
    return shown, [element("p", sentence) for sentence in told]


def tables_of_streams(
    streams: Sequence[StreamResult], places: Sequence[int], numbered: Numbered, clock: Clock, here: str, own: str, *, unit: str, lots: bool
) -> list[Html]:  # fmt: skip
    """Return signals and changes of level where there are any, and limits by phase of the streams that are drawn."""
    drawn = [streams[place] for place in places]
    found = []
    if any(stream.signals for stream in streams):
        shown = tables.signals_table(drawn, numbered.table(), clock, here, own, unit=unit, lots=lots)
        found.append(own_section("signals", shown))
    if any(stream.level_changes for stream in streams):
        shown = tables.changes_table(drawn, numbered.table(), clock, here, own, unit=unit, lots=lots)
        found.append(own_section("changes", shown))
    if drawn:
        found.append(behind(own_section("phases", tables.phases_table(drawn, numbered.table(), clock, own, unit=unit))))
    return found


def stream_charts(
    stream: StreamResult,
    points: pl.DataFrame,
    numbered: Numbered,
    clock: Clock,
    anchor: str,
    *,
    unit: str,
    reference: float,
    spread: str,
    name: str,
) -> tuple[list[Html], list[tuple[int, str]]]:
    """Draw the charts of one stream; return them with their numbers and anchors. Its table is named `anchor`."""
    rows = points.to_dicts()
    if not rows:
        return [], []
    say = words.CHART
    numbers: list[tuple[int, str]] = []

    def drawn(kind: str, plot: Plot, *sentences: str) -> Html:
        numbers.append((numbered.figure(), f"{anchor}-{kind}"))
        return figure(*numbers[-1], svg(plot, sentences[0]), *sentences, table=anchor)

    shown = len(plots.drawn(rows))
    thinned = "" if shown == len(rows) else words.FIGURE["thinned"].format(shown=shown, total=len(rows))
    suspended = words.FIGURE["key_suspended"] if any(row["suspended"] for row in rows) else ""
    means = plots.means_plot(stream, rows, clock, reference=reference, unit=unit)
    found = [
        drawn("means", means, say["means"].format(stream=name), suspended, words.FIGURE["key_means"], words.FIGURE["names_once"], thinned)
    ]  # fmt: skip
    more = []
    if inside := plots.spread_plot(rows, clock, spread=spread, unit=unit):
        title = say["spread"].format(spread=words.SPREAD[spread].capitalize(), stream=name)
        more.append(drawn("spread", inside, title, words.FIGURE["key_spread"]))
    if smooth := plots.ewma_plot(rows, clock, unit=unit):
        title = say["ewma"].format(weight=compact(stream.ewma_weight, 3), stream=name)
        more.append(drawn("ewma", smooth, title, words.FIGURE["key_ewma"]))
    if more:
        found.append(folded(words.FRAGMENT["more_charts"].format(stream=name), *more))
    return found, numbers


def _method(result: ProcessResult) -> list[tuple[str, object]]:
    """Return how the charts were made, as facts."""
    fact, fragment, points = words.FACT, words.FRAGMENT, _quiet(result)
    return [
        (fact["subgroups"], words.SUBGROUPS_BY[result.subgroups_by]),
        (fact["repeats"], fragment["repeats"]),
        (fact["limits"], words.LIMITS_FROM[result.limits_from]),
        (fact["spread"], words.SPREAD[result.spread]),
        (fact["level"], fragment["level"]),
        (fact["changes"], fragment["changes"]),
        (fact["suspect"], fragment["suspect"]),
        (fact["chance"], fragment["chance"].format(n=points, run=2**points - 1)),
    ]
