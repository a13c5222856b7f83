"""What has arrived in the watched folders: files that have held still, told apart from those dealt with already."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import AnnealogError
from pipeline.workspace.files import read_bytes, walk, write_atomically

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

__all__ = ["Arrivals", "Look"]

_State = tuple[int, int]
_AGAIN_S = 15.0
_LATEST_AGAIN_S = 3600.0


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at the folders found."""

    ready: tuple[Path, ...]
    settling: int
    """Files that hold still not long enough; those that failed and are tried again later do not count."""
    missing: tuple[Path, ...]
    """Folders that are not there: a share that is not mounted."""
    unread: dict[str, str]
    """Folders below that could not be read, and why."""
    present: int


@dataclass
class Arrivals:
    """Remembers each file by its size and time: across looks, while a share is away, and across restarts.

    Parameters
    ----------
    register
        File that keeps what was dealt with; the ledger of the history remains the truth, since a file that is taken
        again is known there by its hash.
    settle_s
        How long size and time must hold still.
    clock
        Monotonic time in seconds.
    """

    register: Path
    settle_s: float
    clock: Callable[[], float] = time.monotonic
    dealt: dict[str, _State] = field(default_factory=dict)
    _seen: dict[str, tuple[_State, float]] = field(default_factory=dict)
    _failed: dict[str, tuple[_State, int]] = field(default_factory=dict)
    _mounts: set[str] = field(default_factory=set)

    def recall(self, history: str) -> None:
        """Take up what was dealt with before, for the history with this mark; another history starts anew."""
        try:
            kept = json.loads(read_bytes(self.register))
            if kept["history"] == history and history:
                self.dealt = {name: (int(state[0]), int(state[1])) for name, state in kept["files"].items()}
            self._mounts = {str(name) for name in kept["mounts"]}
        except (AnnealogError, ValueError, KeyError, TypeError, IndexError, AttributeError):
            self.dealt = {}

    def keep(self, history: str) -> None:
        """Write down what was dealt with."""
        kept = {"history": history, "mounts": sorted(self._mounts), "files": self.dealt}
        text = json.dumps(kept, indent=0, ensure_ascii=True)
        write_atomically(self.register, text.encode())

    def look(self, folders: Iterable[Path]) -> Look:
        """Look at the folders, and below; links are not followed, hidden and unfinished files not taken."""
        found: dict[str, _State] = {}
        missing: list[Path] = []
        unread: dict[str, str] = {}
        for folder in folders:
            tree = walk(folder) if self._there(folder) else None
            if tree is None or str(folder) in tree.unread:
                missing.append(folder)
            if tree is not None:
                found |= tree.files
                unread |= {name: why for name, why in tree.unread.items() if name != str(folder)}
        now = self.clock()
        ready = []
        for name, state in sorted(found.items()):
            if self.dealt.get(name) == state:
                continue
            before = self._seen.get(name)
            if before is None or before[0] != state:
                self._seen[name] = (state, now)
                self._failed.pop(name, None)
            if now - self._seen[name][1] >= self.settle_s:
                ready.append(Path(name))
        self._seen = {name: value for name, value in self._seen.items() if name in found}
        self._failed = {name: value for name, value in self._failed.items() if name in found}
        waiting = sum(self.dealt.get(name) != state for name, state in found.items()) - len(ready)
        later = sum(now - self._seen[name][1] < self.settle_s for name in self._failed if name in self._seen)
        return Look(tuple(ready), waiting - later, tuple(missing), unread, len(found))

    def _there(self, folder: Path) -> bool:
        """Whether a folder is there; what was a mounted share once and is a bare folder now is not."""
        try:
            mounted = folder.is_mount()
        except OSError:
            return False
        if mounted:
            self._mounts.add(str(folder))
        return mounted or str(folder) not in self._mounts

    def done(self, path: Path) -> None:
        """Remember that a file was dealt with in the state in which it was last seen."""
        seen = self._seen.pop(str(path), None)
        self._failed.pop(str(path), None)
        if seen is not None:
            self.dealt[str(path)] = seen[0]

    def failed(self, path: Path) -> None:
        """Try a file again later, each time after twice as long; at once when it changes."""
        name = str(path)
        if name in self._seen:
            state, _ = self._seen[name]
            _, times = self._failed.get(name, (state, 0))
            wait = min(_LATEST_AGAIN_S, _AGAIN_S * 2**times)
            self._failed[name] = (state, times + 1)
            self._seen[name] = (state, self.clock() + wait - self.settle_s)

    def again(self, paths: Iterable[Path]) -> None:
        """Forget that files were dealt with, because something that decides about them has changed."""
        for path in paths:
            self.dealt.pop(str(path), None)
