"""The first sheet of the monthly review, to be signed: what is open, the last months, bias by name, what is due."""

from __future__ import annotations

from itertools import accumulate
from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.markup import Html, element, isolated, join, shorten, text
from reports.kit.numbers import Clock, decimals_for, finite, fixed, percent, typeset
from reports.kit.page import link, section, stamped, unit_in_words
from reports.kit.states import toned
from reports.kit.tables import Heading, Numbered, caption, table
from reports.sections.small import STYLE as SMALL
from reports.sections.small import interval_bar, small_line
from reports.words import general as words
from reports.words.review import COLUMN, MONTHS, SECTION, TABLE, TEXT

if TYPE_CHECKING:
    from schemas.review import ReviewAction, ReviewBlock, ReviewResult

__all__ = ["STYLE", "actions_list", "bias_in_words", "first_open", "front", "named", "on_block"]

_LINES, _LINE = 13, 100
"""So many lines of open points, of so many characters, leave room for the signatures on a sheet of Letter."""
_MOST_BIAS = 7
_MOST_DUE = 4

STYLE = (
    SMALL
    + ".sign{display:grid;grid-template-columns:1fr 1fr;gap:2rem;margin-top:2.8rem}.sign p{border-top:1px solid var(--ink);margin:0;padding-top:.2rem}"
    + "#table-months table,#table-front-bias table{width:100%}#table-months td:last-child{font-weight:600}.annex{margin:2.2rem 0 .6rem;padding-top:.5rem;border-top:1px solid var(--ink)}"
    + "@media (max-width:40rem){.sign{grid-template-columns:1fr;gap:2.6rem}}"
    + "@media print{.part:not(.wide){display:grid}.part td,.part tbody th{padding-top:.14rem;padding-bottom:.14rem}"
    + "tbody tr:first-child{break-before:avoid}.why ol{font-size:1rem}.why li>a{display:none}.why li{margin:.05rem 0}.annex{margin-top:0;border:0}"
    + ".annex{break-before:page}details.annexed:not([open]){display:block}details.annexed::details-content{content-visibility:visible;display:block}"
    + ".small{height:1.3em;width:auto}.sign{margin-top:1.9rem}}"
)


