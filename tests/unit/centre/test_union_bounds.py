"""What is said of all sites together, by its bounds: what belongs to it and what just does not, and in which order it stands."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import polars as pl
import pytest
from sample_company import START, company_tables, frame, heads, names, one_lot, same, several_lots
from union_rows import BLOCK, OSTROVALD, SITES, meter

from pipeline.centre.union import travellers as module
from pipeline.centre.union.company import Company, together
from pipeline.centre.union.levels import LEAST_LOTS, disagreeing, disagreements, names_over_plants, over_plants
from pipeline.centre.union.review import changed_since, company_review, revision_of
from pipeline.centre.union.travellers import NEAR, travelled, travellers
from pipeline.centre.union.units import in_one_unit
from pipeline.errors import UsageError
from schemas.blocks import MeterDifference
from schemas.documents import as_json


def company(tables: dict[str, Any], of: list[str] = SITES, **rows: Any) -> Company:
    return together(heads(*of), company_tables(**rows), names(**tables))


def checks(site: str, level: float = 58.0, *, count: int = 5, **more: Any) -> list[dict[str, Any]]:
    return [
        {"site": site, "check": n, "run": n, "at": START + timedelta(hours=n), "mean": level} | more
        for n in range(count)
    ]


def levels(*at: float, count: int = LEAST_LOTS, **more: Any) -> list[dict[str, Any]]:
    return [lot for n, level in enumerate(at) for lot in several_lots(SITES[n], level, count, seed=n, **more)]


# -- plants --------------------------------------------------------------------------------------------------------


def test_suppliers_and_processes_are_listed_by_name_from_so_many_sites_on() -> None:
    rows = [one_lot("P-001", 1, product="rod"), one_lot("P-001", 2, product="bar"), one_lot("P-002", 3, product="bar")]
    tables = OSTROVALD | {
        "products": [{"site": s, "name": n, "company_name": f"the {n}"} for s in SITES for n in ("rod", "bar")]
    }
    lots = company(tables, lots=[*rows, one_lot("P-003", 4, supplier="nobody", product="tube")]).lots
    assert names_over_plants("process", lots) == ["the bar", "the rod"]
    assert [names_over_plants("process", lots, sites=n) for n in (1, 2, 3)] == [["the bar", "the rod"], ["the bar"], []]
    assert names_over_plants("supplier", lots) == ["Ostrovald Copper"]
    made = over_plants("process", "the rod", lots)
    assert (made.kind, made.name, [plant.lots for plant in made.groups[0].plants]) == ("process", "the rod", [1])
    with pytest.raises(UsageError, match="Known: the bar, the rod; 'annealog centre names --unmapped'"):
        over_plants("process", "tube", lots)
    with pytest.raises(UsageError, match="Known: none;"):
        over_plants("supplier", "Ostrovald Copper", lots[:0])


def test_a_plant_is_told_with_the_median_of_what_its_lots_leave_each_at_its_own_coverage() -> None:
    rows = levels(58.0, 58.0)
    stated = [(0.1, 2.0), (0.3, 3.0), (0.2, 2.0), (0.9, 2.0), (0.04, 2.0), (0.06, 2.0), (0.4, 2.0), (0.8, 2.0)]
    given = [row | {"expanded_uncertainty": u, "k": k} for row, (u, k) in zip(rows[:8], stated, strict=True)]
    plant = (
        over_plants("supplier", "Ostrovald Copper", company(OSTROVALD, lots=[*given, *rows[8:]]).lots)
        .groups[0]
        .plants[0]
    )
    # 0.02, 0.03, 0.05, 0.1, 0.1, 0.2, 0.4, 0.45
    assert plant.own_standard_uncertainty == pytest.approx(0.1)
    s = pl.Series([row["mean"] for row in rows[:8]]).std()
    assert plant.standard_deviation == pytest.approx(s)
    # k = 2 (JCGM 100:2008, 6.2.1) of the standard deviation of the mean (4.2.3) and of what the lots leave in common
    assert plant.expanded_uncertainty == pytest.approx(2 * (s**2 / 8 + 0.1**2) ** 0.5)
    silent = [row | {"expanded_uncertainty": None} for row in rows[:8]]
    plant = over_plants("supplier", "Ostrovald Copper", company(OSTROVALD, lots=silent).lots).groups[0].plants[0]
    assert (plant.own_standard_uncertainty, plant.expanded_uncertainty) == (None, None)
    assert plant.standard_deviation == pytest.approx(s)


def test_why_nothing_is_said_stands_first_and_of_each_plant_after_it() -> None:
    few = over_plants("supplier", "Ostrovald Copper", company(OSTROVALD, lots=[*levels(58.0, 58.0)[:9]]).lots)
    assert few.groups[0].not_said == (
        "fewer than two plants have enough lots to be compared",
        "P-002 has 1 lot that can be relied on, 8 are needed",
    )
    assert (few.state, few.reasons) == (
        "not_assessed",
        ("ETP copper: fewer than two plants have enough lots to be compared",),
    )
    assert few.groups[0].least_lots == LEAST_LOTS == 8
    unnamed = over_plants(
        "supplier", "Ostrovald Copper", company({"suppliers": OSTROVALD["suppliers"]}, lots=levels(58.0, 59.0)).lots
    )
    assert unnamed.groups[0].not_said == ("the company knows no material for these lots, so they may be of several",)
    both = over_plants(
        "supplier", "Ostrovald Copper", company({"suppliers": OSTROVALD["suppliers"]}, lots=levels(58.0)[:1]).lots
    )
    assert [said.partition(" ")[0] for said in both.groups[0].not_said] == ["the", "P-001"]
    assert (unnamed.groups[0].pairs, unnamed.groups[0].mean, unnamed.groups[0].h_limit) == ((), None, None)
    alone = over_plants("supplier", "Ostrovald Copper", company(OSTROVALD, lots=levels(58.0)).lots)
    assert (alone.state, alone.groups[0].pairs) == ("not_assessed", ())


def test_a_suspended_meter_is_named_where_its_plant_disagrees_and_nowhere_else() -> None:
    rows = [row | {"meters": "EC-02"} for row in levels(58.0, 58.0, 59.5)]
    meters = [{"site": site, "meter": "EC-02", "state": "suspended"} for site in ("P-001", "P-003")]
    differing = over_plants("supplier", "Ostrovald Copper", company(OSTROVALD, lots=rows, meters=meters).lots)
    said = [one for one in differing.reasons if "suspended" in one]
    assert [re.findall(r"P-\d+", one) for one in said] == [["P-001"], ["P-003"]]
    assert said[0].endswith("8 lots of P-001 read on a meter that is suspended now: look at it first")
    quiet = [row | {"meters": "EC-02"} for row in levels(58.0, 58.0)]
    agreeing = over_plants("supplier", "Ostrovald Copper", company(OSTROVALD, lots=quiet, meters=meters).lots)
    assert len(agreeing.groups[0].plants[0].on_suspended) == 8
    assert agreeing.reasons == ("ETP copper: 2 plants agree",)


def test_lots_that_state_no_temperature_say_nothing_of_what_is_usual() -> None:
    rows = [
        row | ({} if row["site"] == "P-001" else {"reference_temperature_c": None}) for row in levels(58.0, 58.0, 58.0)
    ]
    found = over_plants("supplier", "Ostrovald Copper", company(OSTROVALD, lots=rows).lots)
    assert [plant.mean is None for plant in found.groups[0].plants] == [False, True, True]
    assert found.groups[0].not_said[1:] == tuple(
        f"{site} states its values at another temperature than most, 20 °C" for site in ("P-002", "P-003")
    )


def test_lots_without_scatter_leave_nothing_within_plants() -> None:
    found = over_plants(
        "supplier", "Ostrovald Copper", company(OSTROVALD, lots=levels(58.0, 58.1, 58.3, scatter=0.0)).lots
    )
    assert found.groups[0].within_standard_deviation == 0.0
    assert found.groups[0].between_standard_deviation == pytest.approx(pl.Series([58.0, 58.1, 58.3]).std())


def test_pairs_that_disagree_are_told_the_worst_first() -> None:
    def pair(first: str, e_n: float | None) -> MeterDifference:
        return MeterDifference(first, "x", 1.0, None, None, None, e_n, None, "lots")

    said = disagreements([pair("a", 1.5), pair("b", -3.0), pair("c", None), pair("d", 2.0), pair("e", 1.0)])
    assert [one.partition(" ")[0] for one in said] == ["b", "d", "a"]
    assert said[0] == "b and x differ by +1 MS/m (Eₙ -3.00)"


def test_both_of_a_pair_disagree_and_only_beyond_one() -> None:
    def pair(first: str, second: str, e_n: float | None) -> MeterDifference:
        return MeterDifference(first, second, 1.0, None, None, None, e_n, None, "lots")

    assert disagreeing([pair("a", "b", 1.01), pair("c", "d", -1.01), pair("e", "f", 1.0), pair("g", "h", None)]) == set(
        "abcd"
    )


# -- travellers ----------------------------------------------------------------------------------------------------


def test_what_two_sites_have_checks_of_travels_and_is_listed_by_name() -> None:
    rows = [
        *checks("P-001", block="B2"),
        *checks("P-002", 58.1, block="B2"),
        *checks("P-001"),
        *checks("P-002", 58.1),
        *checks("P-001", block="B3"),
    ]
    tables = {
        "blocks": [
            {"site": s, "name": n, "company_name": f"K-{9 - int(n[1])}"} for s in SITES for n in ("B1", "B2", "B3")
        ],
        "meters": [meter(site, serial="7") for site in SITES],
    }
    found = company(tables, checks=rows).checks
    assert travellers("block", found) == ["K-7", "K-8"]
    assert travellers("meter", found) == ["Ostrel 7"]
    with pytest.raises(UsageError) as caught:
        travelled("block", "7", found)  # a serial number is none of a block
    assert str(caught.value).startswith(
        "No check of block '7' was found under that name of the company. Known: K-6, K-7, K-8; "
    )
    with pytest.raises(
        UsageError, match=r"No check of meter '9' was found under that name of the company. Known: Ostrel 7; "
    ):
        travelled("meter", "9", found)
    # blocks that no table names are not the same for having none
    unnamed = company({"meters": tables["meters"]}, checks=rows).checks
    assert (travellers("block", unnamed), travellers("meter", unnamed)) == ([], ["Ostrel 7"])
    assert travelled("block", "K-6", found).reasons == ("Fewer than two sites have checks that can be compared",)


def test_makers_of_one_serial_number_are_listed_by_name() -> None:
    rows = [*checks("P-001"), *checks("P-002")]
    found = company(
        {"meters": [meter("P-001", serial="7", maker="Zeta"), meter("P-002", serial="7")]}, checks=rows
    ).checks
    with pytest.raises(UsageError, match=r"'7' is that of several makers: Ostrel 7, Zeta 7. Give maker and number."):
        travelled("meter", "7", found)
    assert travelled("meter", "Zeta 7", found).stays[0].site == "P-001"


def test_a_stay_tells_from_when_to_when_with_what_the_meter_claims_now_and_where_copies_lie() -> None:
    later = START + timedelta(hours=3)
    tables = BLOCK | {
        "meters": [meter("P-001", serial="7", accuracy_percent=2.0, valid_to=later), meter("P-001", serial="7", valid_from=later),
                   meter("P-003", serial="7"), meter("P-002")]
    }  # fmt: skip
    found = company(tables, checks=[*checks("P-001"), *checks("P-003", count=2), *checks("P-002", 58.1)]).checks
    result = travelled("block", "Lab K-77", found)
    first = result.stays[0]
    assert (first.site, first.first_at, first.last_at, first.checks) == ("P-001", START, START + timedelta(hours=4), 5)
    assert (first.also_at, first.instrument, first.probe, first.frequency_khz) == (("P-003",), "Ostrel 7", None, None)
    assert first.own_standard_uncertainty == pytest.approx(0.005 * 58.0 / 3**0.5)
    assert (first.mean, first.bias, first.standard_deviation) == (58.0, 0.0, 0.0)
    assert {pair.basis for pair in result.pairs} == {"checks"}
    assert result.reasons == ("No pair of sites differs by more than both claim (1 compared)",)


def test_at_one_moment_the_phase_that_has_begun_is_the_last_one() -> None:
    rows = [*checks("P-001", count=1, mean=61.0), *checks("P-001", count=1, phase=START, check=9), *checks("P-002")]
    found = travelled("block", "Lab K-77", company(BLOCK, checks=rows).checks)
    assert [(stay.checks, stay.mean) for stay in found.stays] == [(1, 58.0), (5, 58.0)]


def test_of_as_many_checks_at_two_temperatures_the_lower_counts() -> None:
    rows = [
        *checks("P-001", reference_temperature_c=25.0),
        *checks("P-002"),
        *checks("P-003", reference_temperature_c=30.0),
    ]
    found = travelled("block", "Lab K-77", company(BLOCK, checks=rows).checks)
    assert found.reasons[-1] == "2 series at another temperature than 20 °C are left out"
    assert (found.pairs, len(found.stays), found.state) == ((), 3, "not_assessed")


def test_what_keeps_pairs_from_being_judged_is_said_once_each_in_order() -> None:
    sites = [f"P-00{n}" for n in range(1, 8)]
    silent = same("blocks", "B1", "Lab K-77", sites) | {
        "meters": [meter(site, accuracy_percent=None) for site in sites]
    }
    rows = [row for site in sites[::-1] for row in checks(site)]
    found = travelled("block", "Lab K-77", company(silent, sites, checks=rows).checks)
    assert list(found.reasons) == sorted(set(found.reasons))
    assert len(found.reasons) >= 6
    assert all("states no accuracy" in reason for reason in found.reasons)


ONE = {"site": "A", "meter": "M", "block": "B", "probe": "P", "frequency_khz": 60.0}


@pytest.mark.parametrize(
    ("rows", "kind", "labels"),
    [
        ([ONE], "block", ["A/M"]), ([ONE], "meter", ["A/M on B"]), ([ONE, ONE | {"site": "C"}], "block", ["A/M", "C/M"]),
        ([ONE, ONE | {"frequency_khz": 120.5}], "block", ["A/M, 60 kHz", "A/M, 120.5 kHz"]),
        ([ONE, ONE | {"frequency_khz": None}], "block", ["A/M, 60 kHz", "A/M"]),
        ([ONE, ONE | {"probe": "Q"}], "block", ["A/M, 60 kHz, probe P", "A/M, 60 kHz, probe Q"]),
        ([ONE | {"frequency_khz": None}, ONE | {"frequency_khz": None, "probe": None}], "block", ["A/M, probe P", "A/M"]),
        ([ONE, ONE | {"block": "C"}], "block", ["A/M, 60 kHz, probe P, block B", "A/M, 60 kHz, probe P, block C"]),
        ([ONE, ONE | {"block": "C"}], "meter", ["A/M on B", "A/M on C"]),
        ([ONE, ONE | {"probe": "Q"}, ONE | {"site": "C"}], "block", ["A/M, 60 kHz, probe P", "A/M, 60 kHz, probe Q", "C/M"]),
    ],
)  # fmt: skip
def test_series_are_named_by_site_and_meter_and_by_what_else_tells_them_apart(
    rows: Any, kind: str, labels: list[str]
) -> None:
    assert module._labels(rows, kind) == labels


def moved(*series: dict[str, Any]) -> Any:
    tables = same("blocks", "B1", "Lab K-77", SITES) | {"meters": [meter(site, serial="7") for site in SITES]}
    rows = [row for n, given in enumerate(series) for row in checks(**({"level": 58.0 + n / 10} | given))]
    return travelled("meter", "7", company(tables, checks=rows).checks)


def test_a_meter_is_compared_on_the_block_both_have_and_at_its_level_only_where_there_is_none() -> None:
    """B1 is the company's own; B7 and B8 no table names. Certified 58 MS/m; near is a tenth of the lower value."""
    assert NEAR == 0.1
    on_b1 = moved(
        {"site": "P-001"}, {"site": "P-002"}, {"site": "P-001", "block": "B7"}, {"site": "P-002", "block": "B8"}
    )
    assert [(pair.first, pair.second) for pair in on_b1.pairs] == [("P-001/EC-01 on B1", "P-002/EC-01 on B1")]
    assert on_b1.comparison is None
    at_level = moved({"site": "P-001"}, {"site": "P-002", "block": "B7"})
    assert [(pair.first, pair.second) for pair in at_level.pairs] == [("P-001/EC-01 on B1", "P-002/EC-01 on B7")]
    both = moved(
        {"site": "P-001", "frequency_khz": 60.0}, {"site": "P-002", "frequency_khz": 60.0},
        {"site": "P-001", "block": "B7", "frequency_khz": 120.0}, {"site": "P-002", "block": "B8", "frequency_khz": 120.0},
    )  # fmt: skip
    assert [(pair.first, pair.second) for pair in both.pairs] == [
        ("P-001/EC-01 on B1", "P-002/EC-01 on B1"), ("P-001/EC-01 on B7", "P-002/EC-01 on B8"),
    ]  # fmt: skip
    assert moved({"site": "P-001"}, {"site": "P-001", "block": "B7"}).pairs == ()
    # what is not near keeps nobody after it from being compared
    far = moved(
        {"site": "P-001", "block": "B6", "certified_value": 30.0},
        {"site": "P-001", "block": "B7"},
        {"site": "P-002", "block": "B8"},
    )
    assert [(pair.first, pair.second) for pair in far.pairs] == [("P-001/EC-01 on B7", "P-002/EC-01 on B8")]
    unsaid = moved(
        {"site": "P-001", "block": "B7", "certificate_standard_uncertainty": None}, {"site": "P-002", "block": "B8"}
    )
    assert [pair.e_n for pair in unsaid.pairs] == [None]


