"""The page of a gauge study: whiskers, labels and the line of the tolerance stand inside the chart; readings open on demand."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import pytest
from parsed_pages import Parsed, rendered
from sample_studies import study_pages

from reports.study.charts import components_plot

if TYPE_CHECKING:
    from reports.kit.plot import Plot
    from schemas.studies import StudyResult

NAMES = dict.fromkeys(("repeatability", "reproducibility", "gauge", "part", "total"), "a component")


def drawn(result: StudyResult) -> Plot:
    plot = components_plot(result, NAMES, unit="MS/m")
    assert plot is not None
    return plot


def study(*, upper: float = 2.0, tolerance: float | None = 6.0) -> StudyResult:
    """Return a study with one component: s = 1, with an interval up to `upper`."""
    result = study_pages()["usable"].result
    one = next(component for component in result.components if component.source == "gauge")
    one = dataclasses.replace(one, standard_deviation=1.0, interval=(0.5, upper))
    return dataclasses.replace(result, components=(one,), tolerance=tolerance, study_width=6.0)


@pytest.mark.parametrize("name", ["usable", "not usable", "without tolerance", "nested", "one operator"])
def test_everything_stands_inside_the_frame(name: str) -> None:
    plot = drawn(study_pages()[name].result)
    low, high = plot.y_domain
    assert all(low <= end <= high for line in plot.segments for end in (line["y"], line["y2"]))
    assert all(low <= y <= high for _, y, *_ in plot.names)
    assert all(low <= y <= high for y, *_ in plot.names_right)
    assert max(rect["y2"] for rect in plot.rects) < high


def whiskers(plot: Plot) -> list[float]:
    return [line["y"] for line in plot.segments if line["y"] == line["y2"] and line["x2"] - line["x"] < 0.2]


@pytest.mark.parametrize(
    ("upper", "ends", "said"), [(5.0, 2, "1"), (5.91, 1, "1, to 5.91"), (math.inf, 1, "1, to no limit")]
)
def test_a_whisker_ends_inside_or_its_end_is_written(upper: float, ends: int, said: str) -> None:
    # the line of the tolerance lies at 5, the farthest that the frame reaches for an estimate of 1
    plot = drawn(study(upper=upper, tolerance=30.0))
    assert len(whiskers(plot)) == ends
    assert [name for _, _, name, _ in plot.names] == [said]
    assert (max(whiskers(plot)) == upper) is (ends == 2)


@pytest.mark.parametrize(("tolerance", "shown"), [(30.0, ["tolerance / 6 = 5"]), (30.1, []), (None, [])])
def test_the_line_of_the_tolerance_is_drawn_as_far_as_the_frame_reaches(
    tolerance: float | None, shown: list[str]
) -> None:
    plot = drawn(study(tolerance=tolerance))
    assert [name for _, name, _ in plot.names_right] == shown
    assert plot.y_domain[1] == pytest.approx(1.18 * (5.0 if shown else 2.0))


def test_readings_variance_and_method_open_on_demand_and_cautions_stand_where_there_are_any() -> None:
    html = rendered("study usable")
    for anchor in ("anova", "method", "annex"):
        before = html[: html.index(f'<h2 id="{anchor}"')]
        assert before.count("<details") - before.count("</details>") == 1, anchor
    before = html[: html.index('<h2 id="charts"')]
    assert before.count("<details") == 0
    assert "Readings 90 readings" in Parsed(html).text
    page = study_pages()["usable"]
    assert ("Cautions of this study" in Parsed(html).text) is bool(page.result.cautions)
