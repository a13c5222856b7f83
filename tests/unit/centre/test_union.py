"""What only all sites together can say: names, copies, plants, travellers, the month. Invented unless a source is named."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from itertools import permutations
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_company import START, company_tables, frame, heads, names, one_lot, same, several_lots
from scipy import stats

from pipeline.centre.union.company import Company, readings_once, together
from pipeline.centre.union.levels import LEAST_LOTS, apart, disagreements, names_over_plants, over_plants
from pipeline.centre.union.names import at_two_sites, counted_once, named, unmapped
from pipeline.centre.union.review import changed_since, company_review, revision_of
from pipeline.centre.union.travellers import NEAR, travelled, travellers
from pipeline.errors import UsageError
from reports.company.charts import e_n_chart, levels_chart
from reports.kit.tables import Numbered
from schemas.blocks import MeterDifference
from schemas.documents import as_json

SITES = ["P-001", "P-002", "P-003"]
OSTROVALD = same("suppliers", "Ostrovald", "Ostrovald Copper", SITES) | same("materials", "Cu-ETP", "ETP copper", SITES)


def meter(site: str, name: str = "EC-01", serial: str | None = None, **more: Any) -> dict[str, Any]:
    row = {
        "site": site,
        "meter": name,
        "maker": "Ostrel",
        "serial_number": serial or f"{site}-1",
        "accuracy_percent": 0.5,
    }
    return row | {"valid_from": None, "valid_to": None} | more


def company(
    rows: dict[str, list[dict[str, Any]]], tables: dict[str, list[dict[str, Any]]], of: list[str] = SITES
) -> Company:
    return together(heads(*of), company_tables(**rows), names(**tables))


# -- names ---------------------------------------------------------------------------------------------------------


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


# -- copies --------------------------------------------------------------------------------------------------------


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


# -- plants --------------------------------------------------------------------------------------------------------


def levels(*at: float, count: int = 10, **more: Any) -> list[dict[str, Any]]:
    return [lot for n, level in enumerate(at) for lot in several_lots(SITES[n], level, count, seed=n, **more)]


def of_supplier(rows: list[dict[str, Any]], tables: Any = None) -> Any:
    return over_plants("supplier", "Ostrovald Copper", company({"lots": rows}, tables or OSTROVALD).lots)


def test_level_over_plants_is_one_way_random_effects() -> None:
    """Searle, Casella and McCulloch, Variance Components, 1992, chapter 3 (from memory): balanced mean squares, computed apart."""
    rows = levels(58.0, 58.1, 57.9)
    found = of_supplier(rows).groups[0]
    x = np.array([row["mean"] for row in rows]).reshape(3, 10)
    ms_between, ms_within = 10 * x.mean(axis=1).var(ddof=1), x.var(axis=1, ddof=1).mean()
    assert found.mean == pytest.approx(x.mean())
    assert found.within_standard_deviation == pytest.approx(np.sqrt(ms_within))
    assert found.between_standard_deviation == pytest.approx(np.sqrt((ms_between - ms_within) / 10))
    half = 4.302653 * np.sqrt(ms_between / 30)  # t(0.975, 2), as tables print it
    assert found.mean_interval == pytest.approx((x.mean() - half, x.mean() + half), rel=1e-6)


def test_the_plant_that_differs_is_named() -> None:
    found = of_supplier(levels(58.0, 58.01, 59.0))
    assert found.state == "differs"
    assert all("P-003" in reason for reason in found.reasons)
    assert any("P-001 and P-003 differ by -" in reason for reason in found.reasons)
    assert of_supplier(levels(58.0, 58.01, 58.02)).state == "agrees"


@pytest.mark.parametrize(("e_n", "said"), [(1.0, 0), (-1.0, 0), (1.0000001, 1), (-1.0000001, 1), (None, 0)])
def test_beyond_one_means_beyond(e_n: float | None, said: int) -> None:
    """ISO 13528 and ISO/IEC 17043: |E_n| ≤ 1 is satisfactory (from memory)."""
    pair = MeterDifference("a", "b", 1.0, None, None, None, e_n, None, "lots")
    assert len(disagreements([pair])) == said
    for h, beyond in ((1.2, said), (-1.2, said), (1.15, 0), (None, 0)):
        assert len(apart([pair], {"a": h, "c": 9.9}, 1.15)) == beyond
    assert apart([pair], {"a": 9.9}, None) == []


def test_what_is_said_of_each_plant_is_its_own() -> None:
    rows = levels(58.0, 58.0)
    rows += [one_lot("P-001", n, verdict=verdict) for n, verdict in ((20, "hold"), (21, "reject"), (22, "reject"))]
    rows += [
        one_lot("P-001", 23, mean=None),
        one_lot("P-002", 24, support="suspect"),
        one_lot("P-002", 12, support="suspect"),
    ]
    found = of_supplier(rows)
    first, second = found.groups[0].plants
    assert (first.lots, first.held, first.rejected, first.own_standard_uncertainty) == (14, 1, 2, 0.05)
    assert (second.lots, second.held, second.rejected, second.suspect) == (12, 0, 0, ("L-012", "L-024"))
    pair = found.groups[0].pairs[0]
    assert (pair.basis, found.reasons) == ("lots", ("ETP copper: 2 plants agree",))
    # Welch (Biometrika 34, 28, 1947) on 13 and 10 means, as scipy has it; the lot without a mean and the suspect ones are left out
    a, b = ([row["mean"] for row in levels(58.0, 58.0) if row["site"] == site] for site in SITES[:2])
    a += [58.0] * 3
    interval = stats.ttest_ind(a, b, equal_var=False).confidence_interval()
    assert pair.interval == pytest.approx((interval.low, interval.high))


def test_materials_stand_in_order_and_of_temperatures_the_usual_one_counts() -> None:
    tables = OSTROVALD | {"materials": [{"site": s, "name": m, "company_name": m} for s in SITES for m in ("b", "a")]}
    rows = [*levels(58.0, 58.0, material="b"), *levels(57.0, 57.0, material="a", reference_temperature_c=25.0)]
    found = of_supplier(rows, tables)
    assert [(group.material, len(group.pairs), group.not_said) for group in found.groups] == [
        ("a", 1, ()),
        ("b", 1, ()),
    ]
    # as many at 25 as at 20 °C: the lower one, whatever the order
    tie = of_supplier([*several_lots("P-001", 58.0, reference_temperature_c=25.0), *several_lots("P-002", 58.0)])
    assert tie.groups[0].not_said == (
        "fewer than two plants have enough lots to be compared",
        "P-001 states its values at another temperature than most, 20 °C",
    )


def test_who_lies_apart_by_less_than_all_claim_does_not_differ() -> None:
    """Mandel's h of three plants reaches its limit, (p − 1)/√p nearly, wherever two agree closely: it says nothing of size."""
    rows = levels(58.0, 58.0, 58.02, scatter=0.0)
    found = of_supplier(rows)
    assert found.groups[0].plants[2].h > found.groups[0].h_limit
    assert (found.state, found.groups[0].differ) == ("agrees", ())
    beyond = of_supplier(levels(58.0, 58.0, 58.2, scatter=0.0))
    assert beyond.reasons[0].startswith("ETP copper: P-003 lies apart")


