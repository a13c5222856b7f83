"""Tables and lists of facts."""

from __future__ import annotations

from dataclasses import dataclass
from operator import lt
from typing import TYPE_CHECKING, Any

from reports.kit.explained import explained
from reports.kit.markup import Html, element, join, text
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import polars as pl

__all__ = ["Heading", "Numbered", "Row", "best_order", "capped", "caption", "facts", "ledger", "table"]

Row = dict[str, Any]


BROAD = 7
"""A table of so many columns is scrolled on a narrow screen rather than pressed together."""
_ACROSS = 13
"""One of so many is printed across the sheet: a browser prints what is too broad smaller than can be read."""


@dataclass
class Numbered:
    """Numbers figures and tables of one page in the order in which they are asked for."""

    figures: int = 0
    tables: int = 0

    def figure(self) -> int:
        """Return the next number of a figure."""
        self.figures += 1
        return self.figures

    def table(self) -> int:
        """Return the next number of a table."""
        self.tables += 1
        return self.tables


@dataclass(frozen=True)
class Heading:
    """The head of a column."""

    title: str
    unit: str | None = None
    kind: str = ""  # n: number, t: kept on one line, h: hash
    name: str | None = None  # by which a script finds the column; our own word


def table(
    number: int,
    anchor: str,
    said: object,
    columns: Sequence[Heading],
    rows: Iterable[Sequence[object]],
    *,
    marked: Sequence[bool] = (),
    row_heads: int = 1,
    anchors: Sequence[str | None] = (),
) -> Html:
    """Return a table.

    Parameters
    ----------
    number
        Its number on the page.
    anchor
        Name by which the page links to it; our own word, never data.
    said
        A sentence; the number is put before it.
    columns
        Heads.
    rows
        Cells in the order of the columns; None leaves a cell empty.
    marked
        Which rows need a look.
    row_heads
        How many cells name the row.
    anchors
        Names by which rows can be linked to, such as ``F1-12``; our own words. A name counts once only.

    Returns
    -------
    Html
    """
    head = join(
        element(
            "th",
            explained(column.title),
            element("small", column.unit) if column.unit else None,
            scope="col",
            class_=column.kind or None,
            data_column=column.name,
        )
        for column in columns
    )
    classes = [f" class={column.kind}" if column.kind else "" for column in columns]  # one letter needs no quotes
    body: list[str] = []
    named: set[str | None] = {None}
    for place, row in enumerate(rows):
        cells = [
            f'<th scope="row"{classes[i]}>{text(cell)}</th>'
            if i < row_heads
            else f"<td{classes[i]}>{written}</td>"
            if (written := text(cell))
            else "<td></td>"
            for i, cell in enumerate(row)
        ]
        start = '<tr class="mark"' if place < len(marked) and marked[place] else "<tr"
        if place < len(anchors) and (anchor_of_row := anchors[place]) not in named:
            named.add(anchor_of_row)
            start += f' id="{anchor_of_row}"'
        body.append(f"{start}>{''.join(cells)}</tr>")
    name = words.FRAGMENT["table"].format(n=number)
    whole = element(
        "table",
        element("caption", element("b", f"{name}. "), said),
        element("thead", element("tr", head)),
        element("tbody", Html("".join(body))),
        class_="broad" if len(columns) >= BROAD else None,
    )
    kind = "scroll across" if len(columns) >= _ACROSS else "scroll"
    return element("div", whole, class_=kind, id=f"table-{anchor}", tabindex="0", role="group", aria_label=name)


def caption(sentence: str, *notes: str, figures: Iterable[tuple[int, str]] = ()) -> Html:
    """Return a caption: a sentence, the figures whose points the table holds (number, anchor), notes."""
    links = [
        element("a", words.FRAGMENT["figure"].format(n=number), href=f"#figure-{anchor}") for number, anchor in figures
    ]
    return join([sentence, *links, *(note for note in notes if note)], " ")


def ledger(cells: Iterable[tuple[str, object, Sequence[object], str | None]]) -> Html:
    """Return key figures as a list of definitions: name, value, remarks, and the reason where there is no value."""
    return element(
        "dl",
        join(
            element(
                "div",
                element("dt", explained(name)),
                element("dd", value) if reason is None else None,
                join(element("dd", remark) for remark in remarks if remark),
                None if reason is None else element("dd", reason, class_="reason"),
            )
            for name, value, remarks, reason in cells
        ),
        class_="ledger",
    )


def facts(pairs: Iterable[tuple[str, object]]) -> Html:
    """Return facts as a list of definitions; empty ones are left out."""
    return element(
        "dl",
        join(
            join([element("dt", explained(name)), element("dd", value)])
            for name, value in pairs
            if value not in (None, "")
        ),
        class_="facts",
    )


def capped(frame: pl.DataFrame, flagged: Sequence[bool], most: int) -> tuple[pl.DataFrame, list[bool], str]:
    """Keep so many rows: every flagged one, the others from the start.

    Parameters
    ----------
    frame
        Sorted rows.
    flagged
        Which rows must be kept.
    most
        How many to keep; more only where more are flagged.

    Returns
    -------
    (polars.DataFrame, list of bool, str)
        The rows, which of them are flagged, and a sentence that says what is left out; empty where nothing is.
    """
    if frame.height <= most:
        return frame, list(flagged), ""
    room = max(most - sum(flagged), 0)
    kept: list[int] = []
    for place, keep in enumerate(flagged):
        if keep or room > 0:
            room -= not keep
            kept.append(place)
    note = words.FRAGMENT["rows"].format(shown=f"{len(kept)}", total=f"{frame.height}")
    return frame[kept], [flagged[place] for place in kept], note


def best_order(frame: pl.DataFrame, keys: Sequence[str]) -> pl.DataFrame:
    """Sort by the keys, then by everything else, so that the order of loading leaves no trace."""
    if frame.height < 2:
        return frame
    first = [key for key in keys if key in frame.columns]
    rows = list(zip(*([(cell is None, cell) for cell in frame[key].to_list()] for key in first), strict=True))
    if rows and all(map(lt, rows, rows[1:])):  # each key once and in order already, as most come
        return frame
    rest = sorted(name for name in frame.columns if name not in first)
    return frame.sort(*first, *rest, nulls_last=True, maintain_order=True)
