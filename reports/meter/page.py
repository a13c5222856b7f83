"""The meter page: may it be used, why, what to do, and every check behind that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address, between
from reports.kit.charts import figure, svg
from reports.kit.links import exists, linked_to
from reports.kit.markup import Html, element, isolated, join, shorten, text
from reports.kit.numbers import Clock, compact, percent
from reports.kit.page import Masthead, document, flags_list, folded, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.tables import Numbered, ledger
from reports.meter import charts as meter_charts
from reports.meter import drift as meter_drift
from reports.meter import tables as meter_tables
from reports.meter.checks import checks_sections
from reports.meter.series import Key, Series, series_of
from reports.meter.strip import Beside, leaves_in_words, share_used, shared_axis, strip_plot, urgency
from reports.sections import bias_line as bias
from reports.sections import uncertainty
from reports.sections.calibrations import calibrations_table
from reports.sections.drift_text import hold_points
from reports.sections.events_list import events_list
from reports.sections.what_to_do import meter_steps
from reports.words import drift as drift_words
from reports.words import event as look_back_words
from reports.words import general as words
from reports.words import meter as say
from reports.words.uncertainty import BIAS, BUDGET
from schemas.results import MeterPage, MeterResult

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from reports.kit.charts import Plot
    from schemas.drift import DriftChart, DriftSignal
    from schemas.results import BlockSummary

__all__ = ["REPORT", "render"]


MOST_STEPS = 3
"""What the banner asks for; the rest comes after it."""
_FEW_LOTS = 12
_FIRST_SENTENCES = 2


def render(page: MeterPage) -> str:
    """Render the page of a meter.

    Parameters
    ----------
    page
        The meter with the frames behind it.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here = address("meter", result.meter)
    long_part = address("checks", result.meter)
    apart = bool(result.checks) and exists(long_part)
    unit = unit_in_words(result.unit)
    word = words.STATE.get(result.state, result.state)
    none = element("p", words.FRAGMENT["none"])
    found = series_of(page, clock, unit)
    steps = meter_steps(result, clock)
    points = join(element("li", point) for point in _points(result))
    body = [
        verdict(result.state, word, result.reasons, steps[:MOST_STEPS]),
        section(
            "strips",
            *_strips(page, found, numbered, between(here, long_part) if apart else ""),
            heading=say.HEADING["strips"],
            wide=True,
        ),
    ]
    if rest := steps[MOST_STEPS:]:
        body.append(
            section("then", element("ol", *(element("li", step) for step in rest)), heading=say.HEADING["then"])
        )
    body.append(section("points", element("ul", points, class_="points")))
    body.append(section("figures", _figures(result, clock)))
    if result.blocks:
        body.append(section("blocks", meter_tables.blocks_table(result, numbered.table(), unit=unit), wide=True))
    drift = meter_tables.drift_table(result, numbered.table(), clock, unit=unit) if result.drift else None
    body.append(section("drift", *(meter_drift.drift_section(result, drift) or [none]), wide=True))
    if result.bias_lines:
        body.append(section("bias_line", *_bias_lines(result, numbered, unit), wide=True))
    read = page.lots.height or result.suspect_lots
    lots = meter_tables.lots_table(page, numbered.table(), clock, here, _FEW_LOTS) if read else none
    body.append(section("read_lots", lots, wide=True))
    if page.events:
        body.append(section("events", events_list(here, page.events, clock), heading=words.KIND["event"]))
    if page.calibrations is not None and page.calibrations.height:
        shown = calibrations_table(page.calibrations, numbered.table(), clock)
        body.append(section("calibrations", shown, heading=look_back_words.SECTION["calibrations"], wide=True))
    body.append(section("flags", flags_list(result.flags)))
    if more := _more(page, numbered, clock, unit):
        body.append(section("more", *more, heading=say.HEADING["more"], wide=True))
    if apart:
        link = linked_to(here, long_part, text(say.SAY["link"].format(meter=shorten(result.meter, 60))))
        body.append(section("checks", element("p", say.SAY["linked"], " ", link), heading=say.HEADING["checks"]))
    else:
        body += checks_sections(page, found, numbered, clock, unit) or [
            section("checks", none, heading=say.HEADING["checks"])
        ]
    head = Masthead(
        kind=words.FRAGMENT["meter"],
        name=result.meter,
        heading=isolated(result.meter, 80),
        what=_what(result, clock),
        title=f"{word}: {shorten(result.meter, 60)}",
    )
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="meter", page=MeterPage, render=render)


def _what(result: MeterResult, clock: Clock) -> str:
    if result.last_setting_at is None:
        return words.FRAGMENT["since_first"]
    return words.FRAGMENT["earlier"].format(day=f"{clock.minute(result.last_setting_at)} {clock.zone}")


