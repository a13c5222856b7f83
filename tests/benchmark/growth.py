"""What grows with the history, and how: each step in a process of its own, in processor seconds and peak memory.

    python tests/benchmark/growth.py 200000 1000000 5000000 --folder growth

Histories are generated and loaded (once: a folder that is there is used again). Beside the bulk load stands DuckDB's own load of the
same files. The slope is that of the logarithms between the smallest and the largest history: 0 does not grow, 1 grows with it.
Invented data.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import shutil
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(ROOT)]

import generate  # noqa: E402

from pipeline.workspace.settings import Workspace, find_workspace  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register
    from pipeline.judge.assessment import Assessment
    from pipeline.publish.storage import Storage

LINES_A_FILE = 2_500_000
LOT_OF = 250
"""Readings a lot, about."""
SMALL = 500
DAYS_EARLIER = 1000
"""So much earlier a history begins for each 20 million readings more, so that the last one lies in the past."""


def bulk_load(place: Workspace) -> None:
    """Load everything, without judging it."""
    from pipeline.load.load import load_files
    from pipeline.load.take_over import take_over_reference

    now = datetime.now(UTC)
    take_over_reference(place, now=now)
    load_files(place, sorted(place.root.glob("export-*.csv")), now=now)


def duckdb_alone(place: Workspace) -> None:
    """Let DuckDB load the same files into a table of its own."""
    import duckdb

    path = place.root / "bare.duckdb"
    path.unlink(missing_ok=True)
    with duckdb.connect(str(path)) as bare:
        bare.execute(f"CREATE TABLE reading AS SELECT * FROM read_csv('{place.root}/export-*.csv')")
    path.unlink()


def judge_everything(place: Workspace) -> None:
    """Judge everything anew."""
    from pipeline.history.store import History
    from pipeline.judge.assess import assess

    with History.open(place.history, snapshot=False) as history:
        assess(history, place.settings, as_of=None)


def snapshot(place: Workspace) -> None:
    """Judge everything and publish a snapshot."""
    from pipeline.kept.snapshot import publish_snapshot

    shutil.rmtree(place.root / "snapshot", ignore_errors=True)
    publish_snapshot(place)


def one_lot(place: Workspace) -> None:
    """Say what the page of the lot in the middle says, from kept results."""
    lots = sorted((place.root / "reference" / "lots.csv").read_text().splitlines()[1:])
    answered(place, "lot", lots[len(lots) // 2].split(",")[0])


def one_meter(place: Workspace) -> None:
    """Say what the page of a meter says, from kept results."""
    answered(place, "meter", meter(place))


def answered(place: Workspace, *words: str) -> None:
    """Run a command that looks, of which no answer is kept beside the pages."""
    shutil.rmtree(place.root / "pages" / ".answers", ignore_errors=True)
    command(*words, "--json", "--dry-run")(place)


def meter(place: Workspace) -> str:
    """Return the first meter of the site."""
    return (place.root / "reference" / "meters.csv").read_text().splitlines()[1].split(",")[0]


def small_file(place: Workspace) -> None:
    """Load a small file of later days, without judging it."""
    from pipeline.load.load import load_files

    load_files(place, [written_later(place)], now=datetime.now(UTC))


def small_load(place: Workspace) -> None:
    """Load a small file of later days, and judge what it touches."""
    from pipeline.load.load import load

    load(place, [written_later(place)])


def small_load_shown(place: Workspace) -> None:
    """Load a small file of later days, judge what it touches and publish that."""
    from pipeline.kept.snapshot import publish_snapshot
    from pipeline.load.load import load

    found: list[Assessment] = []
    load(place, [written_later(place)], assessed=found.append)
    publish_snapshot(place, found.pop())


def on_the_board(place: Workspace) -> float:
    """Return when the second of two files came to a service that runs; then load it, and write the board that shows it."""
    from pipeline.load.load import load
    from pipeline.service.watch import Watch

    watch, began = Watch(place.root, lambda _: None), 0.0
    for _ in range(2):
        path = written_later(place)
        began = time.process_time()
        load(place, [path], assessed=watch._take)
        watch._board(watch._loaded)
    return began


def kept(place: Workspace) -> None:
    """Judge everything once and keep what was found: what the first load after a bulk load does."""
    from pipeline.load.touched import assess_touched

    assess_touched(place, [], now=datetime.now(UTC), refresh=True)


def written_later(place: Workspace) -> Path:
    """Write 500 readings of days that nothing was read on yet."""
    with min(place.root.glob("export-*.csv")).open(encoding="utf-8") as lines:
        head, *rows = (next(lines) for _ in range(SMALL + 1))
    at = head.split(",").index("measured_at")
    with max(place.root.glob("export-*.csv")).open("rb") as lines:
        lines.seek(-1000, os.SEEK_END)
        last = datetime.fromisoformat(lines.read().splitlines()[-1].decode().split(",")[at])
    earlier = len(list(place.root.glob("small-*.csv")))
    days = (last - datetime.fromisoformat(rows[0].split(",")[at])).days + 2 + earlier
    later = []
    for row in rows:
        cells = row.split(",")
        cells[at] = (datetime.fromisoformat(cells[at]) + timedelta(days=days)).isoformat()
        later.append(",".join(cells))
    path = place.root / f"small-{earlier}.csv"
    path.write_text(head + "".join(later), encoding="utf-8")
    return path


def published(place: Workspace) -> None:
    """Publish what changed to the storage of a centre beside the workspace; both are made first where they are not there."""
    from pipeline.centre.decisions import add_site
    from pipeline.centre.given import key_of
    from pipeline.centre.register import Register
    from pipeline.publish.outbox import KEY, Outbox
    from pipeline.publish.seal import make_key

    if not (place.root / KEY).exists():
        (place.root / "storage").mkdir()
        key_of(centre(place))
        with Register(centre(place).register) as register:
            register.make()
            add_site(register, "P-001", make_key(place.root / KEY).strip(), by="Ada", why="joins")
    sent = Outbox(place).publish()
    print(f"{sent.pieces} pieces, {sent.bytes / 1e6:.2f} MB", file=sys.stderr)


def centre(place: Workspace) -> Centre:
    """Return the centre of the site."""
    from pipeline.centre.place import make_centre

    return make_centre(place.root / "centre", storage=str(place.root / "storage"))


def published_again(place: Workspace) -> None:
    """Load a small file, without judging it, and publish."""
    small_file(place)
    published(place)


def at_the_centre(work: Callable[[Centre, Register, Storage], object]) -> Callable[[Workspace], None]:
    """Return what is done at the centre."""

    def run(place: Workspace) -> None:
        from pipeline.centre.register import Register
        from pipeline.publish.storage import Storage

        here = centre(place)
        with Register(here.register) as register:
            work(here, register, Storage(here.storage))

    return run


def taken_in(here: Centre, register: Register, storage: Storage) -> None:
    """Take in what came."""
    from pipeline.centre.take_in import take_in

    (taken,) = take_in(here, register, storage, ["P-001"])
    assert taken.registered
    assert not taken.refused


def proved(lots: int) -> Callable[[Centre, Register, Storage], None]:
    """Return what computes the site again, or so many lots of it."""

    def run(here: Centre, register: Register, storage: Storage) -> None:
        from pipeline.centre.verify import verify_site

        draw = (lambda known: known[:: max(1, len(known) // lots)]) if lots else None
        assert not verify_site(here, register, storage, "P-001", draw=draw).differs

    return run


def united(here: Centre, register: Register, storage: Storage) -> None:
    """Read what every question to the company reads."""
    from pipeline.centre.asked import asked_company

    assert asked_company(here, register).company.lots.height


def command(*words: str) -> Callable[[Workspace], None]:
    """Return what runs a command in the workspace."""

    def run(place: Workspace) -> None:
        from pipeline.cli import run as main

        os.chdir(place.root)
        assert main([meter(place) if word == "METER" else word for word in words]) in (0, 3, 4)

    return run


STEPS: dict[str, Callable[[Workspace], float | None]] = {
    "bulk load": bulk_load,
    "DuckDB's load of the same files": duckdb_alone,
    "judging everything": judge_everything,
    "judging everything, and the snapshot": snapshot,
    "status": command("status"),
    "load of 500 readings, not judged": small_file,
    "judging everything, and keeping it": kept,
    "one lot, from kept results": one_lot,
    "one meter, from kept results": one_meter,
    "load of 500 readings, judged": small_load,
    "load of 500 readings, judged and published": small_load_shown,
    "watch: one more file until the board shows it": on_the_board,
    "site: first publication": published,
    "site: load of 500 readings, publication": published_again,
    "centre: taking both in": at_the_centre(taken_in),
    "centre: union of one site": at_the_centre(united),
    "centre: 20 lots computed again": at_the_centre(proved(20)),
    "centre: everything computed again": at_the_centre(proved(0)),
}


class NotInstalled:
    """Keeps from being found what only tests bring along and pandera imports where it is there, 0.4 s: nobody who runs a site has it."""

    def find_spec(self, name: str, *_: object) -> None:
        """Say that there is no such module."""
        if name.partition(".")[0] in ("pandas", "hypothesis"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def measured(root: Path, step: str) -> tuple[float, float]:
    """Return the processor seconds and the peak memory in MB of a step in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--step", step, "--folder", str(root)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(f"{step}: {done.stderr[-2000:]}")
    seconds, peak = json.loads(done.stdout.splitlines()[-1])
    return seconds, peak


