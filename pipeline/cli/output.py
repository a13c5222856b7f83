"""What commands print: results on standard output, progress and notes on standard error, nothing that can act."""

from __future__ import annotations

import contextlib
import json
import sys
import unicodedata
from contextvars import ContextVar
from datetime import datetime
from typing import TYPE_CHECKING, Any

from schemas.conditions import FIRST
from schemas.digits import typeset
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from rich.console import Console
    from rich.text import Text

    from pipeline.load.report import Change, FileReport, LoadReport
    from pipeline.pages.page import PageReport
    from pipeline.workspace.settings import Settings

__all__ = [
    "VERDICT_WORDS",
    "Shown",
    "decided",
    "instead_of_printing",
    "literal",
    "load_document",
    "note",
    "note_edits",
    "out",
    "plain",
    "print_json",
    "print_load",
    "progress",
    "table",
    "verdict_words",
    "when",
    "widths",
    "would",
]

VERDICT_WORDS = {"accept": "ACCEPT", "hold": "HOLD", "reject": "REJECT", "not_assessed": "NOT ASSESSED"}


def verdict_words(verdict: str, conditions: Sequence[str] = ()) -> str:
    """Return a verdict, with what comes first where a lot is accepted with a condition."""
    return f"{VERDICT_WORDS[verdict]}, {FIRST[conditions[0]]}" if conditions else VERDICT_WORDS[verdict]


def out() -> Console:
    """Return standard output, without markup: brackets in a file's text are no commands."""
    from pipeline.cli.terminal import Terminal

    return Terminal(markup=False, highlight=False, emoji=False, soft_wrap=True)


def _err() -> Console:
    from rich.console import Console

    return Console(stderr=True, markup=False, highlight=False, emoji=False, soft_wrap=True)


def plain(text: str) -> str:
    """Return a text with control and direction characters made visible: a file's text must not steer a terminal."""
    return "".join(
        f"\\u{ord(c):04x}" if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") and c not in "\n\t" else c
        for c in text
    )


def literal(text: str) -> Text:
    """Return what is printed as it stands: lines of a file, a layout, a command to be typed."""
    from rich.text import Text

    return Text(plain(text))


def note(text: str) -> None:
    """Print a note on standard error."""
    if _documents.get() is None:
        _err().print(plain(text))


def note_edits(edited: Callable[[], Iterable[str]]) -> None:
    """Name the files that were edited since the last load and decide nothing yet; where nobody listens, none is looked for."""
    for name in edited() if _documents.get() is None else ():
        note(f"{name} was changed since the last load; what follows still rests on the version taken over then.")


def would(what: str, *, json: bool) -> None:
    """Say what a dry run would do."""
    if json:
        print_json({"dry_run": True, "would": what})
    else:
        out().print(plain(f"Would {what}."))


_documents: ContextVar[list[Any] | None] = ContextVar("documents", default=None)


@contextlib.contextmanager
def instead_of_printing() -> Iterator[list[Any]]:
    """Keep the JSON documents of commands that run inside the block, and say nothing."""
    kept: list[Any] = []
    token = _documents.set(kept)
    try:
        yield kept
    finally:
        _documents.reset(token)