# -- all sites -----------------------------------------------------------------------------------------------------


def test_frames_stand_in_order_of_site_and_name_and_time_whatever_came_first() -> None:
    rows = [
        {"site": site, "meter": name, "block": block, "at": START + timedelta(hours=hour), "check": hour}
        for site in SITES[:2] for name in ("EC-01", "EC-02") for block in ("B1", "B2") for hour in (1, 2)
    ]  # fmt: skip
    lots = [
        one_lot(site, 1, lot=lot, first_at=START + timedelta(days=day))
        for site in SITES[:2]
        for lot in "ab"
        for day in (1, 2)
    ]
    meters = [{"site": site, "meter": name} for site in SITES[:2] for name in ("EC-01", "EC-02")]
    usual = together(heads(*SITES), company_tables(lots, rows, meters), names())
    turned = together(heads(*SITES)[::-1], company_tables(lots[::-1], rows[::-1], meters[::-1]), names())
    for one in (usual, turned):
        assert one.checks.select("site", "meter", "block", "at").rows() == [
            tuple(row[c] for c in ("site", "meter", "block", "at")) for row in rows
        ]
        assert one.lots.select("site", "lot", "first_at").rows() == [
            tuple(row[c] for c in ("site", "lot", "first_at")) for row in lots
        ]
        assert one.meters.select("site", "meter").rows() == [tuple(row.values()) for row in meters]
        assert one.heads["site"].to_list() == SITES