def build(root: Path, readings: int) -> None:
    """Write the exports of a workspace."""
    lots = max(10, readings // LOT_OF)
    root.mkdir(parents=True)
    generate.write_workspace(root, lots)
    with (root / "annealog.toml").open("a", encoding="utf-8") as settings:
        settings.write('size_cap_mb = 2000\nsite = "P-001"\npublish_to = "storage"\n')
    files = -(-readings // LINES_A_FILE)
    days = -DAYS_EARLIER * (readings // 20_000_001)
    for number in range(files):
        first, last = lots * number // files, lots * (number + 1) // files
        days += generate.write_readings(
            root / f"export-{number:03}.csv", readings * (number + 1) // files - readings * number // files, last - first,
            seed=number, lots_before=first, days_before=days,
        )  # fmt: skip


def main() -> None:
    """Build, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readings", type=int, nargs="*", default=[200_000, 1_000_000])
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--step")
    parser.add_argument("--of", default="", help="only steps that begin so, behind the bulk load")
    given = parser.parse_args()
    if given.step == "build":
        build(given.folder, *given.readings)
        return
    if given.step:
        place = find_workspace(given.folder)
        sys.meta_path.insert(0, NotInstalled())
        began = time.process_time()
        began = STEPS[given.step](place) or began
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        print(json.dumps([time.process_time() - began, peak]))
        return
    sizes = sorted(given.readings)
    found: dict[str, list[tuple[float, float]]] = {}
    for size in sizes:
        root = given.folder.resolve() / str(size)
        fresh = not root.exists()
        if fresh:  # in a process of its own, too: a child begins with the peak of its parent
            subprocess.run([sys.executable, __file__, str(size), "--step", "build", "--folder", str(root)], check=True)
        for step in STEPS:
            if fresh if step == "bulk load" else step.startswith(given.of):
                found.setdefault(step, []).append(measured(root, step))
    print(f"| step | {' | '.join(f'{size:,}' for size in sizes)} | slope |\n|{' --- |' * (len(sizes) + 2)}")
    for step, costs in found.items():
        if len(costs) < len(sizes):
            continue
        slope = math.log(costs[-1][0] / costs[0][0]) / math.log(sizes[-1] / sizes[0]) if len(costs) > 1 else math.nan
        print(f"| {step} | {' | '.join(f'{s:.2f} s, {mb:.0f} MB' for s, mb in costs)} | {slope:.2f} |")


if __name__ == "__main__":
    main()
