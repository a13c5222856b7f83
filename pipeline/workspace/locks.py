"""One service a workspace: a lock of the operating system, which ends with its holder, beside a note of who that is."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import socket
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pipeline.errors import HistoryBusy
from pipeline.workspace.files import cannot

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

__all__ = ["only_one"]

_LONGEST_NOTE = 4096


@contextlib.contextmanager
def only_one(path: Path, what: str, note: Callable[[str], None]) -> Iterator[None]:
    """Hold the lock while the block runs.

    The file stays, empty while nobody holds it: taking it away would let two processes lock two files of one name. A note
    that was left behind names a process that is gone, whoever has its number now. One of another computer is refused, since
    not every shared disk carries locks to the others.

    Raises
    ------
    HistoryBusy
        If another process holds it.
    EnvironmentProblem
        If it cannot be written.
    """
    me = {"host": socket.gethostname(), "pid": os.getpid(), "since": datetime.now(UTC).isoformat(timespec="seconds")}
    with contextlib.ExitStack() as stack:
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
            stack.callback(os.close, descriptor)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise HistoryBusy(_busy(what, _holder(descriptor))) from None
            _taken_over(path, what, _holder(descriptor), me["host"], note)
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, json.dumps(me).encode(), 0)
        except OSError as error:
            raise cannot("write", path, error) from None
        stack.callback(os.ftruncate, descriptor, 0)
        yield


def _holder(descriptor: int) -> dict[str, str] | None:
    """Return who took the lock last; None where nobody is noted, or only half of a note."""
    try:
        found = json.loads(os.pread(descriptor, _LONGEST_NOTE, 0))
        return {name: str(found[name]) for name in ("host", "pid", "since")}
    except (ValueError, KeyError, TypeError):
        return None


def _busy(what: str, holder: dict[str, str] | None) -> str:
    who = f"process {holder['pid']} of {holder['host']}, since {holder['since']}" if holder else "it has just begun"
    return f"A {what} of this workspace runs already: {who}."


def _taken_over(
    path: Path, what: str, before: dict[str, str] | None, host: object, note: Callable[[str], None]
) -> None:
    if before is None:
        return
    if before["host"] != host:
        raise HistoryBusy(
            f"A {what} of this workspace runs on {before['host']} (process {before['pid']}, since {before['since']}). If it is "
            f"certain that it does not, remove {path} and start again."
        )
    note(f"The lock of process {before['pid']} of {before['host']}, which is gone, was taken over.")
