"""What a service sends to its company, in a process of its own: a storage that is slow or away keeps no round waiting."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from typing import TYPE_CHECKING

from pipeline.history.snapshot import signature

if TYPE_CHECKING:
    from pipeline.workspace.settings import Workspace

__all__ = ["Publishing"]

_TRY_AGAIN_S = 60.0
"""At the least, after a publication that failed."""
_GENTLY = 10
"""Added to its niceness, as nice(1) does by default."""
_LONGEST_WAIT_S = 600.0


class Publishing:
    """Publishes a workspace after its rounds, one publication at a time. What cannot be sent waits in the outbox."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None
        self._began: list[int] = []
        self._published: list[int] = []
        self._not_before = 0.0

    def look(self, workspace: Workspace) -> str:
        """Begin what is due, without waiting for it; return in words why the last publication failed, where one has just ended."""
        failed = self._ended()
        settings = workspace.settings
        if self._process is not None or not settings.publish_to or not workspace.history.exists():
            return failed
        state, now = signature(workspace.history), time.monotonic()
        if state == self._published or now < self._not_before:
            return failed
        self._began, self._not_before = state, now + 60.0 * settings.publish_minutes
        words = [sys.executable, "-m", "pipeline", "publish", "--workspace", str(workspace.root)]
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own command
                words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
            )
        except OSError as error:
            self._not_before = max(self._not_before, now + _TRY_AGAIN_S)
            return f"{failed} cannot be begun: {error.strerror}.".strip()
        with contextlib.suppress(OSError):  # it has ended
            os.setpriority(os.PRIO_PROCESS, self._process.pid, _GENTLY)
        return failed

    def _ended(self) -> str:
        process = self._process
        if process is None or process.poll() is None:
            return ""
        self._process = None
        said = process.communicate()[1].strip().splitlines()
        if process.returncode == 0:
            self._published = self._began
            return ""
        self._not_before = max(self._not_before, time.monotonic() + _TRY_AGAIN_S)
        return said[-1].removeprefix("annealog: ") if said else f"it ended with {process.returncode}."

    def settle(self, workspace: Workspace) -> str:
        """Publish what is left and wait for it; return in words why it failed."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            if self._process is not None:
                self._process.wait(_LONGEST_WAIT_S)
            self._not_before = 0.0
            failed = self.look(workspace)
            if self._process is not None:
                self._process.wait(_LONGEST_WAIT_S)
            return self._ended() or failed
        return f"it takes longer than {_LONGEST_WAIT_S:g} s."

    def end(self) -> None:
        """End what still runs: what it has made waits in the outbox."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.communicate()
