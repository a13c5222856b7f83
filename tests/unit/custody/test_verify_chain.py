"""What `verify` reads off the events: a chain that hangs together, signatures by accounts of then, the verdicts given last."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from pipeline.custody import verify as module
from pipeline.history.chain import GENESIS_HASH, event_hash
from pipeline.history.content import table_hash

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
COLUMNS = ("sequence", "at", "kind", "subject", "by", "why", "previous_hash", "hash")


def chain(*events: tuple[str, Any, str], at: list[datetime] | None = None) -> pl.DataFrame:
    """Return the rows of some events (kind, subject, by), an hour apart, each with its hash."""
    rows, head = [], GENESIS_HASH
    for number, (kind, subject, by) in enumerate(events, start=1):
        moment = START + timedelta(hours=number) if at is None else at[number - 1]
        text = subject if isinstance(subject, str) else json.dumps(subject)
        row = (number, moment, kind, text, by, "why", head)
        head = event_hash(*row)
        rows.append((*row, head))
    return pl.DataFrame(rows, schema=COLUMNS, orient="row")


THREE = [("load", {"n": n}, "load") for n in range(3)]


def test_a_whole_chain_says_nothing_and_ends_with_its_last_hash() -> None:
    found, rows = module._Found(), chain(*THREE)
    assert module._verify_chain(rows, found) == rows["hash"][-1]
    assert (found.everything, found.notes, found.files) == ([], [], {})
    assert module._verify_chain(rows[:0], found) == GENESIS_HASH


@pytest.mark.parametrize(
    ("column", "value", "named"),
    [("sequence", 7, [7]), ("subject", "{}", [2]), ("by", "Eve", [2]), ("hash", "0", [2, 3]), ("previous_hash", "0", [2])],
)  # fmt: skip
def test_a_changed_event_is_named_and_so_is_the_one_that_hangs_on_it(column: str, value: Any, named: list[int]) -> None:
    rows, found = chain(*THREE), module._Found()
    changed = rows.with_columns(
        pl.when(pl.col("sequence") == 2).then(pl.lit(value)).otherwise(pl.col(column)).alias(column)
    )
    module._verify_chain(changed, found)
    assert found.everything == [f"Event {n} (load) was changed, or one before it is missing." for n in named]


def test_an_event_with_a_right_hash_and_a_wrong_number_is_named() -> None:
    first, last = chain(*THREE[:1]), chain(*THREE)
    row = (3, START, "load", "{}", "load", "why", first["hash"][0])
    skipped = pl.DataFrame([(*row, event_hash(*row))], schema=COLUMNS, orient="row")
    found = module._Found()
    module._verify_chain(pl.concat([first, skipped]), found)
    assert found.everything == ["Event 3 (load) was changed, or one before it is missing."]
    assert last.height == 3


@pytest.mark.parametrize(("seconds", "said"), [(0, False), (1, False), (-1, True)])
def test_a_clock_that_went_back_is_noted_from_the_first_moment_before_the_last(seconds: int, said: bool) -> None:
    found = module._Found()
    module._verify_chain(chain(*THREE[:2], at=[START, START + timedelta(seconds=seconds)]), found)
    assert found.everything == []
    assert found.notes == ["Event 2 is dated before event 1: the clock was set back."] * said


def account(name: str = "Cia Ek", role: str = "technician", **more: Any) -> tuple[str, Any, str]:
    return "account", {"name": name, "role": role, "open": True, "password": "scrypt$15$00$00"} | more, "Eve"


def signed(by: str = "Cia Ek", **more: Any) -> tuple[str, Any, str]:
    return "action", {"signed": {"account": "Cia Ek", "role": "technician", "from": "10.0.0.7"} | more}, by


def signatures(*events: tuple[str, Any, str]) -> tuple[list[str], list[str]]:
    found = module._Found(notes=["before"])
    module._verify_signatures(chain(*events), found)
    before, *notes = found.notes
    assert before == "before"
    return found.everything, notes


NO_ACCOUNT = "Event {} (action) is signed by {} as {}, who had no such account then."


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ([account(), signed()], []),
        ([signed(), account()], [NO_ACCOUNT.format(1, "Cia Ek", "technician")]),
        ([account(role="metrologist"), signed()], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(open=False), signed()], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(), account(open=False), signed()], [NO_ACCOUNT.format(3, "Cia Ek", "technician")]),
        ([account(open=False), account(), signed()], []),
        ([account(), signed(), account(open=False)], []),
        ([account(), signed(by="Ben")], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(), signed(by="cia ek", account="cia ek")], [NO_ACCOUNT.format(2, "cia ek", "technician")]),
        ([account("Ben"), signed()], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(), ("action", {"note": 'he "signed"'}, "Ben")], []),
        ([account(), ("action", {"signed": None}, "Ben")], []),
    ],
)
def test_a_signature_needs_the_open_account_of_that_name_and_role_at_that_time(
    events: list[Any], said: list[str]
) -> None:
    assert signatures(*events)[0] == said


@pytest.mark.parametrize(
    "event",
    [
        ("action", {"signed": {"account": "Cia Ek", "role": "technician"}}, "Cia Ek"), ("action", {"signed": "x"}, "x"),
        ("action", '["signed"]', "x"), ("action", '{"signed"', "x"), ("action", {"signed": {"account": 3, "role": "r", "from": "f"}}, "x"),
        ("account", {"name": "x"}, "Eve"), ("account", "null", "Eve"),
    ],
)  # fmt: skip
def test_what_is_no_signature_and_what_states_no_account_is_named_and_the_rest_is_looked_at(event: Any) -> None:
    said, notes = signatures(account(), event, signed())
    assert said == [f"Event 2 ({event[0]}) states no account, or a signature that is none."]
    assert notes == ["Signed by Cia Ek, technician, from 10.0.0.7: 1 event."]


def test_who_signed_from_where_is_counted_in_order_of_name() -> None:
    ben = ("Ben", {"account": "Ben", "role": "metrologist", "from": "10.0.0.8"})
    given = ("account", {"name": "Dan", "role": "reader", "open": True, "password": "p", "signed": ben[1]}, "Ben")
    events = [
        account("Ben", "metrologist"),
        account(),
        signed(),
        ("action", {"signed": ben[1]}, "Ben"),
        signed(),
        given,
    ]
    said, notes = signatures(*events)
    assert said == []
    assert notes == [
        "Signed by Ben, metrologist, from 10.0.0.8: 2 events.",
        "Signed by Cia Ek, technician, from 10.0.0.7: 2 events.",
    ]
    said, notes = signatures(account(), signed(), signed(**{"from": "10.0.0.9"}))
    assert notes == [f"Signed by Cia Ek, technician, from 10.0.0.{n}: 1 event." for n in (7, 9)]


def verdicts(events: list[Any], given: int) -> list[str]:
    frame = pl.DataFrame({"lot": [f"L{n}" for n in range(given)], "verdict": ["accept"] * given})
    history: Any = SimpleNamespace(verdicts_given=lambda: frame, table=lambda _: frame)
    found = module._Found()
    module._verify_verdicts(history, chain(*(("load", one, "load") for one in events)), found)
    return found.everything


def test_the_verdicts_are_those_that_the_last_event_with_some_states() -> None:
    right = table_hash(pl.DataFrame({"lot": ["L0", "L1"], "verdict": ["accept"] * 2}))
    told = ["The verdicts given last, as the history holds them, are not those that a load gave."]
    assert verdicts([{"verdicts": "old"}, {"verdicts": right}, {}], 2) == []
    assert verdicts([{"verdicts": right}, {"verdicts": "new"}], 2) == told
    assert verdicts([{"verdicts": right}], 1) == told
    assert verdicts([{}], 0) == []
    assert verdicts([{}], 1) == told
    assert verdicts([{"verdicts": right}], 0) == told
