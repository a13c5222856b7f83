"""The handbook: what is generated is as it would be, no link is dead, each figure has its method page, examples come out as printed."""

from __future__ import annotations

import dataclasses
import importlib.util
import re
import sys
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from sample_pages import detailed_pages, index_page, lot_pages, meter_pages
from sample_processes import process_pages

import reports
from pipeline import rules
from pipeline.errors import UsageError
from pipeline.metrology.block_agreement import Visits, find_movements
from pipeline.metrology.heat_treatment import side
from pipeline.metrology.local_level import local_levels
from pipeline.metrology.look_back import errors_to_limit
from pipeline.metrology.material_fit import fit_ranges
from pipeline.metrology.units import convert
from pipeline.pages.handbook import handbook_texts, page_about
from pipeline.pages.linked import linked_pages
from pipeline.statistics import patterns
from pipeline.statistics.change_points import change_points
from pipeline.statistics.fraction_outside import normal_fraction, observed_fraction
from reports.handbook.markdown import anchor, links_of, parsed, plain, target
from reports.kit.explained import method_address
from reports.kit.language import catalogue
from reports.kit.methods import METHODS, NO_METHOD
from reports.words.handbook import METHOD
from schemas.handbook import HandbookPage

ROOT = Path(__file__).resolve().parents[3]
TEXTS = handbook_texts()


def generator() -> Any:
    """Return the script that writes what follows from declarations."""
    spec = importlib.util.spec_from_file_location("handbook_text", ROOT / ".ci" / "handbook_text.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["handbook_text"] = module
    spec.loader.exec_module(module)
    return module


GENERATOR = generator()
RESULTS = sys.modules["handbook_json"].every_result


def page(path: str) -> HandbookPage:
    return HandbookPage(path, TEXTS[path], "0", "works")


def test_what_follows_from_the_code_stands_as_it_would_be_written() -> None:
    wanted = GENERATOR.wanted()
    assert set(wanted) == set(TEXTS)
    differing = [path for path, text in wanted.items() if TEXTS[path] != text]
    assert not differing, f"write them anew: .venv-dev/bin/python .ci/handbook_text.py ({differing})"


@cache
def anchors(path: str) -> set[str]:
    return {anchor(plain(node)) for node in parsed(TEXTS[path]).walk() if node.type == "heading"}


@pytest.mark.parametrize("path", TEXTS)
def test_no_link_is_dead(path: str) -> None:
    for href in links_of(TEXTS[path]):
        found = target(path, href)
        assert found is not None, f"{href} leads out of the handbook"
        assert found[0] in TEXTS, href
        assert not found[1] or found[1] in anchors(found[0]), href


@pytest.mark.parametrize(
    ("path", "href", "found"),
    [
        ("method/a.md", "../b.md#c", ("b.md", "c")),
        ("a.md", "#part", ("a.md", "part")),
        ("a.md", "../README.md", None),
        ("a.md", "https://example.org/a.md", None),
        ("a.md", "b.png", None),
    ],
)
def test_where_a_link_leads(path: str, href: str, found: tuple[str, str] | None) -> None:
    assert target(path, href) == found


@pytest.mark.parametrize("path", TEXTS)
def test_each_page_is_reached_from_the_first(path: str) -> None:
    assert path == "README.md" or path in {
        found[0] for href in links_of(TEXTS["README.md"]) if (found := target("README.md", href))
    }


@pytest.mark.parametrize("path", TEXTS)
def test_each_page_is_whole_and_asks_for_nothing_outside(path: str) -> None:
    html = reports.render(page(path))
    assert len(html) < 300_000
    assert "default-src 'none'" in html
    assert not re.search(r"(?:src|href)=.(?:https?:)?//", html)
    assert "<script" not in html
    assert "<table" not in html or 'class="scroll"' in html


def test_markup_in_a_page_is_text() -> None:
    text = "# A <b>title</b>\n\nLead <script>alert(1)</script>\n\n## B\n\n[out](https://example.org) [js](javascript:alert(1)) <i>x</i>\n"
    html = reports.render(HandbookPage("a.md", text, "0", "works"))
    assert "<script" not in html
    assert "<i>" not in html
    assert "<b>" not in html
    assert "example.org" not in html
    assert 'href="javascript' not in html


def test_an_unknown_form_is_an_error() -> None:
    with pytest.raises(ValueError, match="has no form"):
        reports.render(HandbookPage("a.md", "# A\n\nText\n\n## B\n\n![picture](a.png)\n", "0", "works"))


# figures and their method pages


def spoken_of(attribute: str) -> list[tuple[str, str, str]]:
    return [
        (kind, key, method.name)
        for method in METHODS
        for kind, keys in getattr(method, attribute).items()
        for key in keys.split()
    ]


def computed_figures() -> set[tuple[str, str]]:
    """Return the numbers that documents can hold: fields of results, whole numbers left out."""
    known = RESULTS()
    shown = re.findall(r"^## (\w+)$", TEXTS["reference/json.md"], re.MULTILINE)
    return {
        (name, field.name)
        for name in shown
        for field in dataclasses.fields(known[name])
        if re.search(r"\bfloat\b", str(field.type)) and "DataFrame" not in str(field.type)
    }


def test_each_figure_has_a_method_page_or_is_stated_by_somebody() -> None:
    stated = {(kind, key) for kind, keys in NO_METHOD.items() for key in keys.split()}
    explained = {(kind, key) for kind, key, _ in spoken_of("figures")}
    assert not computed_figures() - explained - stated, (
        "give them a method page (reports/kit/methods.py), or say that they are stated"
    )
    assert not explained & stated
    known = {(name, field.name) for name, one in RESULTS().items() for field in dataclasses.fields(one)}
    assert not (explained | stated) - known


def test_a_figure_has_one_method_page() -> None:
    found = [(kind, key) for kind, key, _ in spoken_of("figures")]
    assert len(found) == len(set(found))


def raised_flags() -> set[str]:
    """Return the codes with which sentences begin that are flags."""
    code = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "pipeline" / "judge").rglob("*.py"))
    either = re.findall(r'code = "([a-z_]+)" if .* else "([a-z_]+)"', code)
    return {*re.findall(r'"([a-z]+(?:_[a-z]+)+): ', code), *(one for pair in either for one in pair)}


