"""The charts of a stream: subgroup means, spread within, moving average; certificates and suppliers side by side."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from reports.kit.charts import Plot
from reports.kit.geometry import clipped, domain, evenly, first_names
from reports.kit.numbers import compact, decimals_for, finite, fixed
from reports.words import process as words

if TYPE_CHECKING:
    from collections.abc import Sequence

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


def _x_domain(rows: Sequence[Row]) -> tuple[float, float]:
    return (rows[0]["place"] - 1.0, rows[-1]["place"] + 1.0)


def means_plot(
    stream: StreamResult, rows: Sequence[Row], *, reference: float, unit: str, lot_axis: bool = False
) -> Plot:
    """Draw subgroup means with the limits of each phase, those from variation within, and named signals."""
    chosen = [rows[place] for place in drawn(rows)]
    levels = [row[name] for row in chosen for name in ("mean", "lower", "upper") if finite(row[name]) is not None]
    low, high = domain(levels)
    if any(row["rules"] for row in chosen):
        high += 0.14 * (high - low)
    axis = words.FIGURE["lot_axis" if lot_axis else "place_axis"]
    plot = Plot(
        _x_domain(rows),
        (low, high),
        axis,
        words.FIGURE["mean_axis"].format(reference=f"{reference:g}", unit=unit),
        x_counts=True,
        y_decimals=_decimals(rows),
    )
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
    plot.path = [{"x": row["place"], "y": row["mean"]} for row in chosen]
    named = first_names([row["rules"] for row in chosen])
    for place, row in enumerate(chosen):
        plot.point(row["place"], row["mean"], _meaning(row), said=row["subgroup"], key=f"p{row['place']}")
        if place in named:
            plot.name(row["place"], row["mean"], named[place], "flag")
    return plot


def _meaning(row: Row) -> str:
    if not row["judged"]:
        return "unjudged"
    return "signal" if row["rules"] else "warning" if row["ewma_beyond"] else "plain"


def spread_plot(rows: Sequence[Row], *, spread: str, unit: str) -> Plot | None:
    """Draw the spread within subgroups against its limits; None where no subgroup has two parts."""
    known = [row for row in rows if finite(row["spread"]) is not None and row["parts"] > 1]
    if not known:
        return None
    keep = [row["spread_upper"] is not None and row["spread"] > row["spread_upper"] for row in known]
    chosen = [known[place] for place in evenly(keep, MOST_POINTS)]
    top = max([row["spread"] for row in chosen] + [row["spread_upper"] or 0.0 for row in chosen]) or 1.0
    plot = Plot(
        _x_domain(rows),
        (0.0, top * 1.12),
        words.FIGURE["place_axis"],
        words.FIGURE["spread_axis"].format(spread=words.SPREAD[spread].capitalize(), unit=unit),
        height=140,
        x_counts=True,
        y_decimals=decimals_for(known[-1]["spread_centre"], known[-1]["spread"]) + 1,
    )
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
        plot.point(row["place"], row["spread"], meaning, said=row["subgroup"], key=f"p{row['place']}")
    return plot


def ewma_plot(rows: Sequence[Row], *, unit: str) -> Plot | None:
    """Draw the moving average against its limits; None where there are no limits."""
    known = [row for row in rows if finite(row["ewma"]) is not None]
    if len(known) < 2:
        return None
    chosen = [known[place] for place in evenly([row["ewma_beyond"] for row in known], MOST_POINTS)]
    levels = [row[name] for row in chosen for name in ("ewma", "ewma_lower", "ewma_upper")]
    plot = Plot(
        _x_domain(rows),
        domain(levels),
        words.FIGURE["place_axis"],
        words.FIGURE["ewma_axis"].format(unit=unit),
        height=140,
        x_counts=True,
        y_decimals=_decimals(rows),
    )
    for row in chosen:
        for name in ("ewma_lower", "ewma_upper"):
            plot.segment(row["place"] - 0.5, row["place"] + 0.5, row[name], row[name], "limit", width=1.2)
    _phases(plot, rows)
    plot.path = [{"x": row["place"], "y": row["ewma"]} for row in chosen]
    for row in chosen:
        meaning = "warning" if row["ewma_beyond"] else "plain"
        plot.point(row["place"], row["ewma"], meaning, said=row["subgroup"], key=f"p{row['place']}")
    latest = known[-1]
    decimals = decimals_for(latest["ewma_upper"] - latest["ewma_lower"], latest["ewma"])
    for name, label in (("ewma_lower", "lower"), ("ewma_upper", "upper")):
        plot.names_right.append(
            (latest[name], words.FIGURE[label].format(value=fixed(latest[name], decimals)), "limit")
        )
    return plot


def certificates_plot(
    rows: Sequence[Row], *, unit: str, mean: float | None, limits: tuple[float, float] | None
) -> Plot | None:
    """Draw lot means minus certificates in order of time; None where no lot has both."""
    known = [(place, row) for place, row in enumerate(rows, start=1) if finite(row["difference"]) is not None]
    if not known:
        return None
    flagged = [abs(row["normalised_error"] or 0.0) > 1.0 for _, row in known]
    chosen = [known[place] for place in evenly(flagged, MOST_POINTS)]
    values = [row["difference"] for _, row in chosen]
    plot = Plot(
        (0.0, len(rows) + 1.0),
        domain([*values, 0.0, *(limits or ())]),
        words.FIGURE["lot_axis"],
        words.FIGURE["difference_axis"].format(unit=unit),
        height=170,
        x_counts=True,
        y_decimals=decimals_for(None if limits is None else (limits[1] - limits[0]) / 4, values[0]),
    )
    plot.across(0.0, "inner", words.FIGURE["zero"], width=1)
    spread = None if limits is None else (limits[1] - limits[0]) / 4
    decimals = decimals_for(spread, values[0])
    if mean is not None and limits is not None:
        plot.across(mean, "limit", words.FIGURE["mean_difference"].format(value=fixed(mean, decimals, sign=True)))
        for limit in limits:
            label = words.FIGURE["agreement"].format(value=fixed(limit, decimals, sign=True))
            plot.across(limit, "limit", label, dash="long")
    for place, row in chosen:
        beyond = abs(row["normalised_error"] or 0.0) > 1.0
        plot.point(place, row["difference"], "out" if beyond else "plain", said=row["lot"])
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
