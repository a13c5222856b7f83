"""What a package, a site and a round cost the centre, with many sites of tiny packages on a folder or a bucket.

    .venv-dev/bin/python tests/benchmark/many_sites.py 100 1000 --packages 3 [--bucket] [--register postgresql+psycopg://...]

Processor seconds of this process (those of the database and of the store are not in them), wall seconds, requests to storage, and
what a register takes on disk.
"""

from __future__ import annotations

import argparse
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import contextmanager, nullcontext
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
    from collections.abc import Callable, Iterator
    from typing import Any


_REQUESTS: Counter[str] = Counter()
_KINDS = {"stored": "list", "folders": "list", "get": "get", "size": "head", "modified": "head", "put_if_absent": "put", "replace": "put"}  # fmt: skip
_SERVE = (
    "import sys, time; from moto.server import ThreadedMotoServer as S; "
    "S(ip_address='127.0.0.1', port=int(sys.argv[1]), verbose=False).start(); print(flush=True); time.sleep(1e6)"
)


def count_requests() -> None:
    """Count from now on what storage is asked: a call is a request, a list of more than 1,000 keys some."""

    def counted(name: str, kind: str, whole: Callable[..., Any]) -> None:
        def call(*given: Any, **more: Any) -> Any:
            _REQUESTS[kind] += 1
            return whole(*given, **more)

        setattr(Storage, name, call)

    for name, kind in _KINDS.items():
        counted(name, kind, getattr(Storage, name))


@contextmanager
def bucket() -> Iterator[str]:
    """Run the S3 server for tests in a process of its own, and return the address of a new bucket."""
    import boto3

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    url = f"http://127.0.0.1:{port}"
    os.environ |= {"AWS_ENDPOINT_URL": url, "AWS_ACCESS_KEY_ID": "x", "AWS_SECRET_ACCESS_KEY": "x", "AWS_REGION": "us-east-1"}  # fmt: skip
    with subprocess.Popen(
        [sys.executable, "-c", _SERVE, str(port)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as server:
        assert server.stdout is not None
        server.stdout.readline()
        boto3.client("s3", endpoint_url=url, region_name="us-east-1").create_bucket(Bucket="works")
        yield "s3://works/company"
        server.kill()


def timed(what: str, each: int, unit: str, work: Callable[[], Any]) -> Any:
    """Run something and print what it cost."""
    _REQUESTS.clear()
    cpu, wall = time.process_time(), time.perf_counter()
    found = work()
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    asked = ", ".join(f"{count / each:.3g} {kind}" for kind, count in sorted(_REQUESTS.items()))
    print(f"| {what} | {cpu:.2f} s | {wall:.2f} s | {1000 * cpu / each:.2f} ms a {unit} | {asked} |", flush=True)
    return found


def measure(count: int, packages: int, root: Path, address: str, where: str) -> None:
    """Measure one company."""
    place = make_centre(root / "centre", register=address, storage=where)
    key_of(place)
    if "://" not in where:
        (place.root / where).mkdir()
    storage = Storage(place.storage)
    sites = [TinySite(f"P-{number:04}", storage) for number in range(count)]
    names = [site.name for site in sites]
    print(f"\n| {count} sites, {packages} packages each | processor | wall | of it | requests of it |\n|{' --- |' * 5}")
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
                tables_of(storage, manifest_of(storage, package, place.cache), place.cache, tables=["texts"])[
                    "texts"
                ].height
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
    parser.add_argument("--bucket", action="store_true", help="on the S3 server for tests, in place of a folder")
    arguments = parser.parse_args()
    count_requests()
    for count in arguments.sites:
        root = Path(tempfile.mkdtemp(prefix="annealog-many-"))
        try:
            with bucket() if arguments.bucket else nullcontext("storage") as where:
                measure(count, arguments.packages, root, arguments.register, where)
        finally:
            shutil.rmtree(root)


if __name__ == "__main__":
    main()
