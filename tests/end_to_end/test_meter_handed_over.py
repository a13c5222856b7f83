"""A meter goes to another site and comes from one: what follows from it at the site, and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from scenario import Scenario

from pipeline.decisions.hand_over import record_hand_over
from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.kept.snapshot import holds_until
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell

DAY = "2026-03-02"
METERS = "meter,accuracy_percent,resolution,unit,maker,serial_number\nM1,0.5,0.01,MS/m,Ostrel,K2-7\nM2,0.5,0.01,MS/m,Ostrel,\n"


@pytest.fixture
def site(shell: Shell) -> Shell:
    shell.make(meters=METERS)
    settings = shell.root / "annealog.toml"
    settings.write_text('site = "P-001"\n' + settings.read_text(encoding="utf-8"), encoding="utf-8")
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00").check("10:00", meter="M2")))
    return shell


def gone(site: Shell, *words: str, at: str = f"{DAY}T12:00", code: int = 0) -> Shell:
    site("record", "hand-over", "--meter", "M1", "--at", at, "--to", "P-002", "--by", "Ada", "--why", "moves", *words)
    assert site.code == code, site.err
    return site


def came(site: Shell, *words: str, at: str = f"{DAY}T14:00", code: int = 0) -> Shell:
    site("record", "receipt", "--meter", "M1", "--at", at, "--from", "P-002", "--by", "Ada", "--why", "is back", *words)
    assert site.code == code, site.err
    return site


def test_the_giver_has_no_more_to_do_with_it(site: Shell) -> None:
    gone(site, "--dry-run")
    assert site.json("meter", "M1")["state"] == "fit"
    gone(site)
    # what was said as of the last reading stays; after the hand-over it is not overdue, but gone
    assert site.json("meter", "M1")["state"] == "fit"
    found = site.json("meter", "M1", "--as-of", "2026-03-09")
    assert found["state"] == "not_assessed"
    assert found["reasons"][0] == "It was handed over to P-002 on 2026-03-02 12:00."
    assert site.json("meter", "M2", "--as-of", "2026-03-09")["state"] == "overdue"
    status = site.json("status", "--as-of", "2026-03-09")
    assert status["checks_overdue"] == ["M2"]
    assert site.json("lot", "L1")["support"] == "supported"
    site("verify")
    assert site.code == 0


def test_what_is_read_after_it_went_is_told(site: Shell) -> None:
    gone(site)
    site.load(site.put("b.csv", Scenario().check("08:00", day=1).lot("09:00", lot="L2", day=1).check("10:00", day=1)))
    found = site.json("meter", "M1")
    (flag,) = [flag for flag in found["flags"] if flag.startswith("read_after_hand_over")]
    assert "2 checks and lot L2 read here after it was handed over to P-002 on 2026-03-02 12:00" in flag
    assert (found["state"], found["blocks"][0]["checks"]) == ("fit", 2)  # a phase of its own
    came(site, at=f"{DAY}T13:00")
    assert not [flag for flag in site.json("meter", "M1")["flags"] if flag.startswith("read_after_hand_over")]
    site("meter", "M1")
    page = (site.root / "pages/meters/M1.html").read_text(encoding="utf-8")
    assert "handed over to P-002" in page
    assert "received from P-002" in page


def test_what_is_kept_of_now_holds_until_the_meter_goes(site: Shell) -> None:
    place = find_workspace(site.root)

    def until() -> str:
        with History.open(place.history, snapshot=False) as history:
            return holds_until(assess(history, place.settings, as_of=None), history).isoformat()

    assert until() > f"{DAY}T12:00:00"
    before = until()
    gone(site)
    assert until() == f"{DAY}T12:00:00+00:00"
    came(site, at=f"{DAY}T12:01")
    gone(site, at=f"{DAY}T12:02")
    came(site, at=f"{DAY}T12:02")
    gone(site, at=f"{DAY}T12:01")
    assert until() == f"{DAY}T12:00:00+00:00", "the first one stands"
    came(site, at=f"{DAY}T12:00")
    assert until() == before


def test_a_reading_of_the_very_moment_still_is_the_givers(site: Shell) -> None:
    last = f"{DAY}T10:00:10"  # the last reading of its last check
    gone(site, at=last)
    site.load(site.put("b.csv", Scenario().check("10:00", day=1, meter="M2")))
    found = site.json("meter", "M1")
    assert (found["state"], found["flags"]) == ("not_assessed", [])


def test_the_receiver_starts_a_phase_before_the_first_reading(shell: Shell) -> None:
    shell.make(meters=METERS)
    shell.load(shell.put("old.csv", Scenario().check("08:00", meter="M2")))
    shell(
        "record", "receipt", "--meter", "M1", "--at", f"{DAY}T12:00", "--from", "P-009", "--by", "Ben", "--why", "came"
    )
    assert shell.code == 0, shell.err
    # its memory still holds what the giver read: no evidence for this site's lots
    shell.load(shell.put("a.csv", Scenario().check("11:00", 0.1).lot("13:00").check("14:00")))
    meter = shell.json("meter", "M1")
    assert (meter["checks"], meter["blocks"][0]["checks"], meter["last_setting_at"]) == (2, 1, f"{DAY}T12:00:00Z")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--meter", "M9"), "No reading of meter 'M9' was loaded"),
        (("--meter", "M2"), "has no maker and serial_number in reference/meters.csv"),
        (("--to", "P-001"), "'P-001' is no other site"),
        (("--to", "hall 3"), "'hall 3' is no other site"),
        (("--at", DAY), "A hand-over needs --at with its time"),
        (("--by", " "), "A decision needs --by NAME"),
        (("--at", "2199-01-01T12:00"), "2199-01-01T12:00:00+00:00 is yet to come"),
    ],
)
def test_a_hand_over_that_cannot_be_is_refused(site: Shell, words: tuple[str, ...], said: str) -> None:
    gone(site, *words, code=2)
    assert said in site.err


def test_hand_over_and_receipt_take_turns(site: Shell) -> None:
    came(site, at=f"{DAY}T07:00")
    came(site, at=f"{DAY}T08:00", code=2)
    assert "received from P-002 at 2026-03-02T07:00:00+00:00" in site.err
    gone(site, at=f"{DAY}T06:59", code=2)
    gone(site, at=f"{DAY}T07:01")
    gone(site, code=2)
    came(site, at=f"{DAY}T07:01")  # the hand-over was wrong: the receipt before it is the last one again
    came(site, code=2)
    gone(site, at=f"{DAY}T07:00")  # and that one was, too: nothing stands
    gone(site, at=f"{DAY}T06:00")
    came(site, "--meter", "M9", code=2)
    assert "Meter 'M9' has no maker" in site.err
    site("rebuild")
    site("verify")
    assert site.code == 0


@pytest.mark.parametrize(
    ("words", "at", "code"), [((), "12:00", 0), (("--from", "P-003"), "12:00", 2), ((), "12:01", 2)]
)
def test_only_the_opposite_takes_back(site: Shell, words: tuple[str, ...], at: str, code: int) -> None:
    gone(site)
    came(site, *words, at=f"{DAY}T{at}")
    gone(site, at=f"{DAY}T11:00", code=code)  # earlier than what stands


def test_a_time_to_come_is_refused_and_one_that_stands_is_taken_back(site: Shell) -> None:
    place, now = find_workspace(site.root), datetime.now(UTC)
    who: Any = {"to": "P-002", "by": "Ada", "why": "moves"}
    with pytest.raises(UsageError, match="is yet to come"):
        record_hand_over(place, "M1", now + timedelta(hours=1), **who)
    assert record_hand_over(place, "M1", now, **who, dry_run=True) is None
    # as an earlier version let it in
    subject = {
        "meter": "M1",
        "at": "2199-01-01T00:00:00+00:00",
        "to": "P-002",
        "maker": "Ostrel",
        "serial_number": "K2-7",
    }
    with History.open(place.history, write=True) as history:
        history.append_event("hand_over", subject, by="Ada", why="moves")
    gone(site, code=2)
    assert "at 2199-01-01T00:00:00+00:00" in site.err
    came(site, at="2199-01-01T00:00:00+00:00")
    gone(site)


def test_a_receipt_that_nobody_read_after_is_taken_back(shell: Shell) -> None:
    shell.make(meters=METERS)
    shell.load(shell.put("old.csv", Scenario().check("08:00", meter="M2")))
    came(shell)
    gone(shell, at=f"{DAY}T14:00")
    gone(shell, at=f"{DAY}T14:00", code=2)
    assert "No reading of meter 'M1' was loaded" in shell.err