def _strips(page: MeterPage, found: Sequence[tuple[Key, Series]], numbered: Numbered, there: str) -> list[Html]:
    """Draw a strip for each block, the one that needs a look first on top, its other charts behind a disclosure."""
    if not found:
        return [element("p", words.FRAGMENT["no_checks"])]
    result, clock = page.result, Clock(page.provenance.zone)
    drifts = {(d.block, d.probe, d.frequency_khz): d for d in result.drift}
    blocks = {(block.block, block.probe, block.frequency_khz): block for block in result.blocks}
    designs = {(c.block, c.probe, c.frequency_khz): c for c in result.drift_charts}
    forecasts = {key: meter_drift.forecast_of(series, drifts.get(key)) for key, series in found}
    signals: dict[Key, list[DriftSignal]] = {key: [] for key, _ in found}
    for signal in sorted(result.drift_signals, key=lambda s: (s.first_at, s.last_at, s.chart)):
        signals.setdefault((signal.block, signal.probe, signal.frequency_khz), []).append(signal)
    axis = shared_axis([series for _, series in found], forecasts.values(), clock)
    places = {key: place for place, (key, _) in enumerate(found, start=1)}
    ordered = sorted(found, key=lambda one: urgency(one[1], signals[one[0]], forecasts[one[0]]), reverse=True)
    beside = _beside(page)
    drawn: list[Html] = [element("p", say.SAY["order"])] if len(found) > 1 else []
    for first, (key, series) in enumerate(ordered):
        place, forecast = places[key], forecasts[key]
        behind = f"columns-{place}" if series.crowded else f"checks-{place}"
        stands = _stands(series, signals[key], forecast, unit_in_words(result.unit))
        drawn.append(element("h3", series.name, element("small", f" {stands}") if stands else None, class_="strip"))
        if strip := strip_plot(series, axis, signals[key], forecast, beside):
            said = say.FIGURE["strip"].format(block=series.name)
            keys = [say.FIGURE["key_strip"]] if not first else []
            if any(forecasts.values()) and not first:
                keys.append(say.FIGURE["key_forecast"])
            number = numbered.figure()
            drawn.append(
                figure(number, f"strip-{place}", svg(strip[0], said), said, *strip[1], *keys, table=behind, there=there)
            )
        others = _charts(series, blocks.get(key), designs.get(key), numbered, place, (behind, there))
        drawn.append(folded(say.FOLD["charts"].format(block=series.name), *others, anchor=f"charts-{place}"))
    return drawn


def _beside(page: MeterPage) -> Beside:
    """Return the calibrations of the meter, each with whether all its points were within tolerance, and the lots it read."""
    found: dict[datetime, bool] = {}
    if page.calibrations is not None:
        for at, passes in page.calibrations.select("calibrated_on", "passes").iter_rows():
            found[at] = found.get(at, True) and passes is not False
    lots = sorted(page.lots["first_at"].drop_nulls().to_list()) if page.lots.height else []
    return Beside(sorted(found.items()), lots)


def _stands(series: Series, signals: Sequence[DriftSignal], forecast: meter_drift.Forecast | None, unit: str) -> str:
    """Say in a line how things stand on one block."""
    told, share = [], share_used(series)
    if share is not None:
        told.append(say.SAY["beyond" if series.failed[-1] else "used"].format(share=percent(abs(share))))
    if series.rejected[-1]:
        told.append(say.SAY["rejected"].format(rules=words.listed(str(series.row(-1)["rejects"]).split())))
    if still := [signal for signal in signals if signal.open]:
        charts = words.listed(sorted({drift_words.CHART.get(signal.chart, signal.chart) for signal in still}))
        day = series.clock.day(min(signal.first_at for signal in still))
        told.append(say.SAY["drift_since"].format(day=day, charts=charts))
    if forecast is not None:
        told.append(leaves_in_words(forecast, series.clock, unit))
    return "; ".join(told)


def _charts(
    series: Series,
    block: BlockSummary | None,
    chart: DriftChart | None,
    numbered: Numbered,
    place: int,
    behind: tuple[str, str],
) -> list[Html]:
    """Draw the charts of one block by number of the check; `behind` is where the table of their points stands."""
    texts = {**words.FIGURE, **drift_words.FIGURE}
    drawn: list[Html] = []

    def add(kind: str, plot: Plot, *sentences: str) -> None:
        said = texts[kind].format(block=series.name)
        drawing = svg(plot, said)
        drawn.append(
            figure(numbered.figure(), f"{kind}-{place}", drawing, said, *sentences, table=behind[0], there=behind[1])
        )

    if control := meter_charts.control_plot(series):
        add("control", control[0], texts["key_control"], *control[1])
    design = "" if chart is None else meter_drift.design_in_words(chart)
    if ewma := meter_drift.ewma_plot(series):
        add("ewma", ewma[0], texts["key_ewma"], ewma[1], design)
    if cusum := meter_drift.cusum_plot(series):
        add("cusum", cusum[0], texts["key_cusum"], cusum[1])
    if within := meter_charts.within_plot(series, block):
        add("within", within[0], texts["key_within"], within[1])
    return drawn