def test_each_flag_and_rule_has_a_method_page() -> None:
    flags = {code for method in METHODS for code in method.flags.split()}
    assert len(raised_flags()) > 25
    assert not raised_flags() - flags
    named = {rule for method in METHODS for rule in method.rules.split()}
    assert {rule.id for rule in rules.find()} | set(patterns.find()) <= named


@pytest.mark.parametrize("method", METHODS, ids=lambda method: method.name)
def test_a_method_page_says_what_it_must(method: Any) -> None:
    text = TEXTS[f"method/{method.name}.md"]
    assert text.startswith(f"# {METHOD[method.name]}\n")
    heads = re.findall(r"^## (.*)$", text, re.MULTILINE)
    assert heads == [
        "What it says", "How it is computed", "Source", "When it is not stated", "An example", "Where it stands",
    ]  # fmt: skip
    for code in method.flags.split():
        assert f"`{code}`" in text.partition("## Where it stands")[0], code
    example = text.partition("## An example")[2].partition("## Where it stands")[0]
    assert "(example " in example or method.name in WORKED


def test_there_is_no_method_page_beside_them() -> None:
    assert {f"method/{method.name}.md" for method in METHODS} == {path for path in TEXTS if path.startswith("method/")}
    assert set(METHOD) == {method.name for method in METHODS}


def test_labels_that_link_are_texts_of_the_pages() -> None:
    assert not [f"{kind}.{key}" for kind, key, _ in spoken_of("labels") if f"{kind}.{key}" not in catalogue()]


def test_published_examples_are_computed_by_a_test() -> None:
    tests = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "tests" / "published").glob("*.py"))
    named = {name for text in TEXTS.values() for name in re.findall(r"\(example (\w+)", text)}
    assert len(named) > 25
    assert not [name for name in named if name not in tests]


@pytest.mark.parametrize(
    ("word", "name"),
    [("cpk", "method-capability"), ("1-3s", "method-control-limits"), ("too_thin", "method-thickness-and-shape"), ("tolerance", "reference-settings"),
     ("lots", "reference-tables"), ("tutorial", "tutorial"), ("index", "index"), ("method-precision", "method-precision")],
)  # fmt: skip
def test_a_word_leads_to_its_page(word: str, name: str) -> None:
    assert page_about(word) == name


def test_an_unknown_word_is_told_with_the_nearest() -> None:
    with pytest.raises(UsageError, match="expanded_uncertainty"):
        page_about("expanded_uncertanty")


def test_links_lead_to_pages_that_exist_only() -> None:
    (address,) = {method_address("capability")}
    with_book = reports.render(page("README.md"), reports.Site(frozenset({address})))
    assert 'href="../handbook/method-capability.html"' in with_book
    assert 'href="../handbook/method-precision.html"' not in with_book
    alone = reports.render(page("README.md"), reports.Site(alone=True))
    assert "<a href=.." not in alone
    assert 'href="../' not in alone


