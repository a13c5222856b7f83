"""The lot page: may it pass, why, what to do, and every number behind that."""

from __future__ import annotations

from reports.kit.address import address, between
from reports.kit.charts import Plot, figure, svg
from reports.kit.lead_unit import in_lead_unit
from reports.kit.links import exists, linked
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, finite, fixed, percent, typeset
from reports.kit.page import (
    Masthead,
    behind,
    document,
    flags_list,
    folded,
    section,
    shown_state,
    unit_in_words,
    verdict,
    verdict_in_words,
)
from reports.kit.report import Report
from reports.kit.tables import Numbered, facts
from reports.lot import charts as lot_charts
from reports.lot import corrections as climate
from reports.lot import evidence
from reports.lot import tables as lot_tables
from reports.lot.annex import annex_tables
from reports.lot.capability import capability_section, plan_section
from reports.lot.components import components_section, suspects_section
from reports.lot.material import material_section
from reports.lot.tables import limits_in_words
from reports.lot.text import key_figures, main_points, reason_of
from reports.sections import bias_line as bias
from reports.sections import uncertainty
from reports.sections.events_list import events_list
from reports.sections.meter_differences import differences_table
from reports.sections.since import came_to_light
from reports.sections.uncertainty import decimals_of
from reports.sections.what_to_do import lot_steps
from reports.words import block as block_words
from reports.words import corrections as words_climate
from reports.words import general as words
from reports.words.uncertainty import CONFORMITY
from schemas.results import LotPage, LotResult

__all__ = ["REPORT", "render"]


_SHORT_PAPER = "@media print{#figure-earlier,#figure-brackets,#table-brackets caption a{display:none}}"
"""An accepted lot takes two sheets: its table of brackets says what the chart beside it draws, and the lots before it have pages."""


