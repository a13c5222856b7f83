"""The published snapshot: the history's tables as Parquet with a manifest of hashes, swapped in one step.

A snapshot is read only while the hash of its manifest stands in the journal, as a note of the chain of events.

Reports and commands that look read it, so that they never keep a loader waiting, nor wait for one. `publish` writes it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pipeline.errors import SnapshotDamaged
from pipeline.history.journal import Journal

if TYPE_CHECKING:
    from pathlib import Path


__all__ = [
    "Snapshot",
    "folder_of",
    "sha256_of",
    "signature",
    "withdraw_snapshot",
]


def folder_of(history: Path) -> Path:
    """Return where the snapshots of a history lie."""
    return history.parent.parent / "snapshot"


def signature(history: Path) -> list[int]:
    """Return what tells whether anything was written since: sizes and times of file, log and findings of `verify`."""
    found = []
    for path in (history, history.with_name(history.name + ".wal"), history.parent / "findings.json"):
        try:
            state = path.stat()
            found += [state.st_size, state.st_mtime_ns]
        except FileNotFoundError:
            found += [-1, -1]
    return found


def withdraw_snapshot(history: Path) -> None:
    """Take the pointer to the snapshot away: nothing that it says is believed any more."""
    (folder_of(history) / "current.json").unlink(missing_ok=True)


def sha256_of(path: Path) -> str:
    """Return the hash of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A published snapshot, its manifest read and checked."""

    root: Path
    folder: Path
    manifest: dict[str, Any]

    @classmethod
    def current(cls, history: Path) -> Snapshot | None:
        """Return the current snapshot of the history at a path, or None where there is none that is whole."""
        root = folder_of(history)
        for _ in range(3):  # a publication may take the folder away between two reads
            try:
                pointer = json.loads((root / "current.json").read_bytes())
                folder = root / pointer["folder"]
                data = (folder / "manifest.json").read_bytes()
            except FileNotFoundError:
                continue
            except (OSError, ValueError, KeyError, TypeError):
                return None
            digest = hashlib.sha256(data).hexdigest()
            if digest != pointer.get("manifest") or not Journal(history).vouches(digest):
                return None
            return cls(root, folder, json.loads(data))
        return None

    @classmethod
    def there(cls, history: Path) -> bool:
        """Whether a snapshot lies beside the history, whole or not."""
        return (folder_of(history) / "current.json").exists()

    @classmethod
    def up_to_date(cls, history: Path) -> Snapshot | None:
        """Return the current snapshot where nothing was written since; else None."""
        found = cls.current(history)
        return found if found is not None and found.fresh(history) else None

    @property
    def made_at(self) -> datetime:
        """When it was taken."""
        return datetime.fromisoformat(self.manifest["made_at"])

    def fresh(self, history: Path) -> bool:
        """Whether the history was not written since."""
        return bool(self.manifest["history"] == signature(history))

    def whole(self) -> bool:
        """Whether every file is there and agrees with its hash."""
        try:
            return all(sha256_of(self.root / name) == digest for name, digest in self.manifest["files"].items())
        except OSError:
            return False

    def _read(self, name: str) -> Path:
        path = self.root / name
        try:
            digest = sha256_of(path)
        except OSError as error:
            raise SnapshotDamaged(f"The snapshot's {path} cannot be read: {error.strerror}. {_ANEW}") from None
        if digest != self.manifest["files"][name]:
            raise SnapshotDamaged(f"The snapshot's {path} has changed: its hash does not agree. {_ANEW}")
        return path

    def document(self, name: str) -> Any:
        """Return a result kept beside the tables, or None.

        Raises
        ------
        SnapshotDamaged
            If its hash does not agree.
        """
        place = f"{self.folder.name}/{name}.json"
        return json.loads(self._read(place).read_bytes()) if place in self.manifest["files"] else None

    def tables(self) -> dict[str, Any]:
        """Return the tables as Arrow data sets, each file's hash looked at first.

        Raises
        ------
        SnapshotDamaged
            If a hash does not agree.
        """
        from pyarrow import dataset

        return {
            name: dataset.dataset([str(self._read(place)) for place in places], format="parquet")
            for name, places in self.manifest["tables"].items()
        }


_ANEW = "Take a new one: annealog snapshot"
