"""The pages of a file that is handed in: what to choose, and what became of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from pipeline.web.pages import acts, alarm, entry, facts, hidden, page
from reports.kit.links import Site, here_is
from reports.kit.markup import Html, element, isolated, join
from reports.kit.scripts import ENTRY, data_block
from reports.words import general
from reports.words import web as words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import polars as pl

    from pipeline.history.accounts import Account
    from pipeline.intake.suggest import Suggestion
    from pipeline.load.report import FileReport, LoadReport

__all__ = ["METROLOGY", "bring_page", "brought_page", "preview"]

METROLOGY = frozenset({"metrologist", "supervisor"})
"""Who decides on what a meter or a file is."""

_SHOWN = 200


def bring_page(account: Account, form_token: str, folders: Sequence[str], problem: str | None) -> str:
    """Return the page on which a file is chosen, or dropped."""
    box = element("input", id="f-file", name="file", type="file", required=True, aria_describedby="h-file")
    where = None
    if folders:
        options = (element("option", name or "/", value=name) for name in ("", *folders))
        where = element(
            "div",
            element("label", words.FIELD["folder"], for_="f-folder"),
            element("select", *options, id="f-folder", name="folder"),
        )
    return page(
        words.PAGE["bring"], account, alarm(problem),
        entry(
            "/bring", *hidden({"form": form_token}),
            element("div", element("label", words.FIELD["export"], for_="f-file"), element("small", words.HINT["export"], id="h-file"), box),
            where, acts(("bring", "bring")), enctype="multipart/form-data",
        ),
    )  # fmt: skip


def brought_page(
    account: Account,
    file: FileReport,
    report: LoadReport,
    refused: pl.DataFrame | None,
    proposed: Suggestion | None,
    sent_as: str | None = None,
) -> str:
    """Return what became of a file: each line's fate, lots and meters, what changed, what to do.

    `sent_as` is the number under which readings were entered by hand, which the browser need not keep any longer.
    """
    fates = [(words.FATE.get(fate, fate), count) for fate, count in file.fates.items() if count]
    with here_is(Site(alone=True)):
        touched = [
            *((lot, general.VERDICT.get(verdict, verdict)) for lot, verdict in report.lots.items()),
            *((meter, general.STATE.get(state, state)) for meter, state in report.meters.items()),
        ]
    return page(
        words.PAGE["brought"], account, element("p", isolated(file.name, 200), class_="what"),
        element("p", element("b", file.sentence), role="status"),
        *(element("p", line) for line in (*file.details, *file.warnings)),
        _part("fates", facts([*fates, (words.FIELD["readings"], file.readings)])) if fates else None,
        _part("touched", facts([(isolated(name), word) for name, word in touched])) if touched else None,
        _part("changed", element("ul", *(element("li", change.sentence) for change in report.changes))) if report.changes else None,
        _part("refused_lines", _refused(refused)) if refused is not None and refused.height else None,
        *(_suggestion(proposed, _complete(account, file)) if proposed is not None else ()),
        element("p", words.TOLD["pages_follow"]), element("p", element("a", words.PAGE["bring"], href="/bring")),
        element("p", element("a", words.PAGE["enter"], href="/enter")),
        scripts=[(ENTRY, data_block({"sent": sent_as}, "entry-words"))] if sent_as else (),
    )  # fmt: skip


def _complete(account: Account, file: FileReport) -> str | None:
    """Return where the layout of a file is completed, for whoever may."""
    return f"/decide/layout?{urlencode({'file': file.name})}" if account.role in METROLOGY else None


def _part(name: str, content: Html) -> Html:
    return join([element("h2", words.PAGE[name]), content])


def _table(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> Html:
    head = element("thead", element("tr", *(element("th", name, scope="col") for name in heads)))
    body = element("tbody", *(element("tr", *(element("td", cell) for cell in row)) for row in rows))
    return element(
        "div", element("table", head, body), class_="scroll", tabindex="0", role="region", aria_label=heads[0]
    )


def _refused(rows: pl.DataFrame) -> Html:
    heads = [words.FIELD[name] for name in ("line", "reason", "sentence", "original")]
    shown = rows.sort("line").head(_SHOWN).select("line", "reason", "sentence", "original").iter_rows()
    more = element("p", words.TOLD["more_lines"].format(count=rows.height - _SHOWN)) if rows.height > _SHOWN else None
    return join([_table(heads, shown), more])


def preview(found: Suggestion) -> list[Html]:
    """Return what a layout gives: the first readings, and its whole text."""
    rows: list[dict[str, Any]] = [
        {key: str(value) for key, value in row.items() if value is not None} for row in found.preview.head(5).to_dicts()
    ]
    names = list(dict.fromkeys(key for row in rows for key in row))
    return [
        _table(names, [[row.get(name, "") for name in names] for row in rows]) if names else Html(""),
        element("details", element("summary", words.PAGE["layout_text"]), element("pre", found.layout_text)),
    ]


def _suggestion(found: Suggestion, decide: str | None) -> list[Html]:
    """Return the layout proposed: what is open, where it is completed by whoever may, and what it gives."""
    asked = []
    for question in found.questions:
        choices = f" ({' | '.join(question.choices)})" if question.choices else ""
        asked.append(element("li", element("b", question.key), f": {question.text}{choices}"))
    return [
        element("h2", words.PAGE["layout"]), element("p", words.TOLD["layout"]),
        element("p", element("a", words.FORM["layout"], href=decide)) if decide else Html(""),
        element("ul", *asked) if asked else Html(""), *preview(found),
    ]  # fmt: skip
