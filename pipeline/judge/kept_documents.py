"""Results as they are kept: each is fetched, and becomes a result, when somebody asks for it."""

from __future__ import annotations

import hashlib
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar, get_origin

import orjson

from pipeline.errors import FoundDamaged
from schemas.documents import as_bytes, from_json

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

__all__ = ["KeptDocuments", "document_of", "key_of", "result_of"]

Result = TypeVar("Result")


_AT_NO_TIME = datetime.min.replace(tzinfo=UTC)
_ONE_BY_ONE = 5
"""So many documents are fetched one by one; whoever asks for more gets those around, too."""
_BLOCK = 1_000
_MADE = 10_000
"""So many results are held at most, 6 KB each; their documents stay, and to make a result again takes 0.1 ms."""


def document_of(result: Any) -> str:
    """Return the JSON of a result but for the moment of the assessment: the same until something else is said."""
    timeless = replace(result, as_of=_AT_NO_TIME) if hasattr(result, "as_of") else result
    return as_bytes(timeless).decode("utf-8", "surrogatepass")


def result_of(kind: Any, name: str, document: str) -> Any:
    """Return the result that was kept as a document.

    Raises
    ------
    FoundDamaged
        If it is none, though the chain vouches for it.
    """
    try:
        found: object = from_json(kind, orjson.loads(document))
    except (ValueError, KeyError, TypeError, AttributeError):
        found = None
    if not isinstance(found, get_origin(kind) or kind):
        raise FoundDamaged(
            f"What is kept of {name} beside the history is no result. Run: annealog verify (it takes away what is kept, and everything "
            "is judged anew)."
        )
    return found


def key_of(document: str) -> str:
    """Return what tells a document from others."""
    return hashlib.sha256(document.encode("utf-8", "surrogatepass")).hexdigest()[:32]


class KeptDocuments(Mapping[str, Result]):
    """Results by name.

    Parameters
    ----------
    kind
        What a document becomes.
    names
        Gives the names, sorted.
    fetch
        Gives JSON by name, of some names.
    anew
        Gives the same results from nothing, where a document is none.
    as_of
        Moment of the assessment, where the results state it; none stands in a document.
    """

    def __init__(
        self,
        kind: Any,
        names: Callable[[], list[str]],
        fetch: Callable[[list[str]], dict[str, str]],
        anew: Callable[[FoundDamaged], Mapping[str, Result]],
        as_of: datetime | None = None,
    ) -> None:
        self._kind, self._ask, self._fetch, self._anew, self._as_of = kind, names, fetch, anew, as_of
        self._documents: dict[str, str] = {}
        self._made: dict[str, Result] = {}
        self._fetched = 0

    @cached_property
    def _names(self) -> list[str]:
        return self._ask()

    def __getitem__(self, name: str) -> Result:
        """Return the result under a name."""
        made = self._made.get(name)
        if made is None:
            try:
                found: Any = result_of(self._kind, name, self._said(name))
            except FoundDamaged as damage:
                found = self._anew(damage)[name]
            if len(self._made) >= _MADE:
                self._made.clear()
            made = self._made[name] = found if self._as_of is None else replace(found, as_of=self._as_of)
        return made

    def bring(self, names: Iterable[str]) -> None:
        """Fetch some documents together: whoever is about to ask for each need not wait for each, nor get those around."""
        if lacking := [name for name in names if name not in self._documents and not self._is_none(name)]:
            self._documents |= self._fetch(lacking)

    def documents_of(self, names: Iterable[str]) -> dict[str, str]:
        """Return the documents of some names, and keep none of them."""
        return self._fetch(list(names))

    def with_documents(self, documents: dict[str, str]) -> KeptDocuments[Result]:
        """Return the results with some documents at hand, and nothing else that was asked for."""
        found: KeptDocuments[Result] = KeptDocuments(
            self._kind, lambda: self._names, self._fetch, self._anew, self._as_of
        )
        found._documents = documents
        return found

    def _said(self, name: str) -> str:
        """Return a document as it is kept, without the moment of the assessment."""
        if name not in self._documents:
            if self._is_none(name):
                raise KeyError(name)
            self._fetched += 1
            if self._fetched < _ONE_BY_ONE:
                self._documents |= self._fetch([name])
            elif name in self:
                first = bisect_left(self._names, name) // _BLOCK * _BLOCK
                self._documents |= self._fetch(self._names[first : first + _BLOCK])
        return self._documents[name]

    def _is_none(self, name: str) -> bool:
        """Whether there is no such result, as far as the names were asked for: then the history may have gone on since."""
        return "_names" in self.__dict__ and name not in self

    def __contains__(self, name: object) -> bool:
        """Whether there is such a result: looked up alone, until many are asked for."""
        if name in self._documents:
            return True
        if isinstance(name, str) and self._fetched < _ONE_BY_ONE and "_names" not in self.__dict__:
            self._fetched += 1
            self._documents |= self._fetch([name])
            return name in self._documents
        place = bisect_left(self._names, name) if isinstance(name, str) else len(self)
        return place < len(self) and self._names[place] == name

    def __iter__(self) -> Iterator[str]:
        """Go through the names."""
        return iter(self._names)

    def __len__(self) -> int:
        """Return how many results there are."""
        return len(self._names)
