"""Corrections for geometry on frames alone: which row fits which reading, on both sides of each border. Invented numbers."""

from __future__ import annotations

import itertools
from typing import Any

import polars as pl
import pytest
from sample_streams import at, rows

from pipeline.metrology.corrections import QUANTITIES, Overlap, matching, overlaps, too_large
from schemas.declare import UTC_TIME

TEXT, FLOAT = pl.String, pl.Float64
TABLE: dict[str, Any] = {
    "correction": TEXT, "valid_from": UTC_TIME, "kind": TEXT, "material": TEXT, "probe": TEXT, "frequency_khz": FLOAT, "low": FLOAT,
    "high": FLOAT, "value": FLOAT, "expanded_uncertainty": FLOAT, "unit": TEXT,
}  # fmt: skip
READINGS: dict[str, Any] = {
    "_row": pl.UInt32, "measured_at": UTC_TIME, "material": TEXT, "probe": TEXT, "frequency_khz": FLOAT, "thickness_mm": FLOAT,
    "radius_mm": FLOAT, "pieces": pl.Int64, "coating_um": FLOAT,
}  # fmt: skip
MATCHED = {"_row": pl.UInt32, "correction_ms_per_m": FLOAT, "corrections": pl.List(TEXT), "correction_problem": TEXT}


def table(*given: dict[str, Any]) -> pl.DataFrame:
    """Return corrections by thickness unless said, named in order K1, K2 ..."""
    usual = {"valid_from": at(0), "kind": "thickness", "value": 0.5, "unit": "MS/m"}
    return rows([{"correction": f"K{n}", **row} for n, row in enumerate(given, start=1)], TABLE, usual)


def matched(readings: list[dict[str, Any]], *given: dict[str, Any], largest: float = 3.0) -> pl.DataFrame:
    told = [{"_row": n, "measured_at": at(5), **row} for n, row in enumerate(readings)]
    usual = {"material": "copper", "probe": "P1", "frequency_khz": 60.0}
    return matching(rows(told, READINGS, usual), table(*given), largest_iacs=largest).sort("_row")


THIN, WITHOUT = {"thickness_mm": 1.0}, {"thickness_mm": None}


@pytest.mark.parametrize(
    ("reading", "row", "fits"),
    [
        (THIN, {}, True),
        (WITHOUT, {}, False),
        ({"thickness_mm": 0.0}, {}, True),
        # from low, included, to high, not included
        (THIN, {"low": 1.0}, True), (THIN, {"low": 1.001}, False), (THIN, {"high": 1.0}, False), (THIN, {"high": 1.001}, True),
        (THIN, {"low": 0.5, "high": 0.9}, False),
        # an empty cell is any; an empty reading is only that
        (THIN, {"material": "copper", "probe": "P1", "frequency_khz": 60.0}, True),
        (THIN, {"material": "aluminium"}, False), (THIN, {"probe": "P2"}, False), (THIN, {"frequency_khz": 120.0}, False),
        ({**THIN, "material": None}, {"material": "copper"}, False), ({**THIN, "material": None, "probe": None, "frequency_khz": None}, {}, True),
        # each kind looks at its own quantity
        ({"radius_mm": 1.0}, {"kind": "curvature"}, True), (THIN, {"kind": "curvature"}, False),
        ({"pieces": 2}, {"kind": "stacked", "low": 2.0}, True), ({"pieces": 1}, {"kind": "stacked", "low": 2.0}, False),
        ({"coating_um": 1.0}, {"kind": "coating"}, True), (THIN, {"kind": "coating"}, False), ({"coating_um": 1.0}, {}, False),
        # a row without a value corrects nothing; the first version holds from the beginning
        (THIN, {"value": None}, False),
        ({**THIN, "measured_at": at(-9)}, {}, True),
    ],
)  # fmt: skip
def test_a_row_fits_inside_its_range_for_its_kind_and_its_probe(
    reading: dict[str, Any], row: dict[str, Any], fits: bool
) -> None:
    found = matched([reading], row)
    assert found.schema == MATCHED
    assert found.rows() == ([(0, 0.5, ["K1"], None)] if fits else [])


