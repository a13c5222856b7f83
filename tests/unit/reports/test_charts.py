"""Charts: every flagged point, no number that is none, no element that was not expected, the same bytes everywhere."""

from __future__ import annotations

import itertools
import json
import math
import re
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal

import altair as alt
import polars as pl
import pytest
import vl_convert
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_pages import DAY, lot_page, meter_page

from reports.kit import charts
from reports.kit.charts import Plot, svg
from reports.kit.clean_svg import clean
from reports.kit.geometry import (
    apart,
    clipped,
    domain,
    evenly,
    number_ticks,
    stacked,
)
from reports.kit.numbers import Clock
from reports.kit.times import TimeAxis
from reports.lot import charts as lot_charts
from reports.meter import charts as meter_charts
from reports.meter import series as meter_series

OSLO = Clock("Europe/Oslo")


def plot() -> Plot:
    made = Plot((0.0, 10.0), (57.0, 60.0), "Part", "MS/m")
    made.point(5, 58.5, "out")
    made.across(57.5, "limit", "lower limit 57.5", dash="long")
    return made


def marks(drawn: Plot, *meanings: str) -> int:
    return sum(point["mark"].removeprefix("mark-").removesuffix("-big") in meanings for point in drawn.points)


def test_a_chart_is_drawn_where_its_numbers_say() -> None:
    html = svg(plot(), "A chart & more")
    assert 'role="img" aria-label="A chart &amp; more"' in html
    # in the middle of the width, half of its 250 high
    assert '<use href="#mark-out" x="50%" y="125"/>' in html
    # the limit lies at (60 − 57.5)/3 of the height
    assert 'transform="translate(0,208.3)" x2="640"' in html
    assert "lower limit 57.5</text>" in html


def test_words_never_enter_the_chart_specification(monkeypatch: pytest.MonkeyPatch) -> None:
    given_to_vega: list[str] = []
    real = charts.vl_convert.vega_to_svg

    def spy(spec: str, **options: object) -> str:
        given_to_vega.append(spec)
        assert options["allowed_base_urls"] == []
        return real(spec, **options)

    monkeypatch.setattr(charts.vl_convert, "vega_to_svg", spy)
    made = plot()
    hostile = "datum.secret</script><b>"
    made.name(5, 58, hostile)
    made.across(58, "limit", hostile)
    made.names_below.append((5, hostile))
    made.notes.append((5, 58, hostile, "ink"))
    made.x_title = made.y_title = hostile
    made.rect(4, 6, 57, 58)
    html = svg(made, hostile)
    assert "secret" not in given_to_vega[0]
    assert html.count("datum.secret&lt;/script&gt;&lt;b&gt;") == 7
    assert "<b>" not in html


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_refused(bad: float) -> None:
    made = plot()
    made.point(1, bad, "plain")
    with pytest.raises(ValueError, match="finite"):
        svg(made, "chart")
    made = plot()
    made.rect(1, 2, 57, bad)
    with pytest.raises(ValueError, match="JSON"):
        svg(made, "chart")


@pytest.mark.parametrize(
    "drawn",
    [
        "<svg><script>alert(1)</script></svg>",
        '<svg><image href="http://example.invalid/x.png"/></svg>',
        "<svg><foreignObject/></svg>",
        "<svg><style>*{}</style></svg>",
        "<svg><a><path/></a></svg>",
    ],
)
def test_a_drawing_with_another_element_is_refused(drawn: str) -> None:
    with pytest.raises(ValueError, match="not expected"):
        clean(drawn)


def test_cleaning_keeps_what_draws_and_drops_the_rest() -> None:
    drawn = (
        '<svg width="9" xmlns="http://www.w3.org/2000/svg"><g class="mark" style="x" onclick="y" transform="translate(1.23456,2)">'
        '<path d="M0,0h1v1Z" stroke="red" aria-label="a"/><path d="M0,0" pointer-events="none"/></g><g></g></svg>'
    )
    assert clean(drawn) == '<g transform="translate(1.2,2)"><path d="M0,0h1v1Z" stroke="red"/></g>'