# examples worked by hand: the tables of a page, recomputed


def worked(name: str) -> list[list[str]]:
    """Return the rows of the table under a page's example."""
    example = TEXTS[f"method/{name}.md"].partition("## An example")[2].partition("## Where it stands")[0]
    return [
        [cell.strip() for cell in line.strip("|").split("|")] for line in example.splitlines() if line.startswith("| ")
    ][2:]


def numbers(name: str) -> list[float]:
    return [float(row[1]) for row in worked(name)]


def rounded(value: float, digits: int = 4) -> float:
    return round(float(value), digits)


def supports() -> None:
    from pipeline.metrology.support import brackets_of, support_of_lots

    day = datetime(2026, 3, 2, tzinfo=UTC)

    def at(text: str) -> datetime:
        return day + timedelta(hours=int(text[:2]))

    for before, after, now, said in worked("verdict"):
        runs = [
            {"meter": "EC", "run": place, "parts_before": 2 * (place > 0), "first_at": at(text), "last_at": at(text), "passed": text.endswith("passed"), "conflicts": 0}
            for place, text in enumerate((before, after)) if text != "none"
        ]  # fmt: skip
        parts = pl.DataFrame(
            {
                "lot": ["L"] * 2,
                "meter": ["EC"] * 2,
                "measured_at": [at("09"), at("10")],
                "count": [1, 1],
                "clock": ["known"] * 2,
                "parts_before": [1, 2],
            }
        )
        found = support_of_lots(brackets_of(parts, pl.DataFrame(runs), interval=timedelta(hours=8), as_of=at(now)))
        assert found["support"].to_list() == [said], (before, after, now)


def known_bias() -> None:
    found = local_levels(np.array([1.0, 2.0, 3.0]), np.zeros(3, dtype=int))
    assert [rounded(value) for value in found["level"]] == numbers("known-bias")


def distribution() -> None:
    upper = [observed_fraction(0, n)[1][1] for n in (20, 100)]
    assert [rounded(value) for value in (*upper, normal_fraction(2.0, 1_000_000).estimate)] == numbers("distribution")


def material() -> None:
    fit = fit_ranges(np.array([30.0]), np.array([0.5]), np.array([29.0, 31.0]), np.array([31.0, 33.0]), np.ones(2), 2.0)
    found = (*fit.likelihood[0], fit.probability[0][0])
    assert [rounded(value) for value in found] == numbers("material")


def hardness() -> None:
    for conductivity, result, *sides in worked("hardness"):
        for text, said in zip((conductivity, result), sides, strict=True):
            value, lower, upper = (float(one) for one in re.findall(r"[\d.]+", text))
            assert (side(value, lower, upper) or "within") == said


def sensors() -> None:
    from pipeline.metrology.sensor_checks import checks_of_sensors
    from schemas.reference_tables import REFERENCE_TABLES

    day = datetime(2026, 3, 2, tzinfo=UTC)
    for reference, reading, error, passes in worked("sensors"):
        table = pl.DataFrame(
            [
                {
                    "sensor": "TS",
                    "checked_on": day,
                    "reference_c": float(reference),
                    "reading_c": float(reading),
                    "tolerance_c": 0.5,
                }
            ],
            schema_overrides=REFERENCE_TABLES["sensor_checks"].polars_schema,
        )
        of = pl.DataFrame(
            [{"sensor": "TS", "correction_c": -0.1, "valid_from": None}],
            schema_overrides=REFERENCE_TABLES["sensors"].polars_schema,
        )
        found = checks_of_sensors(table, of, tolerance_c=0.5).row(0, named=True)
        assert rounded(found["error_c"]) == float(error)
        assert found["passed"] is (passes == "yes")


def checks() -> None:
    tolerance = convert(0.5, "%IACS", "MS/m")
    for readings, bias, passes in worked("checks"):
        found = float(np.mean([float(value) for value in readings.split(",")])) - 58.0
        assert rounded(found) == float(bias)
        assert (abs(found) <= tolerance + 1e-9) is (passes == "yes")


def look_back() -> None:
    one = {"low": 57.9, "high": 58.4, "change": 0.4, "expanded_uncertainty": 0.2}
    found = (
        errors_to_limit(**one, lower=57.0, upper=None),
        errors_to_limit(**one, lower=None, upper=59.0),
        errors_to_limit(**one, lower=57.0, upper=59.0),
    )
    assert [rounded(value) for value in found if value is not None] == numbers("look-back")