CHECK = {"site": "P-001", "probe": "P", "frequency_khz": 60.0}


@pytest.mark.parametrize(
    ("changed", "copies"),
    [
        ({}, 1), ({"at": START + timedelta(seconds=1)}, 0), ({"probe": "Q"}, 0), ({"frequency_khz": 61.0}, 0), ({"block": "B2"}, 0),
        ({"readings": 6}, 0), ({"mean": 58.01}, 0), ({"standard_deviation": 0.03}, 0), ({"run": 7}, 1),
    ],
)  # fmt: skip
def test_a_check_is_a_copy_where_slot_and_content_are_the_same(changed: dict[str, Any], copies: int) -> None:
    tables = {"meters": [meter("P-001", serial="7"), meter("P-002", serial="7")], **same("blocks", "B1", "K", SITES)}
    assert (
        company(tables, checks=[{"at": START} | CHECK, {"at": START} | CHECK | {"site": "P-002"} | changed]).copies
        == copies
    )


@pytest.mark.parametrize(
    ("changed", "copies"),
    [
        ({}, 1), ({"lot": "L-002"}, 0), ({"first_at": START}, 0), ({"last_at": START + timedelta(days=9)}, 0), ({"parts": 6}, 0),
        ({"readings": 26}, 0), ({"mean": 58.01}, 0), ({"standard_deviation": 0.06}, 0), ({"verdict": "hold"}, 1),
    ],
)  # fmt: skip
def test_a_lot_is_a_copy_where_slot_and_content_are_the_same(changed: dict[str, Any], copies: int) -> None:
    tables = {"meters": [meter("P-001", serial="7"), meter("P-002", serial="7")]}
    assert company(tables, lots=[one_lot("P-001", 1), one_lot("P-002", 1) | changed]).copies == copies