@pytest.mark.parametrize(("count", "state"), [(LEAST_LOTS, "differs"), (LEAST_LOTS - 1, "not_assessed")])
def test_nothing_is_said_of_plants_with_few_lots(count: int, state: str) -> None:
    found = of_supplier(levels(58.0, 59.0, count=count))
    assert found.state == state
    assert (found.groups[0].pairs == ()) is (state == "not_assessed")


def test_lots_beside_a_failed_check_are_marked_and_enter_no_figure() -> None:
    rows = levels(58.0, 58.0)
    spoilt = one_lot("P-001", 99, mean=70.0, support="suspect")
    plant, before = (of_supplier(lots).groups[0].plants[0] for lots in ([*rows, spoilt], rows))
    assert plant.suspect == ("L-099",)
    assert (plant.mean, plant.lots) == (before.mean, before.lots + 1)


def test_lots_read_on_a_meter_that_is_suspended_now_are_marked() -> None:
    rows = [row | {"meters": "EC-01 EC-02" if row["lot"] == "L-003" else "EC-01"} for row in levels(58.0, 59.0)]
    meters = [
        {"site": "P-001", "meter": "EC-02", "state": "suspended"},
        {"site": "P-002", "meter": "EC-02", "state": "overdue"},
    ]
    found = over_plants("supplier", "Ostrovald Copper", company({"lots": rows, "meters": meters}, OSTROVALD).lots)
    assert [plant.on_suspended for plant in found.groups[0].plants] == [("L-003",), ()]
    assert found.reasons[-1].endswith("1 lot of P-001 read on a meter that is suspended now: look at it first")
    # it stands in the figures all the same: its site supports it
    assert found.groups[0].plants[0].mean == of_supplier(levels(58.0, 59.0)).groups[0].plants[0].mean


