"""Uncertainty budgets as one table, and conformity with guard bands: facts, sentences, chart and its table."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from reports.kit.charts import Plot
from reports.kit.geometry import domain
from reports.kit.markup import Html, element, join, shorten
from reports.kit.numbers import as_written, compact, decimals_for, finite, fixed, percent
from reports.kit.page import unit_in_words
from reports.kit.tables import Heading, facts, table
from reports.words import general as common
from reports.words.uncertainty import BUDGET, BUDGET_OF, CONFORMITY, GUARD_FROM
from schemas.digits import LEAST_PROBABILITY
from schemas.uncertainty import Budget

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.results import LotResult
    from schemas.uncertainty import Conformity, Contribution

__all__ = [
    "budget_notes",
    "budgets_of",
    "budgets_table",
    "conformity_facts",
    "conformity_plot",
    "conformity_sentences",
    "conformity_table",
    "decimals_of",
    "decimals_of_limits",
]


def budgets_of(result: LotResult) -> tuple[Budget, ...]:
    """Return the budgets of a lot; where only the contributions of its mean are given, those."""
    if result.budgets or not result.contributions:
        return result.budgets
    return (
        Budget(
            of="lot_mean",
            unit=result.unit,
            level=result.mean or 0.0,
            readings=result.readings,
            contributions=result.contributions,
            standard_uncertainty=math.hypot(*(c.standard_uncertainty for c in result.contributions)),
            degrees_of_freedom=None,
            coverage_factor=result.coverage_factor,
            expanded_uncertainty=result.expanded_uncertainty,
        ),
    )


def _bar(share: float) -> Html:
    bar = element(
        "svg",
        element("rect", width=100, height=10, fill="var(--grid)"),
        element("rect", width=f"{share * 100:.1f}", height=10, fill="var(--point)"),
        viewBox="0 0 100 10", preserveAspectRatio="none", class_="share", aria_hidden="true",
    )  # fmt: skip
    return join([bar, percent(share)], " ")


def _named(budget: Budget) -> str:
    readings = common.counted(budget.readings, "reading")
    return BUDGET["readings_of"].format(of=BUDGET_OF.get(budget.of, budget.of), readings=readings)


def budgets_table(
    budgets: Sequence[Budget],
    number: int,
    *,
    unit: str,
    names: Sequence[object] = (),
    said: str | None = None,
    decimals: int | None = None,
) -> Html:
    """Return budgets side by side; shares, where shown, are those of what is compared.

    Parameters
    ----------
    budgets
        At least one; all of one unit.
    unit
        As printed.
    names
        Of the columns; empty names them by what they are of, and shows shares of the variance.
    said
        Caption.
    decimals
        Of expanded uncertainties, where the page has chosen them; contributions have one more. None: from the budget.
    """
    main = budgets[1] if len(budgets) > 2 else budgets[-1]
    by_name: dict[str, dict[int, Contribution]] = {}
    for place, budget in enumerate(budgets):
        for line in budget.contributions:
            by_name.setdefault(line.name, {})[place] = line
    total = sum(c.standard_uncertainty**2 for c in main.contributions if finite(c.standard_uncertainty) is not None)
    of_lines = min(decimals_for(math.sqrt(total)) if decimals is None else decimals, 8) + 1
    of_sums = of_lines if decimals is None else decimals
    share_of = BUDGET["share"] if len(budgets) == 1 else BUDGET["share_of"].format(of=BUDGET_OF.get(main.of, main.of))
    heads = [str(name) for name in names] or [_named(budget) for budget in budgets]
    shares = [] if names else [Heading(share_of, kind="t")]
    columns = [
        Heading(BUDGET["contribution"]), *(Heading(head, unit, "n") for head in heads), *shares, Heading(BUDGET["degrees"], kind="n"), Heading(BUDGET["averages"]),
        Heading(BUDGET["source"]),
    ]  # fmt: skip
    at_main = list(budgets).index(main)
    rows: list[list[object]] = []
    for name, found in by_name.items():
        shown = found.get(at_main) or next(iter(found.values()))
        share = found[at_main].standard_uncertainty ** 2 / total if total and at_main in found else 0.0
        cells = [fixed(found[i].standard_uncertainty, of_lines) if i in found else "" for i in range(len(budgets))]
        degrees = " · ".join(dict.fromkeys(_degrees(line.degrees_of_freedom) for line in found.values()))
        averages = common.FRAGMENT["yes"] if shown.averages else common.FRAGMENT["no"]
        rows.append([name, *cells, *([] if names else [_bar(share)]), degrees, averages, shorten(shown.source, 200)])

    def sums(name: str, cells: Sequence[str], source: str) -> None:
        rows.append([element("b", BUDGET[name]), *cells, *([""] * (2 if names else 3)), source])

    known = [finite(budget.standard_uncertainty) is not None for budget in budgets]
    if any(known):
        sums("combined", [fixed(b.standard_uncertainty, of_lines) for b in budgets], BUDGET["root"])
        sums(
            "effective",
            [_degrees(b.degrees_of_freedom) if k else "" for b, k in zip(budgets, known, strict=True)],
            BUDGET["welch"],
        )
        sums("factor", [fixed(b.coverage_factor, 2) for b in budgets], BUDGET["coverage"])
        if any(b.uncorrected_bias for b in budgets):
            sums("bias", [fixed(b.uncorrected_bias, of_lines, sign=True) for b in budgets], BUDGET["gum_bias"])
    expanded = [
        f"±{fixed(b.expanded_uncertainty, of_sums)}"
        if finite(b.expanded_uncertainty) is not None
        else BUDGET["none"].format(reason=shorten(b.reason or common.FRAGMENT["no_reason"], 200))
        for b in budgets
    ]
    sums("expanded", expanded, BUDGET["sum"])
    return table(number, "uncertainty", said or BUDGET["table"], columns, rows)


def _degrees(value: float | None) -> str:
    return BUDGET["infinite"] if finite(value) is None else compact(value)


def budget_notes(notes: Sequence[str]) -> Html | None:
    """Return what a budget left out because nobody stated it, and what it added."""
    if not notes:
        return None
    items = join(element("li", shorten(f"{note[:1].upper()}{note[1:]}.", 400)) for note in notes)
    return join([element("p", BUDGET["notes"]), element("ul", items)])


# conformity ----------------------------------------------------------------------------------------------------------


def probability_in_words(value: float | None) -> str:
    """Return a probability as percent with the digits that tell: 97.2 %, 99.97 %, 0.03 %; it ends at 1 in 10,000."""
    if value is None:
        return ""
    small = min(value, 1 - value)
    if small < LEAST_PROBABILITY:
        return CONFORMITY["least" if value < 0.5 else "most"]
    digits = max(1, 1 - math.floor(math.log10(small * 100)))
    return f"{value * 100:.{digits}f} %"


def _what(found: Conformity) -> str:
    return CONFORMITY[f"what_{found.compared}"]


def decimals_of_limits(result: LotResult) -> int:
    """Return the decimals of values in the unit of the limits: one number of them on a page."""
    if result.decimals is not None:
        return result.decimals
    found = result.conformity
    return 2 if found is None else decimals_for(found.expanded_uncertainty or found.guard_band, found.highest)


def _rows(found: Conformity) -> list[tuple[str, float]]:
    low, high = finite(found.lowest), finite(found.highest)
    if low is None or high is None:
        return []
    if low == high:
        return [(CONFORMITY["only"].format(what=_what(found)), low)]
    return [
        (CONFORMITY["lowest"].format(what=_what(found)), low),
        (CONFORMITY["highest"].format(what=_what(found)), high),
    ]


def conformity_sentences(result: LotResult) -> list[str]:
    """Return how surely the compared values conform, and the risk of the decision, in words."""
    found = result.conformity
    if found is None:
        return [CONFORMITY["none"]]
    said = []
    if found.conformance_probability is not None:
        key = {"in": "accepted", "out": "rejected"}.get(result.limits_met or "", "undecided")
        said.append(
            CONFORMITY[key].format(
                probability=probability_in_words(found.conformance_probability),
                risk=probability_in_words(1 - found.conformance_probability),
            )
        )
        if found.known_bias:
            bias = fixed(found.known_bias, decimals_of_limits(result) + 1, sign=True)
            said[-1] += " " + CONFORMITY["bias_off"].format(bias=bias, unit=unit_in_words(found.unit))
    if found.reason is not None:
        said.append(CONFORMITY["no_uncertainty"].format(reason=shorten(found.reason, 300)))
    return said


def _zone(found: Conformity, unit: str, decimals: int) -> str:
    low, high = finite(found.acceptance_lower), finite(found.acceptance_upper)
    if low is not None and high is not None and low > high:
        return CONFORMITY["zone_empty"]
    digits = (lambda v: fixed(v, decimals)) if found.guard_band else as_written
    if low is not None and high is not None:
        return common.FRAGMENT["between"].format(lower=digits(low), upper=digits(high), unit=unit)
    if low is not None:
        return common.FRAGMENT["at_least"].format(lower=digits(low), unit=unit)
    return common.FRAGMENT["at_most"].format(upper=digits(high), unit=unit) if high is not None else ""


def conformity_facts(result: LotResult, limits: str) -> Html | None:
    """Return guard band, acceptance zone and the uncertainty of a compared value as facts; None without limits."""
    found = result.conformity
    if found is None:
        return None
    unit, k = unit_in_words(found.unit), found.compared == "k_method"
    guard, decimals = CONFORMITY["guard_none"], decimals_of_limits(result)
    if found.guard_band is not None:
        origin = GUARD_FROM[found.guard_band_from or "expanded_uncertainty"].format(
            probability=probability_in_words(found.required_probability)
        )
        guard = CONFORMITY["guard_text"].format(width=fixed(found.guard_band, decimals), unit=unit, origin=origin)
    uncertainty = None
    if finite(found.expanded_uncertainty) is not None:
        uncertainty = CONFORMITY["uncertainty_text"].format(
            u=fixed(found.expanded_uncertainty, decimals), unit=unit, k=compact(found.coverage_factor)
        )
    bias = f"{fixed(found.known_bias, decimals + 1, sign=True)} {unit}" if found.known_bias else None
    return facts(
        [
            (CONFORMITY["limits"], limits),
            (CONFORMITY["guard"], None if k else guard),
            (CONFORMITY["zone"], None if k else _zone(found, unit, decimals)),
            (CONFORMITY["uncertainty"], uncertainty),
            (CONFORMITY["bias"], bias),
        ]
    )


def conformity_plot(result: LotResult) -> Plot | None:
    """Draw the outermost compared values with their uncertainty against limits and guard bands, in the limits' own unit.

    Returns
    -------
    Plot or None
        None without limits or without a value.
    """
    found = result.conformity
    if found is None or not (rows := _rows(found)):
        return None
    u = finite(found.expanded_uncertainty) or 0.0
    limits = [(name, limit) for name, limit in (("lower", result.lower_as_written), ("upper", result.upper_as_written))
              if finite(limit) is not None and limit is not None]  # fmt: skip
    band = finite(found.guard_band) or 0.0
    ends = [value + sign * u for _, value in rows for sign in (-1, 1)]
    ends += [limit + sign * band for _, limit in limits for sign in (-1, 1)]
    low, high = domain(ends, margin=0.08)
    plot = Plot(
        (low, high), (0.4, len(rows) + 0.6), CONFORMITY["axis"].format(unit=unit_in_words(found.unit)), "",
        y_axis=False, height=44 * len(rows) + 34, x_decimals=decimals_of_limits(result),
    )  # fmt: skip
    bottom, top = plot.y_domain
    decimals = decimals_of_limits(result)
    for name, limit in limits:
        if band:
            plot.rect(max(limit - band, low), min(limit + band, high), bottom, top, "grid")
            edge = limit + band if name == "lower" else limit - band
            plot.segment(edge, edge, bottom, top, "tolerance", dash="dashdot", width=1.4)
            label = CONFORMITY["edge_lower" if name == "lower" else "edge"].format(value=fixed(edge, decimals))
            plot.names.append((edge, top, label, "tolerance"))
        plot.segment(limit, limit, bottom, top, "limit", dash="long", width=1.6)
        plot.names.append((limit, top, CONFORMITY[name].format(value=as_written(limit)), "limit"))
    tone = "flag" if result.limits_met == "out" else "point"
    names = [CONFORMITY["end"]] if len(rows) == 1 else [CONFORMITY["high_end"], CONFORMITY["low_end"]]
    for place, ((_, value), text) in enumerate(zip(rows[::-1], names, strict=True), start=1):
        name = text.format(value=fixed(value, decimals))
        if u:
            plot.segment(value - u, value + u, place, place, tone, width=2.2)
            for end in (value - u, value + u):
                plot.segment(end, end, place - 0.13, place + 0.13, tone, width=2.2)
        plot.point(value, place, "out" if result.limits_met == "out" else "own")
        plot.names_right.append((place, name, tone))
    return plot


def conformity_table(result: LotResult, number: int) -> Html | None:
    """Return the points behind the chart of conformity; None where there is none."""
    found = result.conformity
    if found is None or not (rows := _rows(found)):
        return None
    unit, decimals = unit_in_words(found.unit), decimals_of_limits(result)
    u = finite(found.expanded_uncertainty)
    limits = (finite(result.lower_as_written), finite(result.upper_as_written))
    written = []
    for name, value in rows:
        beyond = (limits[0] is not None and value < limits[0]) or (limits[1] is not None and value > limits[1])
        zone = (finite(found.acceptance_lower), finite(found.acceptance_upper))
        guarded = (zone[0] is not None and value < zone[0]) or (zone[1] is not None and value > zone[1])
        place = CONFORMITY["beyond"] if beyond else CONFORMITY["in_guard"] if guarded else CONFORMITY["in_zone"]
        ends = ("", "") if u is None else (fixed(value - u, decimals), fixed(value + u, decimals))
        written.append((name, fixed(value, decimals), *ends, place))
    columns = [
        Heading(_what(found).capitalize()), Heading(CONFORMITY["value"], unit, "n"), Heading(CONFORMITY["from"], unit, "n"),
        Heading(CONFORMITY["to"], unit, "n"), Heading(CONFORMITY["place"]),
    ]  # fmt: skip
    return table(number, "conformity", CONFORMITY["table"], columns, written)


def decimals_of(result: LotResult) -> int:
    """Return with how many decimals values are written on a lot's page: chosen once, from the uncertainty of the mean."""
    if result.decimals is not None and result.limits_unit in (None, result.unit):
        return result.decimals
    return decimals_for(
        finite(result.expanded_uncertainty) or finite(result.standard_deviation) or finite(result.repeatability),
        result.mean,
    )
