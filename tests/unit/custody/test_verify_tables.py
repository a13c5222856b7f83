"""How `verify` sets the rows of two histories beside one another: just what differs is said, of which file or name."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.custody import verify as module

KEYS = ["id", "line"]


def table(*rows: tuple[int, int, float | None, str | None]) -> pl.DataFrame:
    schema = {"id": pl.Int64, "line": pl.Int64, "value": pl.Float64, "remark": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


WHOLE = [(1, 1, 5.0, None), (1, 2, 6.0, "a"), (2, 1, 7.0, None)]


@pytest.mark.parametrize(
    ("stored", "said"),
    [
        (WHOLE, []),
        (WHOLE[:2], [(2, 1, "is missing in the history")]),
        ([*WHOLE, (2, 2, 1.0, None)], [(2, 2, "stands in the history alone")]),
        ([*WHOLE, WHOLE[1]], [(1, 2, "stands there more than once")] * 2),
        ([WHOLE[0], (1, 2, 6.5, "a"), WHOLE[2]], [(1, 2, "value")]),
        ([WHOLE[0], (1, 2, None, "a"), WHOLE[2]], [(1, 2, "value")]),
        ([(1, 1, 5.0, "x"), WHOLE[1], WHOLE[2]], [(1, 1, "remark")]),
        ([(1, 1, 5.5, "x"), WHOLE[1], (2, 1, 7.0, "y")], [(1, 1, "value, remark"), (2, 1, "remark")]),
        # in the order of the keys, whichever side a row stands on
        (
            [(0, 9, 1.0, None), (1, 2, 6.5, "a"), WHOLE[2]],
            [(0, 9, "stands in the history alone"), (1, 1, "is missing in the history"), (1, 2, "value")],
        ),
        ([], [(*row[:2], "is missing in the history") for row in WHOLE]),
    ],
)
def test_rows_are_set_beside_one_another_by_their_keys(stored: list[Any], said: list[Any]) -> None:
    found = module._differences(table(*stored).sort(KEYS), table(*WHOLE), KEYS)
    assert found.select("id", "line", "what").rows() == said


@pytest.mark.parametrize(("count", "lines"), [(1, "1"), (2, "1, 2"), (5, "1, 2, 3, 4, 5"), (6, "1, 2, 3, 4, 5 ...")])
def test_of_a_file_lines_are_counted_once_and_the_first_five_named(count: int, lines: str) -> None:
    rows = pl.DataFrame({"line": [*range(count, 0, -1), 1], "what": ["value, unit", *["value"] * count]})
    which = {"reading": "stored", "quarantine": "refused"}
    for name, kind in which.items():
        counted = f"1 {kind} line differs" if count == 1 else f"{count} {kind} lines differ"
        wanted = f"{counted} from the archived file and the journal: value, unit (line {lines})"
        assert module._of_file(name, rows) == wanted
    assert module._of_file("source_file", rows.drop("line")) == (
        "its row of the ledger differs from the archived file and the journal: value, unit"
    )


@pytest.mark.parametrize(("here", "there"), [("M1", None), (None, "M1"), ("M1", "M9")])
def test_what_tells_of_no_file_bears_its_name_from_whichever_side_has_it(here: str | None, there: str | None) -> None:
    row = {"meter": here, "meter_made": there, "block": here, "block_made": there, "name": here, "name_made": there}
    assert module._named("baseline", row) == (
        "The limits of control of M1 on M1 in the history differ from those that were recorded"
    )
    assert module._named("held_file", row) == (
        "M1: what is said of this file, which is held, is not what was said when it was looked at"
    )
    assert module._named("reference_text", row) == (
        "The text of reference table M1 in the history is not the one that was taken over"
    )


class Books:
    """A history of a few rows: a ledger of files, their readings, and empty tables."""

    def __init__(self, *readings: tuple[int, int, float], names: dict[int, str], held: tuple[str, ...] = ()) -> None:
        self.readings = pl.DataFrame(
            readings, schema={"source_id": pl.Int64, "line": pl.Int64, "value": pl.Float64}, orient="row"
        ).with_columns(replicate=pl.lit(1, pl.Int64))
        self.names, self.held, self.asked = names, held, list[Any]()

    def sources(self) -> pl.DataFrame:
        rows = [(number, name, f"sha-{number}") for number, name in self.names.items()]
        return pl.DataFrame(rows, schema={"source_id": pl.Int64, "name": pl.String, "sha256": pl.String}, orient="row")

    def last_source_id(self) -> int:
        return max(self.names, default=0)

    def table(self, name: str, *, after: int = -(2**40), to: int | None = None) -> pl.DataFrame:
        if name == "reading":
            self.asked.append((after, to))
            inside = (pl.col("source_id") > after) & (pl.lit(to is None) | (pl.col("source_id") <= (to or 0)))
            return self.readings.filter(inside)
        if name == "held_file":
            rows = [(name, f"sha of {name}", 1) for name in self.held]
            return pl.DataFrame(rows, schema={"name": pl.String, "sha256": pl.String, "size": pl.Int64}, orient="row")
        schema = {"source_file": ["source_id"], "quarantine": ["quarantine_id", "source_id", "line"]}
        columns = schema.get(name, ["sequence", "name"])
        frame = pl.DataFrame(schema=dict.fromkeys([*columns, "more"], pl.Int64))
        assert name != "event", "events are compared with the journal"
        return frame


ROWS = [(1, 1, 5.0), (1, 2, 6.0), (2, 1, 7.0), (3, 1, 8.0)]
NAMES = {1: "a.csv", 2: "b.csv", 3: "c.csv"}


def compared(stored: Books, made: Books, *, whole: bool = True) -> module._Found:
    found = module._Found()
    module._compare(stored, made, found, whole=whole)
    return found


def test_each_file_has_its_finding_and_what_belongs_to_none_concerns_everything() -> None:
    made = Books(*ROWS, names=NAMES, held=("h.csv",))
    assert compared(Books(*ROWS, names=NAMES, held=("h.csv",)), made) == module._Found()
    changed = Books((1, 1, 5.5), ROWS[1], (3, 1, 8.5), (9, 1, 1.0), names={1: "renamed.csv", 3: "c.csv"})
    found = compared(changed, made)
    told = " from the archived file and the journal: "
    assert found.files == {
        "sha-1": [f"a.csv: 1 stored line differs{told}value (line 1)."],
        "sha-3": [f"c.csv: 1 stored line differs{told}value (line 1)."],
    }
    assert found.everything == [
        f"b.csv: 1 stored line differs{told}is missing in the history (line 1).",
        f"file number 9, which the ledger does not know: 1 stored line differs{told}stands in the history alone (line 1).",
        "h.csv: what is said of this file, which is held, is not what was said when it was looked at: is missing in the history.",
    ]
    # without the end of the journal it cannot be said that something was made up
    part = compared(changed, made, whole=False)
    assert (part.files, len(part.everything)) == (found.files, 2)


def test_files_stand_in_the_order_of_the_ledger() -> None:
    names = {number: f"{number:02}.csv" for number in range(1, 41)}
    rows = [(number, line, 5.0) for number in names for line in (1, 2)]
    changed = [(number, line, value + line) for number, line, value in rows]
    found = compared(Books(*changed[::-1], names=names), Books(*rows, names=names))
    assert list(found.files) == [f"sha-{number}" for number in names]


@pytest.mark.parametrize(
    ("at_once", "pieces"),
    [(1, [(-(2**31), 1), (1, 2), (2, None)]), (2, [(-(2**31), 2), (2, None)]), (3, [(-(2**31), None)]), (200, [(-(2**31), None)])],
)  # fmt: skip
def test_readings_are_compared_some_files_at_a_time_and_none_is_left_out(
    monkeypatch: pytest.MonkeyPatch, at_once: int, pieces: list[Any]
) -> None:
    looked: list[None] = []
    monkeypatch.setattr(module.stop, "look", lambda: looked.append(None))
    monkeypatch.setattr(module, "_FILES_AT_ONCE", at_once)
    stored, made = Books(*ROWS, (-5, 1, 1.0), (77, 1, 1.0), names=NAMES), Books(*ROWS, names=NAMES)
    found = list(module._pieces(stored, made, "reading"))
    assert stored.asked == made.asked == pieces
    assert len(looked) == len(pieces)
    assert sum(one.height for one, _ in found) == 6
    assert next(iter(module._pieces(stored, made, "baseline")))[0].height == 0
    empty = Books(names={})
    assert [(a.height, b.height) for a, b in module._pieces(empty, empty, "reading")] == [(0, 0)]