def test_the_template_is_declared_once_for_charts_that_differ_in_data_only() -> None:
    first = plot()
    first.rect(1, 2, 57, 58)
    svg(first, "chart")
    before = charts._template.cache_info().misses
    other = plot()
    other.y_domain = (1.0, 90.0)
    other.rect(3, 4, 57, 59)
    svg(other, "chart")
    assert charts._template.cache_info().misses == before


def test_the_template_holds_nothing_that_a_page_brings() -> None:
    spec = json.loads(charts._template(charts._LAYERS))
    assert [(scale["name"], scale["type"]) for scale in spec["scales"]] == [("x", "linear"), ("y", "linear")]
    assert {data["name"]: data["values"] for data in spec["data"]} == {name: [] for name in charts._LAYERS}
    assert "axes" not in spec  # their words and lines are ours
    assert [marks["from"]["data"] for marks in spec["marks"]] == list(charts._LAYERS)
    fields = set(re.findall(r'"field": "([^"]*)"', json.dumps(spec["marks"])))
    assert fields
    assert all(re.fullmatch(r"[a-z]\w*", name) for name in fields)


def test_a_chart_of_straight_lines_and_marks_does_not_wait_for_the_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    made = plot()
    made.rect(1, 2, 57, 58)
    with_a_bar = svg(made, "chart")
    monkeypatch.setattr(charts.vl_convert, "vega_to_svg", lambda *_, **__: pytest.fail("the engine was asked"))
    assert set(re.findall(r'<g class="(\w+)">', svg(plot(), "chart"))) == {"axis", "segments", "points"}
    # the order in which layers lie on one another, whoever draws them
    assert re.findall(r'<g class="(axis|rects|segments|points)">', with_a_bar) == [
        "axis",
        "rects",
        "segments",
        "points",
    ]


def by_the_engine(made: Plot) -> str:
    """Draw the straight lines and marks of a plot as Altair and its engine do."""
    x = alt.X("x:Q", scale=alt.Scale(domain=list(made.x_domain), nice=False, zero=False), axis=None)
    y = alt.Y("y:Q", scale=alt.Scale(domain=list(made.y_domain), nice=False, zero=False), axis=None)
    rules = alt.Chart(alt.NamedData("segments")).mark_rule(aria=False).encode(x=x, x2="x2:Q", y=y, y2="y2:Q")
    points = alt.Chart(alt.NamedData("points")).mark_point(aria=False).encode(x=x, y=y)
    layered = alt.layer(rules, points).properties(width=charts.WIDTH, height=made.height)
    data = {"segments": made.segments, "points": made.points}
    version = ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])
    return str(vl_convert.vegalite_to_svg({**layered.to_dict(), "datasets": data}, vl_version=version))


@settings(max_examples=25)
@given(
    st.tuples(st.floats(-1e4, 1e4), st.floats(0.01, 1e4)),
    st.tuples(st.floats(-1e4, 1e4), st.floats(0.01, 1e4)),
    st.lists(st.tuples(*[st.floats(0, 1)] * 4), min_size=1, max_size=5),
)
def test_straight_lines_and_marks_stand_where_the_engine_puts_them(
    across: tuple[float, float], up: tuple[float, float], shares: list[tuple[float, float, float, float]]
) -> None:
    made = Plot((across[0], sum(across)), (up[0], sum(up)), "n", "MS/m", height=136)
    for a, b, c, d in shares:
        made.segment(across[0] + a * across[1], across[0] + b * across[1], up[0] + c * up[1], up[0] + d * up[1], "ink")
        made.point(across[0] + a * across[1], up[0] + d * up[1], "plain")
    drawn, engine = charts.drawing(made, "chart"), by_the_engine(made)
    lines = re.compile(r'<line transform="translate\(([^,]*),([^)]*)\)"(?: x2="([^"]*)")?(?: y2="([^"]*)")?')
    ours, theirs = ([[float(n or 0) for n in found] for found in lines.findall(svg)] for svg in (drawn, engine))
    assert len(ours) == len(theirs) == len(shares)
    assert ours == [pytest.approx(line, abs=0.051) for line in theirs]  # half of the last digit that is written
    places = [
        [float(n) for n in found] for found in re.findall(r'<use href="#mark-plain" x="([^%]*)%" y="([^"]*)"', drawn)
    ]
    put = [[float(n) for n in found] for found in re.findall(r'<path transform="translate\(([^,]*),([^)]*)\)"', engine)]
    assert [[x / 100 * charts.WIDTH, y] for x, y in places] == [pytest.approx(place, abs=0.1) for place in put]


