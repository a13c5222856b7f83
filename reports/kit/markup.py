"""HTML that is safe by construction: text is escaped where it enters, and only :class:`Html` passes unchanged.

Everything that came from a file (ids, operators, remarks, sentences that quote them) is text. It goes through
:func:`visible`, so that a reader sees control and bidirectional characters instead of being misled by them, and then
through `html.escape`.
"""

from __future__ import annotations

import hashlib
import html
import re
import unicodedata
from functools import lru_cache

__all__ = ["VOID", "Html", "element", "isolated", "join", "shorten", "text", "visible"]

VOID = frozenset({"meta", "link", "br", "input", "rect", "path", "circle", "line", "use"})
"""Elements written without an end tag, or (in SVG) closed in themselves."""

_SVG_VOID = frozenset({"rect", "path", "circle", "line", "use"})

_TAG = re.compile(r"[a-z][a-zA-Z0-9]*")

_ORDINARY = re.compile(
    r"[ -~\u00a1-\u00ac\u00ae-\u02ff\u0391-\u03a9\u03b1-\u03c9\u2013\u2014\u2018-\u201d\u2026\u2212]*"
)
"""Text that holds nothing to make visible; spares most text the look at each character."""


class Html(str):
    """Markup that is known to be safe."""

    __slots__ = ()


def visible(value: str) -> str:
    """Show control, format, bidirectional and unpaired surrogate characters by their code point.

    Parameters
    ----------
    value
        Any text, also one with unpaired surrogates.

    Returns
    -------
    str
        Text without control characters that any encoder takes.
    """
    if _ORDINARY.fullmatch(value):
        return value
    return "".join(map(_visible_character, value))


def _visible_character(character: str) -> str:
    if unicodedata.category(character) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}:
        return f"⟨U+{ord(character):04X}⟩"
    return character


def shorten(value: str, length: int = 60) -> str:
    """Shorten a long text; what is left out is replaced by a mark that differs between different texts.

    Parameters
    ----------
    value
        Any text.
    length
        Longest text kept as it is, in characters; about the length of the result otherwise.

    Returns
    -------
    str
        Such as ``AAAA…(10 000 characters, #1f2e3d4c)``.
    """
    if len(value) <= length:
        return value
    mark = hashlib.sha256(value.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    tail = f"…({len(value)} characters, #{mark})"
    return value[: max(length - len(tail), 8)] + tail


def text(value: object) -> Html:
    """Return anything as escaped text; :class:`Html` passes unchanged, None is nothing."""
    if type(value) is str and len(value) < _LONG:  # as most are
        return _short(value)
    if isinstance(value, Html):
        return value
    return _NOTHING if value is None else _escaped(str(value))


def _escaped(value: str) -> Html:
    """Return text that neither hides a character nor ends what it stands in. Short texts come again and again."""
    return _short(value) if len(value) < _LONG else Html(html.escape(visible(value), quote=True))


_LONG = 100
_NOTHING = Html("")


@lru_cache(maxsize=1 << 14)
def _short(value: str) -> Html:
    return Html(html.escape(visible(value), quote=True))


@lru_cache(maxsize=1 << 14, typed=True)
def _start(name: str, /, **attributes: object) -> str:
    """Return the start of an element without its last sign. Most come again and again."""
    if _TAG.fullmatch(name) is None:
        raise ValueError(f"{name!r} is no name of an element")
    written = []
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        attribute = key.rstrip("_").replace("_", "-")
        # an attribute value is always escaped, even when it is markup
        written.append(f" {attribute}" if value is True else f' {attribute}="{_escaped(str(value))}"')
    return f"<{name}{''.join(written)}"


def join(parts: object, separator: str = "") -> Html:
    """Join texts and markup; `parts` is any iterable."""
    return Html(separator.join([part if type(part) is Html else text(part) for part in parts]))  # type: ignore[attr-defined]


def element(name: str, /, *children: object, **attributes: object) -> Html:
    """Return one element; children and attribute values are escaped unless they are :class:`Html`.

    Parameters
    ----------
    name
        Name of the element. It comes from our own code, never from data.
    *children
        Text, markup or None.
    **attributes
        `class_` stands for ``class``, an underscore inside a name for a hyphen. None and False leave the attribute
        out, True writes it without a value.

    Raises
    ------
    ValueError
        If the name of the element is none.
    """
    start = _start(name, **attributes)
    if name in VOID:
        return Html(start + ("/>" if name in _SVG_VOID else ">"))
    inside = "".join([part if type(part) is Html else text(part) for part in children])
    return Html(f"{start}>{inside}</{name}>")


_SHORT = 24


def isolated(value: object, length: int = 60) -> Html:
    """Return an id as text whose direction of writing does not reach what stands around it.

    A short id stays on one line; an empty one is shown as ∅, and blanks are shown where there is nothing else.
    """
    return _isolated(str(value), length)


@lru_cache(maxsize=1 << 14)
def _isolated(name: str, length: int) -> Html:
    name = shorten(name, length)
    if not name.strip():
        name = name.replace(" ", "⟨U+0020⟩") or "∅"
    return element("bdi", name, class_="long" if len(visible(name)) > _SHORT else None)
