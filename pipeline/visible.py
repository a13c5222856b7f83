"""Text from outside made safe to print and to store. On its own, so that a command that only looks imports no frames."""

from __future__ import annotations

__all__ = ["shown"]


def shown(text: str, longest: int = 80) -> str:
    """Return text safe to print: control, direction and odd space characters as escapes, cut after `longest` characters.

    Parameters
    ----------
    text
        Anything from a file.
    longest
        Characters kept.
    """
    cut = text if len(text) <= longest else text[:longest] + "…"
    if cut.isprintable():
        return cut
    return "".join(mark if mark.isprintable() else _escaped(mark) for mark in cut)


def _escaped(mark: str) -> str:
    code = ord(mark)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
