"""The reader and the writer: the only functions that touch files of a workspace."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["archive", "archived", "cannot", "collect", "read_bytes", "sha256_of", "tree_state", "write_atomically"]


def cannot(action: str, path: Path, error: OSError) -> EnvironmentProblem:
    """Return the error that says what could not be done with a file, and why."""
    if error.errno in (errno.ENOSPC, errno.EFBIG, errno.EDQUOT):  # the disk, a limit or a quota
        return EnvironmentProblem(f"Cannot {action} {path}: the disk is full. Free some space and try again.")
    return EnvironmentProblem(f"Cannot {action} {path}: {error.strerror}.")


def read_bytes(path: Path, cap_bytes: int) -> bytes:
    """Read a file once; the size is looked at first, on the same open file.

    Raises
    ------
    UsageError
        If it is larger than the cap, or no regular file.
    EnvironmentProblem
        If it cannot be read.
    """
    try:
        with path.open("rb") as file:
            state = os.fstat(file.fileno())
            if not stat.S_ISREG(state.st_mode):
                raise UsageError(f"{path} is no regular file.")
            if state.st_size > cap_bytes:
                raise UsageError(
                    f"{path} has {state.st_size / 1e6:.0f} MB, more than size_cap_mb = {cap_bytes / 1e6:.0f} allows. "
                    "Split the file, or raise the cap in annealog.toml."
                )
            return file.read()
    except OSError as error:
        raise cannot("read", path, error) from None


def collect(paths: Iterable[Path]) -> tuple[list[Path], list[str]]:
    """Return the files to load, in order of name, and what was passed over and why.

    A folder stands for the files in it and below. Hidden files, links and unfinished copies (``.part``, ``.tmp``) inside
    folders are passed over; a file named outright is always taken.

    Raises
    ------
    UsageError
        If a path does not exist.
    """
    files: list[Path] = []
    passed: list[str] = []
    for path in paths:
        if path.is_file():
            files.append(path)
        elif path.is_dir():
            for item in sorted(path.rglob("*")):
                if item.is_symlink():
                    passed.append(f"{item}: a link, not followed")
                elif any(part.startswith(".") for part in item.relative_to(path).parts) or item.suffix in (
                    ".part",
                    ".tmp",
                ):
                    continue
                elif item.is_file():
                    files.append(item)
        else:
            raise UsageError(f"There is no file or folder {path}.")
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