def render(page: LotPage) -> str:
    """Render the page of a lot.

    Parameters
    ----------
    page
        The lot with the frames behind it.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    working, page = page.result, in_lead_unit(lot_tables.sorted_page(page))
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here = address("lot", result.lot)
    unit = unit_in_words(result.unit)
    decimals = decimals_of(result)
    word = verdict_in_words(result)
    long_part = address("readings", result.lot)
    there = between(here, long_part) if result.long and exists(long_part) else ""
    charts = _charts(page, numbered, there, unit=unit, decimals=decimals)
    shown = [drawn for _, drawn in charts.values()]
    none = element("p", words.FIGURE["none"].format(reason=reason_of(result, "mean")))
    points = join(element("li", point) for point in main_points(page, working, clock, unit, decimals))
    since = [
        _failure(page, here, clock, unit, decimals),
        came_to_light(here, page.came_to_light, clock, unit, decimals),
    ]
    body = [
        verdict(
            shown_state(result), word, result.reasons, lot_steps(page), join(part for part in since if part) or None
        ),
        section("points", element("ul", points, class_="points")),
        section("figures", key_figures(page, working, unit, decimals)),
        section("rule", facts(_rule_facts(result, working))),
        section("charts", *(shown or [none]), wide=True),
        section("support", *_support(page, clock, numbered, here), wide=True),
        *_evidence_sections(page, numbered, clock, unit, decimals),
    ]
    if result.flags:
        body.append(section("flags", flags_list(result.flags)))
    if result.dispositions:
        body.append(section("dispositions", lot_tables.decisions_table(result.dispositions, numbered.table(), clock)))
    body += _look_back(page, numbered, clock, unit)
    more = [
        section("conformity", *_conformity(result, numbered)),
        *_details(page, numbered, unit, decimals, there),
        section("uncertainty", *_budgets(result, numbered, unit, decimals)),
        *_corrections(result, numbered, unit),
    ]
    if page.checks.height:
        more.append(
            section(
                "checks",
                lot_tables.checks_table(page, numbered.table(), clock, unit=unit, decimals=decimals),
                heading=words.SECTION["run_checks"],
            )
        )
    body.append(section("more", *map(behind, more), heading=words.SECTION["more"], wide=True))
    body.append(_annex(page, clock, numbered, charts, unit, decimals, there))
    head = Masthead(
        kind=words.FRAGMENT["lot"],
        name=result.lot,
        heading=isolated(result.lot, 80),
        what=_what(result, clock),
        title=f"{word}: {shorten(result.lot, 60)}",
    )
    settled = result.verdict == "accept" and not result.conditions
    return document(head, here, page.provenance, numbered, body, style=_SHORT_PAPER if settled else "")


REPORT = Report(name="lot", page=LotPage, render=render)


def _evidence_sections(page: LotPage, numbered: Numbered, clock: Clock, unit: str, decimals: int) -> list[Html]:
    """Return hardness beside conductivity and the readings left out, each only where there is something to say."""
    found, result = [], page.result
    treated = () if page.detail is None else page.detail.heat_treatment
    if said := evidence.hardness_sentence(result):
        rows = (
            evidence.hardness_table(result, numbered.table(), unit=unit, decimals=decimals) if result.hardness else None
        )
        meant = [element("p", s) for s in evidence.heat_treatment_sentences(treated, unit, decimals)]
        found.append(section("hardness", element("p", element("b", said)), *meant, rows, wide=True))
    if said := evidence.exclusion_sentence(result):
        found.append(
            section(
                "left_out",
                element("p", said),
                evidence.comparison_table(result, numbered.table(), unit=unit, decimals=decimals),
                evidence.exclusions_table(result, numbered.table(), clock),
                wide=True,
            )
        )
    return found


def _look_back(page: LotPage, numbered: Numbered, clock: Clock, unit: str) -> list[Html]:
    """Return the events that touched the lot and how the meters that read it agree, where there is something to say."""
    found = []
    if page.events:
        here = address("lot", page.result.lot)
        found.append(section("events", events_list(here, page.events, clock), heading=words.KIND["event"]))
    if page.meter_differences:
        shown = differences_table(
            page.meter_differences, numbered.table(), block_words.TABLE["lot_differences"], unit=unit
        )
        found.append(section("agreement", shown, heading=block_words.SECTION["agreement"], wide=True))
    return found


def _what(result: LotResult, clock: Clock) -> Html:
    here = address("lot", result.lot)
    named: list[object] = [
        f"{words.FRAGMENT[name]} {shorten(value, 60)}"
        for name in ("product", "material")
        if (value := getattr(result, name)) is not None
    ]
    if result.supplier is not None:
        named.append(join([words.FRAGMENT["supplier"], linked(here, "supplier", result.supplier)], " "))
    if result.first_at is not None and result.last_at is not None:
        named.append(
            words.FRAGMENT["after_hours"].format(
                first=clock.minute(result.first_at), last=f"{clock.minute(result.last_at)} {clock.zone}"
            )
        )
    return join(named, " · ")


def _charts(page: LotPage, numbered: Numbered, there: str, *, unit: str, decimals: int) -> dict[str, tuple[int, Html]]:
    """Draw the charts; by anchor, with their numbers, so that tables can point back."""
    result, say = page.result, words.FIGURE
    found: dict[str, tuple[int, Html]] = {}

    def add(anchor: str, plot: Plot, *sentences: str) -> None:
        number = numbered.figure()
        found[anchor] = number, figure(number, anchor, svg(plot, sentences[0]), *sentences, table=anchor, there=there)

    parts, spots = page.part_values, page.spot_values
    limited = result.limits_unit is not None
    if drawn := lot_charts.parts_plot(result, parts, spots, unit=unit, decimals=decimals):
        add("parts", drawn[0], say["parts"], say["key_parts"] if limited else say["key_plain"], drawn[1])
    if spread := lot_charts.spread_plot(result, spots, unit=unit, decimals=decimals):
        sentence = say["distribution_bars"].format(bins=spread[1]) if spread[1] else say["distribution"]
        key = say["key_bars" if spread[1] else "key_spread"] if limited else say["key_plain_spread"]
        add("spots", spread[0], sentence, key)
    earlier = () if page.detail is None else page.detail.earlier
    if before := lot_charts.earlier_plot(result, earlier, unit=unit, decimals=decimals):
        number, said = numbered.figure(), say["earlier"].format(lots=words.counted(len(earlier), "lot"))
        found["earlier"] = number, figure(number, "earlier", svg(before, said), said, say["key_earlier"])
    return found


def _details(page: LotPage, numbered: Numbered, unit: str, decimals: int, there: str) -> list[Html]:
    """Return the sections on capability, variation, outlying values, plan and material."""
    result, detail = page.result, page.detail
    if detail is None or not result.parts:
        return []
    plan = detail.plan
    return [
        capability_section(result, detail.capability, detail.components, numbered, unit, decimals),
        components_section(page, detail.components, numbered, unit, there),
        suspects_section(detail.suspects, numbered, unit, decimals, lot_tables.places(page)),
        *([plan_section(plan, numbered)] if plan is not None else []),
        material_section(detail.material, numbered, unit, decimals),
    ]


def _failure(page: LotPage, here: str, clock: Clock, unit: str, decimals: int) -> Html | None:
    """Return how far the worst failed check beside a suspect lot was off, with the event; None for other lots."""
    failed = [
        row
        for row in page.checks.iter_rows(named=True)
        if row["passes"] is False and finite(row["bias"]) is not None and row["tolerance"]
    ] if page.checks.height and page.result.support == "suspect" else []  # fmt: skip
    if not failed:
        return None
    worst = max(failed, key=lambda row: (abs(row["bias"]) / row["tolerance"], row["at"]))
    said = words.POINT["failure"].format(
        block=shorten(str(worst["block"]), 40), at=f"{clock.minute(worst['at'])} {clock.zone}", unit=unit,
        bias=fixed(worst["bias"], decimals, sign=True), share=percent(abs(worst["bias"]) / worst["tolerance"]),
        tolerance=fixed(worst["tolerance"], decimals),
    )  # fmt: skip
    events = [linked(here, event.kind, event.identifier, event.title, 100) for event in page.events]
    return element("p", element("b", said), " ", join(events, ", "))


def _support(page: LotPage, clock: Clock, numbered: Numbered, here: str) -> list[Html]:
    if not page.brackets.height:
        return [element("p", words.FRAGMENT["no_brackets"])]
    number, drawn = None, Html("")
    if line := lot_charts.timeline_plot(page.brackets, as_of=page.result.as_of, clock=clock):
        say, number = words.FIGURE, numbered.figure()
        sentences = (say["timeline"], say["key_timeline"], line[1])
        drawn = figure(number, "brackets", svg(line[0], sentences[0]), *sentences, table="brackets")
    return [drawn, lot_tables.brackets_table(page, numbered.table(), number, clock, here)]


def _conformity(result: LotResult, numbered: Numbered) -> list[object]:
    """Say what was compared with which limits and guard bands, and how surely it conforms."""
    said: list[object] = [element("p", sentence) for sentence in uncertainty.conformity_sentences(result)]
    unit = unit_in_words(result.limits_unit or result.unit)
    limits = limits_in_words(result.lower_as_written, result.upper_as_written, unit)
    said.append(uncertainty.conformity_facts(result, limits))
    if plot := uncertainty.conformity_plot(result):
        guarded = result.conformity is not None and result.conformity.guard_band is not None
        number = numbered.figure()
        key = CONFORMITY["key" if guarded else "key_simple"]
        said.append(
            figure(number, "conformity", svg(plot, CONFORMITY["chart"]), CONFORMITY["chart"], key, table="conformity")
        )
        said.append(uncertainty.conformity_table(result, numbered.table()))
    return said


def _budgets(result: LotResult, numbered: Numbered, unit: str, decimals: int) -> list[object]:
    budgets = uncertainty.budgets_of(result)
    if not budgets:
        reason = reason_of(result, "expanded_uncertainty")
        return [element("p", words.FRAGMENT["no_budget"].format(reason=reason))]
    return [
        uncertainty.budgets_table(budgets, numbered.table(), unit=unit, decimals=decimals),
        uncertainty.budget_notes(result.uncertainty_notes),
        *(element("p", sentence) for sentence in bias.bias_of_lot_sentences(result)),
        bias.bias_of_lot_table(result, numbered.table(), unit=unit, decimals=decimals)
        if result.bias_at_level
        else None,
    ]


def _corrections(result: LotResult, numbered: Numbered, unit: str) -> list[Html]:
    if not result.corrections:
        return []
    content = climate.corrections_content(result, numbered.table(), unit=unit)
    return [section("corrections", *content, heading=words_climate.SECTION["corrections"], wide=True)]


def _rule_facts(result: LotResult, working: LotResult) -> list[tuple[str, object]]:
    """Return by what the lot is judged, as facts."""
    fragment = words.FRAGMENT
    own = result.limits_unit
    judged = own is not None
    return [
        (fragment["specification"], None if result.specification is None else isolated(result.specification, 120)),
        (
            fragment["limits"],
            limits_in_words(result.lower_as_written, result.upper_as_written, unit_in_words(own or result.unit)),
        ),
        (
            fragment["limits_page"],
            limits_in_words(_short(working.lower), _short(working.upper), unit_in_words(working.unit))
            if judged and own != working.unit
            else None,
        ),
        (
            fragment["judged_by"],
            words.CONFORMS_BY.get(result.conforms_by or "", result.conforms_by) if judged else None,
        ),
        (
            fragment["rule"],
            words.DECISION_RULE.get(result.decision_rule or "", result.decision_rule) if judged else None,
        ),
        (fragment["rounding"], words.rounding(result.rounding) if judged else None),
        (fragment["models"], join(element("div", shorten(typeset(model), 400)) for model in result.temperature_models)),
    ]


def _short(limit: float | None) -> float | None:
    """Return a converted limit with six digits: more were never written down."""
    return None if finite(limit) is None else float(f"{limit:.6g}")


def _annex(
    page: LotPage,
    clock: Clock,
    numbered: Numbered,
    charts: dict[str, tuple[int, Html]],
    unit: str,
    decimals: int,
    there: str,
) -> Html:
    """Return the points behind the charts and the readings behind the points, or the way to the page that holds them."""
    if there:
        link = element(
            "a",
            words.FRAGMENT["annex_link"].format(readings=words.counted(page.result.readings, "reading")),
            href=there,
        )
        return section("annex", element("p", words.FRAGMENT["annex_there"], " ", link))
    found = annex_tables(
        page, clock, numbered, unit, decimals, {anchor: number for anchor, (number, _) in charts.items()}
    )
    folds = (folded(words.FRAGMENT[f"annex_{name}"], shown) for name, shown in found)
    return section("annex", *(folds if found else [element("p", words.FRAGMENT["none"])]), wide=True)
