"""How fast the served pages answer: python tests/benchmark/serve.py WORKSPACE --people 20.

Everybody asks at once, over and over, on loopback: for a lot's page, for the lot as JSON, for the status as JSON, and, each for another
one, for a lot that nobody asked before and of which no answer is kept. Prints the median and 95 % of each in milliseconds. With
`--lots` pages and answers of so many lots are written and those of all others are blank, which a large history needs half an hour
less for. With `--load` everybody goes on asking while a file is loaded. Then one lot is decided on and signed in a copy of the workspace that the service watches, and the time
is printed until its page and until the board were written again, beside the processor seconds of the service and the server until
then: on an idle machine they are about the time.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import contextlib
import json
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from functools import partial
from html import unescape
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import httpx

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from pipeline.workspace.settings import Workspace

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

NAME, PASSWORD = "Ada Lind", "seven copper kettles"
_WAIT_S = 300.0


def _fields(text: str, step: str) -> tuple[str, dict[str, str]]:
    """Return address and hidden fields of the form with a button."""
    for action, body in re.findall(r'<form method="post" action="([^"]*)"[^>]*>(.*?)</form>', text, re.DOTALL):
        if f'name="step" value="{step}"' in body:
            pairs = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', body)
            return unescape(action), {name: unescape(value) for name, value in pairs} | {"step": step}
    raise SystemExit(f"No form with {step}: {re.sub('<[^>]+>', ' ', text)[-500:]}")


def _visitor(address: str) -> httpx.Client:
    client = httpx.Client(base_url=address, follow_redirects=True, timeout=_WAIT_S)
    action, fields = _fields(client.get("/sign-in").text, "sign")
    client.post(action, data={**fields, "name": NAME, "password": PASSWORD}).raise_for_status()
    return client


def _asked(client: httpx.Client, paths: Iterable[str]) -> list[float]:
    took = []
    for path in paths:
        began = time.perf_counter()
        answer = client.get(path)
        took.append(1e3 * (time.perf_counter() - began))
        if answer.status_code != 200:
            raise SystemExit(f"{path}: {answer.status_code} {re.sub('<[^>]+>', ' ', answer.text)[-300:]}")
    return took


def _processor_s(process: int) -> float:
    """Return the processor seconds of a process and of those that it started, from /proc."""
    used = 0.0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            words = stat.read_text(encoding="utf-8").rpartition(")")[2].split()
            if process in (int(stat.parent.name), int(words[1])):
                used += sum(map(int, words[11:15])) / os.sysconf("SC_CLK_TCK")
    return used


def _until(changed: Sequence[tuple[str, Path, float]], began: float, process: int) -> dict[str, tuple[float, float]]:
    """Return after how many seconds, and processor seconds since the start, each page was written later than it had been."""
    took: dict[str, tuple[float, float]] = {}
    while time.perf_counter() - began < _WAIT_S and len(took) < len(changed):
        for name, page, before in changed:
            if name not in took and page.exists() and page.stat().st_mtime_ns != before:
                took[name] = (time.perf_counter() - began, _processor_s(process))
        time.sleep(0.02)
    return took


def _all_at_once(visitors: list[httpx.Client], paths: Callable[[int], Iterable[str]]) -> dict[str, float]:
    """Let everybody ask for what is his, and say how long that took."""
    with concurrent.futures.ThreadPoolExecutor(len(visitors)) as pool:
        asked = [pool.submit(_asked, one, paths(number)) for number, one in enumerate(visitors)]
        took = sorted(ms for one in asked for ms in one.result())
    time.sleep(len(took) / 20)  # so many a second and no more from one address
    return {
        "median_ms": round(statistics.median(took), 1),
        "most_of_95_percent_ms": round(took[int(0.95 * (len(took) - 1))], 1),
        "asked": len(took),
    }


def _first(paths: Callable[[int], Iterable[str]], number: int) -> list[str]:
    return [*paths(number)][:1]


def _written_for(place: Workspace, lots: list[str], others: list[str]) -> None:
    """Write the pages and keep the answers of some lots, and leave blank those of all others, which then stand as they are."""
    import reports
    from pipeline.kept import answers
    from pipeline.pages import render
    from pipeline.pages.writer import register_of

    register, begin = register_of(place), answers.Answers.__init__
    (place.pages / "lots").mkdir(parents=True, exist_ok=True)
    for lot in others:
        address = reports.address("lot", lot)
        (place.pages / address).write_bytes(b"blank")
        register.note(address, "", b"blank", ())
    register.write()

    def with_blanks(self: Any, *given: Any) -> None:
        begin(self, *given)
        self._kept |= {answers._name("lot", lot): "0" * 64 for lot in others}

    with (
        patch.object(answers.Answers, "__init__", with_blanks),
        patch.object(render, "_standing", lambda *_: frozenset(others)),
    ):
        render.render(place)


def measure(root: Path, people: int, rounds: int, rest: float, lots: int, load: Path | None) -> dict[str, Any]:
    """Ask, and decide, in a workspace that may be changed."""
    from pipeline.decisions.accounts import open_account
    from pipeline.history.store import History
    from pipeline.kept.answers import answer_of
    from pipeline.load.touched import assess_touched
    from pipeline.pages.render import render
    from pipeline.workspace.settings import find_workspace

    place = find_workspace(root)
    with History.open(place.history, snapshot=False) as history:
        known = history.all_lots()
    written = known[:: max(1, len(known) // lots)][:lots] if lots else known
    lot = written[-1]
    # by the program that is measured: what it finds is kept, and the answers hold
    assess_touched(place, [], now=datetime.now(UTC), refresh=True)
    open_account(place, NAME, role="supervisor", password=PASSWORD, by="the benchmark", why="a measurement")
    if lots:
        _written_for(place, written, sorted(set(known) - set(written)))
    else:
        render(place)
    found: dict[str, Any] = {"people": people, "rounds": rounds, "asked": lot, "load": round(os.getloadavg()[0], 1)}
    command = [
        sys.executable,
        "-u",
        "-c",
        "from pipeline.cli import main; main()",
        "watch",
        "--direct",
        "--serve",
        "0",
        "--workspace",
        str(root),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as service:
        try:
            said = iter(service.stdout or ())
            address = next(hit[0] for line in said if (hit := re.search(r"http://[\d.:]+/", line)))
            visitors = [_visitor(address) for _ in range(people)]
            until = time.perf_counter() + _WAIT_S
            while answer_of(place, "lot", lot) is None and time.perf_counter() < until:
                time.sleep(0.5)  # the service writes what another program wrote before
            time.sleep(rest)  # what a service does when it starts is no usual day
            others = sorted(set(known) - set(written))[:: max(1, (len(known) - len(written)) // (2 * people + 1))]
            asked: dict[str, Callable[[int], Iterable[str]]] = {
                "page": lambda one: [f"/lots/{written[one % len(written)]}.html"] * rounds,
                "lot": lambda one: [f"/json/lot/{written[one % len(written)]}"] * rounds,
                "status": lambda _: ["/json/status"] * rounds,
                "lot_never_asked": lambda one: [f"/json/lot/{name}" for name in others[2 * one : 2 * one + 2]],
            }
            for name, paths in asked.items():
                if name != "lot_never_asked" or lots:
                    found[name] = _all_at_once(visitors, paths)
            if lots:
                found["lot_never_asked_alone"] = _all_at_once(
                    visitors[:1], lambda _: [f"/json/lot/{name}" for name in others[-3:]]
                )
            if load is not None:
                board = place.pages / "boards" / "LINE.html"
                at_first = board.stat().st_mtime_ns
                shutil.copy(load, place.inbox / f"{load.stem}-late.csv")
                began = time.perf_counter()
                while board.stat().st_mtime_ns == at_first and time.perf_counter() < began + _WAIT_S:
                    for name in ("page", "lot", "status"):
                        took_ms = _all_at_once(visitors[:4], partial(_first, asked[name]))["most_of_95_percent_ms"]
                        worst = found.setdefault("while_loading", {})
                        worst[name] = max(worst.get(name, 0.0), took_ms)
                found["loaded_s"] = round(time.perf_counter() - began, 1)
            until = time.perf_counter() + _WAIT_S
            while answer_of(place, "lot", lot) is None and time.perf_counter() < until:
                time.sleep(0.5)
            time.sleep(rest)
            client = visitors[0]
            action, fields = _fields(client.get(f"/decide/lot?lot={lot}").text, "look")
            looked = client.post(action, data={**fields, "lot": lot, "decision": "re-measured", "why": "a measurement"})
            action, fields = _fields(looked.text, "sign")
            pages = (("page", place.pages / "lots" / f"{lot}.html"), ("board", place.pages / "boards" / "LINE.html"))
            before = [(name, page, page.stat().st_mtime_ns if page.exists() else 0) for name, page in pages]
            began, used = time.perf_counter(), _processor_s(service.pid)
            client.post(action, data={**fields, "password": PASSWORD}).raise_for_status()
            found["signed_s"] = [round(time.perf_counter() - began, 2), round(_processor_s(service.pid) - used, 2)]
            took = _until(before, began, service.pid)
            found["written_s"] = {name: [round(s, 2), round(cpu - used, 2)] for name, (s, cpu) in took.items()}
        finally:
            service.terminate()
    return found


def main() -> None:
    """Print the figures as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--people", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=5, help="more than 5 are too many requests from one address")
    parser.add_argument("--lots", type=int, default=0, help="write pages of so many lots; of all others blank ones")
    parser.add_argument("--load", type=Path, help="an export that is loaded while everybody asks")
    parser.add_argument("--rest", type=float, default=20.0, help="seconds until something is decided")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        # times of files are kept: what was kept for the pages holds in the copy as it did
        left = shutil.ignore_patterns("export-*.csv", "small-*.csv", "archive" if given.lots else "")
        root = Path(shutil.copytree(given.workspace, Path(folder) / "works", ignore=left))
        said = measure(root, given.people, given.rounds, given.rest, given.lots, given.load)
        print(json.dumps(said, indent=1))


if __name__ == "__main__":
    main()