def test_axes_are_drawn_sharp_with_a_tick_for_each_number() -> None:
    made = Plot((0.0, 10.0), (0.0, 4.0), "n", "MS/m", height=136)
    made.point(5.0, 2.0, "plain")
    drawn = charts.drawing(made, "chart")
    found = dict(re.findall(r'<path d="([^"]*)" stroke="var\(--(grid|inner)\)"', drawn.split('class="axis">')[2]))
    grid, lines = ({name: d for d, name in found.items()}[name] for name in ("grid", "inner"))
    # the middle of a pixel: a line one pixel wide covers one
    assert grid == "".join(f"M0.5,{y}l640,0" for y in ("136.5", "102.5", "68.5", "34.5", "0.5"))
    ticks = [float(x) for x in re.findall(r"M([\d.]+),136.5l0,4", lines)]
    assert ticks == [0.5, 128.5, 256.5, 384.5, 512.5, 640.5]
    assert re.findall(r">(\d+)</text>", drawn)[:6] == ["0", "2", "4", "6", "8", "10"]
    assert "M0.5,136.5l640,0" in lines
    assert "M0.5,136.5l0,-136" in lines


def test_an_axis_that_names_its_places_has_no_ticks() -> None:
    made = Plot((0.0, 10.0), (0.0, 4.0), "n", "", x_axis=False, y_axis=False, height=136)
    made.point(5.0, 2.0, "plain")
    drawn = charts.drawing(made, "chart")
    assert 'class="axis"><path d="M0.5,136.5l640,0" stroke="var(--inner)"/></g>' in drawn
    assert "--grid" not in drawn


def test_times_are_drawn_as_given() -> None:
    day = 86_400_000.0
    made = Plot((0.0, day), (0.0, 1.0), "Time", "MS/m", x_time=TimeAxis(Clock("UTC"), "%Y-%m-%d %H:%M", "Time"))
    made.point(day / 2, 0.5, "plain")
    html = svg(made, "chart")
    assert re.search(r'<text x="50%"[^>]*>1970-01-01 12:00<', html)
    assert '<use href="#mark-plain" x="50%" y="125"/>' in html


@given(st.floats(-1e6, 1e6), st.floats(1e-5, 1e6), st.integers(3, 12))
def test_ticks_of_numbers_are_round_inside_and_as_many_as_have_room(low: float, span: float, most: int) -> None:
    high = low + span
    ticks = number_ticks(low, high, most)
    assert 1 <= len(ticks) <= most
    slack = 1e-6 * span + 1e-12 * abs(low)
    assert all(low - slack <= place <= high + slack for place, _ in ticks)
    for place, words in ticks:
        assert float(words.replace("\u2212", "-")) == pytest.approx(place, abs=1e-9 * max(abs(place), span))


def test_ticks_are_written_with_the_decimals_of_their_step() -> None:
    assert number_ticks(0.0, 1.0, 6) == [
        (0.0, "0.0"),
        (0.2, "0.2"),
        (0.4, "0.4"),
        (0.6, "0.6"),
        (0.8, "0.8"),
        (1.0, "1.0"),
    ]
    assert [words for _, words in number_ticks(-30, 20, 6)] == ["\u221230", "\u221220", "\u221210", "0", "10", "20"]


