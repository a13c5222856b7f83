"""The chart of a block: the bias of every meter on it over time, new certificates and where it moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.charts import Plot
from reports.kit.geometry import domain, evenly
from reports.kit.marks import GROUPS
from reports.kit.markup import shorten
from reports.kit.numbers import compact, decimals_for, finite, fixed
from reports.kit.tables import best_order
from reports.kit.times import time_axis
from reports.words import block as say
from reports.words import general as words

if TYPE_CHECKING:
    from reports.kit.numbers import Clock
    from schemas.blocks import BlockPage

__all__ = ["bias_chart"]

_MOST = 300


def bias_chart(page: BlockPage, clock: Clock, unit: str) -> tuple[Plot, str] | None:
    """Draw the biases; return the plot and its key, or None where no check has a bias.

    Parameters
    ----------
    clock
        The zone.
    unit
        As printed.
    """
    rows = [
        row for row in best_order(page.checks, ("at", "meter")).iter_rows(named=True) if finite(row["bias"]) is not None
    ]
    if not rows:
        return None
    keep = [row["passes"] is False for row in rows]
    keep[0] = keep[-1] = True
    chosen = evenly(keep, _MOST)
    meters = sorted({row["meter"] for row in rows})
    mark = {meter: GROUPS[min(place, len(GROUPS) - 1)] for place, meter in enumerate(meters)}
    time = time_axis([row["at"] for row in rows], clock)
    place = time.place
    first, last = place(rows[0]["at"]), place(rows[-1]["at"])
    x_domain = domain([first, last], margin=0.02) if last > first else (first - 1.8e6, first + 1.8e6)
    tolerances = [value for row in rows if (value := finite(row["tolerance"])) is not None]
    widest = max(tolerances, default=0.0)
    low, high = domain([*(row["bias"] for row in rows), widest, -widest, 0.0])
    high += 0.14 * (high - low)  # room for names
    plot = Plot(x_domain, (low, high), time.title, words.FIGURE_OF["bias_axis"].format(unit=unit), x_time=time)
    spread = max((one.standard_deviation or 0.0 for one in page.result.meters), default=0.0)
    plot.y_decimals = decimals_for(spread or None, best_order(page.checks, ("meter", "at"))["mean"][0])
    plot.across(0.0, "inner", words.FIGURE_OF["no_bias"], width=1)
    if tolerances:
        for sign in (1, -1):
            label = words.FIGURE_OF["tolerance"].format(value=f"{'+' if sign > 0 else '−'}{compact(tolerances[-1], 3)}")
            plot.across(sign * tolerances[-1], "tolerance", label, dash="dashdot", width=1.4)
    result = page.result
    for certificate in result.certificates[1:]:
        if certificate.holds_from is None:
            continue
        x = place(certificate.holds_from)
        if x_domain[0] < x < x_domain[1]:
            step = fixed(certificate.step, decimals_for(certificate.expanded_uncertainty, certificate.step), sign=True)
            plot.segment(x, x, low, high, "inner", dash="short", width=1.2)
            plot.names.append((x, high, say.FIGURE["certificate"].format(step=step), "inner"))
    for one in result.movements:
        if one.kind == "block" and one.name == result.block and x_domain[0] < (x := place(one.at)) < x_domain[1]:
            plot.segment(x, x, low, high, "flag", dash="short", width=1.2)
            plot.names.append((x, high, say.FIGURE["moved"], "flag"))
    for index in chosen:
        row = rows[index]
        failed = row["passes"] is False
        plot.point(
            place(row["at"]),
            row["bias"],
            "out" if failed else mark[row["meter"]],
            said=shorten(row["meter"], 40),
        )
    named = meters if len(meters) <= len(GROUPS) else meters[: len(GROUPS) - 1]
    marks = [say.FIGURE["mark"].format(shape=words.SHAPE[mark[meter]], meter=shorten(meter, 40)) for meter in named]
    if len(named) < len(meters):
        marks.append(say.FIGURE["other"].format(shape=words.SHAPE[GROUPS[-1]], n=len(meters) - len(named)))
    return plot, say.FIGURE["key"].format(marks=marks[0][0].upper() + ", ".join(marks)[1:])