@pytest.mark.parametrize("beyond", [False, True])
def test_plants_disagree_from_e_n_of_one_on(beyond: bool) -> None:
    """ISO 13528: |E_n| up to 1 is satisfactory (from memory). Lots without scatter: U of each is 2·u, so E_n = Δ/(2·√2·u)."""
    u = 0.1
    distance = 2 * 2**0.5 * u * (1 + (1e-9 if beyond else -1e-9))
    rows = levels(58.0, 58.0 + distance, scatter=0.0, expanded_uncertainty=2 * u)
    assert of_supplier(rows).state == ("differs" if beyond else "agrees")


def test_a_plant_at_another_temperature_and_a_material_nobody_named_are_not_compared() -> None:
    rows = [*levels(58.0, 58.0), *several_lots("P-003", 57.0, reference_temperature_c=25.0)]
    found = of_supplier(rows).groups[0]
    assert [plant.mean is None for plant in found.plants] == [False, False, True]
    assert "another temperature" in found.not_said[0]
    without = of_supplier(levels(58.0, 59.0), {"suppliers": OSTROVALD["suppliers"]})
    assert (without.state, without.groups[0].material) == ("not_assessed", "not stated")


def test_sites_in_other_units_are_read_in_one() -> None:
    """100 %IACS is 58 MS/m (IEC 60028:1925, from memory)."""
    rows = levels(58.0, 58.0)
    there = {"expanded_uncertainty": 0.1 / 0.58, "standard_deviation": 0.05 / 0.58, "unit": "%IACS"}
    iacs = [row | there | {"mean": row["mean"] / 0.58} if row["site"] == "P-002" else row for row in rows]
    plain, other = (of_supplier(lots).groups[0] for lots in (rows, iacs))
    assert other.mean == pytest.approx(plain.mean, rel=1e-12)
    assert other.pairs[0].e_n == pytest.approx(plain.pairs[0].e_n, rel=1e-9)


def test_an_unknown_supplier_is_told_with_the_nearest() -> None:
    lots = company({"lots": levels(58.0)}, OSTROVALD).lots
    with pytest.raises(UsageError, match="did you mean 'Ostrovald Copper'"):
        over_plants("supplier", "Ostrovald Coper", lots)
    assert names_over_plants("supplier", lots, sites=2) == []


# -- travellers ----------------------------------------------------------------------------------------------------


def checks(site: str, level: float, *, count: int = 5, scatter: float = 0.0, **more: Any) -> list[dict[str, Any]]:
    return [
        {"site": site, "check": n, "run": n, "at": START + timedelta(hours=n), "mean": level + scatter * (-1) ** n}
        | more
        for n in range(count)
    ]


BLOCK = same("blocks", "B1", "Lab K-77", SITES) | {"meters": [meter(site) for site in SITES]}
CLAIM = 0.5 / 100 / 3**0.5


@pytest.mark.parametrize("beyond", [False, True])
def test_a_block_divides_sites_from_e_n_of_one_on(beyond: bool) -> None:
    """Two meters that claim 0.5 % of reading, rectangular (JCGM 100:2008, 4.3.7); E_n = 1 where (b − a)² = 4·u²·(a² + b²)."""
    a, c = 58.0, (2 * CLAIM) ** 2
    b = float(max(np.roots([1 - c, -2 * a, a * a * (1 - c)]).real))
    rows = {"checks": [*checks("P-001", a), *checks("P-002", b * (1 + (1e-9 if beyond else -1e-9)))]}
    found = travelled("block", "Lab K-77", company(rows, BLOCK).checks)
    assert found.state == ("differs" if beyond else "agrees")
    assert abs(found.pairs[0].e_n or 0.0) == pytest.approx(1.0, abs=1e-6)


