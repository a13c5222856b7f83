"""How fast the served pages answer: python tests/benchmark/serve.py WORKSPACE --people 20.

Everybody asks at once, over and over, on loopback: for a lot's page, for the lot as JSON, for the status as JSON. Prints the median and
95 % of each in milliseconds. Then one lot is decided on and signed in a copy of the workspace that the service watches, and the time
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
from html import unescape
from pathlib import Path
from typing import Any

import httpx

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


def _asked(client: httpx.Client, path: str, rounds: int) -> list[float]:
    took = []
    for _ in range(rounds):
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


def _until(changed: list[tuple[str, Path, float]], began: float, process: int) -> dict[str, tuple[float, float]]:
    """Return after how many seconds, and processor seconds since the start, each page was written later than it had been."""
    took: dict[str, tuple[float, float]] = {}
    while time.perf_counter() - began < _WAIT_S and len(took) < len(changed):
        for name, page, before in changed:
            if name not in took and page.exists() and page.stat().st_mtime_ns != before:
                took[name] = (time.perf_counter() - began, _processor_s(process))
        time.sleep(0.02)
    return took


def measure(root: Path, people: int, rounds: int, rest: float) -> dict[str, Any]:
    """Ask, and decide, in a workspace that may be changed."""
    from pipeline.decisions.accounts import open_account
    from pipeline.kept.answers import answer_of
    from pipeline.pages.render import render
    from pipeline.workspace.settings import find_workspace

    place = find_workspace(root)
    lot = max(path.stem for path in (place.pages / "lots").glob("*.html"))
    open_account(place, NAME, role="supervisor", password=PASSWORD, by="the benchmark", why="a measurement")
    render(place)  # after the account, and by the program that is measured: the answers that were kept hold
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
            with concurrent.futures.ThreadPoolExecutor(people) as pool:
                for name, path in (
                    ("page", f"/lots/{lot}.html"),
                    ("lot", f"/json/lot/{lot}"),
                    ("status", "/json/status"),
                ):
                    asked = [pool.submit(_asked, one, path, rounds) for one in visitors]
                    took = sorted(ms for one in asked for ms in one.result())
                    found[name] = {
                        "median_ms": round(statistics.median(took), 1),
                        "most_of_95_percent_ms": round(took[int(0.95 * (len(took) - 1))], 1),
                    }
            found["answer_was_kept"] = answer_of(place, "lot", lot) is not None
            until = time.perf_counter() + _WAIT_S
            while answer_of(place, "lot", lot) is None and time.perf_counter() < until:
                time.sleep(0.5)  # the service writes what another program wrote before
            time.sleep(rest)  # what a service does when it starts is not what a decision costs
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
    parser.add_argument("--rest", type=float, default=20.0, help="seconds until something is decided")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        # times of files are kept: what was kept for the pages holds in the copy as it did
        root = Path(shutil.copytree(given.workspace, Path(folder) / "works"))
        print(json.dumps(measure(root, given.people, given.rounds, given.rest), indent=1))


if __name__ == "__main__":
    main()
