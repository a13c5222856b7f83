"""Laws of identity: loading twice is loading once, in any order of files, against a slow model of multisets."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.identity import CONTENT, SLOT, decide
from schemas.tables import READING

_START = datetime(2026, 3, 2, 8, tzinfo=UTC)
_SCHEMA = {name: READING.polars_schema[name] for name in (*SLOT, *CONTENT)}

rows = st.fixed_dictionaries(
    {
        "meter": st.sampled_from(["EC-01", "EC-02"]),
        "measured_at": st.integers(0, 2).map(lambda n: _START + timedelta(seconds=n)),
        "sequence": st.sampled_from([None, 1, 11]),
        "role": st.just("part"),
        "part": st.sampled_from([None, "1", "11"]),
        "spot": st.sampled_from([None, "1"]),
        "value": st.sampled_from([None, 33.1, 33.2]),
        "unit": st.just("MS/m"),
        "temperature_c": st.sampled_from([None, 21.5]),
        "temperature_state": st.just("at_metal"),
        "lot": st.sampled_from(["L-1", "L-11"]),
        "block": st.none(),
        "non_reading": st.sampled_from([None, "overload"]),
        "count": st.none(),
        "standard_deviation": st.none(),
    }
)
files = st.lists(rows, max_size=12)


def frame(entries: list[dict[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame(entries, schema=_SCHEMA, orient="row")


def slot_of(row: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(row[name] for name in SLOT)


def content_of(row: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(row[name] for name in CONTENT)


def model(new: list[dict[str, Any]], old: list[dict[str, Any]], *, repeats_kept: bool) -> list[str]:
    """The definition, one reading at a time."""
    left = Counter((slot_of(row), content_of(row)) for row in old)
    unmatched = Counter(slot_of(row) for row in old)
    fates: list[str | None] = []
    for row in new:
        key = (slot_of(row), content_of(row))
        if left[key]:
            left[key] -= 1
            unmatched[slot_of(row)] -= 1
            fates.append("duplicate")
        else:
            fates.append(None)
    for place, row in enumerate(new):
        if fates[place] is None:
            contradicts = unmatched[slot_of(row)] > 0 and not repeats_kept
            unmatched[slot_of(row)] -= contradicts
            fates[place] = "conflict" if contradicts else "new"
    return [fate for fate in fates if fate is not None]


def loaded(history: pl.DataFrame, new: pl.DataFrame, *, repeats_kept: bool = False) -> pl.DataFrame:
    """The history after a load: what is no duplicate is stored."""
    decided = decide(new, history, repeats_kept=repeats_kept)
    stored = decided.filter(pl.col("fate") != "duplicate").drop("fate")
    return pl.concat([history.select(stored.columns), stored]) if history.height else stored


@settings(max_examples=150, deadline=None)
@given(new=files, old=files, repeats_kept=st.booleans())
def test_fates_are_those_of_the_definition(
    new: list[dict[str, Any]], old: list[dict[str, Any]], repeats_kept: bool
) -> None:
    history = loaded(frame([]), frame(old))
    decided = decide(frame(new), history, repeats_kept=repeats_kept)
    assert decided["fate"].cast(pl.String).to_list() == model(new, old, repeats_kept=repeats_kept)
    assert decided.select(list(_SCHEMA)).equals(frame(new))


@settings(max_examples=60, deadline=None)
@given(new=files, old=files, repeats_kept=st.booleans())
def test_loading_twice_is_loading_once(
    new: list[dict[str, Any]], old: list[dict[str, Any]], repeats_kept: bool
) -> None:
    once = loaded(loaded(frame([]), frame(old)), frame(new), repeats_kept=repeats_kept)
    again = decide(frame(new), once, repeats_kept=repeats_kept)
    assert set(again["fate"].cast(pl.String)) <= {"duplicate"}


@settings(max_examples=60, deadline=None)
@given(new=files, old=files)
def test_a_slot_and_an_occurrence_are_one_stored_reading(new: list[dict[str, Any]], old: list[dict[str, Any]]) -> None:
    history = loaded(loaded(frame([]), frame(old)), frame(new))
    assert history.select(*SLOT, "occurrence").is_unique().all()
    for _, group in history.group_by(SLOT):
        assert sorted(group["occurrence"]) == list(range(1, group.height + 1))


@settings(max_examples=60, deadline=None)
@given(first=files, second=files)
def test_a_longer_export_adds_only_what_is_new(first: list[dict[str, Any]], second: list[dict[str, Any]]) -> None:
    history = loaded(frame([]), frame(first))
    decided = decide(frame(first + second), history, repeats_kept=False)
    assert decided["fate"].cast(pl.String).to_list().count("duplicate") >= len(first)
    assert "conflict" not in set(decided["fate"].cast(pl.String))
