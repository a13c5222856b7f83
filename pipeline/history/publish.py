"""How a snapshot is published: written whole beside the one before, then pointed at in one step.

A folder is written whole, then the pointer `current.json` is replaced. Readings lie in parts; each publication writes
one for the files loaded since, together with the last parts where those are small beside it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pipeline.errors import EnvironmentProblem
from pipeline.history.snapshot import Snapshot, folder_of, sha256_of, signature

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.history.store import History

__all__ = ["publish"]

_TIMES_SMALLER = 2
"""Each part holds more than so many times the readings of the one after it, so that there are few however often files come."""


def _write(path: Path, data: bytes) -> str:
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    return hashlib.sha256(data).hexdigest()


def _parts(
    history: History, root: Path, before: Snapshot | None, counts: dict[str, int]
) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Return the parts that hold all readings, writing one for those of files loaded since the snapshot before."""
    old: list[dict[str, Any]] = [] if before is None else list(before.manifest["parts"])
    if before is not None and not before.whole():
        old = []
    if old and old[-1].get("total") != history.readings_up_to(old[-1]["to"]):
        old = []  # lines refused before were read since
    highest, written = history.last_source_id(), {}
    if not old or highest > old[-1]["to"]:
        while old:
            begin = old[-2]["total"] if len(old) > 1 else 0
            if old[-1]["total"] - begin > _TIMES_SMALLER * (counts["reading"] - old[-1]["total"]):
                break
            old.pop()  # small beside what comes: written again together with it
        last = old[-1]["to"] if old else 0
        (root / "parts").mkdir(parents=True, exist_ok=True)
        frame = history.table("reading", after=last, to=highest)
        part = root / "parts" / f".{os.getpid()}.tmp"
        frame.write_parquet(part, compression="zstd", statistics=True)
        digest = sha256_of(part)
        name = f"parts/reading-{last + 1:07}-{highest:07}~{digest[:12]}.parquet"
        part.replace(root / name)
        old.append({"file": name, "to": highest, "total": counts["reading"]})
        written[name] = digest
    known = {} if before is None else before.manifest["files"]
    return old, {part["file"]: written.get(part["file"]) or known[part["file"]] for part in old}


def publish(
    history: History,
    path: Path,
    documents: dict[str, Any],
    *,
    now: datetime | None = None,
) -> Snapshot:
    """Write the tables and some results as the current snapshot.

    Parameters
    ----------
    history
        Open to read, on the file itself.
    path
        Its file.
    documents
        Results to keep beside the tables, as JSON values by name.
    now
        Time of the snapshot.

    Raises
    ------
    EnvironmentProblem
        If it cannot be written; the snapshot before stays.
    """
    root = folder_of(path)
    before = Snapshot.current(path)
    moment = now or datetime.now(UTC)
    numbers = [int(item.name.partition("-")[0]) for item in root.glob("[0-9]*-*")]
    number = max(numbers, default=0) + 1
    folder = root / f"{number:07}-{os.getpid()}"
    try:
        folder.mkdir(parents=True)
        counts = history.counts()
        parts, files = _parts(history, root, before, counts)
        tables = {"reading": [part["file"] for part in parts]}
        for name in counts:
            if name != "reading":
                place = folder / f"{name}.parquet"
                history.table(name).write_parquet(place, compression="zstd")
                files[f"{folder.name}/{place.name}"] = sha256_of(place)
                tables[name] = [f"{folder.name}/{place.name}"]
        for name, value in documents.items():
            text = json.dumps(value, ensure_ascii=False, allow_nan=False).encode()
            files[f"{folder.name}/{name}.json"] = _write(folder / f"{name}.json", text)
        manifest = {
            "made_at": moment.astimezone(UTC).isoformat(),
            "state": history.state(),
            "history": signature(path),
            "counts": counts,
            "tables": tables,
            "parts": parts,
            "files": files,
        }
        digest = _write(folder / "manifest.json", json.dumps(manifest).encode())
        history.note("kept", {"snapshot": digest})
        part = root / f".current.{os.getpid()}.tmp"
        _write(part, json.dumps({"folder": folder.name, "manifest": digest}).encode())
        part.replace(root / "current.json")
    except (OSError, EnvironmentProblem) as error:
        shutil.rmtree(folder, ignore_errors=True)
        for rest in root.glob("**/.*.tmp"):
            rest.unlink(missing_ok=True)
        raise EnvironmentProblem(
            f"The snapshot in {root} cannot be written: {getattr(error, 'strerror', None) or error}. The one before stays."
        ) from None
    _tidy(root, folder, before, set(files))
    return Snapshot(root, folder, manifest)


def _tidy(root: Path, folder: Path, before: Snapshot | None, used: set[str]) -> None:
    """Take away what neither this snapshot nor the one before needs."""
    kept = {folder.name, *(() if before is None else (before.folder.name,))}
    used = used | (set() if before is None else set(before.manifest["files"]))
    for item in root.iterdir():
        with contextlib.suppress(OSError):
            if item.is_dir() and item.name != "parts" and item.name not in kept:
                shutil.rmtree(item, ignore_errors=True)
            elif item.name.endswith(".tmp"):
                item.unlink()
    for item in (root / "parts").glob("*"):
        if f"parts/{item.name}" not in used:
            with contextlib.suppress(OSError):
                item.unlink()