def test_a_lot_is_of_the_instruments_of_all_its_meters_or_of_none_and_one_suspended_meter_marks_it() -> None:
    tables = {"meters": [meter("P-001", "EC-01", serial="8"), meter("P-001", "EC-02", serial="7")]}
    rows = [one_lot("P-001", n, meters=m) for n, m in enumerate(("EC-01 EC-02", "EC-01 EC-09", "EC-09", "EC-02"))]
    meters = [{"site": "P-001", "meter": "EC-02", "state": "suspended"}, {"site": "P-001", "meter": "EC-01"}]
    found = company(tables, lots=rows, meters=meters).lots
    assert found.select("instrument", "on_suspended").rows() == [
        ("Ostrel 7, Ostrel 8", True), (None, False), (None, False), ("Ostrel 7", True),
    ]  # fmt: skip


def test_checks_of_a_site_in_another_unit_come_in_one_with_all_that_is_stated() -> None:
    """100 %IACS is 58 MS/m (IEC 60028:1925, from memory): a difference or an uncertainty of 1 %IACS is 0.58 MS/m."""
    stated = {
        "mean": 99.0,
        "certified_value": 100.0,
        "standard_deviation": 0.5,
        "certificate_standard_uncertainty": 0.1,
        "bias": -1.0,
        "unit": "%IACS",
    }
    (row,) = company({}, checks=[{"site": "P-001", "at": START} | stated]).checks.to_dicts()
    assert row["unit"] == "MS/m"
    for name in ("mean", "certified_value", "standard_deviation", "certificate_standard_uncertainty", "bias"):
        assert row[name] == pytest.approx(0.58 * stated[name]), name
    kept = frame("checks", {"site": "P-001", "at": START})
    assert in_one_unit(kept, "mean", ("mean",), ("bias",)).equals(kept)
    assert in_one_unit(kept[:0], "mean", ("mean",), ("bias",)).equals(kept[:0])
    # 2.5 uOhm.cm is 40 MS/m; to first order a spread there is taken by -dσ/dρ times it, its size at the level (JCGM 100:2008, 5.1.2)
    there = kept.with_columns(mean=pl.lit(2.5), unit=pl.lit("uOhm.cm"), bias=pl.lit(0.025))
    (turned,) = in_one_unit(there, "mean", ("mean",), ("bias",)).to_dicts()
    assert (turned["mean"], turned["bias"]) == (pytest.approx(40.0), pytest.approx(0.025 * 40.0 / 2.5))