def print_json(document: Any) -> None:
    """Print one JSON document on standard output."""
    kept = _documents.get()
    if kept is not None:
        kept.append(document)
        return
    everything = "utf" in (sys.stdout.encoding or "utf").lower()
    try:
        sys.stdout.write(json.dumps(as_json(document), ensure_ascii=not everything, indent=2, allow_nan=False) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        # one without a number: typer would turn a numbered one into an error of ours
        raise BrokenPipeError from None


_GAP = 2
_WHOLE = 16
"""Texts up to this length, such as a time to the minute, stay on one line where there is room for it."""


def words_fit(texts: Sequence[Sequence[str]], room: int) -> bool:
    """Tell whether the columns and the gaps between them have room for the longest word of each."""
    return sum(map(_longest, texts)) + _GAP * (len(texts) - 1) <= room


def widths(texts: Sequence[Sequence[str]], room: int) -> list[int]:
    """Return the widths of columns, so that no word is broken as long as that can be helped.

    Parameters
    ----------
    texts
        The texts of each column, its heading among them.
    room
        What the columns and the gaps between them may take together.

    Returns
    -------
    list of int
        Where even single words do not fit, the longest ones are broken.
    """
    from rich.cells import cell_len

    room -= _GAP * (len(texts) - 1)
    natural = [max(1, *map(cell_len, column)) for column in texts]
    if sum(natural) <= room:
        return natural
    found = [_longest(column, whole=_WHOLE) for column in texts]
    if sum(found) > room:
        found = [_longest(column) for column in texts]
    while sum(found) > room and max(found) > 1:
        found[found.index(max(found))] -= 1
    while sum(found) < room:
        # what is left goes to the column that would have the most lines
        lines = [wanted / width for wanted, width in zip(natural, found, strict=True)]
        found[lines.index(max(lines))] += 1
    return found


def _longest(texts: Iterable[str], *, whole: int = 0) -> int:
    """Return the width of the longest word; a text up to the length `whole` counts as one."""
    from rich.cells import cell_len

    words = (word for text in texts for word in ([text] if len(text) <= whole else text.split()))
    return max(1, max(map(cell_len, words), default=1))


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Print a table on standard output."""
    from rich.table import Table
    from rich.text import Text

    from pipeline.cli.terminal import Terminal

    cells = [[typeset(plain("" if cell is None else str(cell))) for cell in row] for row in rows]
    console = out()
    if not console.is_terminal:
        console = Terminal(markup=False, highlight=False, emoji=False, width=160)
    of_column = [[name, *(row[place] for row in cells)] for place, name in enumerate(columns)]
    if not words_fit(of_column, console.width):
        # a column that says nothing goes before a word of another is broken
        of_column = [column for column in of_column if any(column[1:])] or of_column
    shown = Table(title=title, title_justify="left", header_style="bold", box=None, pad_edge=False)
    for column, width in zip(of_column, widths(of_column, console.width), strict=True):
        shown.add_column(column[0], overflow="fold", width=width)
    for row in zip(*(column[1:] for column in of_column), strict=True):
        shown.add_row(*map(Text, row))
    console.print(shown)


def when(at: datetime | str | None, settings: Settings) -> str:
    """Return a time, or the text of one in a document, in the site's zone, to the minute."""
    if at is None:
        return ""
    found = datetime.fromisoformat(at) if isinstance(at, str) else at
    return f"{found.astimezone(settings.zone):%Y-%m-%d %H:%M}"


class Shown:
    """A JSON document whose keys are attributes: what is printed in words is a view of what `--json` prints."""

    def __init__(self, document: dict[str, Any]) -> None:
        self._document = document

    def __getattr__(self, name: str) -> Any:
        """Return the value of a key; documents inside, and lists of them, in the same way."""
        try:
            return Shown.of(self._document[name])
        except KeyError:
            raise AttributeError(name) from None

    def __getitem__(self, name: str) -> Any:
        """Return the value of a key that is not known beforehand."""
        return Shown.of(self._document[name])

    @classmethod
    def of(cls, value: Any) -> Any:
        """Return a value as it is shown."""
        if isinstance(value, dict):
            return cls(value)
        return [cls.of(item) for item in value] if isinstance(value, list) else value


def decided(decision: Any) -> str:
    """Return in words what a person decided, and as what it was signed."""
    signed = f" (signed: {decision.signed})" if decision.signed else ""
    return f"decided: {decision.decision} by {decision.by}{signed}: {decision.why}"


@contextlib.contextmanager
def progress(files: Sequence[Path], what: str, *, quiet: bool = False) -> Iterator[dict[str, Any]]:
    """Show bars on standard error, where that is a terminal: files by their bytes with rate and remaining time, pages."""
    console = _err()
    if quiet or not console.is_terminal:
        yield {}
        return
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn, TransferSpeedColumn

    sizes = iter([path.stat().st_size for path in files])
    columns = (
        TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TransferSpeedColumn(), TimeRemainingColumn(),
    )  # fmt: skip
    page_columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:.0f} of {task.total:.0f}"),
    )
    with contextlib.ExitStack() as stack:
        bars: dict[str, tuple[Any, Any]] = {}

        def bar(name: str, shown: Any, total: int | None) -> tuple[Any, Any]:
            if name not in bars:
                for opened, _ in bars.values():
                    opened.stop()
                opened = stack.enter_context(Progress(*shown, console=console, transient=True))
                bars[name] = (opened, opened.add_task(_BARS.get(name, what), total=total))
            return bars[name]

        def file(_: FileReport) -> None:
            opened, task = bar("file", columns, None)
            opened.advance(task, next(sizes, 0))

        def page(_: PageReport, count: int) -> None:
            opened, task = bar("page", page_columns, count)
            opened.advance(task)

        def printed(count: int) -> None:
            opened, task = bar("printed", page_columns, count)
            opened.advance(task)

        if files:
            bar("file", columns, sum(path.stat().st_size for path in files))
        yield {"file": file, "page": page, "printed": printed}


