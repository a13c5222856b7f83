"""What the company's tables name, and what lies at two sites and counts once. Invented unless a source is named."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest
from sample_company import START, frame, names, one_lot, same
from union_rows import SITES, company, meter

from pipeline.centre.union.company import readings_once
from pipeline.centre.union.names import at_two_sites, counted_once, named, unmapped


def test_names_are_joined_by_the_table_alone() -> None:
    rows = {"lots": [one_lot("P-001", 1), one_lot("P-002", 2), one_lot("P-003", 3, supplier="Ostrovald Copper")]}
    found = company(rows, same("suppliers", "Ostrovald", "Ostrovald Copper", ["P-001"]))
    # the same name at another site, and even the company's own name there, say nothing without a row
    assert found.lots["company_supplier"].to_list() == ["Ostrovald Copper", None, None]
    listed = unmapped({"checks": found.checks, "lots": found.lots, "meters": found.meters}, found.names)
    suppliers = [(one.site, one.name) for one in listed if one.kind == "suppliers"]
    assert suppliers == [("P-002", "Ostrovald"), ("P-003", "Ostrovald Copper")]


def test_what_a_table_names_is_not_listed_and_what_a_site_states_is_told() -> None:
    rows = {
        "checks": [{"site": "P-001"}, {"site": "P-002", "certificate": "K-9"}],
        "meters": [{"site": "P-001"}, {"site": "P-002", "maker": "Ostrel", "serial_number": "77"}],
    }
    found = company(rows, {"meters": [meter("P-001")], **same("blocks", "B1", "Lab K-77", ["P-001"])})
    listed = unmapped({"checks": found.checks, "lots": found.lots, "meters": found.meters}, found.names)
    assert [(one.kind, one.site, one.name, one.stated) for one in listed] == [
        ("blocks", "P-002", "B1", "K-9"), ("meters", "P-002", "EC-01", "Ostrel 77"),
    ]  # fmt: skip


@pytest.mark.parametrize(("offset", "there"), [(-1, False), (0, True), (59, True), (60, False)])
def test_a_row_of_a_meter_holds_from_its_first_moment_to_before_its_last(offset: int, there: bool) -> None:
    table = names(meters=[meter("P-001", valid_from=START, valid_to=START + timedelta(minutes=60))])
    found = named(frame("checks", {"site": "P-001", "at": START + timedelta(minutes=offset)}), table, at="at")
    assert (found["instrument"].to_list() == ["Ostrel P-001-1"]) is there
    tables = {"checks": found, "lots": named(frame("lots"), table), "meters": frame("meters", {"site": "P-001"})}
    stated = [one.stated for one in unmapped(tables, table) if one.kind == "meters"]
    assert stated == ([] if there else ["no row holds on 2026-06-01"])


@pytest.mark.parametrize(("gap", "told"), [(0, 0), (1, 0), (-1, 1)])
def test_an_instrument_at_two_sites_at_once_is_told(gap: int, told: int) -> None:
    handed = START + timedelta(days=30)
    received = handed + timedelta(seconds=gap)
    rows = [meter("P-001", serial="7", valid_to=handed), meter("P-002", "EC-09", serial="7", valid_from=received)]
    found = at_two_sites(names(meters=rows)["meters"])
    assert [(one.first, one.second) for one in found] == [("P-001/EC-01", "P-002/EC-09")][:told]


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        ((None, None), (None, None), (None, None)),
        ((0, None), (9, None), (9, None)),
        ((None, 9), (None, 5), (None, 5)),
        ((0, 9), (5, 7), (5, 7)),
        ((None, 5), (5, None), None),
        ((5, 9), (None, 5), None),
        ((0, 5), (7, 9), None),
        ((None, 5), (7, None), None),
    ],
)
def test_two_periods_overlap_where_the_later_beginning_is_before_the_earlier_end(
    first: Any, second: Any, told: Any
) -> None:
    def day(number: int | None) -> Any:
        return None if number is None else START + timedelta(days=number)

    rows = [
        meter(site, serial="7", valid_from=day(a), valid_to=day(b))
        for site, (a, b) in zip(("P-002", "P-001"), (first, second), strict=True)
    ]
    found = at_two_sites(names(meters=rows)["meters"])
    assert [(one.first, one.since, one.until) for one in found] == (
        [] if told is None else [("P-001/EC-01", *map(day, told))]
    )


def test_a_row_of_a_meter_ends_where_its_next_one_begins() -> None:
    later = START + timedelta(days=5)
    rows = [
        meter("P-001", serial="8", valid_from=later),
        meter("P-001", serial="7"),
        meter("P-002", serial="7", valid_from=later),
    ]
    table = names(meters=rows)
    checks = frame("checks", *({"site": "P-001", "at": START + timedelta(days=n)} for n in (0, 5)))
    assert named(checks, table, at="at")["instrument"].to_list() == ["Ostrel 7", "Ostrel 8"]
    assert at_two_sites(table["meters"]) == ()


def test_of_several_checks_the_latest_says_what_the_site_states() -> None:
    checks = frame(
        "checks",
        *({"site": "P-001", "at": START + timedelta(days=n), "certificate": c} for n, c in ((3, "K-1"), (1, "K-9"))),
    )
    table = names(meters=[meter("P-001", valid_to=START)])
    tables = {
        "checks": named(checks, table, at="at"),
        "lots": named(frame("lots"), table),
        "meters": frame("meters", {"site": "P-001"}),
    }
    assert [(one.kind, one.stated) for one in unmapped(tables, table)] == [
        ("blocks", "K-1"),
        ("meters", "no row holds on 2026-06-04"),
    ]
    half = frame("meters", {"site": "P-002", "serial_number": "77"}, {"site": "P-003"})
    assert [one.stated for one in unmapped(tables | {"meters": half}, table) if one.kind == "meters"][1:] == ["77", ""]


def test_one_number_of_two_makers_or_two_names_at_one_site_is_not_told() -> None:
    rows = [meter("P-001", serial="7"), meter("P-001", "EC-02", serial="7"), meter("P-002", serial="7", maker="Other")]
    assert at_two_sites(names(meters=rows)["meters"]) == ()


def reading(site: str, minute: int = 0, **more: Any) -> dict[str, Any]:
    at = START + timedelta(minutes=minute)
    row = {
        "site": site,
        "meter": "EC-01",
        "measured_at": at,
        "role": "part",
        "part": "1",
        "spot": "1",
        "value": 58.0,
        "unit": "MS/m",
    }
    return row | more


def test_the_same_reading_at_two_sites_counts_once() -> None:
    table = names(meters=[meter("P-001", serial="7"), meter("P-002", serial="7")])
    rows = [
        *(reading("P-001", m, sequence=m) for m in range(3)),
        *(reading("P-002", m, sequence=m) for m in range(1, 5)),
    ]
    assert readings_once(frame("readings", *rows), table, "Ostrel 7") == (5, {"P-002": 2})
    sites = [f"P-{n:03}" for n in range(1, 13)]
    table = names(meters=[meter(site, serial="7") for site in sites])
    once, copies = readings_once(frame("readings", *(reading(site, 1) for site in sites[::-1])), table, "Ostrel 7")
    assert (once, list(copies.items())) == (1, [(site, 1) for site in sites[1:]])


@pytest.mark.parametrize("column", ["value", "unit", "sequence", "role", "part", "spot", "measured_at", "meter"])
def test_what_differs_in_slot_or_content_counts_twice(column: str) -> None:
    other = {
        "value": 58.01, "unit": "%IACS", "sequence": 5, "role": "block", "part": "2", "spot": "2", "meter": "EC-02",
        "measured_at": START + timedelta(seconds=1),
    }  # fmt: skip
    table = names(meters=[meter("P-001", serial="7"), meter("P-002", serial="7"), meter("P-002", "EC-02", serial="8")])
    rows = [reading("P-001", sequence=1), reading("P-002", **({"sequence": 1} | {column: other[column]}))]
    assert readings_once(frame("readings", *rows), table, "Ostrel 7") == (1 if column == "meter" else 2, {})


def test_what_one_site_has_twice_stays_twice_and_nobody_named_is_never_a_copy() -> None:
    rows = [
        {"site": site, "instrument": who, "x": 1}
        for site, who in (("B", "i"), ("A", "i"), ("A", "i"), ("A", None), ("B", None))
    ]
    found = counted_once(pl.DataFrame(rows), ["instrument"], ["x"])
    assert found.select("site", "instrument", "also_at").rows() == [
        ("A", "i", ["B"]), ("A", "i", []), ("A", None, []), ("B", None, []),
    ]  # fmt: skip


def test_of_copies_the_first_site_by_name_tells_and_the_order_within_a_site_stays() -> None:
    rows = [("B", 1, "b1"), ("A", 2, "a2"), ("A", 1, "a1"), ("B", 3, "b3"), ("A", 0, "a0")]
    found = counted_once(
        pl.DataFrame([{"site": s, "instrument": "i", "x": x, "says": says} for s, x, says in rows]),
        ["instrument"],
        ["x"],
    )
    assert found["says"].to_list() == ["a2", "a1", "a0", "b3"]


def test_lots_and_checks_of_one_export_loaded_at_two_sites_count_once() -> None:
    rows = {"lots": [one_lot("P-002", 1), one_lot("P-001", 1)], "checks": [{"site": "P-001"}, {"site": "P-002"}]}
    meters = [meter("P-001", serial="7"), meter("P-002", serial="7")]
    found = company(rows, {"meters": meters, **same("blocks", "B1", "Lab K-77", SITES)})
    assert (found.copies, found.lots["site"].to_list(), found.checks["also_at"].to_list()) == (
        2,
        ["P-001"],
        [["P-002"]],
    )
    # read by another instrument it is another lot, whatever its name and mean
    assert company(rows, {"meters": [meter("P-001", serial="7"), meter("P-002", serial="8")]}).copies == 0