def test_rows_of_several_units_stand_unit_by_unit_as_each_came_first() -> None:
    """What is made of them, a mean say, is the same to the last bit whenever it is asked."""
    units = ["uOhm.cm", "%IACS", "MS/m", "nOhm.m", "Ohm.cm"]
    rows = [{"site": "P-001", "check": n, "unit": unit} for n, unit in enumerate(units * 2)]
    found = in_one_unit(frame("checks", *rows), "mean", ("mean",), ("bias",))
    assert found["check"].to_list() == [n + more for n in range(5) for more in (0, 5)]


# -- the month -----------------------------------------------------------------------------------------------------

MONTH = (START.replace(day=1, hour=0), START.replace(month=7, day=1, hour=0))


def review(whole: Company, hours: float = 24.0, program: str = "1.0") -> Any:
    return company_review(whole, "2026-06", *MONTH, program=program, silent_after_hours=hours)


def test_a_revision_is_twelve_digits_and_the_order_of_a_table_of_names_leaves_it_alone() -> None:
    rows = OSTROVALD["suppliers"]
    usual, turned = (revision_of(heads(*SITES), names(suppliers=some), "1.0") for some in (rows, rows[::-1]))
    assert usual == turned
    other_way = dict(reversed(names(suppliers=rows).items()))
    assert revision_of(heads(*SITES), other_way, "1.0") == usual
    assert re.fullmatch("[0-9A-F]{12}", usual)
    others = {
        usual, revision_of(heads(*SITES, closed=True), names(suppliers=rows), "1.0"), revision_of(heads(*SITES), names(suppliers=rows), "1.0", ("x",)),
        revision_of(heads(*SITES).with_columns(sha256=pl.lit("0" * 64)), names(suppliers=rows), "1.0"),
    }  # fmt: skip
    assert len(others) == 4
    assert review(company({})).revision != review(company({}), hours=25.0).revision


