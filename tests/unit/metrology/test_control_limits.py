"""Limits of control on frames alone: which checks stand behind them, for which checks they hold, and how wide they are."""

from __future__ import annotations

import statistics
from math import hypot, sqrt
from typing import Any

import polars as pl
import pytest
from sample_streams import at, rows

from pipeline.metrology.block_checks import SERIES
from pipeline.metrology.control_limits import FEWEST_BEHIND_LIMITS, add_limits, freeze, recompute
from schemas.declare import UTC_TIME

TEXT, FLOAT, INTEGER = pl.String, pl.Float64, pl.Int64
OF_A_SERIES: dict[str, Any] = {"meter": TEXT, "probe": TEXT, "frequency_khz": FLOAT, "block": TEXT, "phase": UTC_TIME}
CHECKS: dict[str, Any] = {
    **OF_A_SERIES, "check": INTEGER, "at": UTC_TIME, "mean": FLOAT, "certified_value": FLOAT,
    "certificate_standard_uncertainty": FLOAT,
}  # fmt: skip
BASELINES: dict[str, Any] = {
    **OF_A_SERIES, "first_at": UTC_TIME, "last_at": UTC_TIME, "checks": INTEGER, "centre": FLOAT, "standard_deviation": FLOAT,
    "named": pl.Boolean,
}  # fmt: skip
METERS: dict[str, Any] = {"meter": TEXT, "valid_from": UTC_TIME, "accuracy_percent": FLOAT}
SERIES_OF = {"meter": "M1", "block": "B1"}
OTHERS: list[dict[str, Any]] = [
    {"probe": "P2"},
    {"frequency_khz": 60.0},
    {"block": "B2"},
    {"phase": at(-5)},
    {"meter": "M2"},
]
"""One of each is another series."""


def checks(*given: dict[str, Any]) -> pl.DataFrame:
    usual = {**SERIES_OF, "mean": 58.0, "certified_value": 58.0, "certificate_standard_uncertainty": 0.1}
    return rows([{"at": at(i), "check": i, **row} for i, row in enumerate(given)], CHECKS, usual)


def baselines(*given: dict[str, Any]) -> pl.DataFrame:
    usual = {**SERIES_OF, "first_at": at(0), "last_at": at(3), "checks": 4, "centre": 58.1, "standard_deviation": 0.05, "named": False}  # fmt: skip
    return rows(list(given), BASELINES, usual)


def meters(*given: dict[str, Any]) -> pl.DataFrame:
    return rows(list(given), METERS, {"meter": "M1", "valid_from": at(-1000)})


MEANS = [58.0, 58.2, 58.1, 57.8, 59.0, 60.0]


def test_a_baseline_is_of_the_first_checks_with_a_value_of_its_own_series() -> None:
    told: list[dict[str, Any]] = [
        {"mean": None, "at": at(-1)},
        *({"mean": m} for m in MEANS[:2]),
        {"mean": None},
        *({"mean": m} for m in MEANS[2:]),
    ]
    # a series needs all its checks: one of those of `others` has one too few, and they stand among the first
    for other in OTHERS:
        told += [{**other, "mean": 10.0 + i, "at": at(0.5 + i)} for i in range(4 if "block" in other else 3)]
    shuffled = checks(*told).reverse()
    found = freeze(shuffled, baseline_checks=4)
    own, other = found.to_dicts()
    assert (own["block"], own["first_at"], own["last_at"], own["checks"], own["named"]) == (
        "B1",
        at(1),
        at(5),
        4,
        False,
    )
    assert own["centre"] == pytest.approx(statistics.mean(MEANS[:4]))
    assert own["standard_deviation"] == pytest.approx(statistics.stdev(MEANS[:4]))
    assert (other["block"], other["centre"]) == ("B2", pytest.approx(11.5))
    assert found.columns == list(BASELINES)
    assert freeze(shuffled, baseline_checks=7).height == 0
    assert freeze(shuffled, baseline_checks=6)["checks"].to_list() == [6]


def test_baselines_stand_in_the_order_of_their_series_the_unnamed_first() -> None:
    every: list[dict[str, Any]] = [{}, *OTHERS, {"probe": "P1"}]
    told = [{**other, "at": at(i)} for other in every for i in range(2)]
    found = freeze(checks(*told).reverse(), baseline_checks=2)
    assert found.select(SERIES).rows() == [
        ("M1", None, None, "B1", None), ("M1", None, None, "B1", at(-5)), ("M1", None, None, "B2", None), ("M1", None, 60.0, "B1", None),
        ("M1", "P1", None, "B1", None), ("M1", "P2", None, "B1", None), ("M2", None, None, "B1", None),
    ]  # fmt: skip
    again = recompute(checks(*told).reverse(), found.reverse(), baseline_checks=2)
    assert again.select(SERIES).rows() == found.select(SERIES).rows()


def test_checks_of_one_moment_enter_a_baseline_in_their_order() -> None:
    told = checks(*({"at": at(0), "mean": 58.0 + n, "check": n} for n in (3, 1, 2)))
    assert freeze(told, baseline_checks=2)["centre"].to_list() == [59.5]
    assert recompute(told, baselines({}), baseline_checks=2)["centre_again"].to_list() == [59.5]


