"""The shell of every page: head with its policy, masthead, verdict, sections, cautions, provenance.

A page is one file without script, style attribute or outside address. Its content-security policy allows nothing but
the two style sheets written here, by their hashes, so that markup slipped in through a file could do nothing.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.kit.address import BOOK, INDEX, PARENT, address, kind_of
from reports.kit.explained import flag_explained, section_methods
from reports.kit.links import exists, linked_to
from reports.kit.markup import Html, element, isolated, join, shorten, text, visible
from reports.kit.numbers import Clock, finite, significant, typeset
from reports.kit.scripts import BOARD_CLOCK, CHARTS, INDEX_FILTER, data_block
from reports.kit.shell import whole
from reports.kit.states import TONES, glyph, shapes, toned
from reports.kit.style import STYLE, running_foot
from reports.kit.tables import Heading, best_order, capped, caption, facts, table
from reports.words import general as words
from reports.words import handbook as book_words
from reports.words import scripts as words_scripts
from schemas.digits import LEAST_PROBABILITY
from schemas.handbook import Edition
from schemas.page import Provenance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.tables import Numbered
    from schemas.results import LotResult

__all__ = [
    "LOOK",
    "Masthead",
    "behind",
    "document",
    "flags_list",
    "folded",
    "layout_in_words",
    "link",
    "passed",
    "section",
    "shown_state",
    "stamped",
    "unit_in_words",
    "verdict",
    "verdict_in_words",
]

MOST_FILES = 200
_FEW_FILES = 6

LOOK = hashlib.sha256("".join((STYLE, CHARTS, INDEX_FILTER, BOARD_CLOCK)).encode()).hexdigest()[:12]
"""Of style sheet and scripts: a page of another look is written again even where its data is the same."""


def flags_list(flags: Sequence[str]) -> Html:
    """Return flags: the code as a few words, then the sentence."""
    if not flags:
        return element("p", words.FRAGMENT["no_flags"])
    items = []
    for flag in flags:
        code, colon, sentence = flag.partition(": ")
        name = code.replace("_", " ").capitalize() if colon else ""
        items.append(
            element(
                "li",
                element("b", flag_explained(code, name), ": ") if name else None,
                shorten(typeset(sentence or code), 600),
            )
        )
    return element("ul", *items)


def shown_state(result: LotResult) -> str:
    """Return in which state a lot is shown: one that is accepted with a condition is no plain accept."""
    return "conditional" if result.conditions else result.verdict


def verdict_in_words(result: LotResult) -> str:
    """Return the verdict of a lot, with what comes first where it is accepted with a condition."""
    if result.conditions:
        return words.FIRST[result.conditions[0]]
    return words.VERDICT.get(result.verdict, result.verdict)


def passed(value: bool | None) -> object:
    """Return the word for the result of a check, with its shape where it failed."""
    return toned("failed", words.PASSES[False]) if value is False else words.PASSES[value]


def p_in_words(p: float | None) -> str:
    """Return a p value as it is read: two digits, or as below the smallest that is worth telling."""
    value = finite(p)
    if value is None:
        return ""
    return words.FRAGMENT["least_p"] if value < LEAST_PROBABILITY else significant(value, 2)


def p_told(p: float | None) -> str:
    """Return a p value as it stands in a sentence."""
    value = finite(p)
    return words.FRAGMENT["p_least" if value is not None and value < LEAST_PROBABILITY else "p_is"].format(
        p=p_in_words(p)
    )


def unit_in_words(unit: str) -> str:
    """Return a unit as it is printed."""
    return words.UNIT.get(unit, unit)


def link(here: str, there: str, name: object, length: int = 60) -> Html:
    """Return a link to another page of the folder, named by an id; text alone where there is no such page."""
    return linked_to(here, there, isolated(name, length))


def section(name: str, *content: object, heading: str | None = None, wide: bool = False) -> Html:
    """Return one section; its heading stands in the margin. A wide one takes the margin as well when printed."""
    head = element("h2", heading or words.SECTION[name], id=name)
    kind = "part wide" if wide else "part"
    return element("section", head, element("div", *content), section_methods(name), class_=kind, aria_labelledby=name)


def folded(summary: object, *content: object, anchor: str | None = None) -> Html:
    """Return what stands behind a disclosure: it opens without a script, and is not printed while it is closed."""
    return element("details", element("summary", summary), *content, id=anchor)


def behind(part: Html, told: str = "", kind: str | None = None) -> Html:
    """Return a section behind a disclosure named as its heading; a link to it opens it.

    Parameters
    ----------
    part
        From :func:`section`.
    told
        What a reader learns without opening it.
    kind
        Class of the disclosure; our own word.
    """
    found = _SECTION_HEAD.search(part)
    heading = Html(found[2]) if found else text("")
    return element(
        "details", element("summary", heading, element("small", f" {told}") if told else None), part, class_=kind
    )


def verdict(state: str, word: str, reasons: Sequence[str], steps: Sequence[str], since: Html | None = None) -> Html:
    """Return the verdict in words and shape, why, what came to light since, and what to do next."""
    return stamped(
        state,
        word,
        element("h2", words.SECTION["why"]),
        join(element("p", shorten(typeset(reason), 600)) for reason in reasons if reason.strip())
        or element("p", words.FRAGMENT["no_reason"]),
        since,
        element("h2", words.SECTION["next"]),
        element("ol", join(element("li", *_stressed(step)) for step in steps)),
    )


def stamped(state: str, word: str, *content: object) -> Html:
    """Return the panel at the top of a page: a state in word and shape, and what is said beside it."""
    stamp = element("div", glyph(state), element("p", word, class_="word"), class_="stamp")
    return element("div", stamp, element("div", *content, class_="why"), class_=f"verdict t-{TONES.get(state, 'none')}")


def _stressed(step: str) -> tuple[Html, str]:
    """Split a step so that its first sentence can be read at a glance."""
    first, stop, rest = step.partition(". ")
    return element("b", first + (stop and ".")), f" {rest}" if rest else ""


@dataclass(frozen=True)
class Masthead:
    """What stands above the verdict.

    Parameters
    ----------
    kind
        Kind of page in words.
    name
        Id of the lot or meter; None on the index.
    heading
        The one heading of the first order.
    what
        A line that says what it is.
    title
        Title of the window.
    home
        What the index is called, if not as that of a workspace.
    """

    kind: str
    name: str | None
    heading: object
    what: object
    title: str
    home: str = ""


def document(
    head: Masthead,
    here: str,
    provenance: Provenance | Edition,
    numbered: Numbered,
    body: Sequence[object],
    details: Sequence[tuple[str, object]] = (),
    *,
    style: str = "",
    refresh_s: int | None = None,
    board: dict[str, object] | None = None,
) -> str:
    """Return a whole page.

    Parameters
    ----------
    head
        Masthead.
    here
        Address of the page, relative to the folder of the index.
    provenance
        For the footer.
    numbered
        Counter of the page's tables.
    body
        Verdict and sections.
    details
        More facts for the footer: specification, decision rule.
    style
        Rules of its own, after those of every page.
    refresh_s
        After how many seconds a browser fetches the page again; None for never.
    board
        What the clock of the board is told; None for a page without one.

    Returns
    -------
    str
    """
    book = linked_to(here, BOOK, text(book_words.FRAGMENT["book"])) if exists(BOOK) else None
    masthead = element(
        "header",
        element("p", head.kind, class_="kind"),
        element("p", shorten(provenance.workspace or words.FRAGMENT["unnamed"], 80)),
        element("p", _state_of(provenance)) if isinstance(provenance, Provenance) else None,
        element("p", book) if book is not None and kind_of(here) != "handbook" else None,
        class_="masthead",
    )
    body = list(body)
    body.insert(1, _contents(body))
    main = element(
        "main",
        _crumbs(here, head),
        element("h1", head.heading),
        element("p", head.what, class_="what"),
        join(body),
        section(
            "cautions",
            element("div", join(element("p", caution) for caution in words.CAUTIONS.values()), class_="caution"),
        ),
        id="main",
    )
    sheet = element("div", masthead, main, _footer(provenance, numbered, head, details), class_="sheet")
    name = f"{shorten(head.name, 40)}, " if head.name is not None else ""
    foot = visible(f"{head.kind} {name}{words.FRAGMENT['data']} {provenance.data_sha256[:16]}")
    styles = (STYLE, *filter(None, [style]), running_foot(foot, words.FRAGMENT["page"], words.FRAGMENT["of"]))
    scripts = [(CHARTS, data_block(words_scripts.LAYER, "chart-words"))] if '<figure id="figure-' in main else []
    if here == INDEX or kind_of(here) == "month":
        scripts.append((INDEX_FILTER, data_block(words_scripts.FILTER, "filter-words")))
    skip = element("a", words.FRAGMENT["skip"], class_="skip", href="#main")
    if board is not None:
        scripts.append((BOARD_CLOCK, data_block(board, "board-words")))
    return whole(head.title, styles, skip, shapes(sheet), sheet, scripts=scripts, refresh_s=refresh_s)


def _state_of(provenance: Provenance) -> str:
    at = f"{Clock(provenance.zone).minute(provenance.as_of)} {provenance.zone}"
    return words.FRAGMENT["state_of"].format(at=at)


def _crumbs(here: str, head: Masthead) -> Html | None:
    """Return the way from the index to this page; nothing on the index, or where the page travels alone."""
    if here == INDEX or not exists(INDEX):
        return None
    kind = kind_of(here)
    parent = PARENT.get(kind, kind)
    name = isolated(head.name, 60) if head.name is not None else None
    steps = [linked_to(here, INDEX, text(head.home or words.FRAGMENT["home"]))]
    if kind == "handbook":
        steps.append(linked_to(here, BOOK, text(book_words.FRAGMENT["book"])))
    elif parent in words.KIND and words.KIND[parent] != head.kind:  # of the board there is one
        steps.append(linked_to(here, INDEX, text(words.KIND[parent]), KIND_ANCHOR.get(parent, f"kind-{parent}")))
    if parent != kind and head.name is not None and name is not None:
        steps.append(linked_to(here, address(parent, head.name), name))
        name = None
    steps.append(element("span", name or head.kind, aria_current="page"))
    return element(
        "nav",
        element("ol", *(element("li", step) for step in steps)),
        class_="crumbs",
        aria_label=words.FRAGMENT["crumbs"],
    )


KIND_ANCHOR = {"lot": "lots", "meter": "meters"}
"""Where the index lists a kind of page, if not under its own name."""
_SECTION_HEAD = re.compile(r'<h2 id="([a-z0-9_-]+)">(.*?)</h2>')
_FEW = 4
"""A page of fewer sections needs no list of them."""


def _contents(body: Sequence[object]) -> Html | None:
    """Return the sections of the page as links."""
    found = [*_SECTION_HEAD.findall(join(body)), ("provenance", str(text(words.SECTION["provenance"])))]
    if len(found) < _FEW:
        return None
    items = (element("li", element("a", Html(name), href=f"#{anchor}")) for anchor, name in found)
    return element("nav", element("ul", *items), class_="contents", aria_label=words.FRAGMENT["contents"])


def _footer(
    provenance: Provenance | Edition, numbered: Numbered, head: Masthead, details: Sequence[tuple[str, object]]
) -> Html:
    made = element("h2", words.SECTION["provenance"], id="provenance")
    program = (words.FRAGMENT["software"], provenance.software_version)
    if isinstance(provenance, Edition):
        return element(
            "footer", made, facts([program, *details, (words.FRAGMENT["data_hash"], provenance.data_sha256)])
        )
    clock = Clock(provenance.zone)
    files = best_order(provenance.files, ("name", "sha256"))
    files, _, note = capped(files, [False] * files.height, MOST_FILES)
    rows = [
        (
            element("span", f"F{place}", id=f"F{place}"), isolated(row.get("name") or words.FRAGMENT["not_stated"], 80), row.get("sha256"),
            layout_in_words(row.get("layout"), row.get("layout_version")), row.get("readings"),
        )
        for place, row in enumerate(files.iter_rows(named=True), start=1)
    ]  # fmt: skip
    column = words.COLUMN
    columns = [Heading(column["letter"]), Heading(column["name"]), Heading(column["hash"], kind="h"), Heading(column["layout"]),
               Heading(column["readings"], kind="n")]  # fmt: skip
    told = facts(
        [
            (words.FRAGMENT["id"], None if head.name is None else isolated(head.name, 2000)),
            program,
            (words.FRAGMENT["workspace"], shorten(provenance.workspace, 200)),
            (words.FRAGMENT["as_of"], f"{clock.second(provenance.as_of)} {provenance.zone}"),
            (words.FRAGMENT["zone"], provenance.zone),
            (words.FRAGMENT["unit"], unit_in_words(provenance.unit)),
            (words.FRAGMENT["reference"], f"{provenance.reference_temperature_c:g} °C"),
            *details,
            (words.FRAGMENT["data_hash"], provenance.data_sha256),
        ]
    )
    return element(
        "footer",
        made,
        told,
        _folded_files(table(numbered.table(), "files", caption(words.TABLE["files"], note), columns, rows), len(rows))
        if rows
        else None,
        element("p", f"{words.FRAGMENT['rounded']} {words.FRAGMENT['footnote']}"),
    )


def _folded_files(listed: Html, count: int) -> Html:
    """Put a long list of files behind a disclosure; a link to one of them opens it."""
    if count <= _FEW_FILES:
        return listed
    return folded(words.FRAGMENT["files_behind"].format(files=words.counted(count, "file")), listed)


def layout_in_words(name: object, version: object) -> str:
    """Return the name of a layout with its version."""
    if name is None:
        return words.FRAGMENT["not_stated"]
    return f"{shorten(str(name), 40)} {version}" if version is not None else shorten(str(name), 40)
