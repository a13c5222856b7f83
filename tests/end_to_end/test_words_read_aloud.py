"""Every text of the demo, read aloud as a technician would: pages and commands say nothing that nobody says.

What is typed or copied stays as it is: code, file names, ids; and JSON and CSV keep the numbers of machines.
"""

from __future__ import annotations

import json
import re
import shutil
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pytest
from demo_parts import shown_demo
from workspace_files import Shell

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOUNS = (
    "lots|meters|checks|readings|parts|spots|events|runs|files|signals|warnings|blocks|flags|lines|dispositions|days|months|suppliers|"
    "values|subgroups|pairs|people|operators|materials|products|stretches|decimals|years|hours|minutes|results|certificates|reports|rows"
)
ODD = {
    "support is supported": r"(?i)support is (not )?supported",
    "mark before, told apart": r"Mark before|Told apart",
    "1 lots": rf"(?<![\d.,\u202f])1 ({NOUNS})\b",
    "either number": r"\b\d+ [a-z ]*\(s\)",
    "a hyphen for a minus": r"(?<![\w./~\u2013-])-\d+(\.\d+)?(?![\w-])",
    "a power of ten as machines write it": r"(?<![\w.])\d+(\.\d+)?[eE][+\u2212-]?\d+\b",
    "an index that is not set": r"(?<!\w)E_n\b",
    "a value of Python": r"(?<![\w'-])(nan|NaN|None)(?![\w'.-])(?!\.)",
    "braces that were not filled": r"\{\w*\}",
}
APART = {"p", "li", "td", "th", "dt", "dd", "figcaption", "caption", "h1", "h2", "h3", "summary", "text", "div", "br"}


class Read(HTMLParser):
    """The texts of a page, one a paragraph or cell; neither code nor data."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.said, self._left_out, self._table = [""], 0, False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002
        self._left_out += tag in {"script", "style", "code", "pre"}
        if tag in APART:
            self.said.append("")

    def handle_endtag(self, tag: str) -> None:
        self._left_out -= tag in {"script", "style", "code", "pre"}
        if tag in APART:
            self.said.append("")

    def handle_data(self, data: str) -> None:
        if not self._left_out:
            self.said[-1] += data


def odd(texts: list[str]) -> Iterator[tuple[str, str]]:
    for text in texts:
        said = " ".join(text.split())
        for name, pattern in ODD.items():
            if name == "a value of Python" and said == "None.":
                continue  # a sentence of ours
            if found := re.search(pattern, said):
                yield name, said[max(found.start() - 60, 0) : found.end() + 40]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Support is supported.", "support is supported"), ("1 lots wait", "1 lots"), ("off by -0.545 MS/m", "a hyphen for a minus"),
        ("p = 2.1e\u221207", "a power of ten as machines write it"), ("|E_n| = 1", "an index that is not set"), ("2 reading(s)", "either number"),
        ("mean nan", "a value of Python"), ("off by {size}", "braces that were not filled"),
    ],
)  # fmt: skip
def test_the_ear_hears_what_nobody_says(text: str, name: str) -> None:
    assert [found for found, _ in odd([text])] == [name]


def test_the_ear_leaves_names_dates_and_good_sentences_alone() -> None:
    good = [
        "L-0011 of EC-02/2026-06-01: 1-3s, 2-2s",
        "21 lots, 1.1 lots, 1 lot",
        "\u22120.5 and 2.1\u00b710\u207b\u2077",
        "61ad3ce86",
        "None.",
    ]
    assert list(odd(good)) == []


@pytest.fixture(scope="module")
def demo_workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo with all its pages."""
    return shutil.copytree(shown_demo(tmp_path_factory), tmp_path_factory.mktemp("demo") / "works")


@pytest.fixture
def demo_shell(demo_workspace: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    monkeypatch.chdir(demo_workspace)
    return Shell(demo_workspace, capsys)


def test_no_page_of_the_demo_says_what_nobody_says(demo_workspace: Path) -> None:
    pages = sorted((demo_workspace / "pages").rglob("*.html"))
    assert len(pages) > 80
    assert sum("handbook" in path.parts for path in pages) > 40
    found = {
        (name, said): path.name for path in pages for name, said in odd(Read(path.read_text(encoding="utf-8")).said)
    }
    assert found == {}


COMMANDS = (
    ("status",), ("lot", "L-0007"), ("lot", "G-0003"), ("lot", "L-0021"), ("meter", "EC-02"), ("meter", "EC-21"), ("block", "BL-A1"), ("trace",),
    ("trace", "--meter", "EC-02"), ("supplier", "Ostrovald Copper"), ("process", "copper bar"), ("review", "2026-06", "--direct"),
    ("study", "report", "GRR-1"),
)  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_no_command_says_what_nobody_says(demo_shell: Shell, command: tuple[str, ...]) -> None:
    demo_shell(*command)
    assert demo_shell.code in (0, 4), demo_shell.err
    assert demo_shell.out.strip()
    lines = [line for line in demo_shell.out.splitlines() if "annealog " not in line]
    assert list(odd(lines)) == []


def test_json_keeps_the_numbers_of_machines(demo_shell: Shell) -> None:
    demo_shell("meter", "EC-02", "--json")
    document = json.loads(demo_shell.out)
    assert "\u2212" not in json.dumps(document, ensure_ascii=False)
    assert re.search(r"-\d+\.\d+", demo_shell.out)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_a_sentence_in_json_counts_one_of_a_thing_as_one(demo_shell: Shell, command: tuple[str, ...]) -> None:
    demo_shell(*command, "--json")
    wrong = [f"{name}: {said}" for name, said in odd([demo_shell.out]) if name in ("1 lots", "either number")]
    assert wrong == []
