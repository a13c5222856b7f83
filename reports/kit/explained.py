"""Labels, flags and rules of pages as links to the method pages of the handbook.

A page asks for nothing: sections end with links to the method pages of what they show, and where a label is written
(`tables.facts`, `tables.ledger`, the heads of columns) the text that is spoken now is looked up here. The same word may mean two
things on pages of two kinds (z), so the texts of a page's own kind go before those of all pages.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from reports.kit.address import PARENT, address, kind_of
from reports.kit.language import spoken_text
from reports.kit.links import exists, here, labels, linked_to
from reports.kit.markup import Html, element, join, text
from reports.kit.methods import METHODS
from reports.words import handbook as words

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "explained",
    "flag_explained",
    "method_address",
    "rule_explained",
    "rules_explained",
    "section_methods",
]

_OWN_WORDS = {
    "lot": ("lot_detail", "uncertainty", "corrections"),
    "meter": ("drift", "uncertainty", "event", "meter"),
    "block": ("block",),
    "event": ("event",),
    "process": ("process",),
    "supplier": ("process",),
    "study": ("study",),
    "review": ("review",),
}
"""Modules of texts that go before those of all pages, the last one first, by kind of page."""

_LISTS = frozenset({"index", "month"})

_BY_FLAG = {code: method.name for method in METHODS for code in method.flags.split()}
_BY_RULE = {rule: method.name for method in METHODS for rule in method.rules.split()}


@lru_cache(maxsize=32)
def _keys(kind: str) -> tuple[tuple[str, str, str], ...]:
    """Return dictionary, key and method of the labels on a kind of page; the later go before the earlier."""
    found = [
        (name, key, method.name) for method in METHODS for name, keys in method.labels.items() for key in keys.split()
    ]
    order = {module: place for place, module in enumerate(("general", *_OWN_WORDS.get(kind, ())))}
    own = [one for one in found if one[0].partition(".")[0] in order]
    return tuple(sorted(own, key=lambda one: order[one[0].partition(".")[0]]))


def _kind(place: str) -> str:
    """Return the kind of page: what holds the long part of another page speaks as that one does."""
    kind = kind_of(place)
    return PARENT.get(kind, kind)


def method_address(name: str) -> str:
    """Return the address of a method page."""
    return address("handbook", f"method-{name}")


def _linked(name: str | None, shown: Html) -> Html:
    place = here()
    return shown if name is None or not place else linked_to(place, method_address(name), shown)


def explained(label: object) -> Html:
    """Return a label as a link to its method page; as it is where it has none, or no handbook is there."""
    if not here() or not isinstance(label, str) or isinstance(label, Html):
        return text(label)
    return _linked(labels(_spoken).get(label), text(label))


def _spoken() -> dict[str, str]:
    """Return the method of each label of this page, as it is spoken now.

    Heads of columns in lists of lots are buttons that sort, and no link may stand in a button; what is listed has pages of its own.
    """
    if kind_of(here()) in _LISTS:
        return {}
    return {spoken_text(name, key): method for name, key, method in _keys(_kind(here()))}


@lru_cache(maxsize=256)
def _of_section(kind: str, section: str) -> tuple[str, ...]:
    return tuple(method.name for method in METHODS if section in method.sections.get(kind, "").split())


def section_methods(section: str) -> Html:
    """Return the links that end a section of this page; nothing where it has none, or no handbook is there."""
    place = here()
    kind = _kind(place)
    links = [
        linked_to(place, method_address(name), text(words.METHOD[name]))
        for name in _of_section(kind, section)
        if place and exists(method_address(name))
    ]
    return element("p", words.FRAGMENT["how"], " ", join(links, "; "), class_="how") if links else Html("")


def flag_explained(code: str, shown: object) -> Html:
    """Return the name of a flag as a link to its method page."""
    return _linked(_BY_FLAG.get(code), text(shown))


def rule_explained(rule: str) -> Html:
    """Return the id of a rule as a link to its method page."""
    return _linked(_BY_RULE.get(rule), text(rule))


def rules_explained(rules: Iterable[str]) -> Html:
    """Return ids of rules, each as a link to its method page."""
    return join(map(rule_explained, rules), ", ")
