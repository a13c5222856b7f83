"""Results that are made of their documents when somebody asks: how many are held at once."""

from __future__ import annotations

import pytest

from pipeline.judge import kept_documents
from pipeline.judge.kept_documents import KeptDocuments, document_of
from schemas.page import PageLink

NAMES = ["a", "b", "c"]


@pytest.mark.parametrize(("most", "held"), [(3, 3), (2, 1)])
def test_no_more_results_are_held_than_may_be(most: int, held: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The results of 80,000 lots took half a gigabyte while their pages were written; those let go of are made again, the same."""
    monkeypatch.setattr(kept_documents, "_MADE", most)
    said = {name: document_of(PageLink("event", name, name, "open", "", None)) for name in NAMES}
    found: KeptDocuments[PageLink] = KeptDocuments(
        PageLink, lambda: NAMES, lambda names: {name: said[name] for name in names}, lambda _: {}
    )
    first = [found[name] for name in NAMES]
    again = [found[name] for name in reversed(NAMES)][::-1]
    assert sum(one is other for one, other in zip(first, again, strict=True)) == held
    assert again == first
