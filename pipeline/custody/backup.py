"""A whole workspace in one file, and back."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import zipfile
import zlib
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, IntegrityProblem, UsageError
from pipeline.history.store import History
from pipeline.workspace.files import cannot, named, opened, walk
from pipeline.workspace.program import software_version
from pipeline.workspace.settings import SETTINGS_FILE

if TYPE_CHECKING:
    from pipeline.workspace.settings import Workspace

__all__ = ["backup", "restore"]

_MANIFEST = "manifest.json"
_PIECE_BYTES = 1 << 20
_KEPT = ("reference", "layouts", "inbox", "archive", "pages", "history")


_LARGEST_RATIO = 100
_ALWAYS_BYTES = 100_000_000
"""What text and an empty history pack to is far from this; more is no backup but something that fills disk and memory."""


def _entry(name: str) -> str:
    """Return the name of a file inside the archive; one that is no UTF-8 stands under a hash, its name in the manifest."""
    raw = os.fsencode(name)
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return f"not-utf-8/{hashlib.sha256(raw).hexdigest()}"
    return name


def _files(workspace: Workspace) -> list[Path]:
    found = [workspace.root / SETTINGS_FILE]
    for name in _KEPT:
        folder = workspace.root / name
        tree = walk(folder, everything=True)
        for place, why in tree.unread.items():
            if folder.exists():
                raise EnvironmentProblem(f"Cannot read {named(place)}: {why}. A backup without it would not be whole.")
        found += sorted(path for path in map(Path, tree.files) if path.suffix not in (".tmp", ".wal"))
    return found


def backup(workspace: Workspace, target: Path) -> int:
    """Write settings, reference tables, layouts, raw archive, history and pages into one file.

    The history is locked while it is copied, with its log written into it first.

    Returns
    -------
    int
        Number of files.

    Raises
    ------
    UsageError
        If the target exists.
    EnvironmentProblem
        If it cannot be written.
    """
    if target.exists():
        raise UsageError(f"{target} exists already. Name a new file; a backup never overwrites one.")
    part = target.with_name(f".{target.name}.tmp")
    manifest: dict[str, str] = {}
    try:
        with contextlib.ExitStack() as stack:
            if workspace.history.exists():
                # held until the copy is done, so that no loader writes in between; the history is copied last
                history = stack.enter_context(
                    History.open(workspace.history, write=True, wait_s=workspace.settings.busy_wait_seconds)
                )
                history.checkpoint()
            file = stack.enter_context(zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=6))
            for path in _files(workspace):
                # another system would take such a mark for a folder
                name = path.relative_to(workspace.root).as_posix().replace("\\", "%5C")
                while name in manifest:
                    name += "~"
                data = path.read_bytes()
                manifest[name] = hashlib.sha256(data).hexdigest()
                file.writestr(zipfile.ZipInfo(_entry(name)), data, zipfile.ZIP_DEFLATED)
            file.writestr(_MANIFEST, json.dumps({"software_version": software_version(), "files": manifest}, indent=1))
        part.replace(target)
    except OSError as error:
        raise cannot("write", target, error) from None
    finally:
        part.unlink(missing_ok=True)
    return len(manifest)


def _checked(file: zipfile.ZipFile, source: Path, size: int) -> dict[str, str]:
    """Return hashes by name, when names stay inside the folder and the whole is not larger than a backup can be.

    Raises
    ------
    IntegrityProblem
        For a name that leads outside, here or on another system.
    UsageError
        If it unpacks to too much.
    """
    whole = sum(item.file_size for item in file.infolist())
    if whole > max(_ALWAYS_BYTES, _LARGEST_RATIO * size):
        raise UsageError(
            f"{source} has {size / 1e6:.1f} MB and would unpack to {whole / 1e6:,.0f} MB: no backup packs that well. "
            "Nothing was unpacked."
        )
    manifest: dict[str, str] = json.loads(file.read(_MANIFEST))["files"]
    for name in manifest:
        place = PureWindowsPath(name)  # takes both kinds of marks between names
        if place.drive or place.root or ".." in place.parts or not place.parts or "\0" in name:
            raise IntegrityProblem(f"{source} names a file outside the workspace: {name!r}. Nothing was unpacked.")
    return manifest


def restore(source: Path, folder: Path) -> int:
    """Unpack a backup into a new folder and check every hash.

    Returns
    -------
    int
        Number of files.

    Raises
    ------
    UsageError
        If the folder is not empty or the file is no backup.
    IntegrityProblem
        If a hash does not agree; the folder is left as it is then.
    """
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty. Restore into a new folder.")
    try:
        with opened(source) as packed, zipfile.ZipFile(packed) as file:
            manifest = _checked(file, source, os.fstat(packed.fileno()).st_size)
            for name, digest in manifest.items():
                path = folder / PurePosixPath(name)
                path.parent.mkdir(parents=True, exist_ok=True)
                found = hashlib.sha256()
                with file.open(_entry(name)) as data, path.open("wb") as out:
                    while piece := data.read(_PIECE_BYTES):
                        found.update(piece)
                        out.write(piece)
                if found.hexdigest() != digest:
                    path.unlink()
                    raise IntegrityProblem(f"{source}: {named(name)} does not agree with its hash. Use another backup.")
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        KeyError,
        ValueError,
        TypeError,
        AttributeError,
        NotImplementedError,  # zipfile: packed by a method that Python does not know
    ) as error:
        raise UsageError(f"{source} is no backup of a workspace: {error}.") from None
    except OSError as error:
        raise cannot("restore", source, error) from None
    (folder / "inbox").mkdir(exist_ok=True)
    return len(manifest)
