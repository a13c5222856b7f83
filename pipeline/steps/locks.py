"""One service a workspace: a lock file that names its holder and does not outlive it."""

from __future__ import annotations

import contextlib
import json
import os
import socket
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, HistoryBusy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

__all__ = ["only_one"]


@contextlib.contextmanager
def only_one(path: Path, what: str, note: Callable[[str], None]) -> Iterator[None]:
    """Hold the lock while the block runs.

    A lock of a process of this computer that is gone is taken over, with a note. One of another computer is refused,
    since nobody here can see whether that process lives.

    Raises
    ------
    HistoryBusy
        If another process holds it.
    EnvironmentProblem
        If it cannot be written.
    """
    me = {"host": socket.gethostname(), "pid": os.getpid(), "since": datetime.now(UTC).isoformat(timespec="seconds")}
    for _ in range(3):
        try:
            descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
        except FileExistsError:
            _take_over(path, what, me["host"], note)
            continue
        except OSError as error:
            raise EnvironmentProblem(f"Cannot write {path}: {error.strerror}.") from None
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(me, file)
        break
    else:
        raise HistoryBusy(f"Another {what} took {path} at the same moment. Try again.")
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


def _take_over(path: Path, what: str, host: object, note: Callable[[str], None]) -> None:
    try:
        holder = json.loads(path.read_text(encoding="utf-8"))
        there, pid, since = str(holder["host"]), int(holder["pid"]), str(holder["since"])
    except FileNotFoundError:
        return
    except (OSError, ValueError, KeyError, TypeError):
        # written by a process that died while it wrote
        note(f"{path} could not be read and was taken over.")
        path.unlink(missing_ok=True)
        return
    if there != host:
        raise HistoryBusy(
            f"A {what} of this workspace runs on {there} (process {pid}, since {since}). If it is certain that it does not, "
            f"remove {path} and start again."
        )
    if pid != os.getpid() and _alive(pid):
        raise HistoryBusy(f"A {what} of this workspace runs already: process {pid} of {there}, since {since}.")
    note(f"The lock of process {pid} of {there}, which is gone, was taken over.")
    path.unlink(missing_ok=True)


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