def test_a_baseline_again_takes_the_first_checks_and_a_named_one_its_span_with_both_ends() -> None:
    told = checks({"mean": None, "at": at(-1)}, *({"mean": m, "at": at(i)} for i, m in enumerate(MEANS)), {"block": "B2", "at": at(1)})  # fmt: skip
    span = {"first_at": at(1), "last_at": at(4)}
    plain, named = (recompute(told, baselines({**span, "named": n}), baseline_checks=2).to_dicts() for n in (False, True))  # fmt: skip
    for (found,), behind in ((plain, MEANS[:2]), (named, MEANS[1:5])):
        assert found["checks_again"] == len(behind)
        assert found["centre_again"] == pytest.approx(statistics.mean(behind))
        assert found["standard_deviation_again"] == pytest.approx(statistics.stdev(behind))
    assert list(plain[0]) == [*SERIES, "checks_again", "centre_again", "standard_deviation_again"]
    # places are counted in each series alone
    both = recompute(told, baselines({}, {"block": "B2"}), baseline_checks=2)
    assert both["checks_again"].to_list() == [2, 1]


def test_provisional_limits_join_certificate_and_accuracy_as_a_rectangle() -> None:
    """JCGM 100:2008, 4.3.7: half a width a gives a standard uncertainty of a/√3."""
    told = checks(
        {"at": at(9)},
        {"at": at(10), "mean": 58.3},
        {"certificate_standard_uncertainty": None, "at": at(10)},
        {"meter": "M3"},
        {"meter": "M3", "certificate_standard_uncertainty": None},
        {"meter": "M3", "certificate_standard_uncertainty": 0.0},
        {"certified_value": None, "mean": 57.0},
        {"mean": None, "at": at(10)},
    )
    found = add_limits(told, baselines(), meters({"accuracy_percent": 0.5}, {"accuracy_percent": 1.0, "valid_from": at(10)}))  # fmt: skip
    accuracy = 0.58 / sqrt(3)
    widths = [hypot(0.1, accuracy / 2), hypot(0.1, accuracy), accuracy, 0.1, None, None, None, hypot(0.1, accuracy)]
    assert found["limit_standard_deviation"].to_list() == pytest.approx(widths)
    assert found["z"].to_list() == pytest.approx([0.0, 0.3 / widths[1], 0.0, 0.0, None, None, None, None])  # type: ignore[operator]
    assert found["centre"].to_list() == [58.0] * 6 + [None, 58.0]
    assert set(found["limits_kind"]) == {"provisional"}
    assert set(found["limit_widening"]) == {1.0}
    assert found["in_baseline"].to_list() == [False] * 8
    assert found.columns == [
        *CHECKS, "baseline_checks", "in_baseline", "limits_kind", "centre", "limit_widening", "limit_standard_deviation", "z",
    ]  # fmt: skip


@pytest.mark.parametrize("named", [False, True])
def test_frozen_limits_hold_after_their_baseline_and_everywhere_where_a_person_named_it(named: bool) -> None:
    times = [at(-1), at(0), at(3), at(3, 1), at(4)]
    told = checks(*({"at": time, "mean": 58.3} for time in times), *({**other, "at": at(4)} for other in OTHERS))
    found = add_limits(told, baselines({"centre": 1.0}, {"named": named}), meters(), widening=lambda n: n / 2)
    frozen = [named, named, named, True, True] + [False] * len(OTHERS)
    assert (found["limits_kind"] == "frozen").to_list() == frozen
    assert found["centre"].to_list() == [58.1 if holds else 58.0 for holds in frozen]
    assert found["limit_widening"].to_list() == [2.0 if holds else 1.0 for holds in frozen]
    assert found["limit_standard_deviation"].to_list() == [0.05 * 2.0 if holds else 0.1 for holds in frozen]
    assert found["z"][3] == pytest.approx(0.2 / 0.1)
    assert found["in_baseline"].to_list() == [False, True, True, False, False] + [False] * len(OTHERS)
    assert found["baseline_checks"].to_list() == [4] * len(times) + [None] * len(OTHERS)
    # the checks keep their order
    assert found["check"].to_list() == told["check"].to_list()


def test_limits_of_a_series_are_found_by_all_that_makes_it_one_and_are_not_widened_unasked() -> None:
    every: list[dict[str, Any]] = [{}, *OTHERS]
    told = checks(*({**series, "at": at(4)} for series in every))
    found = add_limits(told, baselines(*({**series, "centre": 50.0 + i} for i, series in enumerate(every))), meters())
    assert found["centre"].to_list() == [50.0 + i for i in range(len(every))]
    assert set(found["limit_widening"]) == {1.0}


def test_limits_without_any_scatter_judge_nothing() -> None:
    found = add_limits(checks({"at": at(4)}), baselines({"standard_deviation": 0.0}), meters())
    assert found.select("limits_kind", "limit_standard_deviation", "z").rows() == [("frozen", 0.0, None)]
    # ten of them are as many as a rule may rest upon (our own bound, stated in README)
    assert FEWEST_BEHIND_LIMITS == 10