def test_meters_of_one_site_are_not_set_against_one_another() -> None:
    rows = {"checks": [*checks("P-001", 58.0), *checks("P-001", 60.0, meter="EC-02"), *checks("P-002", 58.01)]}
    tables = BLOCK | {"meters": [*BLOCK["meters"], meter("P-001", "EC-02", serial="9")]}
    found = travelled("block", "Lab K-77", company(rows, tables).checks)
    pairs = {(one.first, one.second) for one in found.pairs}
    assert pairs == {("P-001/EC-01", "P-002/EC-01"), ("P-001/EC-02", "P-002/EC-01")}
    assert found.comparison is not None
    assert len(found.comparison.meters) == 3


def test_without_an_accuracy_or_a_second_check_there_is_no_e_n() -> None:
    rows = {"checks": [*checks("P-001", 58.0), *checks("P-002", 60.0)]}
    silent = BLOCK | {"meters": [meter("P-001"), meter("P-002", accuracy_percent=None)]}
    found = travelled("block", "Lab K-77", company(rows, silent).checks)
    assert (found.state, found.reasons) == ("not_assessed", ("P-002/EC-01 states no accuracy",))
    once = {"checks": [*checks("P-001", 58.0), *checks("P-002", 60.0, count=1)]}
    assert "one determination" in travelled("block", "Lab K-77", company(once, BLOCK).checks).reasons[0]


def test_checks_at_another_temperature_are_left_out_and_told() -> None:
    rows = {
        "checks": [*checks("P-001", 58.0), *checks("P-002", 58.0), *checks("P-003", 56.9, reference_temperature_c=25.0)]
    }
    found = travelled("block", "Lab K-77", company(rows, BLOCK).checks)
    assert (found.state, len(found.stays), len(found.pairs)) == ("agrees", 3, 1)
    assert "another temperature" in found.reasons[-1]


def moved(second: dict[str, Any], tables: dict[str, Any] | None = None, *, level: float = 58.6) -> Any:
    handed = START + timedelta(days=10)
    there = checks("P-002", level, meter="EC-09", **second)
    later = [row | {"at": row["at"] + timedelta(days=10), "phase": handed} for row in there]
    meters = [meter("P-001", serial="7", valid_to=handed), meter("P-002", "EC-09", serial="7", valid_from=handed)]
    found = company({"checks": [*checks("P-001", 58.0), *later]}, {"meters": meters} | (tables or {}))
    return travelled("meter", "7", found.checks)


def test_a_meter_that_moved_is_compared_by_its_bias() -> None:
    on_one = moved({}, same("blocks", "B1", "Lab K-77", SITES))
    assert on_one.name == "Ostrel 7"
    assert [stay.site for stay in on_one.stays] == ["P-001", "P-002"]
    assert on_one.pairs[0].difference == pytest.approx(-0.6)
    # on two blocks what both certificates leave counts, too
    on_two = moved({"block": "B7"})
    own = np.sqrt((CLAIM * 58.0) ** 2 + (CLAIM * 58.6) ** 2 + 2 * 0.05**2)
    assert on_two.pairs[0].e_n == pytest.approx(-0.6 / (2 * own))
    assert abs(on_two.pairs[0].e_n) < abs(on_one.pairs[0].e_n)


@pytest.mark.parametrize(("share", "compared"), [(NEAR * 0.999, True), (NEAR * 1.001, False)])
def test_bias_at_another_level_is_not_compared(share: float, compared: bool) -> None:
    value = 58.0 * (1 + share)
    found = moved({"block": "B7", "certified_value": value}, level=value)
    assert bool(found.pairs) is compared
    assert found.state == ("agrees" if compared else "not_assessed")


def test_bias_at_another_frequency_is_not_compared() -> None:
    assert moved({"frequency_khz": 60.0}).pairs == ()


def test_the_checks_before_a_setting_are_another_phase() -> None:
    again = START + timedelta(hours=2.5)
    rows = [row | ({"phase": again} if row["at"] > again else {"mean": 61.0}) for row in checks("P-001", 58.0)]
    found = travelled("block", "Lab K-77", company({"checks": [*rows, *checks("P-002", 58.0)]}, BLOCK).checks)
    assert [(stay.checks, stay.mean) for stay in found.stays] == [(2, 58.0), (5, 58.0)]


