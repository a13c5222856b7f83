"""Soak: the resident service under a steady stream of small files, with faults; memory, counts and times are reported.

    python tests/benchmark/soak.py --minutes 15 --every 1.0

Three meters send a file in turn, each from a lot that is followed by the next after a minute, as a line makes them; now and
then an old lot is measured once more. Every so often a file comes twice, overlaps one before, cannot be read, is copied
slowly, or the service is killed and started again. At the end every file must be in the ledger, known already or held, the lines
by fate must add up, and `verify` must agree. Memory is flat when the last quarter's median lies within 10 % of the
second quarter's. Invented data.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from scenario import REFERENCE  # noqa: E402 - the path comes first

HEADER = "measured_at,meter,role,lot,part,spot,block,value,unit,temperature_c,temperature_state\n"
METERS = ("M1", "M2", "M3")
FILES_OF_A_LOT = 20


def annealog(root: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command in the workspace."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *words],
        cwd=root, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip


@dataclass
class Stream:
    """Writes exports and keeps count of what must become of them."""

    inbox: Path
    chance: random.Random = field(default_factory=lambda: random.Random("soak"))
    number: int = 0
    distinct: int = 0
    doubled: int = 0
    damaged: int = 0
    readings: int = 0
    last: dict[str, str] = field(default_factory=dict)

    def lines(self) -> str:
        """Return one export: a check, a lot on three parts, a check."""
        meter = METERS[self.number % len(METERS)]
        start = datetime(2026, 3, 2, 6, tzinfo=UTC) + timedelta(minutes=20 * (self.number // len(METERS)))
        turn = self.number // len(METERS)
        run = turn // FILES_OF_A_LOT if turn % 31 else self.chance.randrange(turn // FILES_OF_A_LOT + 1)
        lot = f"L{run}-{meter}"
        rows = []
        for offset, role, names, level in (
            [(5 * i, "block", ",,,B1", 58.0) for i in range(3)]
            + [(300 + 10 * i, "part", f"{lot},{i},1,", 58.5) for i in range(3)]
            + [(900 + 5 * i, "block", ",,,B1", 58.0) for i in range(3)]
        ):
            at = start + timedelta(seconds=offset)
            value = level + self.chance.gauss(0, 0.02)
            rows.append(f"{at.isoformat()},{meter},{role},{names},{value:.4f},MS/m,20.0,at_metal\n")
        return "".join(rows)

    def put(self, name: str, text: str) -> None:
        """Copy a file in, as a file manager does: a piece at a time."""
        with (self.inbox / name).open("w", encoding="utf-8") as file:
            half = len(text) // 2
            file.write(text[:half])
            file.flush()
            file.write(text[half:])

    def next(self) -> None:
        """Write the next file."""
        self.number += 1
        meter = METERS[self.number % len(METERS)]
        name = f"{self.number:06}.csv"
        if self.number % 17 == 0 and meter in self.last:
            self.put(name, HEADER + self.last[meter])
            self.doubled += 1
            return
        if self.number % 23 == 0:
            self.put(name, f"no;such;table;{self.number}\n")
            self.damaged += 1
            return
        fresh = self.lines()
        overlap = self.last.get(meter, "") if self.number % 11 == 0 else ""
        self.put(name, HEADER + overlap + fresh)
        self.last[meter] = overlap + fresh
        self.distinct += 1
        self.readings += 9


def rss_mb(pid: int) -> float:
    """Return the resident memory of a process."""
    text = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    return int(text.partition("VmRSS:")[2].split()[0]) / 1024


def cpu_s(pid: int) -> float:
    """Return the processor time of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def start(root: Path, log: Path) -> subprocess.Popen[bytes]:
    """Start the service."""
    with log.open("ab") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "pipeline", "watch", "--direct", "--json"],
            cwd=root, stdout=out, stderr=subprocess.STDOUT, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip


def make(root: Path, lots: int) -> None:
    """Make the workspace."""
    done = annealog(root.parent, "init", str(root))
    assert done.returncode == 0, done.stderr
    tables = {
        **REFERENCE,
        "meters": REFERENCE["meters"] + "M3,0.5,0.01,MS/m\n",
        "lots": "lot,product,material,specification,supplier\n"
        + "".join(f"L{i}-{meter},bar,copper,S,Q\n" for i in range(lots) for meter in METERS),
    }
    for name, text in tables.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "annealog.toml").write_text('name = "soak"\nwatch_settle_seconds = 2.0\n', encoding="utf-8")


