"""Memory of a process that runs for weeks, where the C library is glibc; elsewhere nothing is done.

glibc gives each thread an arena of its own, up to eight for each core. A hundred short-lived threads of the libraries leave
each of them a little fuller than they found it: after an hour of a busy line, 150 MB lay in arenas of threads, after half an
hour 24 MB where there were two.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc

__all__ = ["give_back", "keep_together"]

_M_ARENA_MAX = -8  # malloc.h of glibc
_ARENAS = 2


def keep_together() -> None:
    """Let all threads share few arenas. To be called before there are threads."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, _ARENAS)


def give_back() -> None:
    """Give memory that was freed back to the operating system."""
    gc.collect()
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