def test_a_serial_number_of_two_makers_needs_the_maker() -> None:
    rows = {"checks": [*checks("P-001", 58.0), *checks("P-002", 58.0)]}
    found = company(rows, {"meters": [meter("P-001", serial="7"), meter("P-002", serial="7", maker="Other")]}).checks
    with pytest.raises(UsageError, match="Ostrel 7, Other 7"):
        travelled("meter", "7", found)
    assert travelled("meter", "Other 7", found).stays[0].site == "P-002"
    with pytest.raises(UsageError, match="--unmapped"):
        travelled("block", "Lab K-77", found)
    assert travellers("meter", found) == []


# -- the month -----------------------------------------------------------------------------------------------------

MONTH = (START.replace(day=1, hour=0), START.replace(month=7, day=1, hour=0))


def review(rows: dict[str, list[dict[str, Any]]], of: pl.DataFrame | None = None, hours: float = 24.0) -> Any:
    whole = together(heads(*SITES) if of is None else of, company_tables(**rows), names())
    return company_review(whole, "2026-06", *MONTH, program="1.0", silent_after_hours=hours)


@pytest.mark.parametrize(("hours", "silent"), [(24.0, False), (23.99, True)])
def test_a_site_is_silent_where_its_package_is_older_than_the_latest_by_more(hours: float, silent: bool) -> None:
    of = pl.concat([heads("P-001"), heads("P-002", made_at=START + timedelta(days=30), program="0.9")])
    found = review({}, of, hours)
    assert [site.silent for site in found.sites] == [silent, False]
    assert [site.other_version for site in found.sites] == [False, True]


def test_the_month_names_heads_meters_events_and_rejected_lots() -> None:
    last, first = MONTH[1] - timedelta(microseconds=1), MONTH[0]
    at = {"in": first, "last": last, "before": first - timedelta(microseconds=1), "after": MONTH[1]}
    rows = {
        "lots": [
            one_lot("P-001", 1, verdict="reject") | {"last_at": when, "first_at": when, "lot": lot}
            for lot, when in at.items()
        ],
        "meters": [{"site": "P-001", "open_events": 2, "state": "suspended", "reason": "failed"}, {"site": "P-002"}],
    }
    found = review(rows)
    assert [lot.lot for lot in found.rejected] == ["P-001/in", "P-001/last"]
    assert found.lots == {"accept": 0, "hold": 0, "reject": 2, "not_assessed": 0}
    assert [(m.meter, m.state) for m in found.meters] == [("P-001/EC-01", "suspended")]
    assert found.open_events == {"P-001": 2}
    assert [(head.site, head.number) for head in found.sites] == [(site, 3) for site in SITES]


def test_a_revision_follows_from_heads_names_and_program_alone() -> None:
    base, table = heads(*SITES), names()
    same_ones = {revision_of(base[list(order)], table, "1.0") for order in permutations(range(3))}
    assert len(same_ones) == 1
    late = base.with_columns(pl.when(pl.col("site") == "P-002").then(4).otherwise("number").alias("number"))
    others = {
        revision_of(late, table, "1.0"),
        revision_of(base, table, "1.1"),
        revision_of(base, names(**OSTROVALD), "1.0"),
    }
    assert len(others | same_ones) == 4
    before, after = review({}, base), review({}, late)
    assert before.revision != after.revision
    assert changed_since(as_json(before), after) == ("P-002: package 4 where it was 3",)
    assert changed_since(as_json(before), review({}, base[:2])) == ("P-003 is gone",)
    assert changed_since(as_json(before), before) == ("tables of names of the company",)


