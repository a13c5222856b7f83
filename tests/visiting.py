"""A browser without a window for the served pages: follows forms as they are written, in this process. Invented people."""

from __future__ import annotations

import asyncio
import re
from concurrent.futures import ThreadPoolExecutor
from html import unescape
from typing import TYPE_CHECKING, Any

import httpx
from scenario import Scenario
from workspace_files import full_workspace, neutral_csv

from pipeline.cli.answers import ANSWERS
from pipeline.decisions.accounts import open_account
from pipeline.decisions.layouts import name_of
from pipeline.decisions.record import record_exclusion
from pipeline.history import accounts
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.load.load import load
from pipeline.web.app import Application, Place
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine
    from pathlib import Path

    import pytest

__all__ = [
    "DECISIONS",
    "PASSWORD",
    "PEOPLE",
    "UNKNOWN",
    "AtWork",
    "Person",
    "apart",
    "application",
    "asked_at",
    "cheap_passwords",
    "decided_works",
    "people",
    "typed_into",
]

PASSWORD = "seven copper kettles"
PEOPLE = {"Ada Lind": "supervisor", "Ben Moor": "metrologist", "Cia Ek": "technician", "Dan Ro": "reader"}


DECISIONS = {
    "lot": ("Ben Moor", {"lot": "L1", "decision": "re-measured"}, "disposition"),
    "event": ("Ben Moor", {"event": "", "decision": "no effect found"}, "disposition"),
    "release": ("Ada Lind", {"lot": "L1", "decision": "accepted with evidence"}, "disposition"),
    "signal": ("Ben Moor", {"meter": "M1", "block": "B1", "decision": "re-measured"}, "disposition"),
    "setting": ("Cia Ek", {"meter": "M1", "at": "2026-03-28T07:10", "block": "B1", "temperature": "23.4"}, "adjustment"),
    "hand-over": ("Ben Moor", {"meter": "M1", "at": "2026-03-28T07:10", "to": "P-002"}, "hand_over"),
    "receipt": ("Ben Moor", {"meter": "M2", "at": "2026-03-28T07:10", "sender": "P-002"}, "receipt"),
    "action": ("Cia Ek", {"meter": "M1", "at": "2026-03-28T07:10", "kind": "cleaned"}, "action"),
    "exclusion": ("Ben Moor", {"file": "inbox/40.csv", "line": "3"}, "exclusion"),
    "inclusion": ("Ben Moor", {"file": "inbox/40.csv", "line": "2"}, "inclusion"),
    "baseline": ("Ben Moor", {"meter": "M1", "block": "B1", "start": "2026-03-02T00:00"}, "baseline"),
    "process-baseline": ("Ben Moor", {"supplier": "Q", "material": "copper"}, "process_baseline"),
    "discard": ("Ben Moor", {"reason": "missing_value"}, "discard"),
    "replay": ("Ben Moor", {}, None),
    "held": ("Ben Moor", {"file": "inbox/42.csv"}, "discard"),
    "layout": (
        "Ben Moor",
        {"file": "inbox/43.csv", "layout_name": "new_meter"}
        | {
            name_of(key): answer
            for key, answer in (("zone", "site"), ("unit", "MS/m"), ("role", "block"), ("temperature_state", "at_metal"))
        },
        "layout",
    ),
    "hardness": ("Cia Ek", {"lot": "L1", "value": "80", "scale": "HV"}, "reference"),
    "lot-data": ("Cia Ek", {"lot": "L77", "product": "bar"}, "reference"),
}  # fmt: skip
"""Of each form: who signs it, what is typed, and the kind of event that follows."""


UNKNOWN = (
    "Time,Meter,Block,Reading\n2026-03-29 08:00,M1,B1,58.1\n2026-03-29 08:01,M1,B1,58.2\n2026-03-29 08:02,M1,B1,58.0\n"
)
"""A file that no layout fits."""


def asked_at(form: str) -> str:
    """Return where a form is asked for: what a file leaves open is asked once the file is named."""
    return f"/decide/{form}" + ("?file=inbox/43.csv" if form == "layout" else "")


def decided_works(root: Path) -> Path:
    """Make a workspace in which each of the decisions can be made: with an event, a signal, a process, a line left out."""
    full_workspace(root)
    place = find_workspace(root)
    table = root / "reference" / "lots.csv"
    table.write_text(
        table.read_text(encoding="utf-8") + "".join(f"L{n},bar,copper,S,Q\n" for n in range(11, 16)), encoding="utf-8"
    )
    (root / "reference" / "meters.csv").write_text(
        "meter,accuracy_percent,resolution,unit,maker,serial_number\nM1,0.5,0.01,MS/m,Ostrel,K2-1\nM2,0.5,0.01,MS/m,Ostrel,K2-2\n",
        encoding="utf-8",
    )
    more = Scenario().check("07:00", 2.0, day=20)
    for n in range(11, 16):
        more.check("08:00", day=n).lot("09:00", lot=f"L{n}", day=n).check("10:00", day=n)
    path = root / "inbox" / "50.csv"
    path.write_text(neutral_csv(more), encoding="utf-8")
    unknown = root / "inbox" / "43.csv"
    unknown.write_text(UNKNOWN, encoding="utf-8")
    load(place, [path, unknown])
    record_exclusion(place, file="inbox/40.csv", line=2, by="Eve", why="probe lifted")
    people(root)
    return root