def loaded(root: Path) -> int:
    """Return how many files the published snapshot knows."""
    try:
        pointer = json.loads((root / "snapshot" / "current.json").read_bytes())
        manifest = json.loads((root / "snapshot" / pointer["folder"] / "manifest.json").read_bytes())
    except (OSError, ValueError):
        return 0
    return int(manifest["counts"]["source_file"])


def main() -> None:
    """Run the soak and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--every", type=float, default=1.0, help="seconds between two files")
    parser.add_argument("--kills", type=int, default=1, help="how often the service is killed and started again")
    given = parser.parse_args()
    top = Path(tempfile.mkdtemp(prefix="soak-"))
    root, log = top / "works", top / "watch.log"
    make(root, 1 + int(given.minutes * 60 / given.every) // len(METERS) // FILES_OF_A_LOT)
    stream = Stream(root / "inbox")
    process = start(root, log)
    began = time.monotonic()
    length = given.minutes * 60
    kills = [length * (i + 1) / (given.kills + 1) / 4 for i in range(given.kills)]  # in the first quarter
    memory: list[tuple[float, float]] = []
    delays: list[float] = []
    waiting: list[tuple[int, float]] = []
    sampled, told, used = 0.0, 0.0, 0.0
    while (passed := time.monotonic() - began) < length:
        stream.next()
        waiting.append((stream.distinct, time.monotonic()))
        if kills and passed > kills[0]:
            kills.pop(0)
            used += cpu_s(process.pid)
            process.send_signal(signal.SIGKILL)
            process.wait()
            process = start(root, log)
        if passed - sampled > 5:
            sampled = passed
            assert process.poll() is None, log.read_text(encoding="utf-8")[-2000:]
            memory.append((passed, rss_mb(process.pid)))
        there = loaded(root)
        while waiting and waiting[0][0] <= there:
            delays.append(time.monotonic() - waiting.pop(0)[1])
        if passed - told > 300:
            told = passed
            late = delays[-1] if delays else 0.0
            print(
                f"{passed / 60:.0f} min: {stream.distinct} new files, {there} published, the last {late:.0f} s after it came; "
                f"{memory[-1][1]:.0f} MB",
                flush=True,
            )
        time.sleep(max(0.0, stream.number * given.every - (time.monotonic() - began)))
    deadline = time.monotonic() + 300
    while loaded(root) < stream.distinct and time.monotonic() < deadline:
        time.sleep(0.5)
    time.sleep(5)
    used += cpu_s(process.pid)
    process.send_signal(signal.SIGTERM)
    code = process.wait(timeout=60)
    report(root, stream, memory, delays, used, code, length)
    shutil.rmtree(top)


def report(
    root: Path,
    stream: Stream,
    memory: list[tuple[float, float]],
    delays: list[float],
    used: float,
    code: int,
    length: float,
) -> None:
    """Check what must hold and print the figures."""
    from pipeline.history.store import History
    from schemas.tables import FATES

    with History.open(root / "history" / "annealog.duckdb", snapshot=False) as history:
        sources, held, readings = history.sources(), history.held_files(), history.counts()["reading"]
    quarter = length / 4
    second = [mb for at, mb in memory if quarter <= at < 2 * quarter]
    last = [mb for at, mb in memory if at >= 3 * quarter]
    growth = statistics.median(last) / statistics.median(second) - 1
    balanced = all(sum(row[fate] for fate in FATES) == row["lines"] for row in sources.iter_rows(named=True))
    delays.sort()
    print(
        f"{stream.number} files in {length / 60:.0f} min: {stream.distinct} new, {stream.doubled} doubled, {stream.damaged} damaged"
    )
    print(
        f"ledger {sources.height}, held {held.height}, readings {readings} of {stream.readings}, lines balance: {balanced}"
    )
    print(
        f"memory: {statistics.median(second):.0f} MB in the second quarter, {statistics.median(last):.0f} MB in the last ({growth:+.1%})"
    )
    print(
        f"published after: median {statistics.median(delays):.1f} s, 95 % {delays[int(0.95 * len(delays))]:.1f} s, longest {delays[-1]:.1f} s"
    )
    print(f"processor: {used:.0f} s, {used / stream.number:.2f} s a file; load of the machine {os.getloadavg()[2]:.1f}")
    began = time.monotonic()
    verified = annealog(root, "verify")
    took = time.monotonic() - began
    print(f"stopped with {code}; verify in {took:.0f} s {verified.returncode}: {verified.stdout.splitlines()[0]}")
    assert (sources.height, held.height, readings) == (stream.distinct, stream.damaged, stream.readings)
    assert balanced
    assert (code, verified.returncode) == (0, 0)
    assert growth < 0.10


if __name__ == "__main__":
    main()