def test_what_changed_since_is_told_site_by_site_in_order_then_who_came_and_went_and_the_program() -> None:
    gone, came = [f"P-{n}" for n in range(100, 106)], [f"P-{n}" for n in range(200, 206)]
    before = as_json(review(together(heads(*SITES, *gone), company_tables(), names())))
    now = heads(*came[::-1], *SITES).with_columns(
        number=pl.when(pl.col("site").is_in(["P-002", "P-003"])).then(4).otherwise("number"),
        sha256=pl.when(pl.col("site") == "P-001").then(pl.lit(before["sites"][0]["sha256"])).otherwise("sha256"),
    )
    after = review(together(now, company_tables(), names()), program="1.1")
    assert changed_since(before, after) == (
        "P-002: package 4 where it was 3",
        "P-003: package 4 where it was 3",
        *(f"{site} came in" for site in came),
        *(f"{site} is gone" for site in gone),
        "program 1.1 where it was 1.0",
    )


def test_a_closed_site_is_neither_silent_nor_behind() -> None:
    old = {"made_at": START, "program": "0.9"}
    of = pl.concat([heads("P-001"), heads("P-002", **old), heads("P-003", **old, closed=True)])
    found = review(together(of, company_tables(), names()))
    assert [(site.silent, site.other_version) for site in found.sites] == [(False, False), (True, True), (False, False)]


