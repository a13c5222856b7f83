"""What a company of many large sites asks, and what that costs: sites drawn from the package of one, each with levels of its own.

    python tests/benchmark/growth.py 1000000 --folder growth --of "site: first"          # the one
    python tests/benchmark/company.py growth/1000000 --sites 100 1000 --folder company

Of each site travel what every question reads: checks, lots, meters. A supplier delivers to 20 sites, a product is made at 10, a block
travels between 10, one meter in ten sites was at the next one, too. Each question in a process of its own: processor seconds, peak
memory. Invented data.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "tests")]

from tiny_packages import T0, TinySite  # noqa: E402

from pipeline.centre.asked import asked_company  # noqa: E402
from pipeline.centre.decisions import add_site  # noqa: E402
from pipeline.centre.given import key_of  # noqa: E402
from pipeline.centre.pieces import tables_of  # noqa: E402
from pipeline.centre.place import find_centre, make_centre  # noqa: E402
from pipeline.centre.register import Register  # noqa: E402
from pipeline.centre.status import site_statuses  # noqa: E402
from pipeline.centre.take_in import take_in  # noqa: E402
from pipeline.publish.package import cut  # noqa: E402
from pipeline.publish.seal import unsealed  # noqa: E402
from pipeline.publish.storage import Storage  # noqa: E402
from schemas.company import Manifest  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.centre.asked import Asked

_TABLES = ("checks", "lots", "meters")
_TOGETHER = {"suppliers": 20, "products": 10, "materials": 1_000_000, "blocks": 10}
"""So many sites mean the same thing by one name."""


def build(source: Path, root: Path, count: int) -> None:
    """Make a centre that took in so many sites."""
    one = Storage(str(source / "storage"))
    manifest = Manifest.of(unsealed(one.get(one.keys("sites/P-001/packages")[-1]))[0])
    tables = tables_of(one, manifest, root / "read", tables=_TABLES)
    place = make_centre(root / "centre")
    key_of(place)
    (place.root / "storage").mkdir()
    storage = Storage(place.storage)
    names = [f"P-{number:04}" for number in range(count)]
    began = time.process_time()
    with Register(place.register) as register:
        register.make()
        for number, name in enumerate(names):
            site = TinySite(name, storage)
            add_site(register, name, site.public, by="Ada", why="joins")
            pieces = []
            for table, rows in _own(tables, number).items():
                for piece, data in cut(table, rows):
                    storage.put_if_absent(f"sites/{name}/blobs/{piece.sha256}", data)
                    pieces.append(piece)
            last = tables["checks"]["at"].max()
            said = {"last_reading_at": last.isoformat(), "as_of": last.isoformat(), "made_at": T0.isoformat()}  # type: ignore[union-attr]
            site.send(site.manifest(b"", pieces=tuple(sorted(pieces)), **said))
        made, began = time.process_time() - began, time.process_time()
        taken = take_in(place, register, storage, names)
        assert all(each.registered == [1] for each in taken)
        print(
            f"made {1000 * made / count:.0f} ms, taken in {1000 * (time.process_time() - began) / count:.1f} ms a site"
        )
    _write_names(place.root / "names", tables, names)


def _own(tables: dict[str, pl.DataFrame], number: int) -> dict[str, pl.DataFrame]:
    """Return the tables of a site: all its values lie a little higher or lower than those of others."""
    level = 1 + (int(sha256(str(number).encode()).hexdigest()[:4], 16) / 65_536 - 0.5) / 500
    shifted = {"lots": ["mean"], "checks": ["mean"], "meters": []}
    return {name: rows.with_columns(pl.col(shifted[name]) * level) for name, rows in tables.items()}


def _write_names(folder: Path, tables: dict[str, pl.DataFrame], sites: list[str]) -> None:
    folder.mkdir()
    columns = {"suppliers": "supplier", "products": "product", "materials": "material", "blocks": "block"}
    for table, column in columns.items():
        known = tables["checks" if column == "block" else "lots"][column].drop_nulls().unique().sort().to_list()
        rows = [
            {"site": site, "name": name, "company_name": f"{name} {number // _TOGETHER[table]}"}
            for number, site in enumerate(sites)
            for name in known
        ]
        pl.DataFrame(rows).write_csv(folder / f"{table}.csv")
    meters = tables["meters"]["meter"].to_list()
    rows = [
        {
            "site": site, "meter": meter, "maker": "Maker", "accuracy_percent": 0.5,
            "serial_number": f"{meter} {number - (place == 0 and number % 10 == 1)}",
        }
        for number, site in enumerate(sites)
        for place, meter in enumerate(meters)
    ]  # fmt: skip
    pl.DataFrame(rows).write_csv(folder / "meters.csv")


QUESTIONS: dict[str, Callable[[Asked], object]] = {
    "put together": lambda asked: asked.company.lots.height,
    "supplier": lambda asked: asked.about("supplier", "supplier 1 0"),
    "block": lambda asked: asked.about("block", "B-COPPER 0"),
    "overview, with its pages": lambda asked: asked.overview(),
    "review, with its pages": lambda asked: asked.review("2022-01"),
}


def main() -> None:
    """Build, ask and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", type=Path)
    parser.add_argument("--sites", type=int, nargs="+", default=[100])
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--ask")
    given = parser.parse_args()
    if given.ask:
        began, place = time.process_time(), find_centre(given.folder)
        with Register(place.register) as register:
            if given.ask == "status":
                site_statuses(place, register)
            else:
                QUESTIONS[given.ask](asked_company(place, register))
        print(json.dumps([time.process_time() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000]))
        return
    for count in given.sites:
        root = given.folder / str(count)
        if not root.exists():
            root.mkdir(parents=True)
            build(given.source, root, count)
        for question in ("status", *QUESTIONS):
            words = [__file__, str(given.source), "--folder", str(root / "centre"), "--ask", question]
            done = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=True)
            seconds, peak = json.loads(done.stdout.splitlines()[-1])
            print(f"| {question} | {count} sites | {seconds:.2f} s | {peak:.0f} MB |", flush=True)


if __name__ == "__main__":
    main()
