"""The block page: may it be trusted, since when, what every meter says of it, and what moved."""

from __future__ import annotations

from math import exp
from typing import TYPE_CHECKING, Any

from reports.block.chart import bias_chart
from reports.kit.address import address
from reports.kit.charts import figure, svg
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten, text
from reports.kit.numbers import Clock, as_written, compact, decimals_for, fixed, significant
from reports.kit.page import Masthead, document, p_in_words, p_told, passed, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.tables import Heading, Numbered, best_order, capped, caption, table
from reports.sections.comparisons import comparison_table
from reports.sections.meter_differences import differences_table
from reports.words import block as say
from reports.words import general as words
from schemas.blocks import BlockPage

if TYPE_CHECKING:
    from schemas.blocks import BlockCertificate, BlockResult, FoundMovement

__all__ = ["REPORT", "render"]

_C = say.COLUMN
_MOST_ROWS = 400


def render(page: BlockPage) -> str:
    """Render the page of a reference block.

    Parameters
    ----------
    page
        The block with its checks.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here = address("block", result.block)
    unit = unit_in_words(result.unit)
    none = element("p", say.FRAGMENT["none"])
    word = say.STATE[result.state]
    body = [
        verdict(result.state, word, result.reasons, _steps(result)),
        section("points", element("ul", join(element("li", point) for point in _points(result, clock, unit)))),
    ]
    number = numbered.figure()
    drawn = bias_chart(page, clock, unit)
    if drawn is None:
        body.append(section("charts", element("p", say.FIGURE["none"])))
        numbered.figures -= 1
    else:
        plot, key = drawn
        chart = figure(number, "bias", svg(plot, say.FIGURE["bias"]), say.FIGURE["bias"], key, table="checks")
        body.append(section("charts", chart, wide=True))
    certificates = _certificates(result, numbered.table(), clock, unit) if result.certificates else none
    body.append(section("certificates", certificates, heading=say.SECTION["certificates"], wide=True))
    meters = _meters(result, here, numbered.table(), clock, unit) if result.meters else none
    body.append(section("meters", meters, heading=say.SECTION["meters"], wide=True))
    if result.differences:
        shown = differences_table(result.differences, numbered.table(), say.TABLE["differences"], unit=unit)
        together = result.comparison
        rest = [] if together is None else [comparison_table([together], here, numbered.table(), unit=unit)]
        body.append(section("agreement", shown, *rest, heading=say.SECTION["agreement"], wide=True))
    moved = (
        _movements(result, here, numbered.table(), clock, unit)
        if result.movements
        else element("p", say.FRAGMENT["no_movement"])
    )
    body.append(section("movements", moved, heading=say.SECTION["movements"], wide=True))
    if page.checks.height:
        body.append(section("checks", _checks(page, here, numbered.table(), clock, unit), wide=True))
    what = "" if result.material is None else say.FRAGMENT["material"].format(name=shorten(result.material, 60))
    head = Masthead(
        kind=say.FRAGMENT["title"],
        name=result.block,
        heading=isolated(result.block, 80),
        what=what,
        title=f"{word}: {shorten(result.block, 60)}",
    )
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="block", page=BlockPage, render=render)


def _steps(result: BlockResult) -> list[str]:
    steps = [say.STEP[result.state]]
    if result.state == "moved":
        steps.append(say.STEP["events"])
    apart = [
        say.FRAGMENT["pair"].format(first=shorten(one.first, 40), second=shorten(one.second, 40))
        for one in result.differences
        if one.e_n is not None and abs(one.e_n) > 1
    ]
    if apart:
        steps.append(say.STEP["meters"].format(pairs=words.listed(apart)))
    return steps


def _points(result: BlockResult, clock: Clock, unit: str) -> list[str]:
    point = say.POINT
    found: list[str] = []
    for one in result.certificates[-1:]:
        if one.certified_value is None:
            continue
        written = _as_certified(one)
        found.append(
            point["certificate"].format(
                certificate=shorten(one.certificate or words.FRAGMENT["not_stated"], 60), value=as_written(one.value_as_written),
                unit=unit_in_words(one.unit_as_written or ""), u=compact(written, 3) or words.FRAGMENT["not_stated"],
                k=compact(one.coverage_factor, 3) or words.FRAGMENT["not_stated"], due=clock.day(one.due_on) or point["no_due"],
            )
        )  # fmt: skip
    for one in result.certificates[1:]:
        if one.step is not None:
            e_n = "" if one.step_e_n is None else point["e_n"].format(value=fixed(one.step_e_n, 2, sign=True))
            step = fixed(one.step, decimals_for(one.expanded_uncertainty, one.step), sign=True)
            found.append(point["step"].format(day=clock.day(one.holds_from), step=step, unit=unit, e_n=e_n))
    biases = [one.bias for one in result.meters if one.bias is not None]
    if biases:
        spread = max((one.standard_deviation or 0.0 for one in result.meters), default=0.0)
        decimals = decimals_for(spread or None, max(map(abs, biases)))
        name = "meters" if len(biases) > 1 else "one_meter"
        found.append(
            point[name].format(
                n=len(biases), low=fixed(min(biases), decimals, sign=True), high=fixed(max(biases), decimals, sign=True), unit=unit
            )
        )  # fmt: skip
    if result.neighbours:
        found.append(
            point["neighbours"].format(
                names=words.listed([shorten(n, 40) for n in result.neighbours]), visits=result.visits
            )
        )
    else:
        found.append(point["alone"])
    found += [_moved(one, clock, unit) for one in result.movements if one.kind == "block" and one.name == result.block]
    return found


def _as_certified(one: BlockCertificate) -> float | None:
    """Return the expanded uncertainty in the unit of the certificate."""
    if one.expanded_uncertainty is None or not one.certified_value or not one.value_as_written:
        return one.expanded_uncertainty
    # the uncertainty as a part of the value is the same in every unit, to first order
    return one.expanded_uncertainty * abs(one.value_as_written / one.certified_value)


def _times(one: FoundMovement) -> str:
    """Return how many times likelier, at most a million."""
    if one.log_likelihood_ratio is None:
        return ""
    return "> 1 000 000" if one.log_likelihood_ratio > 13.8 else significant(exp(one.log_likelihood_ratio), 2)


def _named(kind: str, name: str) -> str:
    return say.KIND[kind].format(name=shorten(name, 40))


def _moved(one: FoundMovement, clock: Clock, unit: str) -> str:
    point = say.POINT
    decimals = decimals_for(one.standard_error, one.size)
    rival = point["ratio_none"]
    if one.rival is not None and one.rival_kind is not None and one.log_likelihood_ratio is not None:
        rival = point["ratio"].format(times=_times(one), rival=_named(one.rival_kind, one.rival))
    who = _named(one.kind, one.name)
    return point["moved"].format(
        who=who[0].upper() + who[1:], size=fixed(one.size, decimals, sign=True), error=fixed(one.standard_error, decimals),
        unit=unit, shape=say.SHAPE[one.shape], day=clock.day(one.at), df=one.degrees_of_freedom, f=significant(one.f_ratio, 3),
        p=p_told(one.p_value), ratio=rival,
    )  # fmt: skip


def _certificates(result: BlockResult, number: int, clock: Clock, unit: str) -> Html:
    columns = [
        Heading(_C["certificate"]), Heading(_C["from"], kind="t"), Heading(_C["certified_on"], kind="t"), Heading(_C["due"], kind="t"),
        Heading(_C["value"], kind="n"), Heading(_C["u"], kind="n"), Heading(_C["k"], kind="n"), Heading(_C["step"], unit, "n"),
        Heading(_C["e_n"], kind="n"), Heading(_C["checks"], kind="n"), Heading(_C["late"], kind="n"),
    ]  # fmt: skip
    digital = any(one.certificate_file for one in result.certificates)
    if digital:
        columns.append(Heading(_C["file"]))
    rows: list[tuple[Any, ...]] = []
    for one in result.certificates:
        step = (
            None if one.step is None else fixed(one.step, decimals_for(one.expanded_uncertainty, one.step), sign=True)
        )
        written = _as_certified(one)
        value = f"{as_written(one.value_as_written)} {unit_in_words(one.unit_as_written or '')}".strip()
        rows.append(
            (
                isolated(one.certificate or words.FRAGMENT["not_stated"]), clock.day(one.holds_from) or say.FRAGMENT["first"],
                clock.day(one.certified_on), clock.day(one.due_on), value, compact(written, 3), compact(one.coverage_factor, 3), step,
                fixed(one.step_e_n, 2, sign=True), one.checks, toned("overdue", str(one.checks_after_due)) if one.checks_after_due else 0,
                *(((one.certificate_file or "")[:16] or None,) if digital else ()),
            )
        )  # fmt: skip
    marked = [bool(one.checks_after_due) for one in result.certificates]
    return table(number, "certificates", say.TABLE["certificates"], columns, rows, marked=marked)


def _meters(result: BlockResult, here: str, number: int, clock: Clock, unit: str) -> Html:
    columns = [
        Heading(words.COLUMN["meter"]), Heading(_C["since"], clock.zone, "t"), Heading(_C["checks"], kind="n"), Heading(words.COLUMN["mean"], unit, "n"),
        Heading(words.COLUMN["bias"], unit, "n"), Heading(words.COLUMN["last_bias"], unit, "n"), Heading(_C["s"], unit, "n"), Heading(_C["claim"], unit, "n"),
    ]  # fmt: skip
    rows = []
    for one in result.meters:
        decimals = decimals_for(one.standard_deviation, one.mean)
        rows.append(
            (
                linked(here, "meter", one.meter), clock.minute(one.since), one.checks, fixed(one.mean, decimals),
                fixed(one.bias, decimals, sign=True), fixed(one.last_bias, decimals, sign=True), significant(one.standard_deviation, 2),
                significant(one.accuracy, 2),
            )
        )  # fmt: skip
    return table(number, "meters", say.TABLE["meters"], columns, rows)


def _movements(result: BlockResult, here: str, number: int, clock: Clock, unit: str) -> Html:
    columns = [
        Heading(_C["who"]), Heading(_C["from_day"], clock.zone, "t"), Heading(_C["size"], unit, "n"), Heading(_C["error"], unit, "n"),
        Heading(words.COLUMN["kind"]), Heading(_C["f"], kind="n"), Heading(_C["p"], kind="n"), Heading(_C["rival"]), Heading(_C["times"], kind="n"),
        Heading(_C["decided"], kind="t"),
    ]  # fmt: skip
    rows = []
    for one in result.movements:
        decimals = decimals_for(one.standard_error, one.size)
        rival = "" if one.rival is None or one.rival_kind is None else _named(one.rival_kind, one.rival)
        who = _named(one.kind, one.name)
        told = toned("closed", say.FRAGMENT["yes"]) if one.certain else toned("open", say.FRAGMENT["no"])
        rows.append(
            (
                text(who) if one.name == result.block else linked(here, one.kind, one.name, who), clock.minute(one.at), fixed(one.size, decimals, sign=True),
                fixed(one.standard_error, decimals), say.SHAPE[one.shape], f"{significant(one.f_ratio, 3)} ({one.degrees_of_freedom})",
                p_in_words(one.p_value), rival, _times(one), told,
            )
        )  # fmt: skip
    marked = [one.kind == "block" and one.name == result.block for one in result.movements]
    return table(number, "movements", say.TABLE["movements"], columns, rows, marked=marked)


def _checks(page: BlockPage, here: str, number: int, clock: Clock, unit: str) -> Html:
    ordered = best_order(page.checks, ("meter", "at"))
    flagged = [value is False for value in ordered["passes"].to_list()]
    frame, flags, note = capped(ordered, flagged, _MOST_ROWS)
    spread = max((one.standard_deviation or 0.0 for one in page.result.meters), default=0.0)
    decimals = decimals_for(spread or None, ordered["mean"][0])
    columns = [
        Heading(words.COLUMN["meter"]), Heading(words.COLUMN["at"], clock.zone, "t"), Heading(words.COLUMN["mean"], unit, "n"),
        Heading(words.COLUMN["bias"], unit, "n"), Heading(words.COLUMN["tolerance"], unit, "n"), Heading(words.COLUMN["result"], kind="t"),
        Heading(_C["certificate"]),
    ]  # fmt: skip
    rows = [
        (
            linked(here, "meter", row["meter"]), clock.second(row["at"]), fixed(row["mean"], decimals), fixed(row["bias"], decimals, sign=True),
            "" if row["tolerance"] is None else f"±{compact(row['tolerance'], 6)}", passed(row["passes"]),
            None if row["certificate"] is None else shorten(row["certificate"], 40),
        )
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    said = caption(say.TABLE["checks"], note, figures=[(1, "bias")] if ordered["bias"].count() else ())
    return table(number, "checks", said, columns, rows, marked=flags)
