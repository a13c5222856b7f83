"""A day of a technician, a metrologist and a supervisor, at browsers beside the running service; and what the record says of it."""

from __future__ import annotations

import json
import re
import time
from typing import TYPE_CHECKING

from scenario import Scenario
from visiting import PASSWORD, AtWork, people
from watching import settings, until, watching
from workspace_files import neutral_csv

from pipeline.custody.verify import verify
from pipeline.history.store import History
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell


def test_a_day(shell: Shell) -> None:
    shell.make()
    settings(shell, check_interval_hours="12")
    shell.put("0.csv", Scenario().check("08:00", day=0).lot("09:00", lot="L2", day=0).check("10:00", day=0))
    shell.load(shell.root / "inbox")
    people(shell.root)
    place = find_workspace(shell.root)
    with watching(shell.root, "--direct", "--serve", "0") as process:
        assert process.stderr is not None
        address = re.search(r"http://127\.0\.0\.1:\d+/", process.stderr.readline())
        assert address is not None
        page = shell.root / "pages" / "lots" / "L1.html"
        until((shell.root / "pages" / "index.html").is_file, process)

        # the technician checks the meter, reads a lot, hands in the export of the afternoon, and cleans the probe
        cia = AtWork(address[0], "Cia Ek")
        rest = {"temperature": "20", "temperature_state": "at_metal"}
        five = {f"v-1-{n}": value for n, value in enumerate(("58.01", "58.02", "58.00", "57.99", "58.03"), start=1)}
        cia.get("/enter/check?meter=M1&block=B1&unit=MS/m").send("look", **five, **rest, at="2026-03-20T08:00").send(
            "save"
        )
        assert "loaded 5 readings" in cia.text, cia.text
        three = {f"v-{n}-1": value for n, value in enumerate(("58.5", "58.6", "58.4"), start=1)}
        cia.get("/enter/lot?meter=M1&lot=L1&unit=MS/m&parts=3&spots=1").send(
            "look", **three, **rest, at="2026-03-20T08:30"
        ).send("save")
        assert "loaded 3 readings" in cia.text, cia.text
        # the closing check fails
        text = neutral_csv(Scenario().check("10:00", 2.0, day=18))
        cia.get("/bring")
        form = cia.forms()["bring"]["form"]
        cia._arrived(cia.client.post("/bring", data={"form": form}, files={"file": ("afternoon.csv", text.encode())}))
        assert "loaded 3 readings" in cia.text, cia.text
        cia.decide("action", meter="M1", at="2026-03-20T11:30", kind="cleaned", why="grease on the probe")
        assert cia.status == 200, cia.text
        until(lambda: page.is_file() and "Hold" in page.read_text(encoding="utf-8"), process)

        # the metrologist finds the event and says what was found on it; she may not release
        ben = AtWork(address[0], "Ben Moor")
        events = ben.client.get("/json/events").json()["events"]
        (event,) = [one for one in events if one["meter"] == "M1"]
        ben.get(f"/decide?page=events/{event['name']}.html")
        ben.decide(
            "event",
            event=event["event"],
            decision="no effect found",
            why="grease, gone after cleaning; block BL is sound",
        )
        assert ben.status == 200, ben.text
        assert ben.get("/decide/release").status == 403

        # the supervisor releases the lot, and it stands on its page
        ada = AtWork(address[0], "Ada Lind")
        began = time.monotonic()
        ada.decide("release", lot="L1", decision="accepted with evidence", why="read again beside EC-2, in limits")
        assert ada.status == 200, ada.text
        signed = time.monotonic() - began
        until(lambda: "accepted with evidence" in page.read_text(encoding="utf-8"), process)
        with shell.capture.disabled():
            print(f"signed after {signed:.1f} s, on the page {time.monotonic() - began - signed:.1f} s later")
        assert "accepted with evidence" in ada.get("/lots/L1.html").text
        assert "Ada Lind, supervisor (signed)" in ada.text
        for person in (cia, ben, ada):
            person.client.close()
        process.terminate()
        _, err = process.communicate(timeout=240)
    assert process.returncode == 0, err
    assert "Traceback" not in err

    with History.open(place.history, snapshot=False) as history:
        told = [(e.kind, e.by, e.subject["signed"]["role"]) for e in history.events() if "signed" in e.subject]
    assert told == [
        ("brought", "Cia Ek", "technician"), ("brought", "Cia Ek", "technician"), ("brought", "Cia Ek", "technician"),
        ("action", "Cia Ek", "technician"), ("disposition", "Ben Moor", "metrologist"), ("disposition", "Ada Lind", "supervisor"),
    ]  # fmt: skip
    report = verify(place)
    assert report.problems == ()
    assert "Signed by Ada Lind, supervisor, from 127.0.0.1: 1 event." in report.notes
    lot = json.loads(shell("lot", "L1", "--dry-run", "--json", "--workspace", str(shell.root)))
    assert any(flag.startswith("taken_by_hand") for flag in lot["flags"])
    assert PASSWORD not in (place.history.parent / "journal.jsonl").read_text(encoding="utf-8")
