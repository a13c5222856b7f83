"""A whole workspace in one file, and back."""

from __future__ import annotations

import contextlib
import hashlib
import json
import zipfile
import zlib
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, IntegrityProblem, UsageError
from pipeline.history.store import History
from pipeline.settings import SETTINGS_FILE
from pipeline.steps.pages import software_version

if TYPE_CHECKING:
    from pipeline.settings import Workspace

__all__ = ["backup", "restore"]

_MANIFEST = "manifest.json"
_KEPT = ("reference", "layouts", "inbox", "archive", "pages", "history")


def _files(workspace: Workspace) -> list[Path]:
    found = [workspace.root / SETTINGS_FILE]
    for name in _KEPT:
        found += [
            p
            for p in sorted((workspace.root / name).rglob("*"))
            if p.is_file() and not p.is_symlink() and p.suffix not in (".tmp", ".wal")
        ]
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
                name = path.relative_to(workspace.root).as_posix()
                data = path.read_bytes()
                manifest[name] = hashlib.sha256(data).hexdigest()
                file.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
            file.writestr(_MANIFEST, json.dumps({"software_version": software_version(), "files": manifest}, indent=1))
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise EnvironmentProblem(f"Cannot write {target}: {error.strerror}.") from None
    return len(manifest)


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
        with zipfile.ZipFile(source) as file:
            manifest = json.loads(file.read(_MANIFEST))["files"]
            for name, digest in manifest.items():
                place = PurePosixPath(name)
                if place.is_absolute() or ".." in place.parts:
                    raise IntegrityProblem(
                        f"{source} names a file outside the workspace: {name!r}. Nothing more was unpacked."
                    )
                data = file.read(name)
                if hashlib.sha256(data).hexdigest() != digest:
                    raise IntegrityProblem(f"{source}: {name} does not agree with its hash. Use another backup.")
                path = folder / place
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
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
        raise EnvironmentProblem(f"Cannot restore {source}: {error.strerror}.") from None
    (folder / "inbox").mkdir(exist_ok=True)
    return len(manifest)