@given(st.lists(st.booleans(), max_size=400), st.integers(1, 100))
def test_thinning_keeps_every_flagged_point(flagged: list[bool], most: int) -> None:
    kept = evenly(flagged, most)
    assert kept == sorted(set(kept))
    assert {i for i, flag in enumerate(flagged) if flag} <= set(kept)
    assert len(kept) == min(len(flagged), max(most, sum(flagged)))


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30))
def test_a_domain_shows_all_values(values: list[float]) -> None:
    low, high = domain(values)
    assert low < high
    assert low <= min(values)
    assert high >= max(values)


@given(st.lists(st.floats(0, 300), min_size=1, max_size=8))
def test_labels_are_moved_apart(places: list[float]) -> None:
    moved = apart(sorted(places), 15)
    assert all(after - before > 10 for before, after in itertools.pairwise(moved))


def test_names_that_would_cover_one_another_are_raised() -> None:
    placed = stacked([(100, 50, "1-3s", "flag"), (110, 52, "2-2s", "flag"), (400, 50, "1-3s", "flag")], 15)
    assert placed[0][1] == placed[2][1] == 50
    assert abs(placed[0][1] - placed[1][1]) >= 14


def test_a_long_name_is_cut_for_the_chart() -> None:
    assert clipped("P" * 40, 12) == "P" * 11 + "…"
    assert clipped("P01", 12) == "P01"


@given(st.integers(-(10**6), 10**6).map(lambda eighths: eighths / 8) | st.floats(-1e4, 1e4), st.integers(0, 3))
def test_a_script_rounds_a_value_as_the_tables_are_rounded(value: float, decimals: int) -> None:
    # the script rounds a half away from zero (ECMA-262, Number.prototype.toFixed, of the number's size), Python to even
    stored = abs(Decimal(charts._value(value, decimals)))
    told = stored.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    assert told == abs(Decimal(f"{value:.{decimals}f}"))


# charts of a lot


def test_spots_out_of_limits_have_their_own_shape() -> None:
    page = lot_page(shift={(6, 1): -1.5}, limits_met="out")
    drawn, note = lot_charts.parts_plot(page.result, page.part_values, page.spot_values, unit="MS/m", decimals=2) or (
        None,
        "",
    )
    assert drawn is not None
    assert len(drawn.points) == 30
    assert marks(drawn, "out") == 1
    assert note == ""
    assert [name for _, name, _ in drawn.names_right] == ["mean 58.35", "lower limit 57.5", "upper limit 59.5"]


def test_a_lot_of_many_parts_is_thinned_and_says_so() -> None:
    page = lot_page(parts=300, spots=4, repeats=1, shift={(i, 0): -3.0 for i in range(0, 300, 30)})
    found = lot_charts.parts_plot(page.result, page.part_values, page.spot_values, unit="MS/m", decimals=2)
    assert found is not None
    drawn, note = found
    assert marks(drawn, "out") == 10
    assert "120 of 300 parts are drawn, every flagged one among them" in note
    assert "upright line" in note
    assert len(drawn.names_below) <= 20


def test_limits_far_away_are_named_but_do_not_press_the_parts_into_a_line() -> None:
    page = lot_page(lower=10.0, upper=59.0)
    found = lot_charts.parts_plot(page.result, page.part_values, page.spot_values, unit="MS/m", decimals=2)
    assert found is not None
    assert found[0].y_domain[0] > 57
    assert "↓ lower limit 10" in [name for _, name, _ in found[0].names_right]
    spread = lot_charts.spread_plot(page.result, page.spot_values, unit="MS/m", decimals=2)
    assert spread is not None
    assert spread[0].x_domain[0] < 10


@pytest.mark.parametrize(("parts", "classes"), [(5, 0), (200, 58)])
def test_the_spread_counts_every_spot(parts: int, classes: int) -> None:
    page = lot_page(parts=parts, spots=4, repeats=1, shift={(1, 1): -3.0})
    found = lot_charts.spread_plot(page.result, page.spot_values, unit="MS/m", decimals=2)
    assert found is not None
    drawn, bins = found
    assert bins == classes
    assert marks(drawn, "out") == 1
    counted = sum(rect["y2"] for rect in drawn.rects) if classes else len(drawn.points)
    assert counted == parts * 4


