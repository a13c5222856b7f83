"""No command opens a socket beyond the loopback address, the flow server and its client included; where a history may lie."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from scenario import Scenario

from pipeline.history.store import History
from pipeline.workspace import location as place

if TYPE_CHECKING:
    from workspace_files import Shell

ROOT = Path(__file__).resolve().parents[2]

GUARD = """
import os, sys

def _guard(event, arguments):
    if event in ("socket.connect", "socket.bind", "socket.sendto"):
        address = arguments[1]
        if isinstance(address, tuple) and address[0] not in ("127.0.0.1", "::1", "localhost"):
            with open(os.environ["GUARD_LOG"], "a") as log:
                log.write(f"{event} {address}\\n")
            raise PermissionError(f"beyond the loopback address: {address}")
    elif event == "socket.getaddrinfo" and arguments[0] not in (None, "127.0.0.1", "::1", "localhost", b"127.0.0.1"):
        with open(os.environ["GUARD_LOG"], "a") as log:
            log.write(f"{event} {arguments[0]}\\n")

sys.addaudithook(_guard)
with open(os.environ["GUARD_LOG"], "a") as log:
    log.write(f"guarded {os.getpid()}\\n")
"""


def test_nothing_leaves_this_computer(shell: Shell) -> None:
    shell.make()
    shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00"))
    guard = shell.root.parent / "guard"
    guard.mkdir()
    (guard / "sitecustomize.py").write_text(GUARD, encoding="utf-8")
    log = guard / "log"
    clean = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    environment = {**clean, "PYTHONPATH": f"{guard}{os.pathsep}{ROOT}", "GUARD_LOG": str(log)}

    def guarded(*words: str) -> str:
        command = [sys.executable, *words]
        done = subprocess.run(command, cwd=shell.root, capture_output=True, text=True, check=False, env=environment)
        assert "Traceback" not in done.stderr, done.stderr
        assert done.returncode == 0, done.stderr
        return done.stdout

    guarded("-m", "pipeline", "load", "inbox")  # as a flow, with its server
    direct = (
        ["watch", "--once", "--direct", "--serve", "0"],
        ["render", "--direct"],
        ["status"],
        ["lot", "L1"],
        ["verify"],
        ["snapshot"],
    )
    # the others in one process: each of them takes two seconds to begin
    code = f"from pipeline.cli import run\nprint([run(words) for words in {direct!r}])"
    codes = json.loads(guarded("-c", code).splitlines()[-1])
    assert codes[0] == 0
    assert len(codes) == len(direct)
    assert set(codes) <= {0, 3, 4}
    lines = log.read_text(encoding="utf-8").splitlines()
    assert len({line for line in lines if line.startswith("guarded")}) >= 3, "both processes, and the flow server"
    assert [line for line in lines if not line.startswith("guarded")] == []
    # the guard itself works
    code = "import socket; socket.socket().connect(('192.0.2.1', 9))"
    refused = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, env=environment)
    assert "beyond the loopback address" in refused.stderr


MOUNTS = """\
22 27 0:21 / /proc rw - proc proc rw
27 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
40 27 0:40 / /srv/line\\040one rw,relatime shared:9 - nfs4 server:/x rw
41 27 0:41 / /srv/line rw - cifs //server/x rw
42 41 8:2 / /srv/line/disk rw - xfs /dev/sdb1 rw
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/srv/line one/works", "nfs4"), ("/srv/line/works", "cifs"), ("/srv/line/disk/works", "xfs"), ("/srv/lines", "ext4"),
        ("/", "ext4"),
    ],
)  # fmt: skip
def test_the_file_system_of_a_folder(folder: str, kind: str) -> None:
    assert place._file_system(Path(folder), MOUNTS) == kind


def test_a_history_on_a_share_is_refused(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused at start with the reason; a decision overrides it and is recorded (faults, row 11)."""
    shell.make()
    shell.put("a.csv", Scenario().check("08:00"))
    mounts = f"27 1 8:1 / / rw - ext4 x rw\n28 27 0:9 / {shell.root} rw - nfs4 server:/x rw\n"
    monkeypatch.setattr(place, "_mounts", lambda: mounts)
    for words in (["load", "--direct", "inbox"], ["watch", "--once", "--direct"], ["status"]):
        shell(*words)
        assert shell.code == 7
        assert "network file system (nfs4)" in shell.err
        assert "network_history_decision" in shell.err
    assert not (shell.root / "history").exists()
    decision = "Ada: one computer only, until the new disk is here"
    (shell.root / "annealog.toml").write_text(f'network_history_decision = "{decision}"\n', encoding="utf-8")
    for _ in range(2):
        shell("load", "--direct", "inbox")
        assert shell.code == 0, shell.err
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        (event,) = history.events("network_history")
    assert event.why == decision


def test_a_sync_folder_is_refused(shell: Shell) -> None:
    shell.make()
    (shell.root.parent / ".stfolder").mkdir()
    shell("load", "--direct", "inbox")
    assert shell.code == 7
    assert "sync client" in shell.err


def test_rights_that_are_too_wide_are_told(shell: Shell) -> None:
    shell.make()
    shell.root.chmod(0o777)
    shell("config", "check")
    assert shell.code == 0
    assert f"everybody on this computer may change {shell.root}" in shell.err
    shell.root.chmod(0o755)
    shell("config", "check")
    assert "everybody" not in shell.err
