"""Takers that are killed at random moments: every package is registered once, and the union is the sum of the sites."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from tiny_packages import TinySite

from pipeline.centre.decisions import add_site
from pipeline.centre.given import key_of
from pipeline.centre.pieces import manifest_of, tables_of
from pipeline.centre.place import make_centre
from pipeline.centre.register import Register
from pipeline.publish.given import believed
from pipeline.publish.storage import Storage
from schemas.company import Head

if TYPE_CHECKING:
    from pathlib import Path

SITES, PACKAGES, TAKERS, KILLS = 5, 8, 3, 9
TAKER = """
import sys
from pathlib import Path
import pyarrow.parquet
from pipeline.centre.place import find_centre
from pipeline.centre.register import Register
from pipeline.centre.take_in import take_in
from pipeline.publish.storage import Storage
place = find_centre(Path(sys.argv[1]))
with Register(place.register) as register:
    register.sites()
    print("ready", flush=True)
    sys.stdin.readline()
    found = take_in(place, register, Storage(place.storage), sys.argv[2:])
    print("\\n".join(taken.error for taken in found if taken.error))
"""


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_takers_that_are_killed_lose_and_double_nothing(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    chance = random.Random(20)
    lite = kind == "sqlite"
    address = "register.db" if lite else request.getfixturevalue("cluster").create("killed_takers")
    place = make_centre(tmp_path / "centre", register=address)
    (place.root / "storage").mkdir()
    key_of(place)
    storage = Storage(place.storage)
    sites = [TinySite(f"P-{number:03}", storage) for number in range(SITES)]
    names = [site.name for site in sites]
    with Register(place.register) as register:
        register.make()
        for site in sites:
            add_site(register, site.name, site.public, by="Ada", why="joins")
        sent = {site.name: [site.publish() for _ in range(PACKAGES)] for site in sites}

        def taker() -> subprocess.Popen[str]:
            order = chance.sample(names, len(names))
            return subprocess.Popen(
                [sys.executable, "-c", TAKER, str(place.root), *order],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            )  # fmt: skip

        def registered() -> int:
            return sum(len(register.packages(name)) for name in names)

        killed = [taker() for _ in range(KILLS)]
        for begin in range(0, KILLS, TAKERS):
            at_once = killed[begin : begin + TAKERS]
            for process in at_once:
                assert process.stdout.readline() == "ready\n"
            for process in at_once:
                process.stdin.write("go\n")
                process.stdin.flush()
            before = registered()
            while registered() == before and any(process.poll() is None for process in at_once):
                time.sleep(0.01)  # in the middle of it, however slow the machine is
            for process in at_once:
                time.sleep(chance.uniform(0, 0.2))
                process.send_signal(signal.SIGKILL)
            for process in at_once:
                process.communicate()
        assert -signal.SIGKILL in [process.returncode for process in killed]
        assert registered() > 0
        said, _ = taker().communicate("go\n")
        assert said.split() == ["ready"]
        for site in sites:
            packages = register.packages(site.name)
            assert [(p.number, p.sha256, p.before) for p in packages] == [
                (m.number, m.sha256, m.before) for m in sent[site.name]
            ]
            head = Head.of(believed(storage.get(f"centre/heads/{site.name}.json"), key_of(place), "the head"))
            assert (head.number, head.refused) == (PACKAGES, "")
            union = tables_of(storage, manifest_of(storage, packages[-1]), place.cache, tables=["texts"])["texts"]
            assert sorted(union["content"]) == sorted(f"{site.name} {number}" for number in range(1, PACKAGES + 1))
        assert register.refusals() == []
