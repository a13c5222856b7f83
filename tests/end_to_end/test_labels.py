"""Labels: another library reads the id back from the code (zxing-cpp), the state is in word and shape, the paper is 62 mm by 29 mm."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pypdfium2
import pytest
import zxingcpp
from paper_works import LOTS, paper_works
from scenario import Scenario

from pipeline.errors import UsageError
from pipeline.questions.labels import MOST_CHARACTERS, code_of
from reports.paper.label import QUIET, label
from reports.words import block, general
from schemas.papers import LabelPage

if TYPE_CHECKING:
    from workspace_files import Shell


@pytest.fixture
def works(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    return paper_works(tmp_path / "works", capsys)


def labels(works: Shell, *words: str) -> list[Path]:
    return [Path(path) for path in works.json("label", *words, "--workspace", str(works.root))["labels"]]


def read(modules: tuple[tuple[bool, ...], ...]) -> list[str]:
    """Return what a reader makes of the modules, with the quiet zone around them."""
    dark = np.pad(np.array(modules), QUIET)
    picture = np.where(np.kron(dark, np.ones((4, 4))) > 0, 0, 255).astype(np.uint8)
    return [found.text for found in zxingcpp.read_barcodes(picture)]


@pytest.mark.parametrize("identifier", ["L-0007", "B1", "a b/c", "=1+1", "Målebok Ø-7", "中文", "x" * MOST_CHARACTERS])
def test_a_reader_gives_back_the_id(identifier: str) -> None:
    assert read(code_of(identifier)) == [identifier]


@pytest.mark.parametrize("identifier", ["", "x" * (MOST_CHARACTERS + 1), "中" * 67])
def test_an_id_that_no_reader_would_read_gets_no_label(identifier: str) -> None:
    with pytest.raises(UsageError, match="a label holds 1 to 200"):
        code_of(identifier)


def test_a_label_says_id_state_and_dates(works: Shell) -> None:
    paths = labels(works, "--lot", "L1", "--lot", "L3", "--block", "B1")
    assert [path.name for path in paths] == ["lot-L1.svg", "lot-L3.svg", "block-B1.svg"]
    texts = []
    for path in paths:
        root = ET.fromstring(path.read_text(encoding="utf-8"))
        assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("62mm", "29mm", "0 0 62 29")
        space = "{http://www.w3.org/2000/svg}"
        texts.append([node.text for node in root.iter(f"{space}text")])
        assert min(float(node.get("font-size", "0")) for node in root.iter(f"{space}text")) * 72 / 25.4 >= 8
        shapes = {node.get("id") for node in root.iter(f"{space}symbol")}
        assert {str(node.get("href"))[1:] for node in root.iter(f"{space}use")} <= shapes
    assert texts[0] == ["Lot", "L1", "Accept", "read 2026-03-02"]
    assert texts[1] == ["Lot", "L3", "Reject", "read 2026-03-02"]
    assert texts[2][:2] + texts[2][3:] == ["Reference block", "B1", "certified 2025-06-01", "due 2027-06-01"]
    uses = [re.findall(r'href="#(shape-\w+)"', path.read_text(encoding="utf-8")) for path in paths[:2]]
    assert uses == [["shape-accept"], ["shape-reject"]]


@pytest.mark.parametrize(
    ("kind", "state", "first"),
    [("lot", "accept", first) for first in general.FIRST]
    + [("lot", verdict, None) for verdict in general.VERDICT]
    + [("block", state, None) for state in block.STATE],
)
def test_every_state_fits_beside_the_code_and_is_read_without_a_glass(kind: str, state: str, first: str | None) -> None:
    page = LabelPage(
        kind=kind,
        identifier="L-0007",
        state=state,
        first=first,
        dated=None,
        due=None,
        zone="UTC",
        code=code_of("L-0007"),
    )
    root = ET.fromstring(label(page))
    texts = list(root.iter("{http://www.w3.org/2000/svg}text"))
    word = block.STATE[state] if kind == "block" else general.FIRST[first] if first else general.VERDICT[state]
    assert word in " ".join(str(node.text) for node in texts)
    for node in texts:
        size = float(node.get("font-size", "0"))
        assert size * 72 / 25.4 >= 8
        assert float(node.get("x", "0")) + 0.58 * size * len(str(node.text)) <= 36
    at = [float(node.get("y", "0")) for node in texts]
    assert at == sorted(at)
    assert max(at) < 29


def test_an_accept_with_something_first_is_no_plain_accept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    values = [58.0 + 0.01 * (i % 3) for i in range(8)] + [59.0 + 0.01 * (i % 3) for i in range(8)]
    story = Scenario().check("08:00").lot("09:00", *values).check("10:00")
    works = paper_works(tmp_path / "works", capsys, scenario=story)
    (path,) = labels(works, "--lot", "L1")
    text = path.read_text(encoding="utf-8")
    assert "Accept, sort first" in text
    assert "#shape-conditional" in text


def test_a_printed_label_has_its_size_and_its_code_is_read(works: Shell, chromium_for_labels: None) -> None:
    for path, identifier in zip(labels(works, "--lot", "L1", "--block", "B2", "--pdf"), ("L1", "B2"), strict=True):
        document = pypdfium2.PdfDocument(path)
        assert len(document) == 1
        assert document[0].get_size() == pytest.approx(
            (62 * 72 / 25.4, 29 * 72 / 25.4), abs=0.9
        )  # whole pixels of 1/96 inch
        # 203 dots an inch, as label printers have
        picture = np.ascontiguousarray(document[0].render(scale=203 / 72, grayscale=True).to_numpy().squeeze())
        assert [found.text for found in zxingcpp.read_barcodes(picture)] == [identifier]
        document.close()


@pytest.fixture
def chromium_for_labels() -> None:
    import shutil

    from needed import lacking

    if shutil.which("chromium") is None and shutil.which("chromium-browser") is None:
        lacking("no chromium on this machine")


@pytest.mark.parametrize(
    ("words", "said"),
    [(("--lot", "L9"), "has no readings"), (("--block", "B9"), "is not known"), ((), "Name what is to be labelled")],
)
def test_what_is_not_there_gets_no_label(works: Shell, words: tuple[str, ...], said: str) -> None:
    works("label", *words, "--workspace", str(works.root))
    assert works.code == 2
    assert said in works.err
    works("label", "--lot", "L1", *words, "--workspace", str(works.root)) if words else None
    assert not (works.root / "pages" / "labels").exists()


def test_hostile_and_long_names_stay_text_within_the_label(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = '<b>&"\u202e' + "x" * 90
    lots = LOTS + '"' + name.replace('"', '""') + '",bar,copper,S,,,,,\n'
    works = paper_works(tmp_path / "works", capsys, lots=lots, scenario=Scenario())
    page = LabelPage(
        kind="lot", identifier=name, state="hold", first=None, dated=None, due=None, zone="UTC", code=code_of(name)
    )
    drawn = label(page)
    assert "<b>" not in drawn
    assert "\u202e" not in drawn
    root = ET.fromstring(drawn)
    lines = list(root.iter("{http://www.w3.org/2000/svg}text"))
    assert max(len(str(node.text)) * float(node.get("font-size", "0")) * 0.62 for node in lines[1:-2]) <= 33.5
    assert "not dated" in drawn
    assert read(code_of(name)) == [name]
    assert works.root.exists()