_BARS = {"page": "writing pages", "printed": "printing pages"}


def _file_document(report: FileReport) -> dict[str, Any]:
    return {
        "name": report.name,
        "given": report.given,
        "sha256": report.sha256,
        "status": report.status,
        "sentence": report.sentence,
        "layout": report.layout,
        "lines": report.lines,
        "fates": report.fates,
        "readings": report.readings,
        "conflicts": report.conflicts,
        "quarantine_reasons": report.quarantine_reasons,
        "warnings": list(report.warnings),
        "details": list(report.details),
    }


def load_document(report: LoadReport) -> dict[str, Any]:
    """Return the JSON document of a load."""
    return {
        "dry_run": report.dry_run,
        "files": [_file_document(item) for item in report.files],
        "passed_over": list(report.passed_over),
        "held": report.held,
        "quarantined": report.quarantined,
        "reference_changed": list(report.reference.changed),
        "verdicts_altered": list(report.reference.altered),
        "lots": report.lots,
        "meters": report.meters,
        "changes": changes_document(report.changes),
        "conditions": {lot: list(conditions) for lot, conditions in report.conditions.items()},
    }


def changes_document(changes: Iterable[Change]) -> list[dict[str, str]]:
    """Return what changed, as JSON values."""
    return [{name: getattr(one, name) for name in ("kind", "name", "before", "after", "why")} for one in changes]


_MOST_CHANGES = 20


def print_changes(changes: Sequence[Change]) -> None:
    """Print which verdicts and states are others than before, and why."""
    for one in changes[:_MOST_CHANGES]:
        out().print(plain(f"Changed: {one.sentence}"))
    if len(changes) > _MOST_CHANGES:
        out().print(f"... and {len(changes) - _MOST_CHANGES} more; all of them: --json")


def print_load(report: LoadReport) -> None:
    """Print what a load did."""
    console = out()
    for item in report.files:
        console.print(plain(f"{item.given or item.name}: {item.sentence}"))
        for line in item.details:
            console.print(plain(f"  {line}"))
        for warning in item.warnings:
            console.print(plain(f"  note: {warning}"))
        for reason, count in item.quarantine_reasons.items():
            console.print(f"  quarantined {count} × {reason}")
    if not report.files:
        console.print("No file to load was found.")
    for line in report.passed_over:
        note(f"passed over: {line}")
    if report.reference.changed:
        console.print("Taken over: " + ", ".join(report.reference.changed))
    for line in report.reference.altered:
        console.print(plain(f"  altered: {line}"))
    if report.lots:
        counts = {word: sum(v == name for v in report.lots.values()) for name, word in VERDICT_WORDS.items()}
        console.print("Lots touched: " + ", ".join(f"{count} {word}" for word, count in counts.items() if count))
    for lot, conditions in list(report.conditions.items())[:_MOST_CHANGES]:
        console.print(plain(f"  {lot}: {verdict_words('accept', conditions)}"))
    if (more := len(report.conditions) - _MOST_CHANGES) > 0:
        console.print(f"  ... and {more} more; all of them: annealog status --all")
    if report.meters:
        console.print(
            plain("Meters touched: " + ", ".join(f"{meter} {state}" for meter, state in report.meters.items()))
        )
    print_changes(report.changes)
