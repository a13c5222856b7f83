"""The tables of streams: how they stand, signals, changes of level, limits by phase, rules, points."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.explained import rule_explained, rules_explained
from reports.kit.links import linked
from reports.kit.markup import Html, isolated, shorten
from reports.kit.numbers import decimals_for, finite, fixed, significant
from reports.kit.page import p_in_words
from reports.kit.states import toned
from reports.kit.tables import Heading, capped, caption, table
from reports.words import general
from reports.words import process as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from reports.kit.numbers import Clock
    from schemas.processes import ControlLimits, ProcessResult, StreamResult

__all__ = [
    "changes_table", "interval", "of_need", "phases_table", "points_table", "rules_table", "signals_table", "state_of", "streams_table",
    "titled",
]  # fmt: skip

MOST_ROWS = 300
MOST_SIGNALS = 40
_C = words.COLUMN


def state_of(state: str) -> Html:
    """Return a state as a word in its tone."""
    return toned(words.TONE.get(state, "not_assessed"), words.STATE.get(state, state))


def titled(stream: StreamResult, own: str = "") -> str:
    """Return a stream as its text names it, without what the page itself is about; cut where it is long."""
    name = stream.name.removeprefix(f"{own}, ")
    return shorten(name.replace(f", {own}", "") if own and name == stream.name else name, 120)


def interval(pair: tuple[float, float] | None, decimals: int, *, sign: bool = False) -> str:
    """Return an interval as two numbers."""
    if pair is None:
        return ""
    low, high = (fixed(end, decimals, sign=sign) for end in pair)
    return general.FRAGMENT["span"].format(low=low, high=high)


_NEED = ("out_of_control", "watch", "in_control", "not_assessed")


def of_need(stream: StreamResult) -> tuple[int, int]:
    """Return the place of a stream among others: what alarms first, then the one of most lots."""
    return (_NEED.index(stream.state) if stream.state in _NEED else len(_NEED), -stream.lots)


def streams_table(streams: Sequence[StreamResult], number: int, clock: Clock, own: str, *, unit: str) -> Html:
    """Return one row a stream, in the order given."""
    columns = [
        Heading(_C["stream"]), Heading(_C["state"]), Heading(_C["since"], kind="t"), Heading(_C["subgroups"], kind="n"),
        Heading(_C["parts"], kind="n"), Heading(_C["mean"], unit, "n"), Heading(_C["between"], unit, "n"),
        Heading(_C["within"], unit, "n"), Heading(_C["ppk"], kind="n"), Heading(_C["interval"]),
    ]  # fmt: skip
    rows = []
    for stream in streams:
        decimals = decimals_for(finite(stream.within_standard_deviation), stream.mean)
        rows.append(
            (
                titled(stream, own), state_of(stream.state), clock.day(stream.since), stream.subgroups, stream.parts,
                fixed(stream.mean, decimals), significant(stream.between_standard_deviation, 2),
                significant(stream.within_standard_deviation, 2), significant(stream.ppk, 3),
                interval(stream.ppk_interval, 2) or shorten(stream.not_computable.get("ppk", ""), 120),
            )
        )  # fmt: skip
    marked = [stream.state == "out_of_control" for stream in streams]
    return table(number, "streams", caption(words.TABLE["streams"]), columns, rows, marked=marked)


def signals_table(
    streams: Sequence[StreamResult], number: int, clock: Clock, here: str, own: str, *, unit: str, lots: bool
) -> Html:
    """Return the latest signals of each stream."""
    marked = any(stream.suspended for stream in streams)
    columns = [
        Heading(_C["stream"]), Heading(_C["subgroup"]), Heading(_C["at"], clock.zone, "t"), Heading(_C["value"], unit, "n"),
        Heading(_C["z"], kind="n"), Heading(_C["rules"]), Heading(_C["phase"], kind="n"),
        *([Heading(_C["suspended"])] if marked else []),
    ]  # fmt: skip
    rows = []
    for stream in streams:
        decimals = decimals_for(finite(stream.within_standard_deviation), stream.mean)
        for signal in stream.signals[-MOST_SIGNALS:]:
            name = linked(here, "lot", signal.subgroup) if lots else isolated(signal.subgroup)
            rows.append(
                (
                    titled(stream, own), name, clock.minute(signal.at), fixed(signal.value, decimals), fixed(signal.z, 2, sign=True),
                    rules_explained(signal.rules), signal.phase, *([", ".join(signal.suspended)] if marked else []),
                )
            )  # fmt: skip
    return table(number, "signals", caption(words.TABLE["signals"].format(n=MOST_SIGNALS)), columns, rows, row_heads=2)


def changes_table(
    streams: Sequence[StreamResult], number: int, clock: Clock, here: str, own: str, *, unit: str, lots: bool
) -> Html:
    """Return every change of level."""
    columns = [
        Heading(_C["stream"]), Heading(_C["before"]), Heading(_C["after"]), Heading(_C["shift"], unit, "n"), Heading(_C["p"], kind="n"),
    ]  # fmt: skip
    rows = []
    for stream in streams:
        decimals = decimals_for(finite(stream.within_standard_deviation), stream.mean)
        for change in stream.level_changes:
            ends = [
                (linked(here, "lot", name) if lots else isolated(name), clock.day(at))
                for name, at in ((change.previous_subgroup, change.previous_at), (change.subgroup, change.at))
            ]
            cells = [Html(f"{name} ({day})") for name, day in ends]
            rows.append(
                (titled(stream, own), *cells, fixed(change.shift, decimals, sign=True), p_in_words(change.p_value))
            )
    return table(number, "changes", caption(words.TABLE["changes"]), columns, rows)


def phases_table(streams: Sequence[StreamResult], number: int, clock: Clock, own: str, *, unit: str) -> Html:
    """Return the limits of each phase of each stream and who named them."""
    columns = [
        Heading(_C["stream"]), Heading(_C["phase"], kind="n"), Heading(_C["period"]), Heading(_C["subgroups"], kind="n"),
        Heading(_C["centre"], unit, "n"), Heading(_C["sigma"], unit, "n"), Heading(_C["within_sigma"], unit, "n"),
        Heading(_C["control_limits"], unit), Heading(_C["spread_limits"], unit), Heading(_C["kind"]),
    ]  # fmt: skip
    rows = []
    for stream in streams:
        for phase in stream.phases:
            base = phase.baseline
            decimals = decimals_for(finite(base.standard_deviation), base.centre)
            days = [clock.day(base.first_at), clock.day(base.last_at)]
            told = [words.FRAGMENT.get(base.kind, base.kind), shorten(base.by or "", 60), words.ESTIMATE[phase.estimate],
                    *(shorten(item, 300) for item in (base.why, base.note) if item)]  # fmt: skip
            rows.append(
                (
                    titled(stream, own), phase.number, general.FRAGMENT["span"].format(low=days[0], high=days[1]) if all(days) else "",
                    base.subgroups, fixed(base.centre, decimals), significant(base.standard_deviation, 3),
                    significant(base.within_standard_deviation, 3), _spans(phase.limits, "lower", "upper", decimals),
                    _spans(phase.limits, "spread_lower", "spread_upper", decimals), "; ".join(filter(None, told)),
                )
            )  # fmt: skip
    return table(number, "phases", caption(words.TABLE["phases"]), columns, rows, row_heads=2)


def _spans(limits: Sequence[ControlLimits], low: str, high: str, decimals: int) -> str:
    """Return control limits, by the number of parts where they differ with it."""
    said = {}
    for one in limits:
        ends = getattr(one, low), getattr(one, high)
        if None not in ends:
            said[general.counted(one.parts, "part")] = interval(ends, decimals)
    if len(set(said.values())) <= 1:
        return next(iter(said.values()), "")
    return general.listed(
        [words.FRAGMENT["of_parts"].format(parts=parts, span=span) for parts, span in said.items()], 6
    )


def rules_table(result: ProcessResult, number: int) -> Html:
    """Return the rules with their numbers and sources."""
    columns = [Heading(_C["rule"]), Heading(_C["looks"]), Heading(_C["source"])]
    return table(
        number,
        "rules",
        caption(words.TABLE["rules"]),
        columns,
        [(rule_explained(rule), *said) for rule, *said in result.patterns],
    )


def points_table(
    points: pl.DataFrame,
    name: str,
    number: int,
    anchor: str,
    figures: Sequence[tuple[int, str]],
    clock: Clock,
    here: str,
    *,
    unit: str,
    lots: bool,
) -> Html:
    """Return the subgroups of one stream, every signal among them."""
    flagged, suspended = (points["rules"] != "").to_list(), bool((points["suspended"] != "").any())
    frame, flagged, note = capped(points, flagged, MOST_ROWS)
    columns = [
        Heading(_C["number"], kind="n"), Heading(_C["subgroup"]), Heading(_C["at"], clock.zone, "t"), Heading(_C["parts"], kind="n"),
        Heading(_C["value"], unit, "n"), Heading(_C["spread"], unit, "n"), Heading(_C["z"], kind="n"), Heading(_C["ewma"], unit, "n"),
        Heading(_C["phase"], kind="n"), Heading(_C["judged"]), Heading(_C["rules"]),
        *([Heading(_C["suspended"])] if suspended else []),
    ]  # fmt: skip
    first = next((row for row in frame.iter_rows(named=True) if row["upper"] is not None), None)
    decimals = decimals_for(None if first is None else (first["upper"] - first["centre"]) / 3, points["mean"][0])
    rows = [
        (
            row["place"], linked(here, "lot", row["subgroup"]) if lots else isolated(row["subgroup"]), clock.minute(row["at"]),
            row["parts"], fixed(row["mean"], decimals), significant(row["spread"], 3) if row["parts"] > 1 else "",
            fixed(row["z"], 2, sign=True), fixed(row["ewma"], decimals), row["phase"],
            words.FRAGMENT["yes" if row["judged"] else "no"], row["rules"].replace(" ", ", "), *([row["suspended"]] if suspended else []),
        )
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    said = caption(words.TABLE["points"].format(stream=shorten(name, 120)), note, figures=figures)
    return table(number, anchor, said, columns, rows, marked=flagged, row_heads=2)
