"""Rows that stand alike told as one: what they share, from where to where, and how often each rule fired."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, TypeVar

from reports.kit.explained import rules_explained
from reports.kit.markup import Html, element, join
from reports.words.general import FRAGMENT

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable

__all__ = ["alike", "rules_counted", "span"]


T = TypeVar("T")


def alike(items: Iterable[T], key: Callable[[T], Hashable]) -> list[list[T]]:
    """Return items in groups of one key, in the order in which each group begins."""
    groups: dict[Hashable, list[T]] = {}
    for item in items:
        groups.setdefault(key(item), []).append(item)
    return list(groups.values())


def span(low: str, high: str) -> str:
    """Return two ends as they are written, or the one where they are the same."""
    return low if low == high else FRAGMENT["span"].format(low=low, high=high)


def rules_counted(rules: Iterable[str]) -> Html:
    """Return how often each rule fired, each with a link to its method."""
    counts = sorted(Counter(rules).items())
    return join([element("bdi", rules_explained((rule,)), f" × {n}") for rule, n in counts], ", ")
