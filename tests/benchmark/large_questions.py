"""What single questions cost beside a big history: the state of the line, the page of one lot, that of a meter with many checks.

    python tests/benchmark/large_questions.py --readings 20000000 --folder big

A history is generated and loaded (once: a folder that is there is used again) and its snapshot is published. Printed are the
rate of loading, bytes a reading, and for each question the seconds of a new process, of its second call, and of the same in a
process that is running already, with and without drawing the page. Invented data.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(ROOT)]

import generate  # noqa: E402

from pipeline.kept.part import part_of_lot, part_of_meter  # noqa: E402
from pipeline.kept.snapshot import publish_snapshot  # noqa: E402
from pipeline.load.load import load_files, take_over_reference  # noqa: E402
from pipeline.pages.lots_and_meters import lot_pages, meter_pages, write_pages  # noqa: E402
from pipeline.workspace.settings import Workspace, find_workspace  # noqa: E402

LINES_A_FILE = 2_500_000
BUSY = "M-9"
"""The meter with many checks."""


def split(export: Path, folder: Path) -> list[Path]:
    """Split an export into files of a size that a site would have, each with the header."""
    found = []
    with export.open(encoding="utf-8") as lines:
        header = next(lines)
        out = None
        for number, line in enumerate(lines):
            if number % LINES_A_FILE == 0:
                if out is not None:
                    out.close()
                path = folder / f"{number // LINES_A_FILE:03}.csv"
                found.append(path)
                out = path.open("w", encoding="utf-8")
                out.write(header)
            assert out is not None
            out.write(line)
        if out is not None:
            out.close()
    return found


def checks_of_one_meter(path: Path, checks: int) -> None:
    """Write an export of one meter: a check of two readings each hour, and a part between two of them."""
    begin = datetime(2019, 1, 7, tzinfo=UTC)
    with path.open("w", encoding="utf-8") as out:
        out.write("measured_at,meter,role,lot,part,spot,block,sequence,value,unit,temperature_c,temperature_state\n")
        for number in range(checks):
            at = begin + timedelta(hours=number)
            for offset, what, value in (
                (0, "block,,,,B-COPPER", 58.0 + 0.05 * ((number * 7919) % 13 - 6) / 6),
                (10, "block,,,,B-COPPER", 58.0 + 0.05 * ((number * 104729) % 11 - 5) / 5),
                (900, f"part,X{number // 500:03},{number % 500},1,", 58.4),
            ):
                moment = (at + timedelta(seconds=offset)).isoformat()
                out.write(f"{moment},{BUSY},{what},{3 * number + offset // 10},{value:.4f},MS/m,20.0,at_metal\n")


def build(root: Path, readings: int, lots: int, checks: int) -> None:
    """Make and load the history."""
    generate.write_workspace(root, lots)
    meters = root / "reference" / "meters.csv"
    text = meters.read_text(encoding="utf-8").rstrip("\n")
    meters.write_text(f"{text}\n{BUSY},0.5,0.01,MS/m\n", encoding="utf-8")
    with (root / "annealog.toml").open("a", encoding="utf-8") as settings:
        settings.write("size_cap_mb = 2000\n")
    place = find_workspace(root)
    export = root / "export.csv"
    generate.write_readings(export, readings, lots)
    files = split(export, root)
    export.unlink()
    busy = root / "busy.csv"
    checks_of_one_meter(busy, checks)
    now = datetime.now(UTC)
    take_over_reference(place, now=now)
    began = time.perf_counter()
    reports = load_files(place, [*files, busy], now=now)
    stored = sum(report.readings for report in reports)
    seconds = time.perf_counter() - began
    print(
        f"{stored:,} readings loaded at {stored / seconds:,.0f} a second; "
        f"{place.history.stat().st_size / stored:.1f} bytes a reading in the history",
        flush=True,
    )
    for path in [*files, busy]:
        path.unlink()


def command(root: Path, *words: str) -> float:
    """Return the seconds that a command takes in a process of its own."""
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", *words], cwd=root, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    if done.returncode not in (0, 3, 4):
        raise RuntimeError(done.stderr)
    return time.perf_counter() - began


def in_process(place: Workspace, name: str, part_of: Any, pages: Any, *, repeat: int = 3) -> str:
    """Return what a page costs in a process that is running: gathered, and gathered and drawn."""
    found = []
    for _ in range(repeat):
        began = time.perf_counter()
        part = part_of(place, name)
        if part is None:
            raise RuntimeError(f"no part is kept of {name}")
        (page,) = pages(place, part.assessment, part.sources, [name])
        gathered = time.perf_counter()
        write_pages(place, [page], always=True)
        found.append((gathered - began, time.perf_counter() - began))
    return f"gathered {min(one for one, _ in found):.2f} s, with its drawing {min(both for _, both in found):.2f} s"


def main() -> None:
    """Build, ask and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=20_000_000)
    parser.add_argument("--lots", type=int, default=80_000)
    parser.add_argument("--checks", type=int, default=50_000)
    parser.add_argument("--folder", type=Path, required=True)
    given = parser.parse_args()
    root = given.folder.resolve()
    if not (root / "annealog.toml").exists():
        root.mkdir(parents=True, exist_ok=True)
        build(root, given.readings, given.lots, given.checks)
    place = find_workspace(root)
    began = time.perf_counter()
    publish_snapshot(place)
    print(f"snapshot published (or found fresh) in {time.perf_counter() - began:.0f} s", flush=True)
    lot = f"L{given.lots // 2:06d}"
    for words in (["status"], ["lot", lot], ["meter", BUSY]):
        print(
            f"annealog {' '.join(words)}: " + ", ".join(f"{command(root, *words):.2f} s" for _ in range(3)), flush=True
        )
    print(f"lot {lot} in a running process: {in_process(place, lot, part_of_lot, lot_pages)}")
    print(f"meter {BUSY} in a running process: {in_process(place, BUSY, part_of_meter, meter_pages)}")


if __name__ == "__main__":
    main()
