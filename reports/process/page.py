"""The process page: in control or not and since when, what to do, and every subgroup behind that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.charts import figure, svg
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact
from reports.kit.page import Masthead, document, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.tables import Numbered, best_order, facts
from reports.process import charts as plots
from reports.process import tables
from reports.process.text import process_points, process_steps
from reports.words import general
from reports.words import process as words
from schemas.processes import ProcessPage, ProcessResult

if TYPE_CHECKING:
    import polars as pl

    from reports.kit.charts import Plot
    from schemas.processes import StreamResult

__all__ = ["REPORT", "method_facts", "render", "stream_charts"]

MOST_STREAMS = 6
"""So many streams have charts and points on one page, the worst first; the others stand in the table."""


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
    word = words.STATE.get(result.state, result.state)
    lots = result.subgroups_by == "lot"
    every = best_order(page.points, ("stream", "place"))
    shown, left_out = _shown(result)
    charts: list[Html] = []
    annex: list[Html] = []
    figures: list[list[tuple[int, str]]] = []
    for place in shown:
        stream = result.streams[place]
        points = _of(every, place)
        drawn, numbers = stream_charts(
            stream, points, numbered, f"stream{place}", unit=unit, reference=result.reference_temperature_c,
            spread=result.spread, lots=lots,
        )  # fmt: skip
        charts += [element("h3", isolated(stream.name, 120)), *drawn]
        figures.append(numbers)
    if left_out:
        names = general.listed([shorten(result.streams[place].name, 60) for place in left_out])
        charts.append(element("p", words.FRAGMENT["not_drawn"].format(n=len(left_out), names=names)))
    points_said = join(element("li", point) for point in process_points(result, clock, unit))
    body = [
        verdict(words.TONE[result.state], word, result.reasons, process_steps(result, clock, quiet=_quiet(result))),
        section("points", element("ul", points_said, class_="points")),
        _section("charts", *(charts or [element("p", words.FRAGMENT["no_streams"])])),
    ]
    streams = result.streams
    if streams:
        body.append(_section("streams", tables.streams_table(streams, numbered.table(), clock, unit=unit)))
        body += tables_of_streams(streams, numbered, clock, here, unit=unit, lots=lots)
    body.append(_section("rules", tables.rules_table(result, numbered.table()), facts(method_facts(result))))
    for place, numbers in zip(shown, figures, strict=True):
        stream = result.streams[place]
        annex.append(
            tables.points_table(
                _of(every, place), stream.name, numbered.table(), f"stream{place}", numbers, clock, here, unit=unit,
                lots=lots,
            )
        )  # fmt: skip
    if annex:
        body.append(_section("annex", *annex))
    head = Masthead(
        kind=words.FRAGMENT["process"],
        name=result.process,
        heading=isolated(result.process, 80),
        what=join([words.FRAGMENT[result.kind], words.counted(len(streams), "stream")], " · "),
        title=f"{word}: {shorten(result.process, 60)}",
    )
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="process", page=ProcessPage, render=render)


def _section(name: str, *content: object) -> Html:
    return section(name, *content, heading=words.SECTION[name], wide=True)


def _of(points: pl.DataFrame, place: int) -> pl.DataFrame:
    return points.filter(points["stream"] == place)


def _quiet(result: ProcessResult) -> int:
    for name, title, _ in result.patterns:
        if name == "same-side":
            return int(title.split()[0])
    return 7


def _shown(result: ProcessResult) -> tuple[list[int], list[int]]:
    """Return which streams have charts, in their order, and which have none."""
    order = {state: place for place, state in enumerate(("out_of_control", "watch", "in_control", "not_assessed"))}
    by_need = sorted(range(len(result.streams)), key=lambda n: (order.get(result.streams[n].state, 9), n))
    return sorted(by_need[:MOST_STREAMS]), sorted(by_need[MOST_STREAMS:])


def tables_of_streams(
    streams: tuple[StreamResult, ...], numbered: Numbered, clock: Clock, here: str, *, unit: str, lots: bool
) -> list[Html]:
    """Return signals, changes of level, and limits by phase of some streams."""
    signals = any(stream.signals for stream in streams)
    changes = any(stream.level_changes for stream in streams)
    return [
        _section(
            "signals",
            tables.signals_table(streams, numbered.table(), clock, here, unit=unit, lots=lots)
            if signals
            else element("p", words.FRAGMENT["no_signals"]),
        ),
        _section(
            "changes",
            tables.changes_table(streams, numbered.table(), clock, here, unit=unit, lots=lots)
            if changes
            else element("p", words.FRAGMENT["no_changes"]),
        ),
        _section("phases", tables.phases_table(streams, numbered.table(), clock, unit=unit)),
    ]


def stream_charts(
    stream: StreamResult,
    points: pl.DataFrame,
    numbered: Numbered,
    anchor: str,
    *,
    unit: str,
    reference: float,
    spread: str,
    lots: bool,
) -> tuple[list[Html], list[tuple[int, str]]]:
    """Draw the charts of one stream; return them with their numbers and anchors. Its table is named `anchor`."""
    rows = points.to_dicts()
    if not rows:
        return [], []
    say, name = words.CHART, tables.titled(stream)
    drawn: list[Html] = []
    numbers: list[tuple[int, str]] = []

    def add(kind: str, plot: Plot, *sentences: str) -> None:
        number = numbered.figure()
        drawn.append(figure(number, f"{anchor}-{kind}", svg(plot, sentences[0]), *sentences, table=anchor))
        numbers.append((number, f"{anchor}-{kind}"))

    shown = len(plots.drawn(rows))
    thinned = "" if shown == len(rows) else words.FIGURE["thinned"].format(shown=shown, total=len(rows))
    means = plots.means_plot(stream, rows, reference=reference, unit=unit, lot_axis=lots)
    add(
        "means", means, say["means"].format(stream=name), words.FIGURE["key_means"], words.FIGURE["names_once"], thinned
    )
    if inside := plots.spread_plot(rows, spread=spread, unit=unit):
        title = say["spread"].format(spread=words.SPREAD[spread].capitalize(), stream=name)
        add("spread", inside, title, words.FIGURE["key_spread"])
    if smooth := plots.ewma_plot(rows, unit=unit):
        add(
            "ewma",
            smooth,
            say["ewma"].format(weight=compact(stream.ewma_weight, 3), stream=name),
            words.FIGURE["key_ewma"],
        )
    return drawn, numbers


def method_facts(result: ProcessResult) -> list[tuple[str, object]]:
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
