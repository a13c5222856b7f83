"""Look-back on frames alone: what a failure touches, from where and to where, and how near its lots lie to a limit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from sample_streams import at, parts, runs

from pipeline.metrology.look_back import (
    Episode,
    errors_to_limit,
    failed_episodes,
    lots_touched,
    precision_episodes,
    signal_episodes,
    window_start,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

GOOD: dict[str, Any] = {}
BAD, UNJUDGED = {"passed": False}, {"passed": None}
SIGNAL = {"rejected": 1}
BARE = {"passed": None, "certified": 0}
"""No block of the run has a certificate."""


def history(*kinds: dict[str, Any]) -> pl.DataFrame:
    """Return runs of M1 in this order, numbered from 1, as rows in another order, among failures of another meter."""
    mine = [{"at": 10 * n, "run": n, "parts_before": n // 2, **kind} for n, kind in enumerate(kinds, start=1)]
    others = [
        {"at": 1, "run": 1, "parts_before": 0, "meter": "M2", **BAD, **SIGNAL},
        {"at": 90, "run": 99, "meter": "M2", "parts_before": 7},
    ]
    return runs(*others, *mine[::-1])


def shown(episodes: Iterable[Episode]) -> list[tuple[int | None, list[int], int | None]]:
    def run(of: dict[str, Any] | None) -> int | None:
        return None if of is None else int(of["run"])

    return [(run(e.before), [int(row["run"]) for row in e.fired], run(e.after)) for e in episodes]


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        ([], []),
        ([GOOD, GOOD, UNJUDGED], []),
        ([UNJUDGED], []),
        ([BAD], [(None, [1], None)]),
        ([BAD, GOOD], [(None, [1], 2)]),
        ([GOOD, GOOD, BAD], [(2, [3], None)]),
        ([GOOD, BAD, BAD, GOOD, BAD, GOOD, GOOD], [(1, [2, 3], 4), (4, [5], 6)]),
        # what could not be judged neither ends a failure nor begins one, nor is it the last good evidence
        ([GOOD, UNJUDGED, BAD, UNJUDGED, BAD, UNJUDGED, GOOD], [(1, [3, 5], 7)]),
    ],
)
def test_a_failure_reaches_from_the_last_good_run_to_the_next(kinds: list[dict[str, Any]], expected: Any) -> None:
    assert shown(failed_episodes(history(*kinds), "M1")) == expected


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        ([GOOD, GOOD], []),
        ([GOOD, SIGNAL, GOOD], [(1, [2], 3)]),
        ([SIGNAL], [(None, [1], None)]),
        ([GOOD, {"rejected": 2}, SIGNAL, GOOD, SIGNAL], [(1, [2, 3], 4), (4, [5], None)]),
        # a failure inside goes on with the signal and is an event of its own; alone it is no signal
        ([GOOD, SIGNAL, BAD, GOOD], [(1, [2], 4)]),
        ([GOOD, BAD, SIGNAL, GOOD], [(1, [3], 4)]),
        ([GOOD, BAD, GOOD, SIGNAL, GOOD], [(3, [4], 5)]),
        ([GOOD, BAD | SIGNAL, GOOD], []),
        # without any certificate a run without a signal clears the meter; one that should have been judged does not
        ([BARE, BARE | SIGNAL, BARE], [(1, [2], 3)]),
        ([GOOD, SIGNAL, UNJUDGED, GOOD], [(1, [2], 4)]),
        ([GOOD, UNJUDGED, SIGNAL, GOOD], [(1, [3], 4)]),
        ([GOOD, UNJUDGED | SIGNAL, GOOD], [(1, [2], 3)]),
        ([GOOD, UNJUDGED | {"rejected": 1}, {"passed": None, "certified": 2}, GOOD], [(1, [2], 4)]),
    ],
)
def test_a_signal_reaches_to_the_run_that_clears_the_meter(kinds: list[dict[str, Any]], expected: Any) -> None:
    assert shown(signal_episodes(history(*kinds), "M1")) == expected


def test_scatter_reaches_to_the_next_run_with_a_limit_and_without_scatter() -> None:
    told = history(GOOD, GOOD, GOOD, GOOD, GOOD, BAD)
    # (run, limit, beyond); run 3 has nothing to judge by, and ends nothing
    checks: list[tuple[int, float | None, bool]] = [(1, 0.1, False), (2, 0.1, False), (2, 0.1, True), (3, None, False), (4, 0.1, True), (5, 0.1, False), (6, 0.1, True)]  # fmt: skip
    of: dict[str, list[tuple[int, float | None, bool]]] = {"M1": checks, "M2": [(1, 0.1, True), (99, 0.1, True)]}
    frame = pl.DataFrame(
        [(meter, *check) for meter, some in of.items() for check in some],
        schema={
            "meter": pl.String,
            "run": pl.Int64,
            "precision_limit": pl.Float64,
            "imprecise": pl.Boolean,
        },
        orient="row",
    )
    assert shown(precision_episodes(told, frame, "M1")) == [(1, [2, 4], 5), (5, [6], None)]
    assert shown(precision_episodes(told, frame.filter(pl.col("run") == 1), "M1")) == []
    assert shown(precision_episodes(told, frame.with_columns(precision_limit=None), "M1")) == []


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        ([], (None, 0, None)),
        ([UNJUDGED], (None, 0, None)),
        ([BAD], (None, 0, False)),
        ([GOOD, GOOD], (at(21), 1, True)),
        ([GOOD, GOOD, GOOD, BAD, BAD], (at(31), 1, False)),
        ([BAD, GOOD, GOOD, GOOD, UNJUDGED], (at(41), 2, True)),
        ([GOOD, BAD, GOOD, BAD], (at(31), 1, False)),
    ],
)
def test_the_window_begins_where_the_last_good_run_ended(kinds: list[dict[str, Any]], expected: Any) -> None:
    assert window_start(history(*kinds), "M1") == expected


def test_lots_inside_a_window_the_latest_first_and_a_wrong_clock_always() -> None:
    read = parts(
        {"lot": "early", "at": 10, "parts_before": 1},
        {"lot": "both", "at": 20, "parts_before": 2},
        {"lot": "both", "at": 21, "parts_before": 3, "count": 3},
        {"lot": "both", "at": 24, "parts_before": 4},
        {"lot": "end", "at": 30, "parts_before": 5},
        {"lot": "alike", "at": 30, "parts_before": 6},
        {"lot": "late", "at": at(30, 1), "parts_before": 7},
        {"lot": "other meter", "at": 25, "parts_before": 5, "meter": "M2"},
        {"lot": "no place", "at": 25},
        {"lot": "wrong clock", "at": 500, "clock": "unknown", "count": 2},
        {"lot": "both", "at": 22, "clock": "unknown"},
        {"lot": "elsewhere", "at": 22, "clock": "unknown", "meter": "M2"},
    )
    wrong = ("wrong clock", 2, at(500), at(500), 2)
    ends = [("alike", 1, at(30), at(30), 0), ("end", 1, at(30), at(30), 0)]
    # place 2 is excluded; so is the moment of `since`
    assert lots_touched(read, "M1", at(30), after_parts=2).rows() == [wrong, *ends, ("both", 5, at(21), at(24), 1)]
    assert lots_touched(read, "M1", at(30), after_parts=2, since=at(21)).rows() == [wrong, *ends, ("both", 2, at(22), at(24), 1)]  # fmt: skip
    # from the beginning
    assert lots_touched(read, "M1", at(20)).rows() == [wrong, ("both", 2, at(20), at(22), 1), ("early", 1, at(10), at(10), 0)]  # fmt: skip
    assert lots_touched(read, "M3", at(30)).schema == {
        "lot": pl.String, "readings": pl.Int64, "first": pl.Datetime("us", "UTC"), "last": pl.Datetime("us", "UTC"),
        "unknown_clock": pl.Int64,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("lower", "upper", "change", "uncertainty", "expected"),
    [
        (57.0, None, 0.5, None, 0.5 / 0.5),
        (57.0, None, 0.5, 0.2, 0.5 / 0.7),
        (57.0, None, -0.5, 0.2, 0.5 / 0.2),
        (57.0, None, -0.5, None, None),
        (None, 60.0, 0.5, 0.2, 1.5 / 0.2),
        (None, 60.0, -0.5, 0.2, 1.5 / 0.7),
        (None, 60.0, 0.5, None, None),
        (57.0, 60.0, 0.5, None, 0.5 / 0.5),
        (57.0, 60.0, -0.5, 0.2, 1.5 / 0.7),
        (57.0, 60.0, 0.0, 0.0, None),
        (None, None, 0.5, 0.2, None),
        # a lot beyond its limit comes before all others
        (58.0, None, 0.5, None, -0.5 / 0.5),
    ],
)
def test_only_the_limit_an_error_leads_to_is_near(
    lower: float | None, upper: float | None, change: float, uncertainty: float | None, expected: float | None
) -> None:
    asked: dict[str, Any] = {"lower": lower, "upper": upper, "change": change, "expanded_uncertainty": uncertainty}
    assert errors_to_limit(57.5, 58.5, **asked) == (None if expected is None else pytest.approx(expected))
    assert errors_to_limit(None, 58.5, **asked) is None
    assert errors_to_limit(57.5, None, **asked) is None
