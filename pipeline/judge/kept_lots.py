"""Results of lots as they are kept: each becomes a result when somebody asks for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import orjson

from pipeline.errors import IntegrityProblem
from schemas.documents import as_bytes, from_json
from schemas.results import LotResult

if TYPE_CHECKING:
    from collections.abc import Iterator

    from schemas.documents import Result

__all__ = ["AT_NO_TIME", "KeptLots", "NoResult", "document_of", "result_of"]

_NO_CONDITION = '"conditions":[]'
"""In a text of a document quotation marks stand escaped, so that no name or sentence looks like this."""


class NoResult(IntegrityProblem):
    """What is kept is no result."""


AT_NO_TIME = datetime.min.replace(tzinfo=UTC)


def document_of(result: LotResult) -> str:
    """Return the JSON of a result but for the moment of the assessment: the same until something else is said."""
    return as_bytes(replace(result, as_of=AT_NO_TIME)).decode("utf-8", "surrogatepass")


def result_of(kind: type[Result], name: str, document: str) -> Result:
    """Return the result that was kept as a document.

    Raises
    ------
    NoResult
        If it is none, though the chain vouches for it.
    """
    try:
        found: object = from_json(kind, orjson.loads(document))
    except (ValueError, KeyError, TypeError, AttributeError):
        found = None
    if not isinstance(found, kind):
        raise NoResult(
            f"What is kept of {name} beside the history is no result. Run: annealog verify (it takes away what is kept, and everything "
            "is judged anew)."
        )
    return found


class KeptLots(Mapping[str, LotResult]):
    """The results of all lots, by name.

    Parameters
    ----------
    documents
        JSON by lot, sorted.
    as_of
        Moment of the assessment, which every result states; none stands in a document.
    """

    def __init__(self, documents: dict[str, str], as_of: datetime) -> None:
        self._documents, self._as_of = documents, as_of
        self._made: dict[str, LotResult] = {}

    def __getitem__(self, lot: str) -> LotResult:
        """Return the result of a lot."""
        if lot not in self._made:
            self._made[lot] = replace(result_of(LotResult, lot, self._documents[lot]), as_of=self._as_of)
        return self._made[lot]

    def said(self, lot: str) -> str:
        """Return the document of a lot as it is kept, without the moment of the assessment."""
        return self._documents[lot]

    def with_conditions(self) -> list[LotResult]:
        """Return the results that state a condition: few of many, and only these are made."""
        asked = (self[lot] for lot, said in self._documents.items() if _NO_CONDITION not in said)
        return [result for result in asked if result.conditions]

    def __contains__(self, lot: object) -> bool:
        """Whether there is such a lot."""
        return lot in self._documents

    def __iter__(self) -> Iterator[str]:
        """Go through the names."""
        return iter(self._documents)

    def __len__(self) -> int:
        """Return how many lots there are."""
        return len(self._documents)
