"""Meters handed over: what giver and receiver recorded against each other, the readings and the company's table. Invented."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest
from sample_company import START, company_tables, frame, heads, names

from pipeline.centre.union.company import Company, together
from pipeline.centre.union.hand_overs import meters_of, moves_of
from pipeline.centre.union.review import company_review
from pipeline.centre.union.travellers import travelled, with_hand_overs
from schemas.union import HandOver

MOST = timedelta(hours=72)
GONE = START + timedelta(days=10)
CAME = GONE + timedelta(hours=5)
H = timedelta(hours=1)


def meter(site: str, name: str, **more: Any) -> dict[str, Any]:
    row = {"site": site, "meter": name, "maker": "Ostrel", "serial_number": "7", "accuracy_percent": 0.5}
    return row | {"valid_from": None, "valid_to": None} | more


TABLE = [meter("P-001", "EC-01", valid_to=GONE), meter("P-002", "EC-09", valid_from=GONE)]


def gave(at: datetime = GONE, *, site: str = "P-001", name: str = "EC-01", to: str = "P-002", **more: Any) -> Any:
    return event("hand_over", at, site, name, to=to, **more)


def got(at: datetime = CAME, *, site: str = "P-002", name: str = "EC-09", sender: str = "P-001", **more: Any) -> Any:
    return event("receipt", at, site, name, **{"from": sender}, **more)


def event(kind: str, at: datetime, site: str, name: str, *, serial: str = "7", **other: str) -> Any:
    subject = {"meter": name, "at": at.isoformat(), "maker": "Ostrel", "serial_number": serial, **other}
    return {"site": site, "kind": kind, "subject": json.dumps(subject), "why": "moves", "by": "Ada", "at": at}


def company(*events: Any, table: Any = TABLE, readings: Any = (), of: Any = None, meters: Any = ()) -> Company:
    rows = [{**one, "sequence": n} for n, one in enumerate(events, start=1)]
    kept = names(meters=list(table))
    whole = together(heads("P-001", "P-002") if of is None else of, company_tables(meters=list(meters)), kept)
    base = {"role": "block", "clock": "known", "unit": "MS/m", "value": 58.0}
    moved = frame("readings", *({**base, **one} for one in readings))
    return replace(whole, moves=moves_of(frame("events", *rows), kept), moved=lambda: moved)


@pytest.mark.parametrize(("clock", "told"), [("known", True), ("unknown", False)])
def test_a_clock_that_is_not_believed_says_nothing_of_when_a_meter_was_read(clock: str, told: bool) -> None:
    early = {"site": "P-002", "meter": "EC-09", "measured_at": CAME - H, "clock": clock}
    found = one_of(gave(), got(), readings=[early])
    assert any("before it was received" in said for said in found.differ) is told


def one_of(*events: Any, **given: Any) -> HandOver:
    (found,) = company(*events, **given).hand_overs(MOST)
    return found


def at_giver(*hours: float) -> list[dict[str, Any]]:
    return [
        {"site": "P-001", "meter": "EC-01", "measured_at": GONE + timedelta(hours=h), "value": 58 + h} for h in hours
    ]


def at_receiver(*hours: float) -> list[dict[str, Any]]:
    return [
        {"site": "P-002", "meter": "EC-09", "measured_at": CAME + timedelta(hours=h), "value": 58 + h} for h in hours
    ]


def test_two_sites_that_agree() -> None:
    found = one_of(gave(), got(), readings=[*at_giver(-1, 0), *at_receiver(0, 1)])
    assert found == HandOver(
        instrument="Ostrel 7", giver="P-001/EC-01", receiver="P-002/EC-09", handed_at=GONE, received_at=CAME,
        why=("moves", "moves"), differ=(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("way", "said"),
    [
        (timedelta(0), None),
        (MOST, None),
        (MOST + timedelta(seconds=1), "on the way for 72 h: nobody answers for it from 2026-06-11 08:00"),
        (timedelta(seconds=-1), "both sites had it from 2026-06-11 07:59 to 2026-06-11 08:00"),
    ],
)
def test_the_time_between_hand_over_and_receipt(way: timedelta, said: str | None) -> None:
    differ = one_of(gave(), got(GONE + way), table=[TABLE[0], meter("P-002", "EC-09")]).differ
    assert differ == () if said is None else differ[0].startswith(said)


def test_readings_that_nobody_had_it_for_are_told_and_copies_are_not() -> None:
    found = one_of(gave(), got(), readings=[*at_giver(-1, 0, 0.01, 3), *at_receiver(-0.01, 0)])
    assert found.differ == (
        "2 readings at P-001/EC-01 after it was handed over, from 2026-06-11 08:00 to 2026-06-11 11:00",
        "1 reading at P-002/EC-09 before it was received, from 2026-06-11 12:59 to 2026-06-11 12:59",
    )
    # what the memory of the meter still held came in at the receiver, too; and the giver loaded once more after it
    before = at_giver(-3, -2)
    copies = [row | {"site": "P-002", "meter": "EC-09"} for row in before]
    after = at_receiver(1, 2)
    assert one_of(gave(), got(), readings=[*before, *copies, *after]).differ == ()
    assert (
        one_of(gave(), got(), readings=[*after, *(row | {"site": "P-001", "meter": "EC-01"} for row in after)]).differ
        == ()
    )


@pytest.mark.parametrize(("serial", "told"), [("7", False), ("8", True)])
def test_what_the_giver_read_under_an_earlier_name_is_its_own(serial: str, told: bool) -> None:
    renamed = GONE - timedelta(days=3)
    table = [
        meter("P-001", "EC-old", valid_to=renamed, serial_number=serial),
        meter("P-001", "EC-01", valid_from=renamed, valid_to=GONE), TABLE[1],
    ]  # fmt: skip
    before = [row | {"meter": "EC-old"} for row in at_giver(-100, -99)]
    copies = [row | {"site": "P-002", "meter": "EC-09"} for row in before]
    found = company(gave(), got(), table=table, readings=[*before, *copies])
    assert ("P-001", "EC-old") in meters_of(found.moves, found.names).rows() or told
    (one,) = found.hand_overs(MOST)
    assert bool(one.differ) is told
    assert not told or one.differ[0].startswith("2 readings at P-002/EC-09 before it was received")


def test_what_a_site_read_that_had_it_before_hand_overs_were_recorded_is_its_own() -> None:
    table = [*TABLE, meter("P-000", "EC-5", valid_to=GONE - timedelta(days=5))]
    before = [row | {"site": "P-000", "meter": "EC-5"} for row in at_giver(-200, -199)]
    copies = [row | {"site": "P-002", "meter": "EC-09"} for row in before]
    assert one_of(gave(), got(), table=table, readings=[*before, *copies]).differ == ()
    found = one_of(gave(), got(), table=table, readings=copies)
    assert found.differ[0].startswith("2 readings at P-002/EC-09 before it was received")


def test_a_name_that_two_meters_had_one_after_the_other_is_each_of_them_in_its_time() -> None:
    """Both rows end with their hand-overs; what was read behind a row is of the meter that moved last."""
    later = GONE + timedelta(days=20)
    table = [
        TABLE[0], meter("P-001", "EC-01", valid_from=GONE + timedelta(days=1), valid_to=later, serial_number="8"),
        TABLE[1], meter("P-002", "EC-10", valid_from=later, serial_number="8"),
    ]  # fmt: skip
    second = gave(later, serial="8"), got(later, name="EC-10", serial="8")
    before = at_giver(-100, -99)
    copies = [row | {"site": "P-002", "meter": "EC-09"} for row in before]
    found = company(gave(), got(), *second, table=table, readings=[*before, *copies]).hand_overs(MOST)
    assert [(one.instrument, one.differ) for one in found] == [("Ostrel 7", ()), ("Ostrel 8", ())]
    found = company(gave(), got(), *second, table=table, readings=at_giver(1, 23, 24, 480, 481)).hand_overs(MOST)
    assert [one.differ[0].partition(",")[0] for one in found] == [
        "2 readings at P-001/EC-01 after it was handed over", "1 reading at P-001/EC-01 after it was handed over",
    ]  # fmt: skip


def test_one_that_came_back_is_the_givers_again() -> None:
    back = GONE + timedelta(days=5)
    returned = (
        gave(back, site="P-002", name="EC-09", to="P-001"),
        got(back, site="P-001", name="EC-01", sender="P-002"),
    )
    table = [*TABLE, meter("P-001", "EC-01", valid_from=back)]
    table[1] = table[1] | {"valid_to": back}
    days = [*at_giver(-1, 130), *at_receiver(1)]
    found = company(gave(), got(), *returned, table=table, readings=days).hand_overs(MOST)
    assert [(one.giver, one.receiver, one.differ) for one in found] == [
        ("P-001/EC-01", "P-002/EC-09", ()), ("P-002/EC-09", "P-001/EC-01", ()),
    ]  # fmt: skip
    # between the two it was not there
    found = company(gave(), got(), *returned, table=table, readings=at_giver(24)).hand_overs(MOST)
    assert "1 reading at P-001/EC-01 after it was handed over" in found[0].differ[0]


def read(site: str, *hours: float) -> list[dict[str, Any]]:
    name = "EC-01" if site == "P-001" else "EC-09"
    return [{"site": site, "meter": name, "measured_at": GONE + h * H, "value": 58 + h} for h in hours]


def test_what_nobody_had_it_for_is_told_of_the_moves_it_lies_between_and_of_no_other() -> None:
    """P-001 has it up to 0 h, 30 to 40 h and from 60 h on; P-002 10 to 20 h and 50 to 55 h; recorded the last one first."""
    first: Any = gave(GONE), got(GONE + 30 * H, site="P-001", name="EC-01", sender="P-002"), gave(GONE + 40 * H)
    first += (got(GONE + 60 * H, site="P-001", name="EC-01", sender="P-002"),)
    other: Any = got(GONE + 10 * H), gave(GONE + 20 * H, site="P-002", name="EC-09", to="P-001"), got(GONE + 50 * H)
    other += (gave(GONE + 55 * H, site="P-002", name="EC-09", to="P-001"),)
    spans = (("P-001", None, 0), ("P-001", 30, 40), ("P-001", 60, None), ("P-002", 10, 20), ("P-002", 50, 55))
    table = [
        meter(site, "EC-01" if site == "P-001" else "EC-09", valid_from=None if a is None else GONE + a * H,
              valid_to=None if b is None else GONE + b * H) for site, a, b in spans
    ]  # fmt: skip
    readings = [*read("P-001", -1, 0, 5, 6, 30, 35, 40, 45, 60, 70), *read("P-002", 7, 10, 15, 20, 25, 50, 55)]
    found = company(*first[::-1], *other[::-1], table=table, readings=readings[::-1]).hand_overs(MOST)
    assert [(one.handed_at, one.received_at) for one in found] == [
        (GONE + a * H, GONE + b * H) for a, b in ((0, 10), (20, 30), (40, 50), (55, 60))
    ]
    gone, came = "after it was handed over, from 2026-06-", "before it was received, from 2026-06-"
    assert [one.differ for one in found] == [
        (f"2 readings at P-001/EC-01 {gone}11 13:00 to 2026-06-11 14:00", f"1 reading at P-002/EC-09 {came}11 15:00 to 2026-06-11 15:00"),
        (f"1 reading at P-002/EC-09 {gone}12 09:00 to 2026-06-12 09:00", f"2 readings at P-001/EC-01 {came}11 13:00 to 2026-06-11 14:00"),
        (f"1 reading at P-001/EC-01 {gone}13 05:00 to 2026-06-13 05:00", f"1 reading at P-002/EC-09 {came}12 09:00 to 2026-06-12 09:00"),
        (f"1 reading at P-001/EC-01 {came}13 05:00 to 2026-06-13 05:00",),
    ]  # fmt: skip


def test_what_was_read_at_the_moment_of_a_second_hand_over_is_told_of_the_first_and_of_the_receipt_after_it() -> None:
    """No receipt stands between the two, so it had gone before."""
    back = got(GONE + 60 * H, site="P-001", name="EC-01", sender="P-003")
    table = [TABLE[0], meter("P-001", "EC-01", valid_from=GONE + 60 * H), TABLE[1]]
    found = company(gave(), gave(GONE + 50 * H, to="P-003"), back, table=table, readings=read("P-001", 0, 50))
    told = [(one.handed_at, [said for said in one.differ if "reading" in said]) for one in found.hand_overs(MOST)]
    when = "from 2026-06-13 10:00 to 2026-06-13 10:00"
    assert told == [
        (GONE, [f"1 reading at P-001/EC-01 after it was handed over, {when}"]),
        (GONE + 50 * H, []),
        (None, [f"1 reading at P-001/EC-01 before it was received, {when}"]),
    ]


def test_a_site_that_recorded_nothing_answers_for_what_it_read_wherever_it_stands_by_name() -> None:
    table = [*TABLE, meter("P-009", "EC-5", valid_to=GONE - timedelta(days=5))]
    before = at_giver(-200, -199)
    readings = [row | {"site": site, "meter": name} for row in before for site, name in (("P-002", "EC-09"), ("P-009", "EC-5"))]  # fmt: skip
    assert one_of(gave(), got(), table=table, readings=readings).differ == ()


def test_hand_overs_stand_in_order_of_time_and_at_one_moment_of_instruments() -> None:
    table = [meter("P-001", f"EC-{n}", serial_number=n) for n in "789"]
    events = [
        gave(GONE + hours * H, name=f"EC-{n}", serial=n) for n, hours in (("9", 10), ("8", 10), ("7", 0), ("7", 20))
    ]
    found = company(*events, table=table).hand_overs(MOST)
    assert [(one.instrument[-1], one.handed_at) for one in found] == [
        (n, GONE + hours * H) for n, hours in (("7", 0), ("8", 10), ("9", 10), ("7", 20))
    ]


def test_the_order_in_which_packages_come_says_nothing() -> None:
    events = [gave(to="P-003"), got(GONE, site="P-001", name="EC-01", sender="P-003"), gave(), got()]
    rows = [one | {"sequence": n} for n, one in enumerate(events, start=1)]
    usual, turned = (moves_of(frame("events", *some), names(meters=TABLE)) for some in (rows, rows[::-1]))
    assert usual["sequence"].to_list() == [3, 4]
    assert turned.equals(usual)


def test_meters_of_moves_are_those_that_the_sites_and_the_companys_table_name_each_once() -> None:
    odd = gave(site="P-003") | {"subject": "{"}
    table = [*TABLE, meter("P-000", "EC-5"), meter("P-000", "EC-6", serial_number="8")]
    found = company(odd, gave(), got(), table=table)
    assert meters_of(found.moves, found.names).sort("site").rows() == [
        ("P-000", "EC-5"), ("P-001", "EC-01"), ("P-002", "EC-09"),
    ]  # fmt: skip


def test_one_that_was_taken_back_never_was() -> None:
    taken_back = got(GONE, site="P-001", name="EC-01", sender="P-003")
    assert company(gave(to="P-003"), taken_back).hand_overs(MOST) == ()
    found = one_of(gave(to="P-003"), taken_back, gave(), got(), readings=at_giver(-1))
    assert (found.receiver, found.differ) == ("P-002/EC-09", ())


def lacking(name: str) -> str:
    return json.dumps({key: value for key, value in json.loads(gave()["subject"]).items() if key != name})


@pytest.mark.parametrize(
    ("subject", "said"),
    [
        (None, "it states no meter, at, to, maker, serial_number"),
        ("[]", "it states no meter, at, to, maker, serial_number"),
        ("{", "Expecting property name"),
        ("[" * 100_000, "while decoding a JSON array"),
        (lacking("at"), "it states no at"),
        (lacking("serial_number"), "it states no serial_number"),
        (gave()["subject"].replace('"EC-01"', "17"), "it states no meter"),
        (gave()["subject"].replace("EC-01", "\\ud800"), "surrogates not allowed"),
        (gave()["subject"].replace("2026-06-11T08:00:00+00:00", "noon"), "Invalid isoformat string: 'noon'"),
        (gave()["subject"].replace("+00:00", ""), "2026-06-11T08:00:00 states no offset"),
        (gave()["subject"].replace("2026-06-11T08:00:00+00:00", "0001-01-01T00:00:00+00:00"), "out of range"),
    ],
)
def test_an_event_that_cannot_be_read_is_named_and_left_out(subject: str | None, said: str) -> None:
    odd = gave() | {"subject": subject, "site": "P-003"}
    found = company(odd, gave(), got(), readings=at_giver(-1)).hand_overs(MOST)
    assert [(one.instrument, one.giver) for one in found] == [("Ostrel 7", "P-001/EC-01"), ("", "P-003")]
    assert found[0].differ == ()
    (words,) = found[1].differ
    assert words.startswith("event 1 of P-003 (hand_over) is left out: ")
    assert said in words
    # the review of its month has it, and the one before has not
    assert review(company(odd), "2026-06", 6).waits == 1
    assert review(company(odd), "2026-05", 5).waits == 0


def test_a_receipt_that_cannot_be_read_is_named_by_who_recorded_it() -> None:
    found = one_of(got() | {"subject": "{}"})
    assert (found.giver, found.receiver) == ("", "P-002")
    assert found.differ[0].startswith("event 1 of P-002 (receipt) is left out: it states no meter, at, from, maker")


def test_an_event_a_microsecond_after_the_first_moment_of_all_is_read() -> None:
    early = gave()["subject"].replace("2026-06-11T08:00:00+00:00", "0001-01-01T00:00:00.000001+00:00")
    assert company(gave() | {"subject": early}).moves["wrong"].to_list() == [None]


@pytest.mark.parametrize(("since", "told"), [(MOST, False), (MOST + timedelta(seconds=1), True)])
def test_the_other_site_has_its_time_to_record(since: timedelta, told: bool) -> None:
    of = heads("P-001", "P-002", made_at=GONE + since)
    alone = one_of(gave(), of=of)
    assert (alone.receiver, alone.received_at) == ("P-002", None)
    assert alone.differ == (("P-002 recorded no receipt of it: annealog record receipt, there",) if told else ())
    of = heads("P-001", "P-002", made_at=CAME + since)
    alone = one_of(got(), of=of)
    assert (alone.giver, alone.handed_at) == ("P-001", None)
    assert alone.differ == (("P-001 recorded no hand-over of it: annealog record hand-over, there",) if told else ())


@pytest.mark.parametrize(("since", "told"), [(MOST, False), (MOST + timedelta(seconds=1), True)])
def test_of_a_silent_site_it_is_told_that_nothing_is_known(since: timedelta, told: bool) -> None:
    of = pl.concat([heads("P-001", made_at=GONE + since), heads("P-002", made_at=GONE)])
    said = "P-002 has published nothing since 2026-06-11 08:00: whether it recorded the receipt is not known"
    assert one_of(gave(), of=of).differ == ((said,) if told else ())


def test_a_package_was_not_made_after_it_came_whatever_its_clock_says() -> None:
    fast = timedelta(days=400)
    of = pl.concat([heads("P-001", made_at=GONE + fast, came_at=GONE + MOST), heads("P-002", made_at=GONE)])
    assert one_of(gave(), of=of).differ == ()
    of = heads("P-001", "P-002", made_at=GONE + fast, came_at=GONE + MOST)
    assert one_of(gave(), of=of).differ == ()


def test_a_closed_site_is_told_at_once() -> None:
    of = pl.concat([heads("P-001", made_at=GONE), heads("P-002", made_at=GONE, closed=True)])
    assert one_of(gave(), of=of).differ == ("P-002, which is closed, recorded no receipt of it",)
    assert one_of(gave(), got(), of=of).differ == ()


@pytest.mark.parametrize(("serial", "told"), [("7", True), ("9", False), (None, True)])
def test_a_name_that_the_giver_used_again_says_nothing_of_what_went(serial: str | None, told: bool) -> None:
    now = {"site": "P-001", "meter": "EC-01", "maker": "Ostrel", "serial_number": serial}
    found = one_of(gave(), got(), meters=[now], readings=at_giver(-1, 1, 2))
    assert bool(found.differ) is told
    # what it read before is its own, whoever bears the name now: without a row of the company's table, too
    copies = [row | {"site": "P-002", "meter": "EC-09"} for row in at_giver(-1)]
    table = [TABLE[1]]
    found = one_of(gave(), got(), meters=[now], table=table, readings=[*at_giver(-1), *copies])
    assert [words for words in found.differ if "reading" in words] == []


def test_a_site_that_is_none_is_told() -> None:
    assert one_of(gave(to="P-009")).differ == ("P-009, which should have recorded the receipt, has published nothing",)


def test_the_companys_table_says_what_a_site_means() -> None:
    # no row at the receiver: the sites state the same instrument, and the missing row is told
    found = one_of(gave(), got(), table=[TABLE[0]])
    assert found.differ == ("no row of the company's meters.csv names P-002/EC-09 on 2026-06-11 13:00",)
    # a row that still holds at the giver
    found = one_of(gave(), got(), table=[meter("P-001", "EC-01"), TABLE[1]])
    assert found.differ == (
        "the company's meters.csv still has it at P-001/EC-01 after that: valid_to 2026-06-11T08:00:00+00:00",
    )
    # another instrument by the table than the receiver states: nothing is joined
    other = [TABLE[0], meter("P-002", "EC-09", serial_number="8")]
    assert [one.instrument for one in company(gave(), got(), table=other).hand_overs(MOST)] == ["Ostrel 7", "Ostrel 8"]
    # a site writes the maker otherwise: the table joins them
    assert one_of(gave(), got(serial="OSTREL-7")).differ == ()


@pytest.mark.parametrize(
    ("given", "received", "pairs"),
    [
        ([0, 73], [72], [(0, 72), (73, None)]),  # a way as long as one may be
        ([0, 74], [73], [(0, None), (74, 73)]),  # longer: the nearest, though it is the later one
        ([0, 3000], [2999.9], [(0, None), (3000, 2999.9)]),  # nobody recorded the first receipt
        ([0, 30], [26, 70], [(0, 26), (30, 70)]),  # there and back while the clock of no way has run out
        ([0, 10], [11], [(0, None), (10, 11)]),
        ([0], [1, 10], [(0, 1), (None, 10)]),
        ([5], [1, 30], [(5, 30), (None, 1)]),
        ([0, 0], [1], [(0, 1), (0, None)]),
        ([0, 20], [15], [(0, 15), (20, None)]),  # a way of hours is one that may be, a receipt before it is none
        ([10], [10, 11], [(10, 10), (None, 11)]),  # handed over and received at one moment
        ([1, 50], [0], [(1, 0), (50, None)]),  # of two that came too late, the nearer one
        ([200, 0], [100], [(0, 100), (200, None)]),  # of two as far away, the earlier one, whichever was recorded first
    ],
)
def test_each_receipt_has_the_nearest_hand_over(given: Any, received: Any, pairs: Any) -> None:
    events = [*(gave(GONE + hours * H) for hours in given), *(got(GONE + hours * H) for hours in received)]
    found = company(*events).hand_overs(MOST)
    told = {tuple((at - GONE) / H if at else None for at in (one.handed_at, one.received_at)) for one in found}
    assert told == set(pairs)


def review(found: Company, month: str, first: int) -> Any:
    start = START.replace(month=first, day=1, hour=0)
    end = start.replace(month=first + 1)
    return company_review(found, month, start, end, program="1.0", silent_after_hours=72.0)


def test_the_review_of_the_month_names_them_and_what_does_not_fit_waits() -> None:
    late = [{"site": "P-001", "meter": "EC-01", "measured_at": GONE + timedelta(days=40)}]
    june = review(company(gave(), got(), readings=late), "2026-06", 6)
    assert (len(june.hand_overs), june.hand_overs[0].differ, june.waits) == (
        1,
        (),
        0,
    )  # July's readings say nothing of June
    july = review(company(gave(), got(), readings=late), "2026-07", 7)
    assert (len(july.hand_overs), july.waits) == (1, 1)
    assert review(company(gave(), got()), "2026-07", 7).hand_overs == ()
    assert review(company(gave(), got()), "2026-05", 5).hand_overs == ()


def test_a_hand_over_is_of_the_month_in_which_it_ends_and_the_first_moment_of_the_next_says_nothing_of_it() -> None:
    july = START.replace(month=7, day=1, hour=0)
    table = [meter("P-001", "EC-01", valid_to=july - H), meter("P-002", "EC-09", valid_from=july)]
    found = company(gave(july - H), got(july), table=table)
    assert [one.received_at for one in review(found, "2026-06", 6).hand_overs] == [None]
    assert [one.received_at for one in review(found, "2026-07", 7).hand_overs] == [july]
    assert review(found, "2026-08", 8).hand_overs == ()
    for at, told in ((july, 0), (july - timedelta(microseconds=1), 1)):
        readings = [{"site": "P-001", "meter": "EC-01", "measured_at": at}]
        assert (
            len(review(company(gave(july - H), table=table, readings=readings), "2026-06", 6).hand_overs[0].differ)
            == told
        )


def test_a_meter_whose_hand_over_does_not_fit_differs() -> None:
    checks = [{"site": "P-001", "at": START, "check": n, "run": n} for n in range(2)]
    whole = together(heads("P-001"), company_tables(checks=checks), names(meters=TABLE))
    found = travelled("meter", "7", whole.checks)
    assert with_hand_overs(found, [one_of(gave(), got())]).state == found.state
    told = with_hand_overs(found, [one_of(gave(to="P-009"))])
    assert (told.state, [one.receiver for one in told.hand_overs]) == ("differs", ["P-009"])
    assert told.reasons[0].startswith("From P-001/EC-01 to P-009: P-009, which should have")


def test_no_event_no_hand_over() -> None:
    assert company().hand_overs(MOST) == ()
    assert company().moves.schema["at"] == pl.Datetime("us", "UTC")
