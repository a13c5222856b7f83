"""What was kept, for the commands that look: answers beside the pages, and results beside the history."""

from __future__ import annotations

import contextlib
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.cli import output
from pipeline.cli.options import moment

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from pathlib import Path

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.kept.answers import Answer
    from pipeline.pages.page import Page
    from pipeline.workspace.settings import Workspace

__all__ = ["AskedLast", "Computed", "asked", "judged", "kept_answer", "many_questions", "printed", "written"]

Computed = tuple[dict[str, Any], str | None]
"""The JSON document of a command, and the path of its page."""


def kept_answer(place: Workspace, kind: str, name: str) -> Answer | None:
    """Return the answer to a question about now, where it was kept and holds; what was edited since is said first."""
    from pipeline.kept.answers import answer_of

    answer = answer_of(place, kind, name)
    if answer is not None:
        output.note_edits(lambda: answer.not_taken_over)
    return answer


def asked(
    place: Workspace,
    kind: str,
    name: str,
    compute: Callable[[], Computed],
    *,
    usual: bool,
    dry_run: bool,
    pdf: bool = False,
) -> Computed:
    """Return what a command says and the path of its page: kept, where the question is the usual one, or computed."""
    answer = kept_answer(place, kind, name) if usual else None
    if answer is None:
        return compute()
    return answer.document, printed(place, answer.page, dry_run=dry_run, pdf=pdf)


@contextlib.contextmanager
def judged(place: Workspace, as_of: str | None) -> Iterator[tuple[Assessment, History]]:
    """Give everything as of a moment, from what is kept unless an earlier one is asked about, and the open history it follows from.

    What was edited since and is not taken over yet is said first.
    """
    from pipeline.errors import HistoryBusy
    from pipeline.history.store import History
    from pipeline.workspace.texts import not_taken_over

    with contextlib.ExitStack() as stack:
        many = _asked_last.get() is not None
        try:  # a snapshot, whose every file is hashed first, only where the history is being written
            history = stack.enter_context(
                History.open(place.history, wait_s=0.0 if many else _PATIENCE_S, snapshot=False)
            )
        except HistoryBusy:
            if many:  # it would be judged from nothing, each time, while the next one waits
                raise
            history = stack.enter_context(History.open(place.history, wait_s=place.settings.busy_wait_seconds))
        output.note_edits(lambda: not_taken_over(place, history))
        yield _everything(history, place, moment(as_of, place)), history


_PATIENCE_S = 0.2
_MOST_QUESTIONS = 500
"""Then it is found again: what questions fetched stays with what was found."""


class AskedLast(NamedTuple):
    """What the question before found of a workspace."""

    history: list[int]
    told: dict[str, Any]
    state: tuple[str, str]
    found: Assessment
    times: int


_asked_last: ContextVar[dict[Path, AskedLast] | None] = ContextVar("asked_last", default=None)


@contextlib.contextmanager
def many_questions(asked_last: dict[Path, AskedLast]) -> Iterator[None]:
    """Let whoever asks much in one process use what the question before found, until the history or what is kept is another."""
    token = _asked_last.set(asked_last)
    try:
        yield
    finally:
        _asked_last.reset(token)


def _everything(history: History, place: Workspace, as_of: datetime | None) -> Assessment:
    from pipeline.history.found import hash_of_found
    from pipeline.history.snapshot import signature
    from pipeline.judge.carry_on import everything, told_of_found

    asked_last = _asked_last.get()
    if asked_last is None or as_of is not None:
        return everything(history, place.settings, as_of=as_of)
    known, at = asked_last.get(place.root), signature(history.path)
    same = known is not None and known.history == at
    told = known.told if known is not None and same else told_of_found(history)
    state = hash_of_found(history.path, told), repr(place.settings)
    if known is not None and same and known.state == state and known.times < _MOST_QUESTIONS:
        asked_last[place.root] = known._replace(times=known.times + 1)
        return known.found.ask(history)
    asked_last.clear()
    found = everything(history, place.settings, as_of=None)
    if found.kept is None:  # made from nothing, it would hold every reading
        return found
    asked_last[place.root] = AskedLast(at, told, state, found, 1)
    return found.ask(history)


def written(
    place: Workspace, page: Page, as_of: datetime | None, *, dry_run: bool, alone: bool = False, pdf: bool = False
) -> str | None:
    """Write a page, alone or among the others, and return its path, or that of its PDF; None in a dry run."""
    if dry_run:
        return None
    from pipeline.pages.writer import write_pages

    return printed(place, write_pages(place, [page], as_of=as_of, alone=alone)[0].path, dry_run=False, pdf=pdf)


def printed(
    place: Workspace, page: Path | None, *, dry_run: bool, pdf: bool = False, one_sheet: bool = False
) -> str | None:
    """Return the path of a page, or of its PDF printed now; None in a dry run."""
    if dry_run or page is None:
        return None
    if pdf:
        from pipeline.pages.pdf import print_pages

        (page,) = print_pages([page], place.settings.paper, one_sheet=one_sheet)
    return str(page)
