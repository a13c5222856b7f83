"""Charts on the pages of the company show what the tables say. Invented."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from sample_company import several_lots
from scipy import stats
from union_rows import levels, of_supplier

from pipeline.centre.union.levels import LEAST_LOTS
from reports.company.charts import e_n_chart, levels_chart
from reports.kit.tables import Numbered
from schemas.blocks import MeterDifference


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
