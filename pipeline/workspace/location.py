"""Where a workspace may lie: on a disk of this computer, and not open to everybody's hand."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from pipeline.workspace.settings import Workspace

__all__ = ["check_place", "open_to_all", "shared_place"]

_NETWORK = frozenset(
    {
        "nfs", "nfs4", "cifs", "smb2", "smb3", "smbfs", "afs", "ceph", "glusterfs", "lustre", "gfs2", "ocfs2", "davfs",
        "ncpfs", "fuse.sshfs", "fuse.rclone", "fuse.davfs", "fuse.glusterfs", "fuse.s3fs", "fuse.curlftpfs",
    }
)  # fmt: skip
"""File systems of the network. Their locks are not kept by all, so two computers could write one history."""

_SYNC_MARKS = (".stfolder", ".dropbox", ".dropbox.cache", ".sync", ".owncloudsync.log", ".SynologyWorkingDirectory")
_SYNC_NAMES = ("onedrive", "dropbox", "google drive", "googledrive", "nextcloud", "owncloud", "icloud drive")
"""What clients that copy a folder to other computers leave in it, or call it. They copy a history while it is written."""


def _mounts() -> str:
    try:
        return Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def _file_system(path: Path, mounts: str) -> str:
    """Return the kind of file system that holds a path (proc(5), mountinfo: the fields behind the lone hyphen)."""
    best, kind = "", ""
    for line in mounts.splitlines():
        before, dash, after = line.partition(" - ")
        fields = before.split()
        if not dash or len(fields) < 5:
            continue
        place = fields[4].replace("\\040", " ").replace("\\011", "\t").replace("\\134", "\\")
        inside = str(path) == place or str(path).startswith(place.rstrip("/") + "/")
        if inside and len(place) >= len(best):
            best, kind = place, after.split()[0]
    return kind


def shared_place(folder: Path) -> str | None:
    """Return in words why a history must not lie in a folder; None where it may.

    Parameters
    ----------
    folder
        Of the history.
    """
    whole = folder.resolve()
    kind = _file_system(whole, _mounts())
    if kind in _NETWORK:
        return f"it lies on a network file system ({kind}), whose locks do not keep two computers from writing at once"
    if str(whole).startswith("\\\\"):
        return "it lies on a network share, whose locks do not keep two computers from writing at once"
    for parent in (whole, *whole.parents):
        mark = next((name for name in _SYNC_MARKS if (parent / name).exists()), None)
        named = parent.name.lower().startswith(_SYNC_NAMES)
        if mark or named:
            why = f"{parent} is copied to other computers by a sync client ({mark or parent.name})"
            return f"{why}, which would copy the history while it is written"
    return None


def check_place(workspace: Workspace) -> None:
    """Refuse a history on a network or sync folder, unless the settings name who decided otherwise.

    Raises
    ------
    EnvironmentProblem
        With the reason and what to do.
    """
    if workspace.settings.network_history_decision.strip():
        return
    why = shared_place(workspace.history.parent)
    if why is not None:
        raise EnvironmentProblem(
            f"The history {workspace.history} is not opened: {why}. Keep the workspace on a disk of this computer; the folders "
            "that are watched may lie anywhere. If it must stay there, say in annealog.toml who decided so and why: "
            'network_history_decision = "..."; the decision is recorded.'
        )


def open_to_all(workspace: Workspace) -> list[Path]:
    """Return the parts of a workspace that everybody on this computer may change."""
    parts = (workspace.root, workspace.history.parent, workspace.archive, workspace.reference, workspace.layouts)
    found = []
    for path in parts:
        try:
            mode = path.stat().st_mode
        except OSError:
            continue
        if mode & stat.S_IWOTH and not mode & stat.S_ISVTX:
            found.append(path)
    return found
