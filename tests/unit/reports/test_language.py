"""A second language is one table: every text of ours on every page comes from it, and nothing but data is left over."""

from __future__ import annotations

import dataclasses
import html
import re
import string
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from parsed_pages import Parsed, pages
from scenario import Scenario
from workspace_files import neutral_csv

import reports
from pipeline.errors import SettingsError, UsageError
from pipeline.history.store import History
from pipeline.pages.language import check_texts, texts_of, write_texts
from pipeline.pages.writer import write_pages
from pipeline.questions.reports_issued import paper_of
from pipeline.questions.review import review_page
from pipeline.workspace.settings import Settings, Workspace, find_workspace
from reports import Site
from reports.kit.language import catalogue, complaints, spoken
from schemas.digits import typeset

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from workspace_files import Shell


def pseudo(text: str) -> str:
    """Return a text as a language that no data is written in: capitals between marks, what is put in kept."""
    parts = string.Formatter().parse(text)
    return (
        "⟦"
        + "".join(f"{said.upper()}{'{' + field + '}' if field is not None else ''}" for said, field, *_ in parts)
        + "⟧"
    )


PSEUDO = {key: pseudo(text) if text else text for key, text in catalogue().items()}


def strings(value: Any) -> Iterator[str]:
    """Yield every text in a page's data: ids, sentences of the pipeline, names of files."""
    if isinstance(value, str):
        yield from {value, typeset(value)}
    elif isinstance(value, pl.DataFrame):
        for column in value.select(pl.col(pl.String, pl.Categorical).cast(pl.String)).iter_columns():
            yield from (text for text in column.unique() if text is not None)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from strings(getattr(value, field.name))
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from strings(key)
            yield from strings(item)
    elif isinstance(value, list | tuple | set | frozenset):
        for item in value:
            yield from strings(item)


def without_marked(text: str) -> str:
    """Return what stands outside the marks of the pseudo-language."""
    depth, kept = 0, []
    for character in text:
        depth += character == "⟦"
        if not depth:
            kept.append(character)
        depth -= character == "⟧"
    return "".join(kept)


UNITS = r"MS/m|%IACS|kHz|mm|µm|°C|UTC|Hz|Europe/Oslo"


def left_over(page: Any) -> list[str]:
    """Return the words of a page that are neither from the table of texts nor from the page's data."""
    written = reports.render(page, Site(language="qps", texts=PSEUDO))
    assert '<html lang="qps">' in written
    parsed = Parsed(written)
    labels = ("aria-label", "title", "alt", "placeholder")
    texts = [
        without_marked(value) for _, attributes in parsed.elements for key in labels if (value := attributes.get(key))
    ]
    # a sentence may go over several elements, so marks are matched over the whole page
    texts += without_marked("\0".join(parsed.texts)).split("\0")
    data = sorted({html.unescape(text) for text in strings(page)}, key=len, reverse=True)
    all_data = " ".join(data).lower().replace("_", " ")
    found = []
    for text in texts:
        rest = text
        for known in data:
            if len(known) > 1 and known in rest:
                rest = rest.replace(known, " ")
        rest = re.sub(UNITS, " ", rest)
        # the name of a flag is its code with a capital, so cases are not told apart
        found += [
            f"{word}: {text[:60]!r}" for word in re.findall(r"[A-Za-z]{3,}", rest) if word.lower() not in all_data
        ]
    return found


@pytest.mark.parametrize("name", [name for name in pages() if "hostile" not in name])
def test_every_text_of_ours_can_be_said_in_another_language(name: str) -> None:
    assert left_over(pages()[name]) == []


