"""The pages in a real browser: they draw, nothing from a file comes alive, they print, nothing is fetched."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import pytest
from sample_pages import HOSTILE

from reports._markup import shorten, visible

if TYPE_CHECKING:
    from pathlib import Path

SHOWN = ("lot reject", "lot many", "lot hostile", "meter suspended", "meter hostile", "index")
DESK, PHONE = 1200, 375


@pytest.fixture(scope="module")
def measured(chromium: Any, written: dict[str, Path]) -> dict[str, Any]:
    found: dict[str, Any] = chromium.measure(
        [(name, written[name], width) for name in SHOWN for width in (DESK, PHONE)]
    )
    return found


@pytest.mark.parametrize("width", [DESK, PHONE])
@pytest.mark.parametrize("name", SHOWN)
def test_a_page_draws_its_charts(measured: dict[str, Any], name: str, width: int) -> None:
    page = measured[f"{name}@{width}"]
    assert page["styles"] == 2  # both were let through by the policy of the page
    if name != "index":
        assert len(page["charts"]) >= 3
        assert all(w > 400 and h > 90 for w, h in page["charts"])
        assert page["marks"] > 20
    assert page["word"].strip()


@pytest.mark.parametrize("name", ["lot hostile", "meter hostile", "index"])
def test_hostile_text_stays_text(measured: dict[str, Any], name: str) -> None:
    page = measured[f"{name}@{DESK}"]
    assert (page["scripts"], page["images"], page["handlers"], page["foreign"]) == (0, 0, 0, 0)
    if name == "lot hostile":
        assert page["title"] == f"Hold: {visible(shorten(HOSTILE[0], 60))}"


@pytest.mark.parametrize("name", SHOWN)
def test_no_page_is_wider_than_a_phone(measured: dict[str, Any], name: str) -> None:
    page = measured[f"{name}@{PHONE}"]
    assert page["overflow"] <= 0
    assert page["verdict_top"] < 400


@pytest.mark.parametrize("name", SHOWN)
def test_the_verdict_is_seen_without_scrolling(measured: dict[str, Any], name: str) -> None:
    assert measured[f"{name}@{DESK}"]["verdict_top"] < 320


def brightness(colour: str) -> float:
    red, green, blue = (int(c) for c in re.findall(r"\d+", colour)[:3])
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_the_page_follows_the_scheme_of_the_reader(
    chromium: Any, written: dict[str, Path], measured: dict[str, Any]
) -> None:
    light = measured[f"lot reject@{DESK}"]
    dark = chromium.measure([("page", written["lot reject"], DESK)], "--blink-settings=preferredColorScheme=0")[
        f"page@{DESK}"
    ]
    assert brightness(light["paper"]) > 230 > 60 > brightness(light["ink"])
    assert brightness(dark["ink"]) > 200 > 60 > brightness(dark["paper"])


@pytest.mark.parametrize("name", ["lot reject", "meter hostile"])
def test_a_page_prints(chromium: Any, written: dict[str, Path], tmp_path: Path, name: str) -> None:
    target = tmp_path / "page.pdf"
    chromium.run(written[name], "--no-pdf-header-footer", f"--print-to-pdf={target}")
    pdf = target.read_bytes()
    assert pdf.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 3


OWN = re.compile(r"https?://[a-z0-9.-]+\.(google|googleapis|gvt1)\.com/")
"""Where the browser itself asks for news, whatever flags it is given; no page of ours names such a place."""


def fetched(chromium: Any, page: Path, log: Path) -> set[str]:
    """Return the addresses that a page made the browser ask for."""
    chromium.run(page, f"--log-net-log={log}", "--virtual-time-budget=3000", "--dump-dom")
    events = json.loads(log.read_text(encoding="utf-8"))["events"]
    asked = {url for event in events if (url := (event.get("params") or {}).get("url"))}
    return {url for url in asked if re.match(r"(https?|wss?):", url) and not OWN.match(url)}


def test_nothing_is_fetched(chromium: Any, written: dict[str, Path], tmp_path: Path) -> None:
    control = tmp_path / "control.html"
    control.write_text('<img src="http://example.invalid/seen.png">', encoding="utf-8")
    assert fetched(chromium, control, tmp_path / "control.json") == {"http://example.invalid/seen.png"}
    for name in ("lot hostile", "meter hostile", "index"):
        assert not OWN.search(written[name].read_text(encoding="utf-8"))
        assert fetched(chromium, written[name], tmp_path / "net.json") == set()
