"""Our scripts hold nothing that could run a text, fetch, or write markup; data for them cannot leave its element."""

from __future__ import annotations

import json
import math
import re
import string

import pytest
from sample_texts import HOSTILE

from reports.kit.scripts import CHANGED, CHARTS, ENTRY, INDEX_FILTER, as_data, data_block
from reports.words import scripts as words
from reports.words import web


@pytest.mark.parametrize("source", [CHANGED, CHARTS, INDEX_FILTER, ENTRY.replace("window.localStorage", "")])
def test_a_script_runs_no_text_and_reaches_nowhere(source: str) -> None:
    forbidden = (
        r"\beval\b|new Function|innerHTML|outerHTML|insertAdjacentHTML|document\.write|\bfetch\b|XMLHttpRequest|WebSocket|"
        r"sendBeacon|importScripts|import\(|localStorage|sessionStorage|\.cookie|setAttribute\(.style|setAttribute\(.on"
    )
    assert not re.search(forbidden, source)
    assert set(re.findall(r"https?://[^\"' ]+", source)) <= {"http://www.w3.org/2000/svg"}
    assert "</script" not in source.lower()
    assert source.startswith('"use strict";')


def test_scripts_stay_small() -> None:
    assert len(CHARTS.encode()) < 18_000
    assert len(INDEX_FILTER.encode()) < 6_000
    assert len(ENTRY.encode()) < 5_000
    assert len(CHANGED.encode()) < 2_000


@pytest.mark.parametrize(
    ("catalogue", "source"),
    [(words.LAYER, CHARTS), (words.FILTER, INDEX_FILTER), (web.ENTRY, ENTRY), (web.CHANGED, CHANGED)],
)
def test_a_script_says_only_what_stands_in_the_catalogue(catalogue: dict[str, str], source: str) -> None:
    used = set(re.findall(r"\bsaid\.(\w+)", source)) - {"length"}
    used -= {"sent", "key", "back", "lower", "upper", "far", "address", "after_s"}  # what a page tells beside its words
    by_name = {"verdict", "material", "supplier", "meter"} if "said[name]" in source else set()
    assert used | by_name == set(catalogue)
    for text in catalogue.values():
        for _, field, _, _ in string.Formatter().parse(text):
            assert field is None or re.search(rf"\b{field}\b", source)


@pytest.mark.parametrize("hostile", HOSTILE)
def test_data_stays_data(hostile: str) -> None:
    written = as_data({"said": [hostile]})
    assert not re.search(r"[<>&\u2028\u2029]", written)
    assert written.isascii()
    assert data_block(["</script>"]).count("</script>") == 1
    assert isinstance(json.loads(written)["said"][0], str)


def test_a_number_that_is_none_is_no_data() -> None:
    with pytest.raises(ValueError, match="JSON"):
        as_data([math.nan])