def test_pages_that_commands_write_can_be_said_in_another_language(shell: Shell) -> None:
    shell("init", ".")
    scenario = Scenario().check("08:00").lot("09:00").check("10:00", bias=1.0).lot("11:00", lot="L2")
    for name, table in scenario.reference.items():
        (shell.root / "reference" / f"{name}.csv").write_text(table, encoding="utf-8")
    (shell.root / "inbox" / "a.csv").write_text(neutral_csv(scenario), encoding="utf-8")
    shell("load", "inbox", "--direct")
    place = find_workspace(shell.root)
    assert left_over(review_page(place, "2026-03")) == []
    (place.root / "annealog.toml").write_text('name = "Works"\naddress = "Street 1"\n', encoding="utf-8")
    (place.root / "reference" / "lots.csv").write_text(
        scenario.reference["lots"] + "L3,bar,copper,S,Q\n", encoding="utf-8"
    )
    later = Scenario().check("08:00", day=1).lot("09:00", lot="L3", day=1).check("10:00", day=1)
    (place.root / "inbox" / "b.csv").write_text(neutral_csv(later), encoding="utf-8")
    shell("load", "inbox", "--direct")
    for words in (("L3",), ("L2", "--nonconformity")):
        shell("test-report", *words, "--by", "Ada")
        assert shell.code == 0, shell.err
    with History.open(place.history) as history:
        assert [left_over(paper_of(event)) for event in history.events("report")] == [[], []]


def test_english_comes_back_after_another_language() -> None:
    page = pages()["lot accept"]
    before = reports.render(page)
    reports.render(page, Site(language="qps", texts=PSEUDO))
    assert reports.render(page) == before
    with pytest.raises(RuntimeError), spoken(PSEUDO):
        raise RuntimeError
    assert catalogue()["general.SECTION.why"] == "Why"


def test_a_text_of_ours_that_bypassed_the_table_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(PSEUDO, "general.SECTION.next", "Something untranslatable")
    assert any("untranslatable" in found for found in left_over(pages()["lot accept"]))


def test_a_table_is_whole_or_says_what_it_lacks() -> None:
    assert complaints(catalogue()) == []
    assert complaints(PSEUDO) == []
    lacking = {**catalogue(), "general.NO.such": "x", "general.COUNT.counted": "{number}", "general.COUNT.list": "{"}
    del lacking["general.SECTION.why"]
    said = " ".join(complaints(lacking))
    assert "general.SECTION.why: no text; in English 'Why'" in said
    assert "general.NO.such: no text of the pages has this key" in said
    assert "general.COUNT.counted: expected {noun}, {number} in braces" in said
    assert "general.COUNT.list:" in said


def test_a_workspace_speaks_the_language_of_its_file(tmp_path: Path) -> None:
    english = Workspace(tmp_path, Settings())
    assert texts_of(english) is None
    path = write_texts(english, "no")
    assert check_texts(english, "no") == []
    assert texts_of(Workspace(tmp_path, Settings(language="no"))) == catalogue()
    path.write_text(path.read_text(encoding="utf-8").replace('"why" = "Why"', '"why" = "Hvorfor"'), encoding="utf-8")
    norwegian = Workspace(tmp_path, Settings(language="no"))
    page = pages()["lot accept"]
    (first,) = write_pages(english, [page])
    assert "Hvorfor" not in first.path.read_text(encoding="utf-8")
    (second,) = write_pages(norwegian, [page])
    assert second.written
    assert '<html lang="no">' in second.path.read_text(encoding="utf-8")
    assert "Hvorfor" in second.path.read_text(encoding="utf-8")
    (third,) = write_pages(norwegian, [page])
    assert not third.written
    write_texts(norwegian, "no")
    assert "Hvorfor" in path.read_text(encoding="utf-8")  # a translator's work is never written over


def test_a_language_that_is_not_whole_is_refused_with_what_it_lacks(tmp_path: Path) -> None:
    workspace = Workspace(tmp_path, Settings(language="de"))
    with pytest.raises(SettingsError, match="annealog texts de"):
        texts_of(workspace)
    path = write_texts(workspace, "de")
    path.write_text('["general.SECTION"]\n"why" = "Warum"\n', encoding="utf-8")
    with pytest.raises(SettingsError, match=r"no whole language yet.*and [0-9]+ more"):
        texts_of(workspace)
    assert len(check_texts(workspace, "de")) == len(catalogue()) - 1
    path.write_text("why = 1\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="expected a table of texts"):
        texts_of(workspace)
    with pytest.raises(UsageError, match="is no language"):
        write_texts(workspace, "../../etc")
