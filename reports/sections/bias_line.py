"""The bias of a meter against conductivity: chart and table of its line, and what it says at the level of a lot."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from pipeline.metrology.bias_line import FIT_LEVEL, LineFit, bias_at, degrees_at
from pipeline.metrology.uncertainty import coverage_factor
from reports.kit.charts import Plot
from reports.kit.geometry import domain
from reports.kit.markup import Html, isolated, shorten
from reports.kit.numbers import compact, decimals_for, fixed, significant
from reports.kit.tables import Heading, table
from reports.words import general as common
from reports.words.uncertainty import BIAS

if TYPE_CHECKING:
    from schemas.bias import BiasLine
    from schemas.results import LotResult

__all__ = [
    "bias_control_sentence",
    "bias_line_plot",
    "bias_line_sentences",
    "bias_line_table",
    "bias_of_lot_sentences",
    "bias_of_lot_table",
]

_K = 1.959964
"""Coverage factor of 95 % for the normal distribution."""

_PIECES = 32


def _on_line(fit: LineFit, level: float) -> tuple[float, float]:
    """Return the bias on the line at a level, and half of its 95 % interval."""
    bias, u, _ = bias_at(fit, level)
    return bias, coverage_factor(degrees_at(fit, (1.0, level - fit.centre))) * u


def _fit(line: BiasLine) -> LineFit | None:
    if line.centre is None or line.bias is None or line.slope is None or line.covariance is None:
        return None
    if line.lowest is None or line.highest is None:
        return None
    return LineFit(
        centre=line.centre, bias=line.bias, slope=line.slope, covariance=line.covariance, chi_squared=line.chi_squared or 0.0,
        degrees_of_freedom=line.degrees_of_freedom or 0, enlarged=line.enlarged or 1.0, lowest=line.lowest, highest=line.highest,
        chi_squared_limit=line.chi_squared_limit, scatter_covariance=line.scatter_covariance or ((0.0, 0.0), (0.0, 0.0)),
        scatter_degrees_of_freedom=line.scatter_degrees_of_freedom,
    )  # fmt: skip


def bias_line_plot(line: BiasLine, *, unit: str) -> Plot | None:
    """Draw the biases on the blocks with their 95 % bars, and the line with its 95 % band between the blocks.

    Returns
    -------
    Plot or None
        None where no block has a bias.
    """
    if not line.points:
        return None
    fit = _fit(line)
    levels = [point.certified_value for point in line.points]
    ends = [0.0]
    for point in line.points:
        ends += [point.bias + sign * _K * point.standard_uncertainty for sign in (-1, 1)]
    pieces: list[tuple[float, float, float]] = []
    if fit is not None:
        width = (fit.highest - fit.lowest) / _PIECES
        for i in range(_PIECES + 1):
            level = fit.lowest + i * width
            bias, half = _on_line(fit, level)
            pieces.append((level, bias, half))
            ends += [bias - half, bias + half]
    spread = max(levels) - min(levels) or abs(levels[0]) * 0.02 or 1.0
    plot = Plot(
        (min(levels) - 0.08 * spread, max(levels) + 0.08 * spread), domain(ends),
        BIAS["level_axis"].format(unit=unit), BIAS["bias_axis"].format(unit=unit), height=220,
        x_decimals=decimals_for(max(point.standard_uncertainty for point in line.points) or None), y_decimals=decimals_of_line(line),
    )  # fmt: skip
    for (x, low, half), (x2, low2, half2) in pairwise(pieces):
        plot.rect(x, x2, low - half, low + half, "grid")
        for sign in (-1, 1):
            plot.segment(x, x2, low + sign * half, low2 + sign * half2, "inner", dash="dot")
    plot.across(0.0, "inner", BIAS["no_bias"], width=1)
    if pieces:
        (x, first, _), (x2, last, half) = pieces[0], pieces[-1]
        plot.segment(x, x2, first, last, "point", width=1.8)
        plot.names_right.append((last, BIAS["line"], "point"))
        plot.names_right.append((last + half, BIAS["band"], "inner"))
    for point in line.points:
        bar = _K * point.standard_uncertainty
        x, y = point.certified_value, point.bias
        plot.segment(x, x, y - bar, y + bar, "spot", width=2)
        for end in (y - bar, y + bar):
            plot.segment(x - 0.008 * spread, x + 0.008 * spread, end, end, "spot", width=2)
        plot.point(x, y, "plain")
        plot.names.append((x, y + bar, shorten(point.block, 24), "ink"))
    return plot


def decimals_of_line(line: BiasLine) -> int:
    """Return the decimals of a bias: one more than the uncertainties of its points allow."""
    return decimals_for(max(point.standard_uncertainty for point in line.points) or None) + 1


def bias_line_table(line: BiasLine, number: int, anchor: str, *, unit: str) -> Html:
    """Return the points behind the chart, each with what the line says there."""
    fit = _fit(line)
    decimals = decimals_of_line(line)
    columns = [
        Heading(BIAS["block"]), Heading(BIAS["certified"], unit, "n"), Heading(BIAS["checks"], kind="n"),
        Heading(BIAS["bias"], unit, "n"), Heading(BIAS["scatter"], unit, "n"), Heading(BIAS["certificate"], unit, "n"),
        Heading(BIAS["chain"]), Heading(BIAS["on_line"], unit, "n"), Heading(BIAS["u_line"], unit, "n"),
    ]  # fmt: skip
    rows = []
    for point in line.points:
        at, u, _ = bias_at(fit, point.certified_value) if fit is not None else (None, None, 0.0)
        rows.append(
            (
                isolated(point.block, 60), compact(point.certified_value, 8), point.checks, fixed(point.bias, decimals, sign=True),
                fixed(point.scatter_standard_uncertainty, decimals), fixed(point.certificate_standard_uncertainty, decimals),
                None if point.certificate_chain is None else isolated(point.certificate_chain, 60),
                fixed(at, decimals, sign=True), fixed(u, decimals),
            )
        )  # fmt: skip
    return table(number, anchor, BIAS["table"], columns, rows)


def bias_line_sentences(line: BiasLine, *, unit: str) -> list[str]:
    """Return what the line says, or why there is none."""
    if line.reason is not None or line.slope is None or line.slope_interval is None:
        return [BIAS["none"].format(reason=shorten(line.reason or common.FRAGMENT["no_reason"], 200))]
    half = (line.slope_interval[1] - line.slope_interval[0]) / 2
    decimals = decimals_for(half or None, line.slope)
    low, high = (fixed(bound, decimals, sign=True) for bound in line.slope_interval)
    fit = _fit(line)
    said = [
        BIAS["slope"].format(
            slope=fixed(line.slope, decimals, sign=True), low=low, high=high, unit=unit,
            lowest=compact(line.lowest, 6), highest=compact(line.highest, 6),
        )
    ]  # fmt: skip
    if fit is not None:
        ends = []
        for level in (fit.lowest, fit.highest):
            bias, half = _on_line(fit, level)
            digits = decimals_for(half or None, None)
            ends.append((fixed(bias, digits, sign=True), fixed(half, digits)))
        said.append(
            BIAS["ends"].format(low=ends[0][0], u_low=ends[0][1], high=ends[1][0], u_high=ends[1][1], unit=unit)
        )
    if line.degrees_of_freedom:
        key = "misfit" if (line.enlarged or 1.0) > 1 else "fit"
        said.append(
            BIAS[key].format(
                chi=significant(line.chi_squared, 3), df=line.degrees_of_freedom, level=f"{100 * FIT_LEVEL:g} %",
                limit=significant(line.chi_squared_limit, 3), ratio=significant(line.enlarged, 2),
            )
        )  # fmt: skip
    else:
        said.append(BIAS["two_blocks"])
    chains = [point.certificate_chain for point in line.points if point.certificate_chain is not None]
    shared = len(chains) > len(set(chains))
    key = "independent" if not shared else "correlated" if line.correlation else "uncorrelated_chain"
    said.append(BIAS[key].format(r=f"{line.correlation:g}"))
    return said + _of_both_axes(line, unit) + _of_inverse(line, unit)


def bias_control_sentence(line: BiasLine, *, unit: str) -> str | None:
    """Return how the latest run stands to the line of the checks before it, all blocks as one statement."""
    found = line.control
    if found is None:
        return None
    if found.limit is None or found.largest is None:
        return BIAS["no_control"].format(reason=found.reason)
    decimals = decimals_for(found.limit, None)
    block, worst = max(found.deviations, key=lambda one: abs(one[1]))
    inside = bool(found.in_control)
    return BIAS["control_in" if inside else "control_out"].format(
        n=len(found.deviations), block=shorten(block, 60), unit=unit, limit=fixed(found.limit, decimals), df=found.degrees_of_freedom,
        largest=fixed(abs(worst) if inside else worst, decimals, sign=not inside),
    )  # fmt: skip


def _of_both_axes(line: BiasLine, unit: str) -> list[str]:
    found = line.both_axes
    if found is None:
        return []
    if found.bias is None:
        return [BIAS["no_both_axes"].format(reason=found.reason)]
    digits = decimals_for(found.bias_standard_uncertainty or None, found.bias)
    of_slope = decimals_for(found.slope_standard_uncertainty or None, found.slope)
    return [
        BIAS["both_axes"].format(
            bias=fixed(found.bias, digits, sign=True), u_bias=fixed(found.bias_standard_uncertainty, digits), unit=unit,
            slope=fixed(found.slope, of_slope, sign=True), u_slope=fixed(found.slope_standard_uncertainty, of_slope),
        )
    ]  # fmt: skip


def _of_inverse(line: BiasLine, unit: str) -> list[str]:
    """Return what one reading in the middle stands for; the data has more of them."""
    if not line.inverse:
        return []
    found = line.inverse[len(line.inverse) // 2]
    if found.value is None or found.interval is None:
        return [BIAS["no_inverse"].format(reading=compact(found.reading, 6), unit=unit, reason=found.reason)]
    decimals = decimals_for((found.interval[1] - found.interval[0]) / 2 or None, None)
    reading, value, low, high = (fixed(one, decimals) for one in (found.reading, found.value, *found.interval))
    return [BIAS["inverse"].format(reading=reading, value=value, low=low, high=high, unit=unit)]


def bias_of_lot_sentences(result: LotResult) -> list[str]:
    """Say whether the bias was taken off the lot's values."""
    if not result.bias_at_level:
        return []
    applied = [found for found in result.bias_at_level if found.applied]
    if not applied:
        return [BIAS["left_in"]]
    return [BIAS["taken_off"]]


