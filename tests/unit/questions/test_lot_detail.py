"""Details of a lot, and what its page says of them: conditions, one-sided limits, plan, materials, map of spots. Invented numbers."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import string
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from parsed_pages import Parsed, parsed
from sample_details import RANGES, SPECIFICATION, with_detail
from sample_lots import lot_page

import reports
from pipeline.cli.lot_lines import detail_lines
from pipeline.cli.output import Shown
from reports.lot.map import places_of
from reports.words import lot_detail as words
from schemas.documents import as_json
from schemas.uncertainty import Contribution

if TYPE_CHECKING:
    from schemas.lot_detail import LotDetail
    from schemas.results import LotPage


def detail_of(page: LotPage) -> LotDetail:
    assert page.detail is not None
    return page.detail


rising = {(i, j): 0.05 * i for i in range(20) for j in range(3)}


def test_an_unstable_lot_has_its_cpk_in_the_data_and_not_on_the_page() -> None:
    page = with_detail(lot_page("L-1", parts=20, scatter=0.05, shift=rising))
    detail = detail_of(page)
    assert detail.capability.stability.state == "unstable"
    assert detail.capability.headline is False
    assert page.result.cpk is not None
    assert as_json(page.result)["cpk"] == page.result.cpk
    text = Parsed(reports.render(page)).text
    assert "Not stable in the order of measuring" in text
    assert text.count("ot stated: the parts, in the order of measuring") >= 3
    assert not re.search(rf"(?<!\d){page.result.cpk:.2f}(?!\d)", text[: text.index("Checks around")])
    assert f"{page.result.ppk:.2f}" in text


def test_a_stable_lot_says_what_its_indices_rest_on() -> None:
    text = parsed("lot detail").text
    for said in ("Stable in the order of measuring", "can be normal (Anderson-Darling", "fewer than 25", "within subgroups, moving range",
                 "overall standard deviation", "limit is the nearer one", "Expected beyond the limits"):  # fmt: skip
        assert said in text, said


def test_figures_of_one_limit_or_none_or_one_part_say_why() -> None:
    one = detail_of(with_detail(lot_page(lower=57.5, upper=None)))
    assert one.capability.limiting_side == "lower"
    assert one.capability.lost_off_centre is None
    assert one.capability.outside.above is None
    assert one.capability.outside.conservative is False
    none = detail_of(with_detail(lot_page(lower=None, upper=None)))
    assert none.capability.outside.reason == "no limit is given"
    assert none.capability.limiting_side is None
    alone = detail_of(with_detail(lot_page(parts=1, spots=1, repeats=1)))
    assert "at least 8" in str(alone.capability.stability.reason)
    assert "at least 8" in str(alone.capability.normality.reason)
    assert alone.components is not None
    assert all(line.reason for line in alone.components.lines)
    assert "at least 8" in alone.suspects.tested["part"]


def test_values_that_are_not_normal_get_indices_from_quantiles_under_their_own_keys() -> None:
    skewed = {(i, j): 0.9 * (i / 40) ** 4 for i in range(40) for j in range(3)}
    page = with_detail(lot_page(parts=40, scatter=0.01, shift={**skewed}, level=58.0))
    shuffled = page.part_values.sample(fraction=1.0, shuffle=True, seed=3).with_columns(order=page.part_values["order"])
    page = with_detail(dataclasses.replace(page, part_values=shuffled))
    capability = detail_of(page).capability
    assert capability.normality.normal is False
    quantile = capability.quantile
    if quantile.quantile_ppk is None:
        assert "740" in quantile.not_computable["quantile_ppk"]
    else:
        assert quantile.definition is not None
    document = as_json(detail_of(page))["capability"]["quantile"]
    assert {"quantile_pp", "quantile_ppk", "not_computable"} <= set(document)
    assert page.result.ppk is not None
    text = Parsed(reports.render(page)).text
    assert "The part means are not normal" in text


def test_the_whole_detail_is_json_without_frames() -> None:
    page = with_detail(
        dataclasses.replace(lot_page(), result=dataclasses.replace(lot_page().result, conforms_by="k_method"))
    )
    document = json.loads(json.dumps(as_json(page.detail), allow_nan=False))
    assert set(document) == {"capability", "components", "suspects", "plan", "material", "heat_treatment", "earlier"}
    assert set(document["plan"]["quality_at"]) == {"95", "50", "10"}
    assert "curve" not in document["plan"]
    assert {line["level"] for line in document["components"]["lines"]} == {"lot", "part", "spot", "reading"}


def test_components_tell_soft_spots_from_parts() -> None:
    soft = {(i, 2): -0.8 for i in (1, 3, 4, 7)}
    detail = detail_of(with_detail(lot_page(scatter=0.05, shift=soft)))
    assert detail.components is not None
    assert detail.components.dominant == "spot"
    pointed = {(v.part, v.spot) for v in detail.suspects.values if v.level == "spot"}
    planted = {(f"P{i + 1:02d}", "C") for i, _ in soft}
    assert planted <= pointed
    assert len(pointed - planted) <= 1  # chance points somewhere in 5 of 100 lots
    share = sum(line.share or 0.0 for line in detail.components.lines)
    assert share == pytest.approx(1.0)


def test_an_outlying_reading_is_named_with_its_file_and_line_and_stays() -> None:
    page = lot_page(scatter=0.05)
    line = page.readings["line"][40]
    value = page.readings["value_at_reference"].to_list()
    value[40] += 1.0
    page = with_detail(
        dataclasses.replace(page, readings=page.readings.with_columns(value_at_reference=pl.Series(value)))
    )
    found = [v for v in detail_of(page).suspects.values if v.level == "reading"]
    assert [v.line for v in found] == [line]
    assert page.readings.height == 90
    text = Parsed(reports.render(page)).text
    assert "every one stays in every figure" in text
    assert f"line {line}" in text[text.rindex("Outlying values") :]


def test_the_plan_is_judged_in_the_unit_of_its_limits_and_draws_its_curve() -> None:
    page = dataclasses.replace(lot_page(), result=dataclasses.replace(lot_page().result, conforms_by="k_method"))
    plan = detail_of(with_detail(page)).plan
    assert plan is not None
    assert plan.accepted
    assert plan.curve["accepted"].is_sorted(descending=True)
    strict = detail_of(with_detail(page, specifications=({**SPECIFICATION, "k": 40.0},))).plan
    assert strict is not None
    assert strict.accepted is False
    text = Parsed(reports.render(with_detail(page))).text
    assert "The plan accepts the lot" in text
    assert "in 95 of 100 cases" in text
    assert detail_of(with_detail(lot_page())).plan is None


def test_materials_are_ranked_and_the_declared_one_is_held_against_them() -> None:
    material = detail_of(with_detail(lot_page())).material
    assert [line.probability for line in material.lines] == sorted(
        (line.probability for line in material.lines), reverse=True
    )
    assert sum(line.probability for line in material.lines) == pytest.approx(1.0)
    assert material.declared == "copper"
    assert material.declared_fits is True
    by_resistivity = next(line for line in material.lines if line.temper == "by resistivity")
    assert (by_resistivity.lower, by_resistivity.upper) == pytest.approx((100 / 1.72, 100 / 1.70))
    only = detail_of(with_detail(lot_page(), ranges=(RANGES[2],))).material
    assert only.declared_fits is None
    assert only.fitting == 0
    assert (
        "No range of the site's table fits" in Parsed(reports.render(with_detail(lot_page(), ranges=(RANGES[2],)))).text
    )
    wrong = {**RANGES[2], "material": "copper"}
    assert "which does not fit" in Parsed(reports.render(with_detail(lot_page(), ranges=(wrong,)))).text
    assert "holds no range" in str(detail_of(with_detail(lot_page(), ranges=())).material.reason)


def test_a_mixed_lot_is_sorted_first_and_has_no_cpk() -> None:
    page = parsed("lot detail_mixed").text
    assert page[page.index("Do next") :].startswith("Do nextSort the parts")
    assert "P03, P06, P10 and P12" in page
    mixed = {(i, j): -0.9 for i in (2, 5, 9, 11) for j in range(3)}
    detail = detail_of(with_detail(lot_page(parts=15, scatter=0.05, shift=mixed)))
    assert detail.material.groups.lower_parts == ("P03", "P06", "P10", "P12")
    assert detail.capability.headline is False
    assert "two groups" in str(detail.capability.headline_reason)


def test_groups_that_two_meters_read_are_told() -> None:
    low = {(i, j): -0.9 for i in range(8) for j in range(3)}
    page = with_detail(lot_page(parts=16, scatter=0.05, shift=low, meters=("M1", "M2")))
    assert detail_of(page).material.groups.meters_differ is True
    assert "check them on one block" in Parsed(reports.render(page)).text


@pytest.mark.parametrize(
    ("shape", "told"),
    [
        ((0, 1, 2, 3, 40, 41, 42, 43), "two groups of parts: 4 around"),
        ((0, 1, 2, 3, 12, 13, 14, 15), "perhaps two groups of parts: 4 around"),
        ((0, 1, 2, 3, 6, 7, 8, 9), None),
        ((0, 1, 40, 41, 42), "groups of parts: not looked for, 5 parts; at least 6 are needed"),
    ],
)
def test_the_terminal_says_of_groups_what_the_page_says(shape: tuple[int, ...], told: str | None) -> None:
    """Called, possible, neither, too few; the words of the page go by the same two values."""
    shift = {(i, j): 0.05 * step for i, step in enumerate(shape) for j in range(3)}
    page = with_detail(lot_page(parts=len(shape), scatter=0.0, shift=shift))
    lines = [x for x in detail_lines(Shown.of(as_json(page.detail)), "MS/m", 1.0, 2) if "groups of parts" in x]
    assert [line[: len(told or "")] for line in lines] == ([told] if told else [])
    groups, text = detail_of(page).material.groups, Parsed(reports.render(page)).text
    assert groups.possible == bool(told and told.startswith("perhaps"))
    assert groups.possible == ("may be of two groups" in text)
    assert bool(groups.found) == ("fall into two groups" in text)
    assert all("by chance, too (p = 0.00" in line for line in lines if line.startswith("perhaps"))


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 24), st.integers(1, 3), st.integers(1, 3))
def test_any_lot_has_details_that_are_finite_and_a_page(seed: int, parts: int, spots: int, repeats: int) -> None:
    page = with_detail(lot_page(seed=seed, parts=parts, spots=spots, repeats=repeats))
    json.dumps(as_json(page.detail), allow_nan=False)
    detail = detail_of(page)
    assert all(0 <= line.probability <= 1 for line in detail.material.lines)
    assert len(detail.material.parts) == parts
    assert "Which material is this?" in Parsed(reports.render(page)).text


@pytest.mark.parametrize(
    ("names", "places"),
    [
        (["x0 y10", "x20 y10"], {"x0 y10": (0, 10), "x20 y10": (20, 10)}),
        (["12/30", "12/-5.5"], {"12/30": (12, 30), "12/-5.5": (12, -5.5)}),
        (["(5; 7)", "(8; 7)"], {"(5; 7)": (5, 7), "(8; 7)": (8, 7)}),
        (["1", "2"], None),
        (["A", "B"], None),
        (["1/2", "left"], None),
        (["1/2", "1;2"], None),
        (["1/2"], None),
        ([], None),
    ],
)
def test_names_of_spots_that_are_places(names: list[str], places: dict[str, tuple[float, float]] | None) -> None:
    assert places_of(names) == places


def test_spots_named_by_their_place_are_drawn_there() -> None:
    page = lot_page()
    renamed = page.spot_values.with_columns(pl.col("spot").replace({"A": "x0 y0", "B": "x40 y0", "C": "x40 y20"}))
    text = Parsed(reports.render(with_detail(dataclasses.replace(page, spot_values=renamed)))).text
    assert "Spots at their places on the part" in text
    assert "Spots at their places on the part" not in parsed("lot detail").text


CATALOGUES = [name for name in words.__all__ if isinstance(getattr(words, name), dict)]
BY_VALUE = {"LEVEL", "ORDER", "PLAN", "INDEX"}
SOURCES = "".join(
    path.read_text(encoding="utf-8")
    for path in sorted(Path(words.__file__).parents[1].rglob("*.py"))
    if path.name != Path(words.__file__).name
)


@pytest.mark.parametrize("name", CATALOGUES)
def test_no_text_is_left_over_and_each_has_named_places(name: str) -> None:
    catalogue: dict[str, Any] = getattr(words, name)
    if name not in BY_VALUE:
        assert [key for key in sorted(catalogue) if not re.search(rf"[\"']{key}[\"']", SOURCES)] == []
    for key, said in catalogue.items():
        assert said.strip(), key
        for _, field, specification, conversion in string.Formatter().parse(said):
            assert field is None or field.isidentifier(), key
            assert not specification
            assert conversion is None


def test_a_part_is_held_against_a_range_with_its_own_uncertainty_and_not_that_of_the_mean() -> None:
    page = lot_page(parts=4, spots=3, repeats=5)
    part = page.part_values.row(0, named=True)
    # the mean of 60 readings, and a part of 15 of them: 0.04 of repeatability on the mean is 0.08 on the part
    lines = (
        Contribution("repeatability", 0.04, 30.0, True, "invented"),
        Contribution("block certificate", 0.06, None, False, "invented"),
    )
    u_mean, u_part, k = math.hypot(0.04, 0.06), math.hypot(0.08, 0.06), 2.0
    assert (part["readings"], page.result.readings) == (15, 60)
    result = dataclasses.replace(
        page.result, contributions=lines, budgets=(), expanded_uncertainty=k * u_mean, coverage_factor=k
    )

    def fits(distance: float) -> int:
        low = part["mean"] + distance
        ranges = ({"material": "other", "lower": low, "upper": low + 1.0, "unit": "MS/m", "source": "invented"},)
        found = detail_of(with_detail(dataclasses.replace(page, result=result), ranges=ranges)).material
        assert found is not None
        assert found.standard_uncertainty == pytest.approx(u_mean)
        return next(one.fitting for one in found.parts if one.part == part["part"])

    assert fits(k * u_part * 0.999) == 1
    assert fits(k * u_part * 1.001) == 0
    assert k * u_mean < k * u_part * 0.8  # what the mean's uncertainty would have said of both
