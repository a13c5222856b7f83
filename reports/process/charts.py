"""The charts of a stream: subgroup means, spread within, moving average; certificates and suppliers side by side."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from reports.kit.charts import HEIGHT, Plot
from reports.kit.geometry import clipped, domain, evenly, first_names
from reports.kit.numbers import compact, decimals_for, finite, fixed
from reports.words import process as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock
    from reports.kit.tables import Row
    from schemas.processes import StreamResult
    from schemas.suppliers import Peer

__all__ = ["MOST_POINTS", "certificates_plot", "drawn", "ewma_plot", "means_plot", "peers_plot", "spread_plot"]

MOST_POINTS = 160


def drawn(rows: Sequence[Row]) -> list[int]:
    """Return the subgroups to draw: every signal, others spread evenly."""
    keep = [bool(row["rules"]) or row["ewma_beyond"] or not row["judged"] for row in rows]
    if keep:
        keep[0] = keep[-1] = True
    return evenly(keep, MOST_POINTS)


def _stretches(rows: Sequence[Row], names: Sequence[str]) -> list[tuple[int, int, Row]]:
    """Return where the given columns stay the same: first and last number, a row of theirs."""
    found, start = [], 0
    for place in range(1, len(rows) + 1):
        if place == len(rows) or any(rows[place][name] != rows[start][name] for name in names):
            found.append((rows[start]["place"], rows[place - 1]["place"], rows[start]))
            start = place
    return found


def _phases(plot: Plot, rows: Sequence[Row]) -> None:
    low, high = plot.y_domain
    for before, row in pairwise(rows):
        if row["phase"] != before["phase"]:
            place = row["place"] - 0.5
            plot.segment(place, place, low, high, "inner", dash="short", width=1.2)
            plot.names.append((place, high, words.FIGURE["phase"], "inner"))


def _decimals(rows: Sequence[Row]) -> int:
    """Return the decimals of values of a stream, as its table has them."""
    first = next((row for row in rows if row["upper"] is not None), None)
    return decimals_for(None if first is None else (first["upper"] - first["centre"]) / 3, rows[0]["mean"])


_DATES = 6
"""So many dates have room below an axis."""


def _over_time(
    rows: Sequence[Row],
    clock: Clock,
    y_domain: tuple[float, float],
    y_title: str,
    *,
    decimals: int,
    height: int = 140,
    at: str = "at",
) -> Plot:
    """Return an empty plot of subgroups at equal distances, in order of time, with their dates below the axis."""
    plot = Plot(
        (rows[0]["place"] - 1.0, rows[-1]["place"] + 1.0), y_domain, words.FIGURE["date_axis"].format(zone=clock.zone), y_title,
        x_axis=False, height=height, y_decimals=decimals,
    )  # fmt: skip
    one_day = clock.day(rows[0][at]) == clock.day(rows[-1][at])
    step = max(-(-len(rows) // _DATES), 1)
    for row in rows[::step]:
        plot.names_below.append((row["place"], clock.minute(row[at]) if one_day else clock.day(row[at])))
        plot.segment(row["place"], row["place"], y_domain[0], y_domain[0] + 0.03 * (y_domain[1] - y_domain[0]), "inner")
    return plot


def _said(row: Row, clock: Clock) -> str:
    """Return what a subgroup is called beside its value: its name and day, and by which suspended meter it was read."""
    told = [row["subgroup"], clock.day(row["at"])]
    if row["suspended"]:
        told.append(words.FIGURE["on_suspended"].format(meters=row["suspended"]))
    return ", ".join(told)


def _suspended(plot: Plot, rows: Sequence[Row]) -> None:
    """Underline the subgroups that were read on a meter that is suspended, and name the meter."""
    low, high = plot.y_domain
    foot = low + 0.015 * (high - low)
    for first, last, row in _stretches(rows, ("suspended",)):
        if row["suspended"]:
            plot.segment(first - 0.45, last + 0.45, foot, foot, "tolerance", width=6)
            plot.names_row.append(((first + last) / 2, clipped(row["suspended"], 24), "tolerance"))


def means_plot(stream: StreamResult, rows: Sequence[Row], clock: Clock, *, reference: float, unit: str) -> Plot:
    """Draw subgroup means with the limits of each phase, those from variation within, and named signals."""
    chosen = [rows[place] for place in drawn(rows)]
    levels = [row[name] for row in chosen for name in ("mean", "lower", "upper") if finite(row[name]) is not None]
    low, high = domain(levels)
    if any(row["rules"] for row in chosen):
        high += 0.14 * (high - low)
    plot = _over_time(
        rows, clock, (low, high), words.FIGURE["mean_axis"].format(reference=f"{reference:g}", unit=unit),
        decimals=_decimals(rows), height=HEIGHT,
    )  # fmt: skip
    kinds = {phase.number: phase.baseline.kind for phase in stream.phases}
    for first, last, row in _stretches(rows, ("phase", "centre", "lower", "upper", "within_lower", "within_upper")):
        dash = "solid" if kinds.get(row["phase"]) == "named" else "long"
        for name, colour, style, width in (
            ("centre", "inner", dash, 1.0), ("lower", "limit", dash, 1.5), ("upper", "limit", dash, 1.5),
            ("within_lower", "inner", "dot", 1.2), ("within_upper", "inner", "dot", 1.2),
        ):  # fmt: skip
            level = finite(row[name])
            if level is not None and low <= level <= high:
                plot.segment(first - 0.5, last + 0.5, level, level, colour, dash=style, width=width)
    latest = rows[-1]
    decimals = decimals_for(
        None if latest["upper"] is None else (latest["upper"] - latest["centre"]) / 3, latest["mean"]
    )
    for name in ("lower", "centre", "upper"):
        if finite(latest[name]) is not None:
            label = words.FIGURE[name].format(value=fixed(latest[name], decimals))
            plot.names_right.append((latest[name], label, "inner" if name == "centre" else "limit"))
    _phases(plot, rows)
    _suspended(plot, rows)
    plot.path = [{"x": row["place"], "y": row["mean"]} for row in chosen]
    named = first_names([row["rules"] for row in chosen])
    for place, row in enumerate(chosen):
        plot.point(row["place"], row["mean"], _meaning(row), said=_said(row, clock), key=f"p{row['place']}")
        if place in named:
            plot.name(row["place"], row["mean"], named[place], "flag")
    return plot


def _meaning(row: Row) -> str:
    if not row["judged"]:
        return "unjudged"
    return "signal" if row["rules"] else "warning" if row["ewma_beyond"] else "plain"


def spread_plot(rows: Sequence[Row], clock: Clock, *, spread: str, unit: str) -> Plot | None:
    """Draw the spread within subgroups against its limits; None where no subgroup has two parts."""
    known = [row for row in rows if finite(row["spread"]) is not None and row["parts"] > 1]
    if not known:
        return None
    keep = [row["spread_upper"] is not None and row["spread"] > row["spread_upper"] for row in known]
    chosen = [known[place] for place in evenly(keep, MOST_POINTS)]
    top = max([row["spread"] for row in chosen] + [row["spread_upper"] or 0.0 for row in chosen]) or 1.0
    title = words.FIGURE["spread_axis"].format(spread=words.SPREAD[spread].capitalize(), unit=unit)
    decimals = decimals_for(known[-1]["spread_centre"], known[-1]["spread"]) + 1
    plot = _over_time(rows, clock, (0.0, top * 1.12), title, decimals=decimals)
    for first, last, row in _stretches(known, ("spread_lower", "spread_centre", "spread_upper")):
        for name, colour in (("spread_lower", "limit"), ("spread_centre", "inner"), ("spread_upper", "limit")):
            if finite(row[name]) is not None:
                plot.segment(first - 0.5, last + 0.5, row[name], row[name], colour, dash="long", width=1.2)
    latest = known[-1]
    decimals = decimals_for(latest["spread_centre"], latest["spread"])
    for name, label, colour in (("spread_upper", "upper", "limit"), ("spread_centre", "centre", "inner")):
        if finite(latest[name]) is not None:
            plot.names_right.append(
                (latest[name], words.FIGURE[label].format(value=fixed(latest[name], decimals)), colour)
            )
    for row in chosen:
        low, high = row["spread_lower"], row["spread_upper"]
        beyond = low is not None and high is not None and not low <= row["spread"] <= high
        meaning = "signal" if beyond else "plain"
        plot.point(row["place"], row["spread"], meaning, said=_said(row, clock), key=f"p{row['place']}")
    return plot


def ewma_plot(rows: Sequence[Row], clock: Clock, *, unit: str) -> Plot | None:
    """Draw the moving average against its limits; None where there are no limits."""
    known = [row for row in rows if finite(row["ewma"]) is not None]
    if len(known) < 2:
        return None
    chosen = [known[place] for place in evenly([row["ewma_beyond"] for row in known], MOST_POINTS)]
    levels = [row[name] for row in chosen for name in ("ewma", "ewma_lower", "ewma_upper")]
    plot = _over_time(
        rows, clock, domain(levels), words.FIGURE["ewma_axis"].format(unit=unit), decimals=_decimals(rows)
    )
    for row in chosen:
        for name in ("ewma_lower", "ewma_upper"):
            plot.segment(row["place"] - 0.5, row["place"] + 0.5, row[name], row[name], "limit", width=1.2)
    _phases(plot, rows)
    plot.path = [{"x": row["place"], "y": row["ewma"]} for row in chosen]
    for row in chosen:
        meaning = "warning" if row["ewma_beyond"] else "plain"
        plot.point(row["place"], row["ewma"], meaning, said=_said(row, clock), key=f"p{row['place']}")
    latest = known[-1]
    decimals = decimals_for(latest["ewma_upper"] - latest["ewma_lower"], latest["ewma"])
    for name, label in (("ewma_lower", "lower"), ("ewma_upper", "upper")):
        plot.names_right.append(
            (latest[name], words.FIGURE[label].format(value=fixed(latest[name], decimals)), "limit")
        )
    return plot


def certificates_plot(
    rows: Sequence[Row], clock: Clock, *, unit: str, mean: float | None, limits: tuple[float, float] | None
) -> Plot | None:
    """Draw lot means minus certificates in order of time; None where no lot has both."""
    rows = [{**row, "place": place} for place, row in enumerate(rows, start=1)]
    known = [row for row in rows if finite(row["difference"]) is not None]
    if not known:
        return None
    chosen = [known[n] for n in evenly([abs(row["normalised_error"] or 0.0) > 1.0 for row in known], MOST_POINTS)]
    values = [row["difference"] for row in chosen]
    decimals = decimals_for(None if limits is None else (limits[1] - limits[0]) / 4, values[0])
    plot = _over_time(
        rows, clock, domain([*values, 0.0, *(limits or ())]), words.FIGURE["difference_axis"].format(unit=unit), decimals=decimals,
        height=170, at="first_at",
    )  # fmt: skip
    plot.across(0.0, "inner", words.FIGURE["zero"], width=1)
    if mean is not None and limits is not None:
        plot.across(mean, "limit", words.FIGURE["mean_difference"].format(value=fixed(mean, decimals, sign=True)))
        for limit in limits:
            label = words.FIGURE["agreement"].format(value=fixed(limit, decimals, sign=True))
            plot.across(limit, "limit", label, dash="long")
    for row in chosen:
        beyond = abs(row["normalised_error"] or 0.0) > 1.0
        said = f"{row['lot']}, {clock.day(row['first_at'])}"
        plot.point(row["place"], row["difference"], "out" if beyond else "plain", said=said)
    return plot


MOST_PEERS = 8


def peers_plot(
    peers: Sequence[Peer], own: str, *, what: str, title: str, limits: Sequence[tuple[float, str]] = ()
) -> Plot | None:
    """Draw one figure of each supplier of a material with its interval, side by side; None with fewer than two."""
    known = [
        (peer, value, interval)
        for peer in peers
        if (value := finite(getattr(peer, what))) is not None and (interval := getattr(peer, f"{what}_interval"))
    ]
    # the own supplier is always drawn, and with many others those with most lots
    known = sorted(known, key=lambda item: (item[0].supplier != own, -item[0].lots, item[0].supplier))[:MOST_PEERS]
    known.sort(key=lambda item: item[0].supplier)
    if len(known) < 2:
        return None
    levels = [level for _, _, interval in known for level in interval] + [limit for limit, _ in limits]
    plot = Plot((0.3, len(known) + 0.7), domain(levels), words.FIGURE["supplier_axis"], title, x_axis=False, height=170)
    plot.y_decimals = decimals_for((known[0][2][1] - known[0][2][0]) / 2, known[0][1])
    for limit, label in limits:
        plot.across(limit, "limit", label, dash="dashdot", width=1.3)
    length = max(8, 76 // len(known))
    for place, (peer, value, (low, high)) in enumerate(known, start=1):
        mine = peer.supplier == own
        plot.segment(place, place, low, high, "limit" if mine else "inner", width=2.5)
        for end in (low, high):
            plot.segment(place - 0.06, place + 0.06, end, end, "limit" if mine else "inner", width=2)
        plot.point(place, value, "own" if mine else "plain", said=peer.supplier)
        plot.notes.append((place + 0.09, value, compact(value, 4), "ink"))
        plot.names_below.append((place, clipped(peer.supplier, length)))
    return plot
