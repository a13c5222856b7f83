"""The reader and the writer: the only functions that touch files of a workspace."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from pipeline.errors import DiskFull, EnvironmentProblem, UsageError
from pipeline.visible import shown

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "Tree",
    "archive",
    "archived",
    "cannot",
    "collect",
    "named",
    "opened",
    "read_bytes",
    "sha256_of",
    "state_of_file",
    "tree_state",
    "walk",
    "write_atomically",
]

_PASSED = (".", "~$")  # hidden, and what a spreadsheet program lays beside a workbook that is open
_UNFINISHED = (".part", ".tmp", ".partial", ".crdownload", ".filepart")
_LONGEST_PATH = 4096


def named(path: Path | str) -> str:
    """Return a path as it may be printed and stored: a line break or a byte that is no UTF-8 as an escape."""
    text = str(path).encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return shown(text, _LONGEST_PATH)


def cannot(action: str, path: Path, error: OSError) -> EnvironmentProblem:
    """Return the error that says what could not be done with a file, and why."""
    if error.errno in (errno.ENOSPC, errno.EFBIG, errno.EDQUOT):  # the disk, a limit or a quota
        return DiskFull(f"Cannot {action} {named(path)}: the disk is full. Free some space and try again.")
    return EnvironmentProblem(f"Cannot {action} {named(path)}: {error.strerror}.")


def _without_waiting(name: str, flags: int) -> int:
    """Open a file without waiting for the other end, which a named pipe would."""
    return os.open(name, flags | getattr(os, "O_NONBLOCK", 0))


def opened(path: Path) -> BinaryIO:
    """Open a regular file to read; a named pipe or a device is refused, and nothing waits for it.

    Raises
    ------
    UsageError
        If it is no regular file.
    OSError
        If it cannot be opened.
    """
    file = open(path, "rb", opener=_without_waiting)  # noqa: SIM115 - a Path's own open takes no opener
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise UsageError(f"{named(path)} is no regular file.")
    return file


def read_bytes(path: Path, cap_bytes: int | None = None) -> bytes:
    """Read a file once; kind and size are looked at first, on the same open file.

    Raises
    ------
    UsageError
        If it is larger than the cap, or no regular file.
    EnvironmentProblem
        If it cannot be read.
    """
    try:
        with opened(path) as file:
            size = os.fstat(file.fileno()).st_size
            if cap_bytes is not None and size > cap_bytes:
                raise UsageError(
                    f"{named(path)} has {size / 1e6:.0f} MB, more than size_cap_mb = {cap_bytes / 1e6:.0f} allows. "
                    "Split the file, or raise the cap in annealog.toml."
                )
            return file.read()
    except OSError as error:
        raise cannot("read", path, error) from None


@dataclass(slots=True)
class Tree:
    """What lies in a folder and below.

    Parameters
    ----------
    files
        Size and time (ns) of each regular file, by path.
    unread
        Why a folder could not be read to its end, by path.
    passed
        Links and what else is no regular file, by path, and why it was passed over.
    """

    files: dict[str, tuple[int, int]] = field(default_factory=dict)
    unread: dict[str, str] = field(default_factory=dict)
    passed: dict[str, str] = field(default_factory=dict)


def walk(folder: Path, *, everything: bool = False) -> Tree:
    """Look at a folder and below, however deep; a folder that cannot be read costs itself alone. Links are not followed.

    Parameters
    ----------
    folder
        Where to begin.
    everything
        Take what is hidden and unfinished copies, too.
    """
    found = Tree()
    folders = [str(folder)]
    while folders:
        here = folders.pop()
        try:
            with os.scandir(here) as items:
                for item in items:
                    if item.name.startswith(_PASSED) and not everything:
                        continue
                    try:
                        state = item.stat(follow_symlinks=False)
                    except FileNotFoundError:
                        continue
                    if stat.S_ISDIR(state.st_mode):
                        folders.append(item.path)
                    elif stat.S_ISLNK(state.st_mode):
                        found.passed[item.path] = "a link, not followed"
                    elif not stat.S_ISREG(state.st_mode):
                        found.passed[item.path] = "no regular file"
                    elif everything or not item.name.lower().endswith(_UNFINISHED):
                        found.files[item.path] = (state.st_size, state.st_mtime_ns)
        except OSError as error:
            found.unread[here] = error.strerror or str(error)
    return found


def collect(paths: Iterable[Path]) -> tuple[list[Path], list[str]]:
    """Return the files to load, in order of name, and what was passed over and why.

    A folder stands for the files in it and below. Hidden files, links and unfinished copies (``.part``, ``.tmp``) inside
    folders are passed over; a file named outright is always taken. A folder below that cannot be read stands among the
    files: whoever reads it says why it cannot be.

    Raises
    ------
    UsageError
        If a path does not exist, or is no regular file.
    """
    files: list[Path] = []
    passed: list[str] = []
    for path in paths:
        if path.is_file():
            files.append(path)
        elif path.is_dir():
            found = walk(path)
            files += sorted(map(Path, (*found.files, *found.unread)))
            passed += [f"{named(item)}: {why}" for item, why in sorted(found.passed.items())]
        elif path.exists():
            raise UsageError(f"{named(path)} is no regular file.")
        else:
            raise UsageError(f"There is no file or folder {named(path)}.")
    return list(dict.fromkeys(files)), passed


def archived(folder: Path, sha256: str) -> Path:
    """Return where a raw file of this hash lies in the archive."""
    return folder / sha256[:2] / sha256


def archive(folder: Path, data: bytes, sha256: str) -> Path:
    """Keep the bytes of a file by their hash; a file already there is left alone."""
    place = archived(folder, sha256)
    if not (place.is_file() and place.stat().st_size == len(data)):
        write_atomically(place, data)
    return place


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: temporary file beside it, then rename.

    Raises
    ------
    EnvironmentProblem
        If the disk is full or the folder cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".tmp")
    except OSError as error:
        raise cannot("write", path, error) from None
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise cannot("write", path, error) from None


def sha256_of(data: bytes) -> str:
    """Return the SHA-256 of some bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def tree_state(folders: Iterable[Path]) -> str:
    """Return a text that differs when a file of some folders was written, added or taken away."""
    found = []
    for folder in folders:
        try:
            with os.scandir(folder) as items:
                for item in sorted(items, key=lambda item: item.name):
                    state = item.stat()
                    found.append(f"{item.path} {state.st_size} {state.st_mtime_ns}")
        except OSError:
            found.append(f"{folder} -")
    return "\n".join(found)


def state_of_file(path: Path) -> list[int]:
    """Return size and time of a file, which tell whether it was written since; nothing where there is none."""
    try:
        state = path.stat()
    except OSError:
        return []
    return [state.st_size, state.st_mtime_ns]