def typed_into(root: Path, form: str) -> dict[str, str]:
    """Return what is typed into a form, with the name of the event that there is."""
    typed = dict(DECISIONS[form][1])
    if "event" in typed:
        with History.open(find_workspace(root).history, snapshot=False) as history:
            found = assess(history, find_workspace(root).settings, as_of=None).found_events
        typed["event"] = found[0].name
    return typed


def cheap_passwords(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a hash cost little; what it is worth is tested where hashes are."""
    monkeypatch.setattr(accounts, "_COST", 10)
    monkeypatch.setattr(accounts, "_NOBODY", accounts._NOBODY.replace("$15$", "$10$"))


def people(root: Path) -> None:
    """Open an account of each role."""
    for name, role in PEOPLE.items():
        open_account(find_workspace(root), name, role=role, password=PASSWORD, by="Eve", why="a test")


def application(root: Path, place: Place | None = None) -> Application:
    return Application(root, ANSWERS, place)


_THREAD = ThreadPoolExecutor(max_workers=1)


def apart(make: Callable[[], Coroutine[Any, Any, Any]]) -> Any:
    """Run a coroutine in a thread of its own: a browser that other tests of this process hold has its loop in theirs."""
    return _THREAD.submit(lambda: asyncio.run(make())).result()


class _Client:
    """Asks the application in this process, one request at a time, and keeps its cookies."""

    def __init__(self, app: Application, address: str, base: str) -> None:
        transport = httpx.ASGITransport(app, client=(address, 50000))
        self._client = httpx.AsyncClient(transport=transport, base_url=base, follow_redirects=True, timeout=None)
        self.cookies = self._client.cookies

    def request(self, method: str, path: str, **given: Any) -> httpx.Response:
        response: httpx.Response = apart(lambda: self._client.request(method, path, **given))
        return response

    def get(self, path: str, **given: Any) -> httpx.Response:
        return self.request("GET", path, **given)

    def post(self, path: str, **given: Any) -> httpx.Response:
        return self.request("POST", path, **given)


class Person:
    """Somebody at a browser."""

    def __init__(self, app: Application, address: str = "127.0.0.1", base: str = "http://127.0.0.1") -> None:
        self.client = _Client(app, address, base)
        self.at = "/"
        self.text = ""
        self.status = 0

    def _arrived(self, answer: httpx.Response) -> Person:
        self.at, self.text, self.status = answer.url.path, answer.text, answer.status_code
        self.headers = answer.headers
        return self

    def get(self, path: str, **headers: str) -> Person:
        return self._arrived(self.client.get(path, headers=headers))

    def forms(self) -> dict[str, dict[str, str]]:
        """Return the fields of each form of the page, by its first button."""
        found = {}
        for action, body in re.findall(r'<form method="post" action="([^"]*)"[^>]*>(.*?)</form>', self.text, re.DOTALL):
            fields = {"action": unescape(action)}
            for tag in re.findall(r"<input [^>]*>", body):
                name = re.search(r' name="([^"]*)"', tag)
                value = re.search(r' value="([^"]*)"', tag)
                if name:
                    fields[name[1]] = unescape(value[1]) if value else ""
            for name, inside in re.findall(r'<select[^>]* name="([^"]*)"[^>]*>(.*?)</select>', body, re.DOTALL):
                chosen = re.search(r'value="([^"]*)" selected', inside)
                fields[name] = unescape(chosen[1]) if chosen else ""
            for name, inside in re.findall(r'<textarea[^>]* name="([^"]*)"[^>]*>(.*?)</textarea>', body, re.DOTALL):
                fields[name] = unescape(inside)
            found[re.search(r'name="step" value="([^"]*)"', body)[1]] = fields  # type: ignore[index]
        return found

    def send(self, step: str, **typed: Any) -> Person:
        """Fill the form of a button and press it."""
        fields = {**self.forms()[step], "step": step, **{name: str(value) for name, value in typed.items()}}
        return self._arrived(self.client.post(fields.pop("action"), data=fields))

    def sign_in(self, name: str, password: str = PASSWORD) -> Person:
        return self.get("/sign-in").send("sign", name=name, password=password)

    def decide(self, form: str, *, password: str = PASSWORD, **typed: Any) -> Person:
        """Go through a form to its end, or to where it stops."""
        self.get(f"/decide/{form}").send("look", **typed)
        return self.send("sign", password=password) if "sign" in self.forms() else self


class AtWork(Person):
    """Somebody who signed in at a browser on the network."""

    def __init__(self, address: str, name: str) -> None:
        self.client = httpx.Client(base_url=address, follow_redirects=True, timeout=240.0)
        self.at, self.text, self.status = "/", "", 0
        self.sign_in(name)
        assert self.at == "/", self.text
