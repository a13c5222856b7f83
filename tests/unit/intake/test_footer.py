"""The footer's figures against those of the readings, to the last digit printed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from intake_checks import altered, layouts

from pipeline.intake.footer import check_footer
from pipeline.intake.layout_outside import FooterStatistic

if TYPE_CHECKING:
    from pipeline.intake.layout import Layout

# Cell 2 of lines "name|figure", decimal comma, groups marked by a space.
REPORT = layouts()["report_with_statistics"]
# NIST StRD, univariate summary statistics, NumAcc1: certified mean 10000002, standard deviation 1
NUM_ACC = [10_000_001.0, 10_000_003.0, 10_000_002.0]


def with_footer(**changes: Any) -> Layout:
    assert REPORT.footer is not None
    return altered(REPORT, footer=altered(REPORT.footer, **changes))


def told(figures: dict[str, str], values: list[float | None]) -> list[str]:
    """Kinds of warnings for a footer `statistic|figure`, all of whose statistics are declared; the first line is number 7."""
    layout = with_footer(
        statistics=tuple(FooterStatistic(label=f"{name}:", statistic=name, cell=2) for name in figures)
    )
    lines = [(number, f" {name}: | {text} ") for number, (name, text) in enumerate(figures.items(), start=7)]
    return kinds(layout, lines, values)


def kinds(layout: Layout, lines: list[tuple[int, str]], values: list[float | None], refused: int = 0) -> list[str]:
    found = check_footer(
        lines,
        layout,
        data_lines=len(values) + refused,
        refused_lines=refused,
        values=pl.Series(values, dtype=pl.Float64),
    )
    return [text.partition(":")[0] for text in found]


def test_figures_that_agree_are_passed_in_silence() -> None:
    agree = {
        "count": "3", "mean": "10 000 002", "standard_deviation": "1,0", "minimum": "10000001,0", "maximum": "10\u00a0000\u202f003",
    }  # fmt: skip
    assert told(agree, [*NUM_ACC]) == []
    assert (
        told(agree | {"count": "4"}, [*NUM_ACC, None]) == []
    )  # a code of the meter counts as a line, and in no other figure
    assert told({"mean": "1,0000002E+7"}, [*NUM_ACC]) == []


@pytest.mark.parametrize(
    ("statistic", "figure"),
    [
        ("count", "2"), ("count", "4"), ("count", "2,5"), ("mean", "10000001"), ("mean", "10000003"), ("standard_deviation", "0,8"),
        ("standard_deviation", "1,4"), ("minimum", "10000003"), ("maximum", "10000001"), ("mean", "-10000002"),
    ],
)  # fmt: skip
def test_each_figure_that_differs_is_told(statistic: str, figure: str) -> None:
    assert told({statistic: figure}, [*NUM_ACC]) == ["footer_mismatch"]


@pytest.mark.parametrize(
    ("figure", "ours", "agrees"),
    [
        ("58,1", 58.15, True), ("58,1", 58.05, True), ("58,1", 58.1501, False), ("58,1", 58.0499, False), ("58", 58.5, True),
        ("58", 58.51, False), ("0,00", 0.005, True), ("0,00", 0.0051, False), ("5,8E+1", 58.5, True), ("5,8E+1", 58.51, False),
        ("58,123456789012345", 58.12345678901, True), ("58,123456789012345", 58.1234567888, False), ("-1,0", -1.05, True),
        ("-1,0", -1.06, False), ("-58,123456789012345", -58.12345678901, True),
    ],
)  # fmt: skip
def test_a_figure_agrees_within_half_a_unit_of_its_last_digit(figure: str, ours: float, agrees: bool) -> None:
    """Rounding to a place leaves no more than half of it: JCGM 100:2008, F.2.2.1."""
    assert told({"mean": figure}, [ours]) == ([] if agrees else ["footer_mismatch"])


@pytest.mark.parametrize(
    "text", ["", "58.1", "n/a", "nan", "Infinity", "1_0", "\u0665\u0668", "1e999", "5 8", "--", "58,"]
)
def test_what_is_no_number_of_the_declared_grammar_is_told(text: str) -> None:
    assert told({"mean": text}, [58.1]) == ["footer_mismatch"]
    assert told({"count": text}, [58.1]) == ["footer_mismatch"]


def test_statistics_that_cannot_be_computed_are_told() -> None:
    assert told({"standard_deviation": "0", "mean": "58,1"}, [58.1]) == ["footer_mismatch"]
    assert told({"standard_deviation": "0,0", "mean": "58,1"}, [58.1, 58.1]) == []
    assert told({"mean": "0", "minimum": "0", "maximum": "0", "count": "1"}, [None]) == ["footer_mismatch"] * 3


def test_with_refused_lines_only_the_count_is_compared() -> None:
    layout = with_footer(
        statistics=(
            FooterStatistic(label="Mean", statistic="mean", cell=2),
            FooterStatistic(label="n", statistic="count", cell=2),
        )
    )
    lines = [(7, "Mean|1,0"), (8, "n|2")]
    assert kinds(layout, lines, [58.1], refused=1) == ["footer_not_compared"]
    assert kinds(layout, lines, [58.1], refused=2) == ["footer_not_compared", "footer_mismatch"]


def test_a_line_of_the_footer_that_is_missing_or_short_is_told_and_the_next_is_still_compared() -> None:
    layout = with_footer(
        statistics=(
            FooterStatistic(label="Mean", statistic="mean", cell=2),
            FooterStatistic(label="n", statistic="count", cell=2),
        )
    )
    assert kinds(layout, [(7, "n: |2")], [58.1]) == ["footer_mismatch"] * 2
    assert kinds(layout, [(7, "n: |1")], [58.1]) == ["footer_mismatch"]
    assert kinds(layout, [(7, "Mean"), (8, "n|1")], [58.1]) == ["footer_mismatch"]
    assert kinds(layout, [(7, "Mean|58,1"), (8, "n|1"), (9, "n|5")], [58.1]) == []  # of two the first counts


def test_a_footer_is_missed_only_where_the_layout_requires_it() -> None:
    assert kinds(with_footer(required=True), [], [58.1]) == ["footer_missing"]
    assert kinds(with_footer(required=False), [], [58.1]) == []
    none = altered(REPORT, footer=None)
    assert kinds(none, [(7, "n|9")], [58.1]) == []


def test_it_is_said_in_which_line_the_footer_differs() -> None:
    layout = with_footer(statistics=(FooterStatistic(label="Mean", statistic="mean", cell=2),))
    (text,) = check_footer([(7, "Mean|59,0")], layout, data_lines=1, refused_lines=0, values=pl.Series([58.125]))
    assert "line 7" in text
    assert "59,0" in text
    assert "58.125" in text