def test_the_version_at_the_time_of_the_reading_holds_from_its_first_moment() -> None:
    versions = [{"correction": "K", "valid_from": at(10 * n), "value": value} for n, value in ((0, 0.1), (1, 0.2), (2, None), (3, 0.4))]  # fmt: skip
    times = [at(-5), at(0), at(10, -1), at(10), at(20, -1), at(20), at(30, -1), at(30), at(99)]
    found = matched([{**THIN, "measured_at": time} for time in times], *versions)
    expected = {0: 0.1, 1: 0.1, 2: 0.1, 3: 0.2, 4: 0.2, 7: 0.4, 8: 0.4}
    assert dict(found.select("_row", "correction_ms_per_m").rows()) == expected
    # another row that changes at another time moves none of these
    assert matched([{**THIN, "measured_at": time} for time in times], *versions, {"kind": "coating", "valid_from": at(15)}).equals(found)  # fmt: skip


def test_corrections_that_change_by_turns_hold_each_in_its_own_time() -> None:
    thick, coat = (
        [
            {"correction": name, "kind": kind, "valid_from": at(first + 20 * n), "value": first / 100 + n}
            for n in range(3)
        ]
        for name, kind, first in (("T", "thickness", 0), ("C", "coating", 10))
    )
    times = [at(minute) for minute in (-5, 5, 15, 25, 35, 45, 55)]
    readings = [{"thickness_mm": 1.0, "coating_um": 1.0, "measured_at": time} for time in times]
    found = matched(readings, *coat, *thick, largest=9.0)
    assert found["correction_ms_per_m"].to_list() == pytest.approx([0.1, 0.1, 0.1, 1.1, 2.1, 3.1, 4.1])
    # a row that corrects nothing needs no unit
    assert matched(readings, *coat, *thick, {"kind": "stacked", "value": None, "unit": None}, largest=9.0).equals(found)


def test_problems_of_one_reading_are_all_told() -> None:
    found = matched([{"thickness_mm": 1.0, "coating_um": 1.0}], {"kind": "coating", "value": 4.0}, {"value": -4.0})
    said = "{} is larger than 3 %IACS, so it was not applied; measure at a higher frequency (MIL-STD-1537C 4.4.3)"
    assert found.rows() == [(0, None, [], f"{said.format('K2')}; {said.format('K1')}")]


def test_kinds_add_up_in_their_own_units_and_what_does_not_fit_takes_nothing_from_what_does() -> None:
    """One %IACS is 0.58 MS/m (IEC 60028:1925)."""
    given: list[dict[str, Any]] = [
        {"correction": "Z", "value": 1.0, "unit": "%IACS"}, {"correction": "A", "kind": "coating", "value": -0.3},
        {"kind": "curvature", "value": 4.0}, {"kind": "stacked", "correction": "S1"}, {"kind": "stacked", "correction": "S2"},
    ]  # fmt: skip
    bare = {"thickness_mm": 1.0, "coating_um": 1.0}
    found = matched([bare, {**bare, "radius_mm": 1.0, "pieces": 2}, bare, {"radius_mm": 1.0, "pieces": 2}, {}], *given)
    assert found["_row"].to_list() == [0, 1, 2, 3]
    assert found["correction_ms_per_m"].to_list() == pytest.approx([0.28, 0.28, 0.28, None])
    assert found["corrections"].to_list() == [["A", "Z"], ["A", "Z"], ["A", "Z"], []]
    both = (
        "K3 is larger than 3 %IACS, so it was not applied; measure at a higher frequency (MIL-STD-1537C 4.4.3); S1 and S2 fit at once "
        "for stacked, so none was applied; make their ranges exclude each other in reference/corrections.csv"
    )
    assert found["correction_problem"].to_list() == [None, both, None, both]


def test_rows_that_fit_at_once_are_none_of_them_applied_and_are_named_in_order() -> None:
    for names in (["B", "A"], ["C", "B", "A"]):
        found = matched([THIN], *({"correction": name} for name in names))
        assert found["correction_ms_per_m"].to_list() == [None]
        assert found["correction_problem"][0].startswith(f"{' and '.join(sorted(names))} fit at once for thickness, so")


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_largest_amount_is_applied_and_a_larger_one_is_not(sign: float) -> None:
    # so much of slack is binary arithmetic: 3 %IACS stated as 1.74 MS/m
    for value, unit, fits in ((3.0, "%IACS", True), (1.74, "MS/m", True), (3.0 * (1 + 0.9e-9), "%IACS", True), (3.0 * (1 + 1.1e-9), "%IACS", False), (1.75, "MS/m", False)):  # fmt: skip
        row = {"value": sign * value, "unit": unit}
        found = matched([THIN], row)
        assert (found["correction_ms_per_m"][0] is not None) is fits
        assert (found["correction_problem"][0] is None) is fits
        assert (too_large(table(row), largest_iacs=3.0) == []) is fits
    rows_ = [{"correction": name, "value": sign * value} for name, value in (("B", 2.9), ("C", 0.1), ("A", 5.8))]
    beyond = too_large(table(*rows_), largest_iacs=3.0)
    assert [name for name, _ in beyond] == ["A", "B"]
    assert [value for _, value in beyond] == pytest.approx([sign * 10, sign * 5])


