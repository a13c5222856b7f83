"""The meter page: may it be used, why, what to do, and every check behind that."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from reports.kit.address import address
from reports.kit.charts import figure, svg
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact, finite, fixed
from reports.kit.page import Masthead, document, flags_list, section, toned, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.tables import Numbered, best_order, ledger
from reports.meter import charts as meter_charts
from reports.meter import drift as meter_drift
from reports.meter import tables as meter_tables
from reports.meter.series import MOST_CHECKS, Series
from reports.sections import bias_line as bias
from reports.sections import uncertainty
from reports.sections.calibrations import calibrations_table
from reports.sections.drift_text import drift_points
from reports.sections.events_list import events_list
from reports.sections.what_to_do import meter_steps
from reports.words import drift as drift_words
from reports.words import event as look_back_words
from reports.words import general as words
from reports.words.uncertainty import BIAS, BUDGET
from schemas.results import MeterPage, MeterResult

if TYPE_CHECKING:
    from reports.kit.charts import Plot
    from schemas.drift import DriftChart
    from schemas.results import BlockSummary

__all__ = ["REPORT", "render"]


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
    unit = unit_in_words(result.unit)
    word = words.STATE.get(result.state, result.state)
    none = element("p", words.FRAGMENT["none"])
    found = _series(page, clock, unit)
    blocks = {(block.block, block.probe, block.frequency_khz): block for block in result.blocks}
    points = join(element("li", point) for point in _points(result, clock, unit))
    body = [
        verdict(result.state, word, result.reasons, meter_steps(result, clock)),
        section("points", element("ul", points, class_="points")),
        section("figures", _figures(result, clock)),
    ]
    charts: list[Html] = []
    figures: list[list[tuple[int, str]]] = []
    drift_charts = {(c.block, c.probe, c.frequency_khz): c for c in result.drift_charts}
    drifts = {(d.block, d.probe, d.frequency_khz): d for d in result.drift}
    forecasts = [meter_drift.forecast_of(series, drifts.get(key)) for key, series in found]
    for place, ((key, series), forecast) in enumerate(zip(found, forecasts, strict=True), start=1):
        drawn, numbers = _charts(series, blocks.get(key), drift_charts.get(key), forecast, numbered, place)
        charts += [element("h3", series.name), *drawn]
        figures.append(numbers)
    body.append(section("charts", *(charts or [element("p", words.FRAGMENT["no_checks"])]), wide=True))
    if result.blocks:
        body.append(section("blocks", meter_tables.blocks_table(result, numbered.table(), unit=unit), wide=True))
    signals = meter_tables.signals_table(result, numbered.table(), clock) if result.signals else None
    rough = (
        meter_tables.precision_table(result, numbered.table(), clock, unit=unit) if result.precision_signals else None
    )
    body.append(section("signals", signals or element("p", words.FRAGMENT["no_signals"]), rough, wide=True))
    drift = meter_tables.drift_table(result, numbered.table(), clock, unit=unit) if result.drift else None
    parts = meter_drift.drift_section(result, drift, numbered, clock)
    parts += [
        meter_drift.forecast_table(
            forecast, series, numbered.table(), f"forecast-{place}", [n for n in numbers if n[1].startswith("forecast")]
        )
        for place, ((_, series), forecast, numbers) in enumerate(zip(found, forecasts, figures, strict=True), start=1)
        if forecast is not None
    ]
    body.append(section("drift", *(parts or [none]), wide=True))
    if result.bias_lines:
        body.append(section("bias_line", *_bias_lines(result, numbered, unit), wide=True))
    if result.budgets:
        body.append(section("uncertainty", *_budgets(result, numbered, unit), wide=True))
    read = page.lots.height or result.suspect_lots
    lots = meter_tables.lots_table(page, numbered.table(), clock, here) if read else none
    body += [section("read_lots", lots, wide=True), section("flags", flags_list(result.flags))]
    settings = meter_tables.settings_table(page, numbered.table(), clock) if page.settings.height else none
    body.append(section("settings", settings))
    if page.events:
        body.append(section("events", events_list(here, page.events, clock), heading=words.KIND["event"]))
    if page.calibrations is not None and page.calibrations.height:
        shown = calibrations_table(page.calibrations, numbered.table(), clock)
        body.append(section("calibrations", shown, heading=look_back_words.SECTION["calibrations"], wide=True))
    tables: list[Html] = []
    for place, ((key, series), numbers) in enumerate(zip(found, figures, strict=True), start=1):
        of_checks = [n for n in numbers if not n[1].startswith("forecast")]
        if series.crowded:
            tables.append(meter_tables.columns_table(series, numbered.table(), f"columns-{place}", of_checks))
        tables.append(
            meter_tables.checks_table(series, numbered.table(), f"checks-{place}", of_checks, blocks.get(key))
        )
    body.append(section("checks", *(tables or [none]), wide=True))
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


_MOST_DRAWN, _FEWEST_DRAWN = 320, 50
_Key = tuple[str, str | None, float | None]


def _series(page: MeterPage, clock: Clock, unit: str) -> list[tuple[_Key, Series]]:
    """Return the checks of each block, probe and frequency that have a mean, in order of time."""
    known = best_order(page.checks.filter(pl.col("mean").is_finite()), ("block", "probe", "frequency_khz", "at", "run"))
    by_key: dict[_Key, pl.DataFrame] = {}
    if known.height:
        by_key = known.partition_by("block", "probe", "frequency_khz", as_dict=True, maintain_order=True)
    blocks = [key[0] for key in by_key]
    # many blocks share the room of one page; what short series leave is for the long ones
    most = MOST_CHECKS
    while most > _FEWEST_DRAWN and sum(min(checks.height, most) for checks in by_key.values()) > _MOST_DRAWN:
        most -= 10
    times = tuple(sorted(page.settings["at"].drop_nulls().to_list())) if page.settings.height else ()
    found = []
    for key, checks in by_key.items():
        name = shorten(key[0], 60)
        if blocks.count(key[0]) > 1:
            stated = [words.FRAGMENT["not_stated"] if part is None else part for part in key[1:]]
            name = words.FRAGMENT["series"].format(block=name, probe=shorten(str(stated[0]), 40), frequency=stated[1])
        found.append((key, Series(name, checks, times, unit, clock, most)))
    return found


def _charts(
    series: Series,
    block: BlockSummary | None,
    chart: DriftChart | None,
    forecast: meter_drift.Forecast | None,
    numbered: Numbered,
    place: int,
) -> tuple[list[Html], list[tuple[int, str]]]:
    """Draw the charts of one block; return them with their numbers and anchors."""
    say = {**words.FIGURE, **drift_words.FIGURE}
    drawn: list[Html] = []
    numbers: list[tuple[int, str]] = []
    behind = f"columns-{place}" if series.crowded else f"checks-{place}"

    def add(kind: str, plot: Plot, *sentences: str, table: str = behind) -> None:
        anchor, number = f"{kind}-{place}", numbered.figure()
        said = say[kind].format(block=series.name)
        drawn.append(figure(number, anchor, svg(plot, said), said, *sentences, table=table))
        numbers.append((number, anchor))

    if control := meter_charts.control_plot(series):
        add("control", control[0], say["key_control"], *control[1])
    design = "" if chart is None else meter_drift.design_in_words(chart)
    if ewma := meter_drift.ewma_plot(series):
        add("ewma", ewma, drift_words.FIGURE["key_ewma"], design)
    if cusum := meter_drift.cusum_plot(series):
        add("cusum", cusum, drift_words.FIGURE["key_cusum"])
    if bias := meter_charts.bias_plot(series):
        add("bias", bias, say["key_bias"])
    if forecast is not None:
        plot, size = meter_drift.forecast_plot(forecast, series)
        key = "cone" if size > 1 else "cone_single"
        cone = drift_words.FIGURE[key].format(several=words.counted(size, "check"))
        add("forecast", plot, cone, table=f"forecast-{place}")
    if within := meter_charts.within_plot(series, block):
        add("within", within[0], say["key_within"], within[1])
    return drawn, numbers


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
        drawn += [element("p", sentence) for sentence in bias.bias_line_sentences(line, unit=unit)]
        if control := bias.bias_control_sentence(line, unit=unit):
            drawn.append(element("p", control))
        if plot := bias.bias_line_plot(line, unit=unit):
            anchor, said = f"bias-line-{place}", BIAS["chart"].format(name=name)
            number = numbered.figure()
            drawn.append(figure(number, anchor, svg(plot, said), said, BIAS["key"], table=anchor))
            drawn.append(bias.bias_line_table(line, numbered.table(), anchor, unit=unit))
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


def _points(result: MeterResult, clock: Clock, unit: str) -> list[str]:
    """Return the main points in plain sentences."""
    point = words.POINT
    points: list[str] = []
    for block in result.blocks:
        checks, name = words.counted(block.checks, "check"), shorten(block.block, 60)
        if finite(block.last_bias) is None:
            reason = shorten(block.not_computable.get("last_bias") or words.FRAGMENT["no_reason"], 200)
            said = point["no_bias"].format(block=name, reason=reason, checks=checks)
        else:
            decimals = meter_tables.decimals_of(block)
            said = point["bias"].format(
                block=name, last=fixed(block.last_bias, decimals, sign=True), mean=fixed(block.bias, decimals, sign=True),
                unit=unit, tolerance=compact(block.tolerance, 6), checks=checks,
            )  # fmt: skip
        said += (
            point["limits_frozen"].format(n=block.baseline_checks, factor=compact(block.limit_widening, 3))
            if block.limits_kind == "frozen"
            else point["limits_provisional"]
        )
        points.append(said)
    points += drift_points(result, clock, unit)
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
