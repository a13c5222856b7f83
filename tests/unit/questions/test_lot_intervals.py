"""Intervals of a lot's parts and the index about a target: where they are stated, and when they are not. Invented numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from parsed_pages import Parsed
from sample_details import SPECIFICATION, with_detail
from sample_lots import lot_page

import reports
from pipeline.cli.lot_lines import detail_lines
from pipeline.cli.output import Shown
from pipeline.questions.lot_detail.capability import capability_detail
from pipeline.statistics.normality import anderson_darling
from schemas.documents import as_json

if TYPE_CHECKING:
    from schemas.lot_detail import IntervalsDetail
    from schemas.results import LotPage

TARGET = {**SPECIFICATION, "target": 58.4}


def of(page: LotPage) -> IntervalsDetail:
    assert page.detail is not None
    return page.detail.capability.intervals


def steady(parts: int = 20, **given: Any) -> LotPage:
    return lot_page("L-1", parts=parts, scatter=0.05, **given)


def test_a_steady_lot_has_its_intervals_and_cpm_on_the_page_and_in_the_data() -> None:
    page = with_detail(steady(), specifications=(TARGET,))
    found, result = of(page), page.result
    assert found.not_computable == {}
    assert result.mean is not None
    assert found.mean_interval is not None
    assert found.mean_interval[0] < result.mean < found.mean_interval[1]
    assert found.tolerance_lower is not None
    assert found.tolerance_upper is not None
    assert found.tolerance_lower < found.mean_interval[0] < found.mean_interval[1] < found.tolerance_upper
    assert found.cpm is not None
    assert result.pp is not None
    assert as_json(page)["detail"]["capability"]["intervals"]["target"] == 58.4
    text = Parsed(reports.render(page)).text
    for said in ("t interval, 95 %, n = 20", "ISO 16269-6, n = 20", "Cpm", "about the target, 58.4"):
        assert said in text, said


def test_without_a_target_everything_but_cpm_is_stated() -> None:
    page = with_detail(steady())
    assert of(page).not_computable == {"cpm": "the specification gives no target"}
    assert "not stated: the specification gives no target" in Parsed(reports.render(page)).text


@pytest.mark.parametrize("target", [57.5, 59.5, 60.0])
def test_a_target_on_a_limit_or_beyond_gives_no_cpm(target: float) -> None:
    found = of(with_detail(steady(), specifications=({**SPECIFICATION, "target": target},)))
    assert found.cpm is None
    assert found.not_computable["cpm"] == "the target does not lie between the limits"


def test_one_limit_bounds_one_side() -> None:
    found = of(with_detail(steady(upper=None), specifications=(TARGET,)))
    assert found.tolerance_lower is not None
    assert found.tolerance_upper is None
    assert found.not_computable == {"cpm": "this index needs two limits"}
    page = with_detail(steady(lower=None))
    assert of(page).tolerance_lower is None
    assert "of such parts lie below" in Parsed(reports.render(page)).text


def test_an_unstable_lot_has_none_of_them() -> None:
    rising = {(i, j): 0.05 * i for i in range(20) for j in range(3)}
    page = with_detail(steady(shift=rising), specifications=(TARGET,))
    found = of(page)
    assert (found.mean_interval, found.tolerance_lower, found.cpm) == (None, None, None)
    assert len(set(found.not_computable.values())) == 1
    assert "do not come from one stable process" in found.not_computable["cpm"]
    assert "A tolerance interval of the parts is not stated: the parts" in Parsed(reports.render(page)).text


def test_parts_that_are_not_normal_keep_the_mean_and_lose_the_rest() -> None:
    page = steady(30)
    rng = np.random.default_rng(2)
    skewed = 58.0 + 0.1 * rng.exponential(size=30)
    detail = capability_detail(
        page.result, skewed, [str(i) for i in range(30)], 1, shape=anderson_darling(skewed), mixed=False, target=58.4
    )
    assert detail.normality.normal is False
    assert detail.headline
    assert detail.intervals.mean_interval is not None
    assert detail.intervals.not_computable == dict.fromkeys(
        ("tolerance_interval", "cpm"), "the part means are not normal"
    )


@pytest.mark.parametrize(("parts", "stated"), [(7, False), (8, True)])
def test_too_few_parts_for_a_test_of_shape_have_no_tolerance_interval(parts: int, stated: bool) -> None:
    found = of(with_detail(steady(parts)))
    assert found.mean_interval is not None
    assert ("tolerance_interval" not in found.not_computable) is stated


def test_one_part_has_no_interval() -> None:
    found = of(with_detail(steady(1)))
    assert set(found.not_computable) == {"mean_interval", "tolerance_interval", "cpm"}
    assert "one part has no standard deviation" in found.not_computable["mean_interval"]


def test_two_groups_have_no_interval() -> None:
    page = steady()
    means = np.asarray(page.part_values["mean"].to_list())
    found = capability_detail(
        page.result, means, [str(i) for i in range(20)], 1, shape=anderson_darling(means), mixed=True, target=58.4
    ).intervals
    assert set(found.not_computable) == {"mean_interval", "tolerance_interval", "cpm"}


def test_the_terminal_says_them() -> None:
    page = with_detail(steady(), specifications=({**TARGET, "target": 60.0},))
    lines = detail_lines(Shown.of(as_json(page)["detail"]), "MS/m", 1.0, 2)
    assert "Cpm not stated: the target does not lie between the limits" in lines
    assert any(line.startswith("95% of such parts, with 95% confidence: from 5") for line in lines)
    assert any("t interval, 95%, n = 20" in line for line in lines)
    alone = detail_lines(Shown.of(as_json(with_detail(steady(1)))["detail"]), "MS/m", 1.0, 2)
    assert "tolerance interval of the parts not stated: one part has no standard deviation" in alone