def _more(page: MeterPage, numbered: Numbered, clock: Clock, unit: str) -> list[Html]:
    """Return what few look at, each behind a disclosure."""
    result, found = page.result, []
    if result.budgets:
        found.append(folded(say.FOLD["uncertainty"], *_budgets(result, numbered, unit)))
    if page.settings.height:
        found.append(folded(say.FOLD["settings"], meter_tables.settings_table(page, numbered.table(), clock)))
    if result.check_intervals:
        found.append(folded(say.FOLD["intervals"], meter_drift.intervals_table(result, numbered.table())))
    return found


def _bias_lines(result: MeterResult, numbered: Numbered, unit: str) -> list[object]:
    """Draw the bias against conductivity, one line for each probe and frequency."""
    drawn: list[object] = []
    for place, line in enumerate(result.bias_lines, start=1):
        name = BIAS["all"]
        if len(result.bias_lines) > 1:
            stated = [
                words.FRAGMENT["not_stated"] if part is None else part for part in (line.probe, line.frequency_khz)
            ]
            name = BIAS["series"].format(probe=shorten(str(stated[0]), 40), frequency=stated[1])
        told = [element("p", sentence) for sentence in bias.bias_line_sentences(line, unit=unit)]
        if control := bias.bias_control_sentence(line, unit=unit):
            told.append(element("p", control))
        drawn += told[:_FIRST_SENTENCES]
        behind: list[object] = [*told[_FIRST_SENTENCES:]]
        if plot := bias.bias_line_plot(line, unit=unit):
            anchor, said = f"bias-line-{place}", BIAS["chart"].format(name=name)
            number = numbered.figure()
            drawn.append(figure(number, anchor, svg(plot, said), said, BIAS["key"], table=anchor))
            behind.append(bias.bias_line_table(line, numbered.table(), anchor, unit=unit))
        if behind:
            drawn.append(folded(say.FOLD["bias_line"], *behind))
    return drawn


def _budgets(result: MeterResult, numbered: Numbered, unit: str) -> list[object]:
    """Return the budgets of a single reading near each block, side by side."""
    blocks = [budget.block for budget in result.budgets]
    names = []
    for budget in result.budgets:
        name = shorten(str(budget.block), 40)
        if blocks.count(budget.block) > 1:
            stated = [
                words.FRAGMENT["not_stated"] if part is None else part for part in (budget.probe, budget.frequency_khz)
            ]
            name = words.FRAGMENT["series"].format(block=name, probe=shorten(str(stated[0]), 40), frequency=stated[1])
        names.append(f"{name} ({compact(budget.level, 5)})")
    notes = dict.fromkeys(note for budget in result.budgets for note in budget.notes)
    return [
        uncertainty.budgets_table(result.budgets, numbered.table(), unit=unit, names=names, said=BUDGET["table_block"]),
        uncertainty.budget_notes([note for note in notes if "known bias" not in note]),
    ]


def _points(result: MeterResult) -> list[str]:
    """Return the main points in plain sentences."""
    point = words.POINT
    points: list[str] = []
    points += hold_points(result)
    points.append(
        point["signals"].format(
            events=words.counted(len(result.events), "event"),
            open=len(result.open_events),
            signals=words.counted(sum(signal.reject for signal in result.signals), "signal"),
            checks=words.counted(
                len({(signal.at, signal.block) for signal in result.signals if signal.reject}), "check"
            ),
            warnings=words.counted(result.warnings, "warning"),
        )
    )
    if result.suspect_lots:
        names = words.listed([shorten(lot, 30) for lot in result.suspect_lots])
        points.append(point["suspect"].format(lots=words.counted(len(result.suspect_lots), "lot"), names=names))
    if result.flags:
        points.append(point["flags"].format(flags=words.counted(len(result.flags), "flag")))
    return points


def _figures(result: MeterResult, clock: Clock) -> Html:
    """Return the key figures of the meter."""
    key, fragment = words.KEY, words.FRAGMENT
    never = fragment["no_checks"]
    how = (
        {True: toned("passed", words.PASSES[True]), False: toned("failed", words.PASSES[False])}.get(
            bool(result.last_run_passed)
        )
        if result.last_run_passed is not None
        else words.PASSES[None]
    )
    at = clock.minute(result.last_run_at)
    setting = clock.minute(result.last_setting_at)
    return ledger(
        [
            (key["last_run"], at, (how, clock.zone), None if at else never),
            (key["last_setting"], setting, (clock.zone,), None if setting else fragment["since_first"]),
            (key["checks"], result.checks, (), None),
            (key["runs"], result.runs, (), None),
            (key["warnings"], result.warnings, (), None),
            (key["events"], len(result.open_events), (), None),
        ]
    )
