"""Memory of a process that runs for weeks."""

from __future__ import annotations

import ctypes
import os
import platform
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from needed import lacking

from pipeline.service.memory import give_back, keep_together

if TYPE_CHECKING:
    import pytest

ROOT = Path(__file__).resolve().parents[3]

ARENAS_OF_MANY_THREADS = """
import ctypes, sys, threading
from pipeline.service.memory import give_back, keep_together

libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.fopen.restype = ctypes.c_void_p
if sys.argv[1] == "together":
    keep_together()
everybody = threading.Barrier(24)

def allocate():
    everybody.wait()
    for _ in range(200):
        libc.malloc(5000)
    everybody.wait()

threads = [threading.Thread(target=allocate) for _ in range(24)]
for one in threads:
    one.start()
for one in threads:
    one.join()
give_back()
out = libc.fopen(sys.argv[2].encode(), b"w")
libc.malloc_info(0, ctypes.c_void_p(out))
libc.fclose(ctypes.c_void_p(out))
"""


def test_threads_share_few_arenas(tmp_path: Path) -> None:
    """mallopt(3): M_ARENA_MAX bounds the arenas; malloc_info(3) tells each as a heap."""
    if platform.libc_ver()[0] != "glibc":
        lacking("arenas of threads are glibc's")

    def arenas(how: str) -> int:
        told = tmp_path / how
        subprocess.run(
            [sys.executable, "-c", ARENAS_OF_MANY_THREADS, how, str(told)],
            check=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        return told.read_text(encoding="utf-8").count("<heap nr=")

    assert arenas("together") <= 2 < arenas("apart")


def test_nothing_is_asked_of_another_c_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """One without these calls, or none at all: it was looked for each time, and nothing came of it."""
    looked: list[object] = []

    def other(name: object) -> object:
        looked.append(name)
        return object()

    def none(name: object) -> None:
        looked.append(name)
        raise OSError("there is no C library to load")

    for library in (other, none):
        with monkeypatch.context() as patch:
            patch.setattr(ctypes, "CDLL", library)
            assert keep_together() is give_back() is None  # type: ignore[func-returns-value]
    assert looked == [None] * 4
