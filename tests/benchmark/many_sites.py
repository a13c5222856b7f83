"""What a package, a site and a round cost the centre, with many sites of tiny packages on a folder.

    .venv-dev/bin/python tests/benchmark/many_sites.py 100 1000 --packages 3 [--register postgresql+psycopg://...]

Processor seconds of this process (the database's own are not in them), wall seconds, and what a register takes on disk.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "tests")]

from tiny_packages import TinySite  # noqa: E402

from pipeline.centre.decisions import add_site  # noqa: E402
from pipeline.centre.given import key_of  # noqa: E402
from pipeline.centre.pieces import manifest_of, tables_of  # noqa: E402
from pipeline.centre.place import make_centre  # noqa: E402
from pipeline.centre.register import Register  # noqa: E402
from pipeline.centre.rounds import plan  # noqa: E402
from pipeline.centre.status import site_statuses  # noqa: E402
from pipeline.centre.take_in import take_in  # noqa: E402
from pipeline.publish.storage import Storage  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any


def timed(what: str, each: int, unit: str, work: Callable[[], Any]) -> Any:
    """Run something and print what it cost."""
    cpu, wall = time.process_time(), time.perf_counter()
    found = work()
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    print(f"| {what} | {cpu:.2f} s | {wall:.2f} s | {1000 * cpu / each:.2f} ms a {unit} |", flush=True)
    return found


def measure(count: int, packages: int, root: Path, address: str) -> None:
    """Measure one company."""
    place = make_centre(root / "centre", register=address)
    key_of(place)
    (place.root / "storage").mkdir()
    storage = Storage(place.storage)
    sites = [TinySite(f"P-{number:04}", storage) for number in range(count)]
    names = [site.name for site in sites]
    print(f"\n| {count} sites, {packages} packages each | processor | wall | of it |\n| --- | --- | --- | --- |")
    with Register(place.register) as register:
        register.make()
        for site in sites:
            add_site(register, site.name, site.public, by="Ada", why="joins")
            for _ in range(packages):
                site.publish()
        planned = timed("plan, all have news", count, "site", lambda: plan(register, storage))
        assert planned == names
        taken = timed("take in", count * packages, "package", lambda: take_in(place, register, storage, names))
        assert sum(len(each.registered) for each in taken) == count * packages
        for site in sites[::10]:
            site.publish()
        assert timed("plan, a tenth has news", count, "site", lambda: plan(register, storage)) == names[::10]
        timed(
            "take in of the tenth", len(names[::10]), "package", lambda: take_in(place, register, storage, names[::10])
        )
        assert timed("plan, nothing is new", count, "site", lambda: plan(register, storage)) == []
        timed("status", count, "site", lambda: site_statuses(place, register))
        last = [site.last for site in register.sites()]

        def union() -> int:
            return sum(
                tables_of(storage, manifest_of(storage, package), place.cache, tables=["texts"])["texts"].height
                for package in last
                if package is not None
            )

        timed("union of one table", count, "site", union)
        timed("union of one table, from the cache", count, "site", union)
    if "://" not in address:
        size = (place.root / address).stat().st_size
        print(f"register: {size / 1000:,.0f} kB, {size / (count * packages):,.0f} B a package")


def main() -> None:
    """Measure companies of several sizes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sites", type=int, nargs="+")
    parser.add_argument("--packages", type=int, default=3)
    parser.add_argument("--register", default="register.db")
    arguments = parser.parse_args()
    for count in arguments.sites:
        root = Path(tempfile.mkdtemp(prefix="annealog-many-"))
        try:
            measure(count, arguments.packages, root, arguments.register)
        finally:
            shutil.rmtree(root)


if __name__ == "__main__":
    main()
