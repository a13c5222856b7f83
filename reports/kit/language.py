"""The language of pages: English stands in `reports/words`; another language is one table of the same keys.

Those modules hold nothing but dictionaries of texts, which the reports look up when they write. To speak another language
their values are replaced for the time of one rendering.
"""

from __future__ import annotations

import importlib
import pkgutil
import string
from contextlib import contextmanager
from functools import lru_cache
from threading import RLock
from typing import TYPE_CHECKING, Any

from reports import words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["ENGLISH", "catalogue", "complaints", "spoken", "spoken_text"]

ENGLISH = "en"
_NO_TEXT = frozenset({"process.TONE"})
"""Dictionaries beside the texts that are no texts: which shape a state takes."""
_lock = RLock()


@lru_cache(maxsize=1)
def _dictionaries() -> dict[str, dict[Any, str]]:
    """Return every dictionary of texts by the name of its module and its own."""
    found: dict[str, dict[Any, str]] = {}
    seen: set[int] = set()
    for module in sorted(module.name for module in pkgutil.iter_modules(words.__path__)):
        for name, value in sorted(vars(importlib.import_module(f"{words.__name__}.{module}")).items()):
            texts = isinstance(value, dict) and not name.startswith("__") and f"{module}.{name}" not in _NO_TEXT
            if texts and id(value) not in seen:
                seen.add(id(value))
                found[f"{module}.{name}"] = value
    return found


def _named(key: Any) -> str:
    return {True: "yes", False: "no", None: "none"}[key] if key is None or isinstance(key, bool) else str(key)


def catalogue() -> dict[str, str]:
    """Return every text that is spoken now, by a key such as ``general.SECTION.why``."""
    return {
        f"{name}.{_named(key)}": text
        for name, texts in _dictionaries().items()
        for key, text in sorted(texts.items(), key=lambda pair: _named(pair[0]))
    }


def spoken_text(dictionary: str, key: str) -> str:
    """Return one text as it is spoken now, such as that of ``general.KEY`` and ``cpk``."""
    return _dictionaries()[dictionary][key]


def _fields(text: str) -> set[str]:
    return {field for _, field, _, _ in string.Formatter().parse(text) if field is not None}


def complaints(texts: Mapping[str, str]) -> list[str]:
    """Return what keeps a table of texts from being a whole language: what is missing, unknown, or loses a value.

    Parameters
    ----------
    texts
        By the keys of :func:`catalogue`.

    Returns
    -------
    list of str
        Sentences; empty where the table is complete.
    """
    english = catalogue()
    found = [f"{key}: no text; in English {text!r}" for key, text in english.items() if key not in texts]
    for key, text in texts.items():
        if key not in english:
            found.append(f"{key}: no text of the pages has this key")
            continue
        try:
            fields = _fields(text)
        except ValueError as error:
            found.append(f"{key}: {error}")
            continue
        if fields != _fields(english[key]):
            wanted = ", ".join(f"{{{field}}}" for field in sorted(_fields(english[key]))) or "nothing"
            found.append(f"{key}: expected {wanted} in braces")
    return found


@contextmanager
def spoken(texts: Mapping[str, str] | None) -> Iterator[None]:
    """Speak another language inside the block; None is English.

    One rendering at a time does so: the texts belong to the whole process.
    """
    if texts is None:
        yield
        return
    with _lock:
        before = {name: dict(values) for name, values in _dictionaries().items()}
        try:
            for name, values in _dictionaries().items():
                values.update({key: texts.get(f"{name}.{_named(key)}", text) for key, text in values.items()})
            yield
        finally:
            for name, values in _dictionaries().items():
                values.update(before[name])
