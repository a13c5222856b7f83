"""Identity of readings: files loaded again, overlapping and contradicting re-exports, repeats in one second."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import product
from typing import TYPE_CHECKING

import polars as pl
import pytest
from intake_checks import layouts, load

from pipeline.intake import identity
from pipeline.intake.identity import decide
from schemas.tables import READING

if TYPE_CHECKING:
    from typing import Any

HEADER = "measured_at,meter,role,lot,part,value,unit,temperature_c,temperature_state\n"


def readings(*rows: tuple[str, str, str]) -> pl.DataFrame:
    """Readings of one lot: time of day, part, value."""
    text = HEADER + "".join(
        f"2026-03-02T{at}Z,EC-01,part,L-0007,{part},{value},MS/m,21.5,at_metal\n" for at, part, value in rows
    )
    reading = load(text.encode(), layouts()["neutral"])
    assert reading.held is None
    assert reading.quarantine.height == 0
    return reading.readings


def fates(new: pl.DataFrame, old: pl.DataFrame, **changes: bool) -> list[tuple[str, int]]:
    decided = decide(new, old, **({"repeats_kept": False} | changes))
    return list(decided.select(pl.col("fate").cast(pl.String), "occurrence").iter_rows())


def nothing() -> pl.DataFrame:
    return readings(("08:00:00", "1", "33.1")).clear()


def test_the_same_readings_again_are_duplicates() -> None:
    rows = readings(("08:00:00", "1", "33.1"), ("08:00:05", "2", "33.2"))
    assert fates(rows, rows) == [("duplicate", 1), ("duplicate", 1)]


def test_an_overlapping_export_adds_only_the_new_rows() -> None:
    old = readings(*((f"08:00:{n:02d}", str(n), "33.1") for n in range(10)))
    new = readings(*((f"08:00:{n:02d}", str(n), "33.1") for n in range(2, 12)))
    assert [fate for fate, _ in fates(new, old)] == ["duplicate"] * 8 + ["new"] * 2


def test_one_changed_value_is_a_conflict_and_both_stay() -> None:
    old = readings(("08:00:00", "1", "33.1"), ("08:00:05", "2", "33.2"))
    new = readings(("08:00:00", "1", "33.1"), ("08:00:05", "2", "35.2"))
    assert fates(new, old) == [("duplicate", 1), ("conflict", 2)]


def test_a_corrected_lot_is_a_conflict_not_a_new_reading() -> None:
    old = readings(("08:00:00", "1", "33.1"))
    new = old.with_columns(lot=pl.lit("L-0008"))
    assert fates(new, old) == [("conflict", 2)]


def test_two_equal_readings_in_one_second_stay_two() -> None:
    twice = readings(("08:00:00", "1", "33.1"), ("08:00:00", "1", "33.1"))
    assert fates(twice, nothing()) == [("new", 1), ("new", 2)]
    stored = decide(twice, nothing(), repeats_kept=False).drop("fate")
    assert fates(twice, stored) == [("duplicate", 1), ("duplicate", 2)]


def test_repeats_within_a_second_are_kept_where_the_layout_says_so() -> None:
    old = readings(("08:00:00", "1", "33.1"))
    new = readings(("08:00:00", "1", "33.1"), ("08:00:00", "1", "33.3"))
    assert fates(new, old, repeats_kept=True) == [("duplicate", 1), ("new", 2)]
    # told apart by nothing, the one left over has nothing left to contradict
    assert fates(new, old) == [("duplicate", 1), ("new", 2)]
    other = readings(("08:00:00", "1", "33.3"))
    assert fates(other, old) == [("conflict", 2)]
    assert fates(other, old, repeats_kept=True) == [("new", 2)]


def test_occurrences_go_on_after_the_highest_stored() -> None:
    old = readings(("08:00:00", "1", "33.1")).with_columns(occurrence=pl.lit(4, pl.Int64))
    new = readings(("08:00:00", "1", "33.1"), ("08:00:00", "1", "33.2"))
    assert fates(new, old) == [("duplicate", 4), ("new", 5)]


def test_five_readings_of_one_wide_line_are_five() -> None:
    line = "2026-03-02 07:31:05\tEC-03\tP\top\tpart\tL-1\t1\t1\t\t58.01\t58.02\t58.01\t58.03\t58.01\t21.8\tmetal\n"
    header = (
        "Stamp\tInstrument\tProbe\tBy\tRole\tLot\tPart\tSpot\tBlock\tR1 [MS/m]\tR2 [MS/m]\tR3 [MS/m]\tR4 [MS/m]\t"
        "R5 [MS/m]\tMetal [°C]\tState\n"
    )
    rows = load((header + line).encode("utf-16"), layouts()["wide"]).readings
    assert fates(rows, rows.clear()) == [("new", n) for n in range(1, 6)]
    stored = decide(rows, rows.clear(), repeats_kept=False).drop("fate")
    assert [fate for fate, _ in fates(rows, stored)] == ["duplicate"] * 5
    changed = load((header + line.replace("58.03", "58.30")).encode("utf-16"), layouts()["wide"]).readings
    assert sorted(fate for fate, _ in fates(changed, stored)) == ["conflict"] + ["duplicate"] * 4


def test_text_columns_of_a_history_are_compared_with_categorical_ones_of_a_file() -> None:
    rows = readings(("08:00:00", "1", "33.1"), ("08:00:05", "2", "33.2"))
    history = rows.with_columns(pl.col(pl.Categorical).cast(pl.String))
    assert rows.schema != history.schema
    assert [fate for fate, _ in fates(rows, history)] == ["duplicate"] * 2


def test_part_1_at_spot_11_is_not_part_11_at_spot_1() -> None:
    rows = readings(("08:00:00", "1", "33.1")).with_columns(spot=pl.lit("11"))
    other = rows.with_columns(part=pl.lit("11"), spot=pl.lit("1"))
    assert fates(other, rows) == [("new", 1)]


def test_equal_hashes_of_different_rows_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    old = readings(("08:00:00", "1", "33.1"), ("08:00:05", "2", "33.2"))
    new = readings(("08:00:00", "1", "33.1"), ("08:00:05", "2", "35.2"), ("08:00:09", "3", "33.1"))
    monkeypatch.setattr(
        identity, "_struct_hash", lambda frame, _: pl.repeat(7, frame.height, dtype=pl.UInt64, eager=True)
    )
    assert fates(new, old) == [("duplicate", 1), ("conflict", 2), ("new", 1)]


@pytest.mark.parametrize("other", [3, 11])
def test_equal_hashes_are_noticed_wherever_they_stand_among_others(monkeypatch: pytest.MonkeyPatch, other: int) -> None:
    """A hash of its own for the fifth part, below that of all others or above it."""
    old = readings(("08:00:00", "1", "33.1"), ("08:00:05", "5", "33.9"))
    new = readings(("08:00:00", "1", "33.1"), ("08:00:05", "5", "33.9"), ("08:00:05", "2", "35.2"))
    monkeypatch.setattr(
        identity,
        "_struct_hash",
        lambda frame, columns: frame.select(
            pl.when(pl.col("part" if "part" in columns else "value").cast(pl.String).is_in(["5", "33.9"]))
            .then(pl.lit(other, pl.UInt64))
            .otherwise(pl.lit(7, pl.UInt64))
        ).to_series(),
    )
    assert fates(new, old) == [("duplicate", 1), ("duplicate", 1), ("new", 1)]


def test_equal_hashes_of_rows_that_agree_in_nothing_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    types = {name: READING[name].dtype for name in ("meter", "measured_at", "part", "value")}
    at = [datetime(2026, 3, 2, hour, tzinfo=UTC) for hour in (8, 9)]
    both = pl.DataFrame([("EC-01", at[0], "1", 33.1), ("EC-02", at[1], "2", 33.2)], schema=types, orient="row")
    monkeypatch.setattr(
        identity, "_struct_hash", lambda frame, _: pl.repeat(7, frame.height, dtype=pl.UInt64, eager=True)
    )
    assert fates(both, both.head(1)) == [("duplicate", 1), ("new", 1)]
    assert fates(both, both.tail(1)) == [("new", 1), ("duplicate", 1)]


def test_what_is_decided_has_the_types_of_the_history() -> None:
    rows = readings(("08:00:00", "1", "33.1"), ("08:00:05", "2", "33.2"))
    for new, old in ((rows, nothing()), (rows, rows), (rows.head(1), rows), (nothing(), rows)):
        decided = decide(new, old, repeats_kept=False)
        assert decided["occurrence"].dtype == pl.Int64
        assert decided["fate"].dtype == pl.Enum(["new", "duplicate", "conflict"])


# Two values of each column that tells when, by which meter and where; and of each that tells what was read.
WHERE = {
    "meter": ("EC-01", "EC-02"), "measured_at": (datetime(2026, 3, 2, 8, tzinfo=UTC), datetime(2026, 3, 2, 9, tzinfo=UTC)),
    "sequence": (1, 2), "role": ("part", "block"), "part": ("1", "2"), "spot": ("1", "2"),
}  # fmt: skip
WHAT = {
    "value": (33.1, 33.2), "unit": ("MS/m", "%IACS"), "temperature_c": (21.5, 21.6), "temperature_state": ("at_metal", "relative"),
    "lot": ("L-1", "L-2"), "block": ("BL-1", "BL-2"), "non_reading": ("overload", "no_contact"), "count": (5, 6),
    "standard_deviation": (0.1, 0.2),
}  # fmt: skip


@pytest.mark.parametrize("name", [*WHERE, *WHAT])
def test_what_tells_where_makes_another_reading_and_what_tells_what_contradicts(name: str) -> None:
    full = {column: pair[0] for column, pair in (WHERE | WHAT).items()}
    types = {column: READING[column].dtype for column in full}

    def row(**changes: Any) -> pl.DataFrame:
        return pl.DataFrame([full | changes], schema=types)

    fate = "new" if name in WHERE else "conflict"
    for other in ((WHERE | WHAT)[name][1], None):
        if name != "measured_at" or other is not None:
            after = 1 if fate == "new" else 2
            assert fates(row(**{name: other}), row()) == [(fate, after)]
            assert fates(row(), row(**{name: other})) == [(fate, after)]
            assert fates(pl.concat([row(), row(**{name: other})]), row()) == [("duplicate", 1), ("new", after)]
    if name in WHAT:  # a column that one of them has not is empty there
        assert fates(row().drop(name), row()) == [("conflict", 2)]
        assert fates(row().drop(name), row(**{name: None})) == [("duplicate", 1)]


def model(new: list[str], old: list[str], *, repeats_kept: bool) -> list[tuple[str, int]]:
    """Fate and occurrence of readings of one slot, one after the other, told by their contents alone."""
    left = list(enumerate(old, start=1))
    found: dict[int, tuple[str, int]] = {}
    for place, content in enumerate(new):
        pair = next((pair for pair in left if pair[1] == content), None)
        if pair is not None:
            left.remove(pair)
            found[place] = ("duplicate", pair[0])
    for count, place in enumerate(place for place in range(len(new)) if place not in found):
        found[place] = ("conflict" if count < len(left) and not repeats_kept else "new", len(old) + count + 1)
    return [found[place] for place in range(len(new))]


@pytest.mark.parametrize("repeats_kept", [False, True])
def test_readings_of_one_slot_pair_off_as_a_plain_count_of_them_says(repeats_kept: bool) -> None:
    """All files and histories of up to three readings of two contents in a slot, all at once, each in a slot of its own."""
    contents = [list(some) for size in range(4) for some in product(("33.1", "33.2"), repeat=size)]
    pairs = list(product(contents, contents))

    def frame(which: int) -> pl.DataFrame:
        rows = [(str(slot), float(value)) for slot, pair in enumerate(pairs) for value in pair[which]]
        at = datetime(2026, 3, 2, 8, tzinfo=UTC)
        types = {name: READING[name].dtype for name in ("part", "value", "meter", "measured_at")}
        return pl.DataFrame([(part, value, "EC-01", at) for part, value in rows], schema=types, orient="row")

    expected = [fate for new, old in pairs for fate in model(new, old, repeats_kept=repeats_kept)]
    assert fates(frame(0), frame(1), repeats_kept=repeats_kept) == expected
    numbered = frame(1).with_columns(occurrence=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("part")).reverse()
    assert fates(frame(0), numbered, repeats_kept=repeats_kept) == expected


def test_no_reading_at_all() -> None:
    assert fates(nothing(), nothing()) == []
    assert fates(nothing(), readings(("08:00:00", "1", "33.1"))) == []
