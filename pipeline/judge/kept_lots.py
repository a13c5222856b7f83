"""Results of lots as they are kept: each becomes a result when somebody asks for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import orjson

from schemas.documents import as_bytes, from_json
from schemas.results import LotResult

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["AT_NO_TIME", "KeptLots", "document_of"]

_NO_CONDITION = '"conditions":[]'
"""In a text of a document quotation marks stand escaped, so that no name or sentence looks like this."""

AT_NO_TIME = datetime.min.replace(tzinfo=UTC)


def document_of(result: LotResult) -> str:
    """Return the JSON of a result but for the moment of the assessment: the same until something else is said."""
    return as_bytes(replace(result, as_of=AT_NO_TIME)).decode("utf-8", "surrogatepass")


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
            found = from_json(LotResult, orjson.loads(self._documents[lot]))
            self._made[lot] = replace(found, as_of=self._as_of)
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