def test_missing_and_failed_runs_are_seen_in_the_timeline() -> None:
    for support, meaning, words in (
        ("suspect", "out", "failed 09:49"),
        ("open", "plain", "no run after yet"),
        ("unsupported", "plain", "no run before"),
    ):
        page = lot_page(support=support)
        found = lot_charts.timeline_plot(page.brackets, as_of=DAY + timedelta(hours=10), clock=Clock("Europe/Oslo"))
        assert found is not None
        drawn, _ = found
        assert marks(drawn, meaning)
        said = [name for *_, name, _ in drawn.names] + [name for *_, name, _ in drawn.notes]
        assert words in said


# charts of a meter


def series(**given: object) -> meter_series.Series:
    page = meter_page(**given)  # type: ignore[arg-type]
    checks = page.checks.filter(pl.col("block") == "B1")
    return meter_series.Series("B1", checks, tuple(page.settings["at"]), "MS/m", OSLO)


def test_signals_are_named_at_their_point() -> None:
    drawn, _ = meter_charts.control_plot(series(late_shift=0.3, seed=9)) or (None, "")
    assert drawn is not None
    assert marks(drawn, "signal") == 4
    # below the axis, where names do not float into each other
    assert [(x, name) for x, name, _ in drawn.names_row] == [(43, "1-3s"), (44, "2-2s")]
    assert [name for *_, name, _ in drawn.names] == ["setting"]
    picture = svg(drawn, "")
    heights = {name: float(re.search(rf'y="([\d.]+)"[^>]*>{name}<', picture)[1]) for name in ("1-3s", "2-2s")}  # type: ignore[index]
    assert heights["1-3s"] != heights["2-2s"]
    assert min(heights.values()) > drawn.height + 18  # under the ticks


def test_names_without_room_below_the_axis_are_left_to_the_table() -> None:
    crowded = Plot((0.0, 100.0), (0.0, 1.0), "", "", names_row=[(50.0, f"rule-{n}", "flag") for n in range(5)])
    picture = svg(crowded, "")
    assert len(re.findall(r">rule-\d<", picture)) == 2


def test_provisional_and_frozen_limits_differ_without_colour() -> None:
    drawn, _ = meter_charts.control_plot(series()) or (None, "")
    assert drawn is not None
    upper = sorted(
        (s["x"], s["x2"], tuple(s["dash"])) for s in drawn.segments if s["colour"] == "var(--limit)" and s["y"] > 58.1
    )
    assert upper == [(0.5, 30.5, (9, 4)), (30.5, 46.5, ())]


def test_many_checks_are_thinned_and_every_signal_stays() -> None:
    many = series(checks=1500, blocks=1, late_shift=0.3)
    drawn, note = meter_charts.control_plot(many) or (None, [])
    assert drawn is not None
    rejects = sum(bool(row["rejects"]) for row in many.frame.rows(named=True))
    assert marks(drawn, "signal") == rejects
    assert f"{len(drawn.points)} of 1500 checks are drawn" in note[0]
    assert len(drawn.points) == max(
        meter_series.MOST_CHECKS,
        sum(bool(r["rejects"]) or r["warning"] or r["passes"] is False for r in many.frame.rows(named=True)),
    )


def test_a_limit_that_values_lie_beyond_is_always_drawn() -> None:
    """A rejected lot far above its upper limit must not look as if it lay below it."""
    from reports.lot.charts import _near_and_far

    limits = [("lower", 23.78), ("upper", 25.52)]
    near, far = _near_and_far(limits, [26.35, 26.45, 26.65])
    assert (near, far) == ([("upper", 25.52)], [("lower", 23.78)])
    near, far = _near_and_far(limits, [20.1, 20.2])
    assert (near, far) == ([("lower", 23.78)], [("upper", 25.52)])
    near, far = _near_and_far(limits, [24.60, 24.61])
    assert (near, far) == ([], limits)