def block_or_meter() -> None:
    visits = np.repeat(np.arange(40), 2)
    time, meter = visits // 2, visits % 2
    block = np.tile([0, 1], 40)
    wave = np.where((visits + block) % 3 == 0, 0.01, -0.01)
    value = 58.0 + wave + 0.3 * ((block == 0) & (time >= 10))
    data = Visits(
        visit=visits, time=time.astype(float), meter=meter, block=block, phase=np.zeros(80, dtype=int), value=value
    )
    (found,) = find_movements(data)
    said = {row[0]: row[1] for row in worked("block-or-meter")}
    assert f"{found.kind} {'AB'[found.index]}" == said["what moved"]
    assert round(found.size, 1) == float(said["size"])
    assert found.meters == int(said["meters that saw it"])


def level_changes() -> None:
    (found,) = change_points(np.array([1.0, 1.1] * 5 + [2.0, 2.1] * 5))
    assert numbers("level-changes") == [1, found.place + 1, rounded(found.shift)]


WORKED = {
    "verdict": supports,
    "known-bias": known_bias,
    "distribution": distribution,
    "material": material,
    "hardness": hardness,
    "sensors": sensors,
    "checks": checks,
    "look-back": look_back,
    "block-or-meter": block_or_meter,
    "level-changes": level_changes,
}


@pytest.mark.parametrize("name", WORKED)
def test_an_example_worked_by_hand_comes_out_as_printed(name: str) -> None:
    WORKED[name]()


# links on reports


def links_on(html: str) -> set[str]:
    return set(re.findall(r'href="\.\./handbook/(method-[a-z-]+)\.html"', html))


def test_figures_flags_and_rules_on_a_lot_link_to_their_methods() -> None:
    html = reports.render(lot_pages()["reject"])
    for label, name in (
        ("Capability", "capability"),
        ("Repeatability on one spot", "lot-statistics"),
        ("Rounding", "conformity"),
    ):
        assert f'<dt><a href="../handbook/method-{name}.html">{label}</a></dt>' in html
    assert '<b><a href="../handbook/method-components.html">Spots differ within parts</a>: </b>' in html
    detailed = "".join(reports.render(page) for page in detailed_pages().values())
    assert {
        "method-stability",
        "method-distribution",
        "method-intervals",
        "method-material",
        "method-plan-by-variables",
    } <= links_on(detailed)


def test_rules_on_a_meter_link_to_their_method() -> None:
    pages = [one for page in meter_pages().values() for one in (page, *linked_pages(page))]
    html = "".join(map(reports.render, pages))
    assert '<a href="../handbook/method-control-limits.html">1-3s</a>' in html
    assert {
        "method-checks",
        "method-drift-charts",
        "method-drift-forecast",
        "method-precision",
        "method-look-back",
    } <= links_on(html)


def test_sections_that_name_methods_are_sections_of_pages() -> None:
    folders = {"supplier": "process"}
    for method in METHODS:
        for kind, names in method.sections.items():
            code = "".join(
                path.read_text("utf-8")
                for folder in (folders.get(kind, kind), "company")
                for path in (ROOT / "reports" / folder).glob("*.py")
            )
            for name in names.split():
                assert re.search(rf'section\(\s*"{name}"', code), (method.name, kind, name)


def test_a_page_that_travels_alone_links_to_no_handbook() -> None:
    html = reports.render(lot_pages()["accept"], reports.Site(alone=True))
    assert "handbook" not in html.partition("<body")[2]


def test_a_page_without_a_handbook_beside_it_links_to_none_and_says_what_it_missed() -> None:
    site = reports.Site(frozenset({"index.html"}))
    html = reports.render(lot_pages()["accept"], site)
    assert not links_on(html)
    assert method_address("capability") in site.missing
    assert '<p class="how">' not in html


def test_a_word_that_means_two_things_goes_by_the_kind_of_page() -> None:
    meter = "".join(reports.render(one) for page in meter_pages().values() for one in linked_pages(page))
    process = "".join(reports.render(page) for page in process_pages().values())
    assert re.search(r"<th[^>]*><a href=\"../handbook/method-control-limits.html\">z</a>", meter)
    assert re.search(r"<th[^>]*><a href=\"../handbook/method-process-charts.html\">z</a>", process)


def test_heads_that_sort_hold_no_link() -> None:
    html = reports.render(index_page(lots=3))
    assert "<th" in html
    assert not re.search(r"<th scope=.col.[^>]*><a ", html)