def bias_of_lot_table(result: LotResult, number: int, *, unit: str, decimals: int) -> Html | None:
    """Return the level of each meter on its nearest block and what its line says at the lot's; None where no meter was checked."""
    if not result.bias_at_level:
        return None
    columns = [
        Heading(BIAS["meter"]), Heading(BIAS["level"], unit, "n"), Heading(BIAS["block"]), Heading(BIAS["known"], unit, "n"),
        Heading(BIAS["u_bias"], unit, "n"), Heading(BIAS["blocks"], kind="n"), Heading(BIAS["on_line"], unit, "n"),
        Heading(BIAS["u_line"], unit, "n"), Heading(BIAS["applied"]), Heading(BIAS["remark"]),
    ]  # fmt: skip
    rows = [
        (
            isolated(found.meter, 60), fixed(found.level, decimals),
            None if found.block is None else isolated(found.block, 60), fixed(found.known_bias, decimals + 1, sign=True),
            fixed(found.known_bias_standard_uncertainty, decimals + 1), found.blocks, fixed(found.bias, decimals + 1, sign=True),
            fixed(found.standard_uncertainty, decimals + 1),
            common.FRAGMENT["yes"] if found.applied else common.FRAGMENT["no"],
            None if found.reason is None else shorten(found.reason, 240),
        )
        for found in result.bias_at_level
    ]  # fmt: skip
    return table(number, "bias", BIAS["table_lot"], columns, rows)