def test_a_table_or_readings_without_anything_to_correct_give_an_empty_frame() -> None:
    cases: list[tuple[list[dict[str, Any]], list[dict[str, Any]]]] = [
        ([], [{}]), ([THIN], []), ([THIN], [{"value": None}]), ([{}], [{}]),
    ]  # fmt: skip
    for readings, given in cases:
        found = matched(readings, *given)
        assert (found.height, found.schema) == (0, MATCHED)


@pytest.mark.parametrize(
    ("one", "other", "overlap"),
    [
        ({}, {}, True),
        ({}, {"kind": "coating"}, False),
        ({"correction": "K2"}, {}, False),
        ({"material": "copper"}, {"material": "copper"}, True),
        ({"material": "copper"}, {"material": "aluminium"}, False),
        ({"material": "copper"}, {}, True),
        ({"probe": "P1"}, {"probe": "P2"}, False),
        ({"frequency_khz": 60.0}, {"frequency_khz": 120.0}, False),
        ({"material": "copper", "probe": "P1"}, {"material": "copper", "probe": "P2"}, False),
        ({"material": "copper", "probe": "P1"}, {"probe": "P1", "frequency_khz": 60.0}, True),
        ({"high": 1.0}, {"low": 1.0}, False),
        ({"high": 1.001}, {"low": 1.0}, True),
        ({"high": 1.0}, {}, True),
        ({"low": 1.0}, {}, True),
        ({"low": 1.0, "high": 2.0}, {"low": 0.5, "high": 1.5}, True),
        ({"low": 1.0, "high": 2.0}, {"low": 2.0, "high": 3.0}, False),
    ],
)
def test_two_rows_overlap_where_one_reading_could_fit_both(
    one: dict[str, Any], other: dict[str, Any], overlap: bool
) -> None:
    found = [Overlap("thickness", "K1", "K2")] if overlap else []
    assert overlaps(table(one, other)) == found
    if "correction" not in one:
        assert overlaps(table({"correction": "K2", **other}, {"correction": "K1", **one})) == found


def test_overlaps_are_told_once_in_order_whatever_lies_between_and_not_across_versions_that_end() -> None:
    apart = {"low": 9.0, "high": 9.5}
    given = table(
        {"correction": "A", "high": 1.0}, {"correction": "B", **apart}, {"correction": "C", "kind": "coating"},
        {"correction": "D", "high": 1.0}, {"correction": "E", "kind": "coating"}, {"correction": "F", "kind": "curvature", "probe": "P1"},
        {"correction": "G", "kind": "curvature", "probe": "P2"}, {"correction": "H", "kind": "curvature"},
    )  # fmt: skip
    expected_pairs = ["CE", "FH", "GH", "AD"]
    kinds = ["coating", "curvature", "curvature", "thickness"]
    assert overlaps(given) == [
        Overlap(kind, one, other) for kind, (one, other) in zip(kinds, expected_pairs, strict=True)
    ]
    # A holds below 1 until the fifth minute; B begins there in the fifth or the fourth
    first = [{"correction": "A", "high": 1.0}, {"correction": "A", "valid_from": at(5), "low": 8.0}]
    for begins, expected in ((5, []), (4, [Overlap("thickness", "A", "B")])):
        later = [
            {"correction": "B", **apart, "high": 8.0, "low": 7.0},
            {"correction": "B", "valid_from": at(begins), "high": 1.0},
        ]
        for order in itertools.permutations([*first, *later]):
            assert overlaps(table(*order)) == expected


def test_quantities_have_the_units_of_the_table() -> None:
    assert QUANTITIES == {"thickness": "mm", "curvature": "mm", "stacked": "pieces", "coating": "µm"}
