"""Questions that pages ask while they are written, answered together: an engine that is asked once works less and waits less."""

from __future__ import annotations

import re
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

from reports.kit.markup import Html

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["answered", "together"]

_asked: ContextVar[list[tuple[Callable[[list[Any]], list[Html]], Any]] | None] = ContextVar("asked", default=None)
_SIGN = re.compile("\ue000([0-9]+)[^\ue001]*\ue001")
"""No text of a page holds these characters: of private use, they are shown by their code points."""


def answered(answer: Callable[[list[Any]], list[Html]], question: Any, tells: str = "") -> Html:
    """Return what a function answers, or inside :func:`together` the sign in whose place the answer will stand.

    Parameters
    ----------
    answer
        From questions to as many answers.
    question
        One of them; it must stay as it is.
    tells
        What of the answer must be known while the page is written, such as what it refers to: it stands in the sign.
    """
    asked = _asked.get()
    if asked is None:
        return answer([question])[0]
    asked.append((answer, question))
    return Html(f"\ue000{len(asked) - 1} {tells}\ue001")


@contextmanager
def together() -> Iterator[Callable[[list[str]], list[str]]]:
    """Collect what is asked inside the block; yields the function that puts the answers into the pages written there."""
    asked: list[tuple[Callable[[list[Any]], list[Html]], Any]] = []
    token = _asked.set(asked)

    def put_in(pages: list[str]) -> list[str]:
        found: dict[int, Html] = {}
        for answer in dict.fromkeys(answer for answer, _ in asked):
            places = [place for place, (by, _) in enumerate(asked) if by is answer]
            found.update(zip(places, answer([asked[place][1] for place in places]), strict=True))
        return [_SIGN.sub(lambda sign: found[int(sign[1])], page) for page in pages]

    try:
        yield put_in
    finally:
        _asked.reset(token)
