"""What a small file costs beside a big history: the same load into an empty one and into one of many millions.

    python tests/benchmark/large_history.py --readings 20000000

The big history is one generated export, loaded once and copied to later days. Loads alternate, each file new to both;
printed are the medians, their ratio (goal 1.5) and the bytes a reading takes on disk. Reading, matching, telling
duplicates apart, archiving and storing are measured, the assessment that follows a load is not.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

import generate  # noqa: E402

from pipeline.history.store import History  # noqa: E402
from pipeline.load.load import load_files, take_over_reference  # noqa: E402
from pipeline.workspace.settings import Workspace, find_workspace  # noqa: E402

NOW = datetime(2040, 1, 1, tzinfo=UTC)
EXPORT, LOTS, SMALL = 5_000_000, 20_000, 1_000


def workspace(folder: Path) -> Workspace:
    """Make a workspace that knows the lots of the export."""
    generate.write_workspace(folder, LOTS)
    found = find_workspace(folder)
    take_over_reference(found, now=NOW)
    return found


def shifted(lines: list[str], start: int, days: int) -> str:
    """Return a small export: some lines of the big one, moved to other days."""
    place = lines[0].split(",").index("measured_at")
    out = [lines[0]]
    for line in lines[start : start + SMALL]:
        cells = line.split(",")
        cells[place] = (datetime.fromisoformat(cells[place]) + timedelta(days=days)).isoformat()
        out.append(",".join(cells))
    return "\n".join(out) + "\n"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=20_000_000)
    parser.add_argument("--repeat", type=int, default=7)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        big, empty = workspace(Path(folder) / "big"), workspace(Path(folder) / "empty")
        export = Path(folder) / "export.csv"
        generate.write_readings(export, EXPORT, LOTS)
        start = time.perf_counter()
        load_files(big, [export], now=NOW)
        rate = EXPORT / (time.perf_counter() - start)
        with History.open(big.history, write=True) as history:
            copies = max(given.readings // EXPORT - 1, 0)
            for copy in range(1, copies + 1):
                history._run(
                    "INSERT INTO reading SELECT * REPLACE (measured_at + to_days(CAST(? AS INTEGER)) AS measured_at) "
                    "FROM reading LIMIT ?",
                    [copy * 1000, EXPORT],
                )
            history.checkpoint()
        stored = (copies + 1) * EXPORT
        lines = export.read_text(encoding="utf-8").splitlines()
        seconds: dict[str, list[float]] = {"empty": [], "big": []}
        for number in range(given.repeat):
            text = shifted(lines, EXPORT // 2, 100 + number if number % 2 else 2500 + number)
            for name, place in (("empty", empty), ("big", big)):
                if name == "empty":
                    shutil.rmtree(place.history.parent)
                    take_over_reference(place, now=NOW)
                path = place.root / f"small-{number}.csv"
                path.write_text(text, encoding="utf-8")
                start = time.perf_counter()
                (report,) = load_files(place, [path], now=NOW)
                seconds[name].append(time.perf_counter() - start)
                if report.readings != SMALL:
                    raise RuntimeError(f"{report.readings} of {SMALL} readings were stored: {report.sentence}")
        # the first load of a process pays for imports
        middle = {name: median(times[1:]) for name, times in seconds.items()}
        print(
            f"{stored:,} readings: {big.history.stat().st_size / stored:.1f} bytes each, loaded at {rate:,.0f} a second"
        )
        print(f"{SMALL:,} readings: {middle['empty']:.3f} s into an empty history, {middle['big']:.3f} s beside them")
        print(f"ratio {middle['big'] / middle['empty']:.2f} (goal 1.5)")


if __name__ == "__main__":
    main()
