"""The pages of readings entered by hand: which sheet, the sheet itself, and the look at it."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlencode

from pipeline.web.pages import acts, alarm, entry, facts, hidden, page
from pipeline.web.readings import FAR
from reports.kit.markup import Html, element
from reports.kit.scripts import ENTRY, data_block
from reports.words import general
from reports.words import web as words
from schemas.tables import TEMPERATURE_STATES, UNITS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.history.accounts import Account
    from pipeline.web.readings import Sheet

__all__ = ["choose_sheet_page", "look_at_sheet_page", "sheet_page"]

_OFFERED = 500


def _label(name: str, box: Html, *after: Html | None, at: str | None = None) -> Html:
    return element("div", element("label", words.FIELD[name], for_=f"f-{at or name}"), box, *after)


def _known(name: str, choices: Sequence[str], value: str, at: str) -> Html:
    """Return a field of a name, with those that are known to choose from."""
    box = element(
        "input",
        id=f"f-{at}",
        name=name,
        type="text",
        value=value,
        required=True,
        maxlength="60",
        autocomplete="off",
        list=f"l-{at}",
    )
    offered = (element("option", value=choice) for choice in choices[:_OFFERED])
    return _label(name, box, element("datalist", *offered, id=f"l-{at}"), at=at)


def _select(name: str, choices: Mapping[str, str], value: str, at: str | None = None) -> Html:
    options = (element("option", said, value=key, selected=key == value) for key, said in choices.items())
    return _label(name, element("select", *options, id=f"f-{at or name}", name=name), at=at)


def choose_sheet_page(
    account: Account, offered: Mapping[str, Sequence[str]], query: Mapping[str, str], problem: str | None
) -> str:
    """Return the page on which it is said what will be entered: a check on a block, or a lot."""
    units = {unit: general.UNIT.get(unit, unit) for unit in UNITS}

    def common(kind: str) -> list[Html]:
        return [
            _known("meter", offered["meter"], query.get("meter", ""), f"meter-{kind}"),
            _select("unit", units, query.get("unit", ""), f"unit-{kind}"),
        ]

    def count(name: str, value: str) -> Html:
        box = element(
            "input",
            id=f"f-{name}",
            name=name,
            type="text",
            inputmode="numeric",
            value=value,
            required=True,
            maxlength="3",
        )
        return _label(name, box)

    return page(
        words.PAGE["enter"], account, alarm(problem), element("h2", words.PAGE["enter_check"]),
        entry(
            "/enter/check", *common("check"), _known("block", offered["block"], query.get("block", ""), "block"),
            element("div", element("button", words.BUTTON["enter_check"], type="submit"), class_="acts first"), method="get",
        ),
        element("h2", words.PAGE["enter_lot"]),
        entry(
            "/enter/lot", *common("lot"), _known("lot", offered["lot"], query.get("lot", ""), "lot"),
            count("parts", query.get("parts", "5")), count("spots", query.get("spots", "3")),
            element("div", element("button", words.BUTTON["enter_lot"], type="submit"), class_="acts first"), method="get",
        ),
    )  # fmt: skip


def _what(sheet: Sheet) -> str:
    what = sheet.lot if sheet.block is None else sheet.block
    return words.TOLD["sheet"].format(what=what, meter=sheet.meter, unit=general.UNIT.get(sheet.unit, sheet.unit))


def sheet_page(
    kind: str, account: Account, sheet: Sheet, span: tuple[float | None, float | None], given: Mapping[str, str],
    sent: Mapping[str, str], problem: str | None, *, back: bool,
) -> str:  # fmt: skip
    """Return the sheet: a cell for each reading, in the order of reading."""

    def cell(name: str, said: str) -> Html:
        return element(
            "input", name=name, type="text", inputmode="decimal", value=sent.get(name, ""), maxlength="20", autocomplete="off",
            aria_label=said, data_cell=said,
        )  # fmt: skip

    if sheet.block is not None:
        cells = [
            element(
                "label", words.FIELD["reading_n"].format(n=spot), cell(name, words.FIELD["reading_n"].format(n=spot))
            )
            for name, _, spot in sheet.cells()
        ]
        grid = element("div", *cells, class_="cells")
    else:
        names = {(part, spot): name for name, part, spot in sheet.cells()}
        heads = [element("th", words.FIELD["part"], scope="col")]
        heads += [element("th", f"{words.FIELD['spot']} {spot}", scope="col") for spot in range(1, sheet.spots + 1)]
        rows = [
            element(
                "tr", element("th", part, scope="row"),
                *(
                    element("td", cell(names[part, spot], words.FIELD["cell"].format(part=part, spot=spot)))
                    for spot in range(1, sheet.spots + 1)
                ),
            )
            for part in range(1, sheet.parts + 1)
        ]  # fmt: skip
        table = element("table", element("thead", element("tr", *heads)), element("tbody", *rows), class_="cells")
        grid = element("div", table, class_="scroll", tabindex="0", role="region", aria_label=words.PAGE["enter_lot"])
    states = {state: general.TEMPERATURE_STATE.get(state, state) for state in TEMPERATURE_STATES}
    known = (f"{end:.5g}" if end is not None else "" for end in span)
    low, high = known
    limits = element("p", words.TOLD["block_span" if sheet.block else "lot_span"].format(low=low or "–", high=high or "–", unit=general.UNIT.get(sheet.unit, sheet.unit))) if low or high else None  # fmt: skip
    when = element("input", id="f-at", name="at", type="datetime-local", value=sent.get("at", ""), required=True)
    degrees = element(
        "input", id="f-temperature", name="temperature", type="text", inputmode="decimal", value=sent.get("temperature", ""),
        maxlength="10", autocomplete="off",
    )  # fmt: skip
    remark = element(
        "input",
        id="f-remark",
        name="remark",
        type="text",
        value=sent.get("remark", ""),
        maxlength="200",
        autocomplete="off",
    )
    told = {
        "key": f"{account.name} {kind} {urlencode(sheet.query())}", "lower": span[0], "upper": span[1], "far": FAR, "back": back,
        **words.ENTRY,
    }  # fmt: skip
    kept = element(
        "div", element("p", words.TOLD["kept"]), element("button", words.BUTTON["forget"], type="button", id="entry-forget"),
        id="entry-kept", hidden=True, class_="caution",
    )  # fmt: skip
    return page(
        words.PAGE["enter_check" if kind == "check" else "enter_lot"], account, element("p", _what(sheet), class_="what"),
        alarm(problem), limits, kept,
        entry(
            f"/enter/{kind}", *hidden({**given, **sheet.query()}), grid,
            element("div", id="entry-said", class_="said", role="status", aria_live="polite"),
            _label("at", when), _label("temperature_metal", degrees, at="temperature"),
            _select("temperature_state", states, sent.get("temperature_state", "")), _label("remark", remark),
            acts(("look", "look")), id_="entry-form",
        ),
        scripts=[(ENTRY, data_block(told, "entry-words"))],
    )  # fmt: skip


def look_at_sheet_page(
    kind: str, account: Account, sheet: Sheet, given: Mapping[str, str], sent: Mapping[str, str],
    readings: Sequence[tuple[int, int, float]], rest: Mapping[str, str], far: Sequence[str],
) -> str:  # fmt: skip
    """Return what was entered, what is far off, and what will become of it."""
    values = [value for _, _, value in readings]
    mean = sum(values) / len(values)
    s = (sum((value - mean) ** 2 for value in values) / (len(values) - 1)) ** 0.5 if len(values) > 1 else None
    carried = {name: sent.get(name, "") for name, _, _ in sheet.cells()}
    carried |= {name: sent.get(name, "") for name in ("at", "temperature", "temperature_state", "remark")}
    carried = {**given, **sheet.query(), **carried}
    rows = [
        (words.FIELD["readings_entered"], f"{len(values)} / {sheet.parts * sheet.spots}"), (words.FIELD["mean"], f"{mean:.5g}"),
        (words.FIELD["standard_deviation"], "–" if s is None else f"{s:.2g}"), (words.FIELD["at"], f"{rest['date']} {rest['time']}"),
        (words.FIELD["temperature_metal"], rest["temperature"] or "–"),
        (words.FIELD["temperature_state"], general.TEMPERATURE_STATE.get(rest["state"], rest["state"])),
    ]  # fmt: skip
    asked = (
        element(
            "div", element("h2", words.PAGE["far"]), *(element("p", line) for line in far), class_="alarm", role="alert"
        )
        if far
        else None
    )
    return page(
        words.PAGE["look"], account, element("p", _what(sheet), class_="what"), asked, facts(rows),
        element("p", words.TOLD["will_save"].format(name=account.name)),
        entry(f"/enter/{kind}", *hidden(carried), acts(("save", "save"))),
        entry(f"/enter/{kind}", *hidden(carried), acts(("change", "change"), first=False)),
    )  # fmt: skip
