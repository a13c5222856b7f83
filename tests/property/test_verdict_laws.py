"""The unit of an export changes no verdict, through the whole assessment, with limits that are hit exactly."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st
from scenario import Scenario, at

repeatable = settings(derandomize=True, deadline=None, max_examples=12)

ONE_PERCENT = Decimal("0.58")
"""MS/m in one %IACS (IEC 60028:1925)."""

limits = st.sampled_from([("98.5", "101.5"), ("99", None), (None, "100.25"), ("99.95", "100.05")])
offsets = st.lists(
    st.sampled_from(["-0.11", "-0.05", "-0.01", "0", "0", "0.01", "0.05", "0.11"]), min_size=2, max_size=6
)


def in_unit(percent: Decimal, unit: str) -> float:
    return float(percent if unit == "%IACS" else percent * ONE_PERCENT)


@repeatable
@given(
    limits,
    offsets,
    st.sampled_from(["none", "half_up:1", "half_even:1", "half_up:2"]),
    st.sampled_from(["simple", "guarded"]),
    st.sampled_from(["spot", "part", "lot_mean"]),
    st.booleans(),
)
def test_the_unit_of_an_export_changes_no_verdict_with_limits_hit_exactly(
    limited: tuple[str | None, str | None], around: list[str], rounding: str, rule: str, by: str, low: bool
) -> None:
    lower, upper = (None if limit is None else Decimal(limit) for limit in limited)
    edge = lower if (low and lower is not None) or upper is None else upper
    assert edge is not None
    found = set()
    for unit_of_limits in ("%IACS", "MS/m"):
        ends = ["" if limit is None else repr(in_unit(limit, unit_of_limits)) for limit in (lower, upper)]
        # rounding belongs to the unit of the limits, so each unit of limits is compared with itself
        verdicts = set()
        for unit in ("%IACS", "MS/m"):
            head = "specification,material,lower,upper,unit,rounding,decision_rule,conforms_by\n"
            text = f"S,copper,{ends[0]},{ends[1]},{unit_of_limits},{rounding},{rule},{by}\n"
            scenario = Scenario(specifications=head + text).check("08:00")
            for i, offset in enumerate(around):
                # two repeats that lie as far above as below: their mean falls on the grid only in exact arithmetic
                for sign in (1, -1):
                    value = edge + Decimal(offset) + sign * Decimal("0.03")
                    moment = at("09:00") + timedelta(seconds=20 * i + sign)
                    scenario.reading(moment, in_unit(value, unit), unit=unit, lot="L1", part=str(i), spot="1")
            result = scenario.check("10:00").assess().lots["L1"]
            verdicts.add((result.verdict, result.limits_met))
        assert len(verdicts) == 1, (unit_of_limits, verdicts)
        found |= verdicts
    if rounding == "none":
        assert len(found) == 1, found