@settings(max_examples=25, deadline=None)
@given(
    order=st.permutations(SITES), counts=st.lists(st.integers(0, 12), min_size=3, max_size=3), seed=st.integers(0, 99)
)
def test_the_union_is_the_sum_of_its_sites_in_any_order(order: list[str], counts: list[int], seed: int) -> None:
    """What is counted adds up site by site, and the order in which sites come leaves no trace, to the last bit."""
    lots = {site: several_lots(site, 58.0, n, seed=seed) for site, n in zip(SITES, counts, strict=True)}
    blocks = {site: checks(site, 58.0 + n / 10, scatter=0.01 * seed) for n, site in enumerate(SITES)}
    tables = OSTROVALD | BLOCK

    def of(*sites: str) -> Company:
        rows = company_tables(
            [x for s in sites for x in lots[s]], [x for s in sites for x in blocks[s]], [{"site": s} for s in sites]
        )
        return together(heads(*SITES).filter(pl.col("site").is_in(sites)), rows, names(**tables))

    usual, other, alone = of(*SITES), of(*order), [of(site) for site in SITES]
    for part in ("lots", "checks", "meters"):
        assert getattr(usual, part).equals(getattr(other, part))
        assert getattr(usual, part).height == sum(getattr(one, part).height for one in alone)
    first, second, *each = (
        company_review(one, "2026-06", *MONTH, program="1.0", silent_after_hours=24.0) for one in (usual, other, *alone)
    )
    assert as_json(first) == as_json(second)
    assert first.lots == {verdict: sum(one.lots[verdict] for one in each) for verdict in first.lots}


# -- charts --------------------------------------------------------------------------------------------------------


def chart_of(html: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json"[^>]*>(\{"domain".*?\})</script>', html)
    assert found is not None
    return dict(json.loads(found[1]))


def test_a_level_is_drawn_with_what_its_lots_and_its_meters_leave() -> None:
    group = of_supplier(levels(58.0, 58.0, 59.0)).groups[0]
    for plant in group.plants:
        n, s, own = plant.lots, plant.standard_deviation, plant.own_standard_uncertainty
        low, high = stats.t.interval(0.95, n - 1, loc=plant.mean, scale=s / np.sqrt(n))
        assert plant.mean_interval == pytest.approx((low, high))
        assert plant.expanded_uncertainty == pytest.approx(2 * np.sqrt(s**2 / n + own**2))
    # En is the difference in terms of both (ISO 13528:2022, 9.7; from memory)
    first, third = group.plants[0], group.plants[2]
    (pair,) = (one for one in group.pairs if (one.first, one.second) == ("P-001", "P-003"))
    together_u = np.hypot(first.expanded_uncertainty, third.expanded_uncertainty)
    assert pair.e_n == pytest.approx((first.mean - third.mean) / together_u)
    html = str(levels_chart(group, 0, Numbered()))
    drawn = chart_of(html)
    assert [x for x, _ in drawn["points"]] == sorted(round(plant.mean, 5) for plant in group.plants)
    assert drawn["said"][-1] == "P-003"
    # all differ from P-003, which differs from all
    assert html.count('href="#mark-signal"') == 3
    assert 'href="#table-plants-0"' in html


def test_a_plant_without_a_level_is_not_drawn() -> None:
    few = [*levels(58.0, 58.1), *several_lots("P-003", 58.0, LEAST_LOTS - 1)]
    group = of_supplier(few).groups[0]
    assert len(chart_of(str(levels_chart(group, 0, Numbered())))["points"]) == 2
    assert levels_chart(replace(group, plants=group.plants[1:]), 0, Numbered()) == ""


def pair_of(first: str, second: str, e_n: float | None) -> MeterDifference:
    return MeterDifference(first, second, 0.1, None, None, None, e_n, None, "checks")


def test_each_row_shows_what_it_reads_against_the_others() -> None:
    pairs = [pair_of("A", "B", 0.5), pair_of("A", "C", -1.01), pair_of("B", "C", None)]
    html = str(e_n_chart(pairs, Numbered()))
    drawn = chart_of(html)
    # C, which reads most, on top; each pair stands in both rows, with its sign
    assert drawn["points"] == [[-0.5, 1], [0.5, 2], [-1.01, 2], [1.01, 3]]
    assert drawn["said"][-1] == "C against A"
    assert (html.count('href="#mark-signal"'), html.count('href="#mark-plain"')) == (2, 2)
    assert str(e_n_chart([pair_of("A", "B", 1.0), *pairs[1:]], Numbered())).count('href="#mark-signal"') == 2
    assert e_n_chart(pairs[:1], Numbered()) == ""


def test_of_many_those_furthest_out_are_drawn() -> None:
    pairs = [pair_of("A", f"B{n:02}", -n / 10) for n in range(40)]
    html = str(e_n_chart(pairs, Numbered()))
    assert "30 of 41 are drawn" in html
    said = chart_of(html)["said"]
    assert "B39 against A" in said
    assert "B01 against A" not in said
