"""What is said of blocks and meters that travel. Invented unless a source is named."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from sample_company import START, same
from union_rows import BLOCK, SITES, checks, company, meter

from pipeline.centre.union.travellers import NEAR, travelled, travellers
from pipeline.errors import UsageError

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
    # the means on the block, and not what they are off its certificate
    assert [(one.meter, one.mean) for one in found.comparison.meters] == [
        ("P-001/EC-01", pytest.approx(58.0)), ("P-001/EC-02", pytest.approx(60.0)), ("P-002/EC-01", pytest.approx(58.01)),
    ]  # fmt: skip


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
