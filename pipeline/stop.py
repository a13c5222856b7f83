"""Stopping from the keyboard between two files or pages, not in the middle of one.

An interrupt inside a library's native code can surface as a crash of its own. The first one is therefore only noted; the
work looks at it where it is whole. A second one stops at once: transactions and atomic writes keep the history whole then, too.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

__all__ = ["gently", "look", "wait"]

_asked = threading.Event()


@contextlib.contextmanager
def gently(*more: signal.Signals) -> Iterator[None]:
    """Take the first interrupt as a wish to stop at the next whole step, the second one as an order.

    Parameters
    ----------
    *more
        Further signals to take the same way, such as the one a service manager sends.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def note(number: int, _frame: FrameType | None) -> None:
        signal.signal(number, before[number])
        _asked.set()
        sys.stderr.write("\nStopping after what is in hand; press again to stop at once.\n")

    _asked.clear()
    before = {int(number): signal.signal(number, note) for number in (signal.SIGINT, *more)}
    try:
        yield
        look()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        _asked.clear()


def look() -> None:
    """Stop here if somebody asked for it.

    Raises
    ------
    KeyboardInterrupt
        If an interrupt was noted.
    """
    if _asked.is_set():
        raise KeyboardInterrupt


def wait(seconds: float) -> None:
    """Wait, and stop here as soon as somebody asks for it.

    Raises
    ------
    KeyboardInterrupt
        If an interrupt was noted.
    """
    _asked.wait(seconds)
    look()
