"""What is said of a supplier or a process over all plants. Invented unless a source is named."""

from __future__ import annotations

import numpy as np
import pytest
from sample_company import one_lot, several_lots
from scipy import stats
from union_rows import OSTROVALD, SITES, company, levels, of_supplier

from pipeline.centre.union.levels import LEAST_LOTS, apart, disagreements, names_over_plants, over_plants
from pipeline.errors import UsageError
from schemas.blocks import MeterDifference


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
