"""The tables of a meter: checks, signals with what was done, drift, settings, lots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.kit.address import address
from reports.kit.explained import rules_explained
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import compact, decimals_for, finite, fixed, significant
from reports.kit.page import link, passed
from reports.kit.states import toned
from reports.kit.tables import Heading, best_order, caption, table
from reports.sections.decided import decided, in_order
from reports.words import drift as drift_words
from reports.words import general as words

if TYPE_CHECKING:
    from reports.kit.numbers import Clock
    from reports.kit.tables import Row
    from reports.meter.series import Series
    from schemas.results import BlockSummary, MeterPage, MeterResult

__all__ = [
    "blocks_table",
    "checks_table",
    "columns_table",
    "drift_table",
    "lots_table",
    "precision_table",
    "settings_table",
    "signals_table",
]

MOST_LOTS, MOST_SIGNALS = 150, 25
_LATEST, _SIGNALLED = 40, 120
"""Of a crowded series: so many latest checks, and so many latest ones with a signal."""
_C = words.COLUMN


def _id(value: object) -> Html:
    return isolated(words.FRAGMENT["not_stated"] if value is None else value)


def _interval(pair: tuple[float, float] | None, decimals: int) -> str:
    if pair is None or finite(pair[0]) is None or finite(pair[1]) is None:
        return ""
    return words.FRAGMENT["span"].format(low=fixed(pair[0], decimals), high=fixed(pair[1], decimals))


def _or_reason(block: BlockSummary, name: str, written: str) -> str:
    """Return the figure, or the reason why there is none."""
    if written:
        return written
    reason = block.not_computable.get(name) or words.FRAGMENT["no_reason"]
    return words.FRAGMENT["not_computable"].format(reason=shorten(reason, 160))


def decimals_of(block: BlockSummary) -> int:
    """Return the decimals of means on a block: two digits of the spread its limits of control allow."""
    spread = None if block.limits is None else (block.limits[1] - block.limits[0]) / 6
    return decimals_for(spread or block.standard_deviation, block.centre or block.certified_value)


def blocks_table(result: MeterResult, number: int, *, unit: str) -> Html:
    """Return one row a block: bias, scatter and limits since the last setting."""
    here = address("meter", result.meter)
    columns = [
        Heading(_C["block"]), Heading(_C["probe"]), Heading(_C["frequency"], "kHz", "n"), Heading(_C["checks"], kind="n"),
        Heading(_C["certified"], unit, "n"), Heading(_C["last_bias"], unit), Heading(_C["bias"], unit), Heading(_C["tolerance"], unit, "n"),
        Heading(_C["s"], unit), Heading(_C["within_s"], unit), Heading(_C["precision"], unit), Heading(_C["limits"], unit),
    ]  # fmt: skip
    rows = []
    marked = []
    for block in result.blocks:
        decimals = decimals_of(block)
        last, tolerance = finite(block.last_bias), finite(block.tolerance)
        beyond = last is not None and tolerance is not None and abs(last) > tolerance * (1 + 1e-9)
        marked.append(beyond)
        shown = _or_reason(block, "last_bias", fixed(block.last_bias, decimals, sign=True))
        kind = words.LIMITS_KIND.get(block.limits_kind, block.limits_kind)
        limits = _interval(block.limits, decimals)
        rows.append(
            (
                linked(here, "block", block.block), _id(block.probe), compact(block.frequency_khz, 6), block.checks, compact(block.certified_value, 8),
                join([shown, toned("out", words.PASSES[False])], " ") if beyond else shown,
                _or_reason(block, "bias", fixed(block.bias, decimals, sign=True)),
                f"±{compact(tolerance, 6)}" if tolerance is not None else "",
                _or_reason(block, "standard_deviation", significant(block.standard_deviation, 2)),
                _or_reason(block, "within_standard_deviation", significant(block.within_standard_deviation, 2)),
                _or_reason(block, "precision_limit", significant(block.precision_limit, 2)),
                f"{limits} ({kind})" if limits else _or_reason(block, "limits", ""),
            )
        )  # fmt: skip
    return table(number, "blocks", words.TABLE["blocks"], columns, rows, marked=marked)


def signals_table(result: MeterResult, number: int, clock: Clock) -> Html:
    """Return the rejects, latest first, one row a check, each with its disposition."""
    here = address("meter", result.meter)
    rules: dict[tuple[Any, ...], list[str]] = {}
    for signal in sorted(result.signals, key=lambda s: (s.at, s.block, s.rule), reverse=True):
        said = in_order(signal.dispositions)
        key = (signal.at, signal.block, signal.value_z, signal.limits_kind, signal.reject and not said, tuple(said))
        rules.setdefault(key, []).insert(0, signal.rule)
    columns = [
        Heading(_C["at"], clock.zone, "t"), Heading(_C["block"]), Heading(_C["rule"]), Heading(_C["z"], kind="n"),
        Heading(_C["limits"]), Heading(_C["disposition"]),
    ]  # fmt: skip
    rows = []
    shown = dict(list(rules.items())[:MOST_SIGNALS])
    for (at, block, z, kind, needs, said), names in shown.items():
        rows.append(
            (
                clock.second(at), linked(here, "block", block), rules_explained(names), fixed(z, 2, sign=True), words.LIMITS_KIND.get(kind, kind),
                toned("hold", words.FRAGMENT["open_signal"]) if needs else decided(said, clock),
            )
        )  # fmt: skip
    marked = [key[4] for key in shown]
    note = ""
    if len(rules) > len(shown):
        note = drift_words.NOTE["earlier"].format(checks=words.counted(len(rules) - len(shown), "check"))
    return table(number, "signals", caption(words.TABLE["signals"], note), columns, rows, marked=marked)


def precision_table(result: MeterResult, number: int, clock: Clock, *, unit: str) -> Html:
    """Return the checks whose readings scatter beyond the action limit, latest first, each with its disposition."""
    here = address("meter", result.meter)
    columns = [
        Heading(_C["at"], clock.zone, "t"), Heading(_C["block"]), Heading(_C["readings"], kind="n"), Heading(_C["within_s"], unit, "n"),
        Heading(_C["precision"], unit, "n"), Heading(_C["disposition"]),
    ]  # fmt: skip
    latest = sorted(result.precision_signals, key=lambda s: (s.at, s.block), reverse=True)
    rows = [
        (
            clock.second(s.at), linked(here, "block", s.block), s.readings, significant(s.standard_deviation, 2),
            significant(s.limit, 2), decided(s.dispositions, clock) if s.dispositions else words.FRAGMENT["open_signal"],
        )
        for s in latest[:MOST_SIGNALS]
    ]  # fmt: skip
    note = ""
    if len(latest) > MOST_SIGNALS:
        note = drift_words.NOTE["earlier"].format(checks=words.counted(len(latest) - MOST_SIGNALS, "check"))
    return table(number, "precision", caption(words.TABLE["precision"], note), columns, rows)


def drift_table(result: MeterResult, number: int, clock: Clock, *, unit: str) -> Html:
    """Return the trend of the bias on each block, with the day on which it leaves the tolerance or the reason."""
    here, say = address("meter", result.meter), drift_words.COLUMN
    columns = [
        Heading(_C["block"]), Heading(_C["slope"], unit, "n"), Heading(_C["interval"], unit, "t"), Heading(_C["checks"], kind="n"),
        Heading(say["drifting"], clock.zone, "t"), Heading(say["slope_since"], unit, "n"), Heading(_C["leaves"]),
        Heading(say["day_interval"], clock.zone),
    ]  # fmt: skip
    rows = []
    for drift in result.drift:
        width = None if drift.interval is None else (drift.interval[1] - drift.interval[0]) / 2
        decimals = decimals_for(width, drift.slope_per_30_days)
        leaves, interval = clock.day(drift.leaves_tolerance_on), drift.leaves_tolerance_interval
        since = clock.day(drift.drifting_since) or drift_words.NOTE["first_check"]
        days = ""
        if interval is not None:
            last = clock.day(interval[1]) if interval[1] is not None else drift_words.NOTE["no_end"]
            days = words.FRAGMENT["span"].format(low=clock.day(interval[0]), high=last)
        rows.append(
            (
                linked(here, "block", drift.block), fixed(drift.slope_per_30_days, decimals, sign=True), _interval(drift.interval, decimals), drift.checks,
                since if leaves else "", fixed(drift.slope_since_per_30_days, decimals, sign=True) if leaves else "",
                toned("hold", leaves) if leaves else shorten(drift.reason or words.FRAGMENT["no_reason"], 200), days,
            )
        )  # fmt: skip
    return table(number, "drift", words.TABLE["drift"], columns, rows)


def settings_table(page: MeterPage, number: int, clock: Clock) -> Html:
    """Return the settings, oldest first."""
    columns = [Heading(_C["at"], clock.zone, "t"), Heading(_C["kind"]), Heading(_C["by"]), Heading(_C["why"])]
    rows = [
        (
            clock.second(row["at"]), shorten(words.SETTING_KIND.get(row["kind"], str(row["kind"])), 40),
            None if row["by"] is None else isolated(row["by"]), None if row["why"] is None else shorten(row["why"], 300),
        )
        for row in best_order(page.settings, ("at",)).iter_rows(named=True)
    ]  # fmt: skip
    return table(number, "settings", words.TABLE["settings"], columns, rows)


def lots_table(page: MeterPage, number: int, clock: Clock, here: str, most: int = MOST_LOTS) -> Html:
    """Return the lots that the meter read, suspect ones first, then the latest."""
    suspects = set(page.result.suspect_lots)
    ordered = list(reversed(list(best_order(page.lots, ("last_at", "lot")).iter_rows(named=True))))
    rows = sorted(ordered, key=lambda row: row["lot"] not in suspects)
    known = {row["lot"] for row in rows}
    missing = [lot for lot in page.result.suspect_lots if lot not in known]
    cut = max(most, len(suspects) - len(missing))
    columns = [
        Heading(_C["lot"]), Heading(_C["verdict"]), Heading(_C["support"]), Heading(_C["readings"], kind="n"),
        Heading(_C["first"], clock.zone, "t"), Heading(_C["last"], clock.zone, "t"),
    ]  # fmt: skip
    written: list[tuple[object, ...]] = [
        (link(here, address("lot", lot), lot), "", toned("suspect", words.SUPPORT["suspect"]), None, "", "")
        for lot in missing
    ]
    written += [
        (
            words.FRAGMENT["not_stated"] if row["lot"] is None else link(here, address("lot", row["lot"]), row["lot"]),
            toned(row["verdict"], words.VERDICT.get(row["verdict"], str(row["verdict"]))),
            toned(row["support"], words.SUPPORT.get(row["support"], str(row["support"]))),
            row["readings"], clock.second(row["first_at"]), clock.second(row["last_at"]),
        )
        for row in rows[:cut]
    ]  # fmt: skip
    marked = [True] * len(missing) + [row["lot"] in suspects for row in rows[:cut]]
    note = words.FRAGMENT["rows"].format(shown=cut, total=len(rows)) if len(rows) > cut else ""
    return table(number, "lots", caption(words.TABLE["lots"], note), columns, written, marked=marked)


def checks_table(series: Series, number: int, anchor: str, block: BlockSummary | None) -> Html:
    """Return the checks of one series, numbered as in its charts, oldest first.

    Parameters
    ----------
    series
        The checks, with the name of what was checked.
    number, anchor
        Of the table.
    block
        Summary of the block's checks since the last setting.
    """
    clock, unit, total = series.clock, series.unit, len(series)
    kept = series.chosen
    if series.crowded:
        kept = sorted({*series.chosen[-_SIGNALLED:], *range(max(total - _LATEST, 0), total)})
    note = "" if len(kept) == total else words.FRAGMENT["rows"].format(shown=len(kept), total=total)
    if series.crowded:
        note = drift_words.NOTE["crowded"].format(shown=len(kept), total=total)
    spreads = series.values("limit_standard_deviation")
    spread = next((float(s) for s in spreads[::-1] if finite(s)), None)
    decimals = decimals_of(block) if block is not None else decimals_for(spread, series.row(-1)["mean"])
    columns = [
        Heading(_C["n"], kind="n"), Heading(_C["at"], clock.zone, "t"), Heading(_C["run"], kind="n"), Heading(_C["readings"], kind="n"),
        Heading(_C["temperature"], "°C", "n"), Heading(_C["mean"], unit, "n"), Heading(_C["bias"], unit, "n"), Heading(_C["tolerance"], unit, "n"),
        Heading(_C["result"]), Heading(_C["s"], unit, "n"), Heading(_C["limits"]), Heading(_C["z"], kind="n"), Heading(drift_words.COLUMN["ewma"], kind="n"), Heading(drift_words.COLUMN["cusum"], kind="n"),
        Heading(_C["rejects"], kind="t"),
    ]  # fmt: skip
    written = []
    for place, row in zip(kept, series.frame[kept].iter_rows(named=True), strict=True):
        signal = element("b", row["rejects"]) if row["rejects"] else words.FRAGMENT["warning"] if row["warning"] else ""
        written.append(
            (
                place + 1, clock.second(row["at"]), row["run"], row["readings"], fixed(row["temperature_c"], 1),
                fixed(row["mean"], decimals), fixed(row["bias"], decimals, sign=True),
                "" if finite(row["tolerance"]) is None else f"±{compact(row['tolerance'], 6)}", passed(row["passes"]),
                fixed(row["within_standard_deviation"], decimals), words.LIMITS_KIND.get(row["limits_kind"], row["limits_kind"]),
                fixed(row["z"], 2, sign=True), *_of_drift(row), signal,
            )
        )  # fmt: skip
    said = caption(words.TABLE["meter_checks"].format(block=series.name), note)
    marked: list[bool] = (series.rejected | series.failed | series.warned)[kept].tolist()
    return table(number, anchor, said, columns, written, marked=marked)


def _of_drift(row: Row) -> tuple[str, str]:
    """Return EWMA and the larger of the sums, the one for low values with a minus sign."""
    high, low = finite(row["cusum_high"]), finite(row["cusum_low"])
    if high is None or low is None:
        return "", ""
    return fixed(row["ewma"], 2, sign=True), fixed(high if high >= low else -low, 2, sign=True)


def columns_table(series: Series, number: int, anchor: str) -> Html:
    """Return the columns in which a long series is drawn: how many checks, how they lie, what they carry."""
    clock, say, latest = series.clock, drift_words.COLUMN, series.row(-1)
    decimals = decimals_for(finite(latest["limit_standard_deviation"]), latest["mean"])
    columns = [
        Heading(say["numbers"], kind="t"), Heading(say["first_check"], clock.zone, "t"), Heading(say["lowest"], series.unit, "n"),
        Heading(say["mean"], series.unit, "n"), Heading(say["highest"], series.unit, "n"), Heading(say["warnings"], kind="n"),
        Heading(say["signals"], kind="n"), Heading(say["failed"], kind="n"),
    ]  # fmt: skip
    means = series.values("mean")
    written = []
    for first, last in series.columns:
        part = slice(first, last + 1)
        written.append(
            (
                words.FRAGMENT["span"].format(low=first + 1, high=last + 1), clock.minute(series.frame["at"][first]),
                fixed(float(means[part].min()), decimals), fixed(sum(means[part].tolist()) / (last + 1 - first), decimals),
                fixed(float(means[part].max()), decimals), int(series.warned[part].sum()), int(series.rejected[part].sum()),
                int(series.failed[part].sum()),
            )
        )  # fmt: skip
    return table(number, anchor, drift_words.TABLE["columns"].format(block=series.name), columns, written)
