"""Visits, wrong passwords and rates by the clock alone: just inside each bound and just outside it."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from pipeline.history.accounts import Account
from pipeline.web import sessions
from pipeline.web.sessions import IDLE_S, LONGEST_READER_S, LONGEST_S, Rates, Sessions, Tries


@dataclass
class Clock:
    now: float = 1_000.0

    def __call__(self) -> float:
        return self.now


def account(role: str = "technician") -> Account:
    return Account(name="Cia Ek", role=role, open=True, password="", sequence=7)


# -- visits ------------------------------------------------------------------------------------------------------


def test_a_visit_bears_the_account_it_was_begun_with_and_one_of_nobody_none() -> None:
    all_ = Sessions(Clock())
    theirs, nobodys = all_.start(account(), "cia ek"), all_.start()
    assert (theirs.account, theirs.stated_by) == ("cia ek", 7)
    assert (nobodys.account, nobodys.stated_by) == (None, 0)
    assert all_.of(theirs.token) is theirs
    assert all_.of("another") is None
    tokens = {theirs.token, theirs.form_token, nobodys.token, nobodys.form_token}
    assert len(tokens) == 4
    assert set(map(len, tokens)) == {43}  # 32 bytes of chance: 256 bits
    assert theirs.sent_from_here(theirs.form_token)
    assert not theirs.sent_from_here(nobodys.form_token)
    all_.end(theirs.token)
    assert all_.of(theirs.token) is None
    all_.end(theirs.token)  # twice is once


@pytest.mark.parametrize(("role", "longest"), [("technician", LONGEST_S), ("reader", LONGEST_READER_S)])
def test_a_visit_ends_by_idleness_and_by_age(role: str, longest: float) -> None:
    clock = Clock()
    all_ = Sessions(clock)
    assert (IDLE_S, LONGEST_S, LONGEST_READER_S) == (15 * 60, 12 * 3600, 7 * 24 * 3600)
    token = all_.start(account(role), "cia ek").token
    clock.now += IDLE_S
    assert all_.of(token) is not None
    clock.now += IDLE_S + 0.001
    assert all_.of(token) is None
    assert not all_._all  # it is forgotten, and no clock that is set back brings it again
    clock.now = began = 10_000.0
    token = all_.start(account(role), "cia ek").token
    while clock.now + IDLE_S < began + longest:
        clock.now += IDLE_S
        assert all_.of(token) is not None
    clock.now = began + longest
    assert all_.of(token) is not None
    clock.now += 0.001
    assert all_.of(token) is None


@pytest.mark.parametrize(("role", "stays"), [("technician", False), ("reader", True)])
def test_what_a_page_asks_by_itself_keeps_a_reader_alone(role: str, stays: bool) -> None:
    clock = Clock()
    all_ = Sessions(clock)
    token = all_.start(account(role), "cia ek").token
    clock.now += IDLE_S
    all_.of(token, used=False)
    clock.now += IDLE_S
    assert (all_.of(token) is not None) is stays


def test_of_too_many_visits_those_of_nobody_go_first_then_the_oldest(monkeypatch: pytest.MonkeyPatch) -> None:
    assert sessions._MOST == 5_000
    monkeypatch.setattr(sessions, "_MOST", 3)
    all_ = Sessions(Clock())
    first, nobody, second = all_.start(account(), "a"), all_.start(), all_.start(account(), "b")
    third = all_.start(account(), "c")
    assert all_.of(nobody.token) is None
    assert all(all_.of(one.token) is one for one in (first, second, third))
    all_.start(account(), "d")
    assert all_.of(first.token) is None
    assert all_.of(second.token) is second


def test_so_many_results_of_a_visit_are_kept_the_newest() -> None:
    visit = Sessions(Clock()).start()
    for number in range(51):
        visit.keep(f"{number}", number)
    assert [visit.results.get(f"{number}") for number in (0, 1, 50)] == [None, 1, 50]
    assert len(visit.results) == 50


# -- wrong passwords ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("began", [0.0, 1_000.0])  # the clock begins when the computer does
def test_the_fifth_wrong_password_of_both_waits_a_minute_and_it_is_told_in_whole_seconds(began: float) -> None:
    clock = Clock(began)
    tries = Tries(clock)
    for _ in range(4):
        tries.wrong("ben", "A")
    assert tries.wait_s("ben", "A") == 0
    tries.wrong("ben", "A")
    assert tries.wait_s("ben", "A") == 61
    assert (tries.wait_s("ben", "B"), tries.wait_s("ada", "A"), tries.wait_s("ben", None)) == (0, 0, 0)
    clock.now += 59.5
    assert tries.wait_s("ben", "A") == 1  # never told as nothing while it lasts
    clock.now += 0.5
    assert tries.wait_s("ben", "A") == 0


def test_a_slip_counts_for_a_quarter_of_an_hour_after_its_wait() -> None:
    for later, waits in ((900.0, 61), (900.001, 0)):
        clock = Clock()
        tries = Tries(clock)
        for _ in range(4):
            tries.wrong("ben", "A")
        clock.now += later
        tries.wrong("ben", "A")
        assert tries.wait_s("ben", "A") == waits


def test_the_right_password_clears_its_place_and_what_strangers_did_elsewhere_counts_on() -> None:
    tries = Tries(Clock())
    for place in "ABCD":
        for _ in range(5):
            tries.wrong("ben", place)
    assert tries.wait_s("ben", "E") == 61  # twenty of the account, at places where it is not known
    tries.right("ben", "A")  # whoever waits may not try; were it so, nothing of the other places were forgotten
    assert (tries.wait_s("ben", "A"), tries.wait_s("ben", "B"), tries.wait_s("ben", "E")) == (0, 61, 61)
    for _ in range(19):
        tries.wrong("ada", "F")
        tries.right("cia", "F")
    assert tries.wait_s("cia", "F") == 0


def test_nineteen_of_an_account_or_of_a_place_wait_for_nothing_and_the_twentieth_does() -> None:
    tries = Tries(Clock())
    for number in range(19):
        tries.wrong("ben", f"{number}")
    assert tries.wait_s("ben", "new") == 0
    tries.wrong("ben", "19")
    assert (tries.wait_s("ben", "new"), tries.wait_s("ada", "new")) == (61, 0)
    for _ in range(6):
        tries.wrong("ben", "0")
    assert tries.wait_s("ben", "0") == 901  # the longer of both waits: seven at this place alone wait 240 s
    for number in range(19):
        tries.wrong(f"name {number}", "P")
    assert tries.wait_s("new", "P") == 0
    tries.wrong("name 19", "P")
    assert (tries.wait_s("new", "P"), tries.wait_s("new", "Q")) == (61, 0)


def test_whoever_is_signed_in_has_tries_of_his_own() -> None:
    tries = Tries(Clock())
    for _ in range(5):
        tries.wrong("ben", None)
    assert (tries.wait_s("ben", None), tries.wait_s("ben", "A"), tries.wait_s("ada", None)) == (61, 0, 0)
    tries.right("ben", None)
    assert tries.wait_s("ben", None) == 0


def test_what_is_kept_of_strangers_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions, "_MOST", 6)
    tries = Tries(Clock())
    for number in range(10):
        tries.wrong(f"name {number}", f"{number}")
        tries.right(f"other {number}", f"x{number}")
    assert (len(tries._wrong), len(tries._known)) == (6, 6)
    assert ("both", "name 9", "9") in tries._wrong
    assert ("other 9", "x9") in tries._known


# -- rates -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("10.0.0.1", "10.0.0.2", False), ("2001:db8:0:1::1", "2001:db8:0:1:ffff::", True), ("2001:db8:0:1::1", "2001:db8:0:2::1", False),
        ("::ffff:10.0.0.1", "::ffff:10.0.0.2", False), ("::1", "::1", True), ("?", "?", True), ("?", "10.0.0.1", False),
    ],
)  # fmt: skip
def test_one_place_is_what_one_subscriber_has(one: str, other: str, same: bool) -> None:
    assert (sessions.network_of(one) == sessions.network_of(other)) is same


def test_a_bucket_holds_so_much_and_fills_steadily() -> None:
    clock = Clock()
    rates = Rates(per_s=2.0, most=3.0, clock=clock)
    assert [rates.taken("A") for _ in range(4)] == [True, True, True, False]
    assert rates.taken("B")
    clock.now += 0.499
    assert not rates.taken("A")
    clock.now += 0.001
    assert [rates.taken("A"), rates.taken("A")] == [True, False]
    clock.now += 1_000.0
    assert [rates.taken("A") for _ in range(4)] == [True, True, True, False]


def test_buckets_of_strangers_are_bounded_and_the_oldest_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions, "_MOST", 2)
    rates = Rates(per_s=0.001, most=1.0, clock=Clock())
    assert [rates.taken(place) for place in "AAB"] == [True, False, True]
    assert rates.taken("C")
    assert not rates.taken("B")
    assert rates.taken("A")  # forgotten, and so it begins anew