def front(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> list[Html]:
    """Return the parts of the first sheet."""
    return [
        _open(result, here),
        section("months", _months(result, numbered), element("p", " ".join(_counts(result))), heading=SECTION["months"]),
        section("front_bias", _bias(result, numbered, here), heading=SECTION["front_bias"]),
        section("due", _due(result), heading=SECTION["due"]),
        section("signing", *_signing(result, clock), heading=SECTION["signing"]),
    ]  # fmt: skip


_KINDS_WITH_PAGE = ("meter", "lot", "event", "block")


def named(here: str, kind: str, identifier: str, shown: str = "") -> Html:
    """Return an id, or what is shown instead, as a link where it has a page."""
    shown = shown or identifier
    return link(here, address(kind, identifier), shown) if kind in _KINDS_WITH_PAGE else isolated(shown)


def first_open(actions: tuple[ReviewAction, ...]) -> int:
    """Return how many open points stand on the first sheet, the first one in any case."""
    lines = list(accumulate(1 + min(len(action.sentence), _SAID) // _LINE for action in actions))
    return max(sum(total <= _LINES for total in lines), min(len(actions), 1))


_SAID = 300


def actions_list(actions: tuple[ReviewAction, ...], here: str, start: int = 1) -> Html:
    """Return open points, each with a link to what it is about."""

    def item(action: ReviewAction) -> Html:
        to = named(here, action.kind, action.identifier, action.shown) if action.kind in _KINDS_WITH_PAGE else None
        return element("li", shorten(typeset(action.sentence), _SAID), " " if to else None, to)

    return element("ol", join(map(item, actions)), start=start if start > 1 else None)


def _open(result: ReviewResult, here: str) -> Html:
    """Return the panel that says what is open."""
    count, shown = len(result.actions), result.actions[: first_open(result.actions)]
    return stamped(
        "hold" if count else "accept",
        TEXT["open"].format(n=count) if count else TEXT["nothing_open"],
        element("p", TEXT["not_over"]) if not result.over else None,
        element("h2", SECTION["open"]),
        actions_list(shown, here) if count else element("p", TEXT["nothing_to_do"]),
        element("p", TEXT["more_open"].format(n=count - len(shown))) if count > len(shown) else None,
        element("p", TEXT["close"]) if count else None,
    )


def _counts(result: ReviewResult) -> list[str]:
    said = [
        TEXT["lots"].format(**result.lots),
        TEXT["checks"].format(
            checks=words.counted(sum(m.checks for m in result.meters), "check"),
            runs=words.counted(sum(m.runs for m in result.meters), "run"),
            failed=sum(m.failed_runs for m in result.meters),
            events=words.counted(len(result.events), "event"),
            open=sum(event.state == "open" for event in result.events),
        ),
    ]
    if missed := {lot for meter in result.meters for lot in meter.missed}:
        said.append(TEXT["missed"].format(lots=words.counted(len(missed), "lot")))
    return said


def _months(result: ReviewResult, numbered: Numbered) -> Html:
    columns = [
        Heading(COLUMN["what"]),
        Heading(COLUMN["months"]),
        *(Heading(month.month, kind="n") for month in result.months),
    ]
    rows = []
    for name, said in MONTHS.items():
        values = [getattr(month, name) for month in result.months]
        rows.append((said, small_line(values), *values))
    return table(numbered.table(), "months", TABLE["months"], columns, rows)


def on_block(block: ReviewBlock, blocks: tuple[ReviewBlock, ...]) -> Html:
    """Return the name of a block, with probe and frequency where the meter checked it with several."""
    name = shorten(block.block, 40)
    if sum((one.meter, one.block) == (block.meter, block.block) for one in blocks) == 1:
        return isolated(name)
    stated = [words.FRAGMENT["not_stated"] if part is None else part for part in (block.probe, block.frequency_khz)]
    return text(words.FRAGMENT["series"].format(block=name, probe=shorten(str(stated[0]), 40), frequency=stated[1]))


def bias_in_words(block: ReviewBlock) -> str:
    """Return the mean bias with its interval, or why it has none."""
    bias, interval = finite(block.bias), block.bias_interval
    if bias is None:
        return ""
    if interval is None:
        decimals = decimals_for(block.standard_deviation, block.tolerance)
        checks = words.counted(block.checks, "check")
        return f"{fixed(bias, decimals, sign=True)} ({TEXT['few_checks'].format(checks=checks)})"
    decimals = decimals_for((interval[1] - interval[0]) / 2, block.tolerance)
    low, high = (fixed(end, decimals, sign=True) for end in interval)
    return f"{fixed(bias, decimals, sign=True)} ({words.FRAGMENT['span'].format(low=low, high=high)})"


def _bias(result: ReviewResult, numbered: Numbered, here: str) -> Html:
    """Return the means of the month against the tolerance, those that come nearest to it first."""
    known: list[tuple[ReviewBlock, float, tuple[float, float] | None]] = []
    for block in result.blocks:
        bias, tolerance, ends = finite(block.bias), block.tolerance, block.bias_interval
        if bias is not None and tolerance:
            known.append((block, bias / tolerance, ends and (ends[0] / tolerance, ends[1] / tolerance)))
    if not known:
        return element("p", TEXT["none"])
    known.sort(key=lambda item: max(map(abs, (item[1], *(item[2] or ())))), reverse=True)
    shown = known[:_MOST_BIAS]
    reach = max(1.1, *(abs(end) for _, share, ends in shown for end in (share, *(ends or ()))))
    columns = [
        Heading(COLUMN["meter"]), Heading(COLUMN["block"]), Heading(COLUMN["against"]), Heading(COLUMN["share"], "%", "n"),
        Heading(COLUMN["bias"], unit_in_words(result.unit), "t"),
    ]  # fmt: skip
    rows = [
        (
            named(here, "meter", block.meter), on_block(block, result.blocks), interval_bar(share, ends, reach),
            percent(abs(share)), bias_in_words(block),
        )
        for block, share, ends in shown
    ]  # fmt: skip
    more = TEXT["bias_shown"].format(shown=len(shown), total=len(known)) if len(known) > len(shown) else ""
    marked = [abs(share) > 1 or block.failed > 0 for block, share, _ in shown]
    return table(
        numbered.table(), "front-bias", caption(TABLE["front_bias"], more), columns, rows, marked=marked, row_heads=2
    )


def _due(result: ReviewResult) -> Html:
    if not result.due:
        return element("p", TEXT["no_due"])
    items = [
        element(
            "li",
            f"{one.due_on.isoformat()} · {TEXT[f'due_kind_{one.kind}']} ",
            isolated(one.identifier),
            None if one.certificate is None else join([", ", isolated(one.certificate)]),
            join([" ", toned("overdue", TEXT["overdue"])]) if one.overdue else None,
        )
        for one in result.due[:_MOST_DUE]
    ]
    if len(result.due) > len(items):
        items.append(element("li", TEXT["more_due"].format(n=len(result.due) - _MOST_DUE)))
    return element("ul", *items)


def _signing(result: ReviewResult, clock: Clock) -> list[Html]:
    """Return the head of the chain and room for two signatures."""
    chain, said = result.chain, [element("p", TEXT["no_chain"])]
    if chain.sequence:
        head = TEXT["chain"].format(sequence=chain.sequence, at=clock.second(chain.at), zone=clock.zone)
        said = [element("p", head, ": ", element("code", chain.head)), element("p", TEXT["head"])]
    places = (element("p", TEXT["sign"].format(who=TEXT[who])) for who in ("held_by", "agreed_by"))
    return [*said, element("div", *places, class_="sign")]