def test_the_month_names_what_waits_and_who_differs_and_nobody_else() -> None:
    last = MONTH[1] - timedelta(microseconds=1)
    meters = [
        {"site": "P-002", "meter": "EC-02", "state": "overdue", "reason": None, "open_events": 1}, {"site": "P-002", "state": "fit", "open_events": 2},
        {"site": "P-001", "state": "suspended", "reason": "failed"}, {"site": "P-003", "state": "not_assessed"},
    ]  # fmt: skip
    lots = [
        *levels(58.0, 59.5),
        *(lot | {"supplier": "Brimhavel"} for lot in levels(58.0, 58.0)),
        one_lot("P-003", 90, verdict="reject", supplier="another", reason=None, last_at=last), one_lot("P-003", 80, verdict="reject", reason="low"),
    ]  # fmt: skip
    tables = {
        "suppliers": OSTROVALD["suppliers"] + same("suppliers", "Brimhavel", "Brimhavel Rolling", SITES)["suppliers"], "materials": OSTROVALD["materials"],
        "blocks": [{"site": s, "name": n, "company_name": f"K-{n}"} for s in SITES for n in ("B1", "B2")],
        "meters": [meter(s, n, serial=n) for s in SITES for n in ("EC-01", "EC-02")],
    }  # fmt: skip
    rows = [
        *checks("P-001"),
        *checks("P-002", 59.9),
        *checks("P-001", meter="EC-02", block="B2"),
        *checks("P-002", meter="EC-02", block="B2", check=8, mean=58.001),
    ]
    found = review(company(tables, lots=lots, meters=meters, checks=rows))
    assert [one.name for one in found.suppliers] == ["Ostrovald Copper"]
    assert [one.name for one in found.blocks] == ["K-B1"]
    assert [one.name for one in found.travelled_meters] == ["Ostrel EC-01"]
    assert [(one.meter, one.state, one.reason, one.open_events) for one in found.meters] == [
        ("P-001/EC-01", "suspended", "failed", 0), ("P-002/EC-02", "overdue", "", 1),
    ]  # fmt: skip
    assert found.open_events == {"P-002": 3}
    assert [(one.lot, one.supplier, one.reason) for one in found.rejected] == [
        ("P-003/L-080", "Ostrovald Copper", "low"), ("P-003/L-090", "another", ""),
    ]  # fmt: skip


def test_sites_whose_events_are_open_stand_by_name_with_how_many_from_one_on() -> None:
    sites = [f"P-{n:03}" for n in range(30)]
    meters = [{"site": site, "open_events": n % 3} for n, site in enumerate(sites)]
    found = review(together(heads(*sites), company_tables(meters=meters[::-1]), names())).open_events
    assert list(found.items()) == [(site, n % 3) for n, site in enumerate(sites) if n % 3]


@pytest.mark.parametrize(
    ("at", "blocks", "suppliers"), [(MONTH[1], 0, 0), (MONTH[1] - timedelta(microseconds=1), 1, 1)]
)
def test_checks_and_lots_after_the_month_enter_nothing(at: Any, blocks: int, suppliers: int) -> None:
    rows = [
        *checks("P-001"),
        *({**row, "at": at - timedelta(microseconds=4 - n)} for n, row in enumerate(checks("P-002", 59.9, count=5))),
    ]
    rows = [row | ({"at": at} if row["site"] == "P-002" else {}) for row in rows]
    lots = [row | ({"last_at": at} if row["site"] == "P-002" else {}) for row in levels(58.0, 59.5)]
    found = review(company(OSTROVALD | BLOCK, lots=lots, checks=rows))
    assert (len(found.blocks), len(found.suppliers)) == (blocks, suppliers)
