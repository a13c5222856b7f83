"""A layout for a held file, completed by a person: what the suggestion leaves open answered, kept in `layouts/`, the file loaded with it."""

from __future__ import annotations

import hashlib
import json
import re
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.decisions.record import deciding
from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.intake.layout import parse_layout
from pipeline.load.exports import layouts_of
from pipeline.load.layout_tools import propose
from pipeline.load.load import load
from pipeline.workspace.files import archived, cannot, read_bytes, sha256_of, write_atomically
from pipeline.workspace.texts import hashes_of_texts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.intake.suggest import Question, Suggestion
    from pipeline.load.report import FileReport
    from pipeline.workspace.settings import Workspace

__all__ = ["Asked", "asked", "complete_layout", "name_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked about a held file, and what is proposed with the answers so far.

    `questions` holds those that were answered and those that are not; `answers` goes by their keys.
    """

    sha256: str
    data: bytes
    questions: tuple[Question, ...]
    answers: dict[str, str]
    found: Suggestion


def name_of(key: str) -> str:
    """Return under which name a question is answered: its key may hold anything that a file holds."""
    return f"answer-{hashlib.sha256(key.encode('utf-8', 'surrogatepass')).hexdigest()[:12]}"


def _held(workspace: Workspace, file: str) -> tuple[str, bytes]:
    """Return the hash and the bytes of a held file.

    Raises
    ------
    UsageError
        If it is held no more, or so large that others would wait for each look at it.
    """
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        hashes = [row["sha256"] for row in history.held_files().iter_rows(named=True) if row["name"] == file]
    if not hashes:
        raise UsageError(f"{file} is held no more.")
    path = archived(workspace.archive, hashes[-1])
    try:
        large = path.stat().st_size > _MOST_MB * 1_000_000
    except OSError as error:
        raise cannot("read", path, error) from None
    if large:
        raise UsageError(
            f"{file} is larger than {_MOST_MB} MB, and others would wait for each look at it. Complete its layout with: annealog layout "
            f"suggest FILE --ask --to layouts/NAME.toml"
        )
    return hashes[-1], read_bytes(path)


_MOST_MB = 10
_TRIED: dict[Any, Suggestion] = {}
"""What was proposed last, by all that it follows from: each step of a form asks for the same."""
_REMEMBERED = 4


def _proposed(workspace: Workspace, file: str, answers: dict[str, str], digest: str, data: bytes) -> Suggestion:
    key = (digest, file, tuple(sorted(answers.items())), repr(workspace.settings), repr(hashes_of_texts(workspace)))
    if key not in _TRIED:
        found = propose(workspace, Path(file), answers, data=data)
        while len(_TRIED) >= _REMEMBERED:
            _TRIED.pop(next(iter(_TRIED)), None)
        _TRIED[key] = found
    return _TRIED[key]


def asked(workspace: Workspace, file: str, given: Mapping[str, str], *, strict: bool = False) -> Asked:
    """Return what is asked about a held file, one answer leading to further questions.

    Parameters
    ----------
    file
        A held file, as it is named there.
    given
        Answers by the :func:`name_of` their questions.
    strict
        Refuse an answer that cannot be; else what is asked up to there is returned.

    Raises
    ------
    UsageError
        If the file is held no more, holds no table, or an answer cannot be.
    """
    digest, data = _held(workspace, file)
    answers: dict[str, str] = {}
    settled: dict[str, Question] = {}
    found = _proposed(workspace, file, answers, digest, data)
    while new := {
        question.key: question
        for question in found.questions
        if question.key not in answers and given.get(name_of(question.key), "").strip()
    }:
        settled |= new
        answers |= {key: given[name_of(key)].strip() for key in new}
        try:
            found = _proposed(workspace, file, answers, digest, data)
        except UsageError:
            if strict:
                raise
            break
    return Asked(
        sha256=digest,
        data=data,
        questions=(*settled.values(), *(question for question in found.questions if question.key not in settled)),
        answers=answers,
        found=found,
    )


def complete_layout(
    workspace: Workspace, *, file: str, given: Mapping[str, str], name: str | None = None, by: str, why: str, dry_run: bool = False,
) -> tuple[Suggestion, str, FileReport | None]:  # fmt: skip
    """Keep the layout that was proposed for a held file and completed, and load the file with it.

    Parameters
    ----------
    file, given
        As for :func:`asked`.
    name
        Of the layout; None takes it from that of the file.

    Returns
    -------
    (Suggestion, str, FileReport or None)
        What was tried, the name of the layout, and what became of the file, where it was loaded.

    Raises
    ------
    UsageError
        If anything is open, no reading would come of it, or there is a layout of that name.
    """
    told = asked(workspace, file, given, strict=True)
    found = told.found
    wrong = [
        f"{one.key}={told.answers[one.key]}: {one.text}" if one.key in told.answers else f"Open: {one.key}: {one.text}"
        for one in found.questions
        if one.blocking or one.key in told.answers
    ]
    if wrong:
        raise UsageError("\n".join(wrong))
    if found.tried is None or found.tried.held is not None or not found.tried.readings.height:
        raise UsageError("\n".join(found.lost) or f"No reading would come of {file}.")
    text = found.layout_text.partition("\n")[2]  # its first line asks for what was done by now
    if name is not None:
        text = re.sub(r'\Aname = "[^"\n]*"', lambda _: f"name = {json.dumps(name, ensure_ascii=False)}", text)
    layout = parse_layout(text, "the completed layout")
    path = workspace.layouts / f"{layout.name}.toml"
    with ExitStack() as undo:
        with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
            broken: dict[str, str] = {}
            if layout.name in {*layouts_of(workspace, broken), *broken} or path.exists():
                raise UsageError(f"There is a layout named {layout.name!r} already. Give this one another name.")
            if told.sha256 not in set(history.held_files()["sha256"]):
                raise UsageError(f"{file} is held no more.")
            if dry_run:
                return found, layout.name, None
            subject = {"layout": f"{layout.name} {layout.version}", "layout_sha256": sha256_of(text.encode())}
            history.append_event("layout", {**subject, "name": file, "sha256": told.sha256}, by=by, why=why)
            write_atomically(path, text.encode())
            undo.callback(path.unlink, missing_ok=True)  # what lies there is in force, recorded or not
        undo.pop_all()
    (report,) = load(workspace, [_laid_down(workspace, file, told)], layout=layout.name).files
    return found, layout.name, report


def _laid_down(workspace: Workspace, file: str, told: Asked) -> Path:
    """Return where the held file lies; where it is gone, or the meter wrote another one since, it is laid down beside that."""
    name = Path(file).name
    for place in (workspace.root / file, workspace.inbox / name, workspace.inbox / f"{told.sha256[:12]}-{name}"):
        if place.is_file() and sha256_of(place.read_bytes()) == told.sha256:
            return place
    place = workspace.inbox / name
    if place.exists():
        place = workspace.inbox / f"{told.sha256[:12]}-{name}"
    write_atomically(place, told.data)
    return place
