"""Invented exports of many styles: each is suggested, checked and read, and says what the same readings in neutral form say."""

from __future__ import annotations

import hashlib
import tomllib
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from intake_checks import FIXTURES, is_whole, layouts, load

from fixtures.exports.workbooks import files as workbooks
from pipeline.intake.layout import parse_layout
from pipeline.intake.suggest import suggest

if TYPE_CHECKING:
    from pipeline.intake.layout import Layout
    from pipeline.intake.reading import FileReading
    from pipeline.intake.suggest import Suggestion

EXPORTS = FIXTURES / "exports"
STYLES: dict[str, dict[str, Any]] = tomllib.loads((EXPORTS / "styles.toml").read_text(encoding="utf-8"))
LISTED = {
    "blocks": frozenset({"BL-A1", "BL-C1"}),
    "lots": frozenset[str](),
    "studies": frozenset({"GRR-3"}),
}
OWN = ("line", "replicate")
"""What a reading has by the place where it stands, not by what it says."""


def data_of(style: str) -> bytes:
    return (EXPORTS / STYLES[style]["file"]).read_bytes()


def suggested(style: str, data: bytes | None = None, **answers: str) -> Suggestion:
    given = {**STYLES[style]["answers"], **answers} if answers or data is None else STYLES[style]["answers"]
    return suggest(
        data_of(style) if data is None else data, STYLES[style]["file"], answers=given, listed=LISTED,
        site_zone="Europe/Oslo", now=datetime(2026, 12, 1, tzinfo=UTC),
    )  # fmt: skip


@cache
def layout_of(style: str) -> Layout:
    return parse_layout(suggested(style).layout_text, f"{style}.toml")


def read(style: str, data: bytes) -> FileReading:
    return load(data, layout_of(style), name=STYLES[style]["file"], listed=LISTED)


def said(readings: pl.DataFrame) -> list[str]:
    """What each reading says, one text a reading; a number that was converted agrees to twelve digits."""
    plain = readings.with_columns(pl.col(pl.Categorical).cast(pl.String), pl.col(pl.Float64).round_sig_figs(12)).drop(
        OWN
    )
    rows = [{key: value for key, value in row.items() if value is not None} for row in plain.to_dicts()]
    return sorted(str(sorted(row.items())) for row in rows)


def content(readings: pl.DataFrame) -> str:
    return hashlib.sha256("\n".join(said(readings)).encode()).hexdigest()


def test_every_export_here_has_its_neutral_form_and_its_answers() -> None:
    exports = {path.name for path in EXPORTS.glob("*.*")} - {"styles.toml", "__init__.py", "workbooks.py"}
    by_hand = {"block_means.csv", "columns_by_spaces.txt", "report_with_statistics.txt"}  # with layouts beside them
    assert exports - by_hand == {style["file"] for style in STYLES.values()}
    assert {path.stem for path in (EXPORTS / "neutral").glob("*.csv")} == set(STYLES)
    assert len(STYLES) >= 15


@pytest.mark.parametrize("style", STYLES)
def test_what_is_suggested_and_answered_reads_what_the_neutral_form_says(style: str) -> None:
    found = suggested(style)
    assert (found.lost, found.complete) == ((), True)
    neutral = load((EXPORTS / "neutral" / f"{style}.csv").read_bytes(), layouts()["neutral"], listed=LISTED)
    assert neutral.held is None
    assert neutral.quarantine.height == 0
    reading = read(style, data_of(style))
    is_whole(reading)
    assert {text.partition(":")[0] for text in reading.warnings} <= {"header_repeated", "hidden_sheet", "hidden_rows"}
    assert said(reading.readings) == said(neutral.readings)
    assert content(reading.readings) == content(neutral.readings)
    assert reading.readings.height >= 3


@pytest.mark.parametrize("style", STYLES)
def test_what_is_asked_is_what_a_person_answers_and_it_is_not_much(style: str) -> None:
    answers = STYLES[style]["answers"]
    found = suggest(data_of(style), STYLES[style]["file"], listed=LISTED)
    asked = [question.key for question in found.questions if question.blocking]
    assert not found.complete
    assert found.tried is None
    assert len(asked) <= 7
    # a pattern for the name of the file answers for what it names
    implied = {"meter", "lot"} if "file_name" in answers else {"lot"} if "sheet_name" in answers else set()
    assert set(asked) - set(answers) <= implied
    blocking = [question.blocking for question in found.questions]
    assert blocking == sorted(blocking, reverse=True)


def test_the_workbooks_are_what_their_generator_writes() -> None:
    for name, data in workbooks().items():
        assert (EXPORTS / name).read_bytes() == data, name


# damaged variants


def lines_of(data: bytes) -> tuple[list[bytes], bytes]:
    wide = data.startswith(b"\xff\xfe")
    mark = b"\r\x00\n\x00" if wide else b"\r\n" if b"\r\n" in data else b"\n"
    return data.split(mark), mark


def variants(data: bytes) -> dict[str, bytes]:
    lines, mark = lines_of(data)
    last = len(lines) - 2
    cell = next(m for m in (b";", b"\t", b"|", b",", b" ") if m in lines[last - 1])
    middle = len(lines) // 2
    wide = data.startswith(b"\xff\xfe")
    pad = b"\x00" if wide else b""
    found = {
        "first line lost": mark.join(lines[1:]),
        "middle line lost": mark.join([*lines[:middle], *lines[middle + 1 :]]),
        "last line lost": mark.join(lines[:-2] + lines[-1:]),
        "middle line twice": mark.join([*lines[:middle], lines[middle], *lines[middle:]]),
        "last line twice": mark.join([*lines[:-1], lines[last], b""]),
        "two lines exchanged": mark.join(
            [*lines[: middle - 1], lines[middle], lines[middle - 1], *lines[middle + 1 :]]
        ),
        "no line end": data[: -len(mark)],
        "blank lines": mark.join([*lines[:middle], b"", b"", *lines[middle:]]),
        "a cell too many": mark.join([*lines[:last], lines[last] + cell + pad + b"x" + pad, b""]),
        "a letter in a number": mark.join([*lines[:last], lines[last].replace(b"2", b"z"), b""]),
        "twice in one file": data + (data[2:] if wide else data),
        "other units": data.replace(b"%" + pad + b"I", b"M" + pad + b"I").replace(b"M" + pad + b"S", b"m" + pad + b"S"),
    }
    cuts = range(4, 20)
    found |= {f"cut at {cut}/20": data[: len(data) * cut // 20 // 2 * 2] for cut in cuts}
    return {name: one for name, one in found.items() if one != data}


@pytest.mark.parametrize("style", [style for style in STYLES if STYLES[style]["file"] not in workbooks()])
def test_of_a_damaged_variant_every_line_has_one_fate_and_nothing_new_is_said(style: str) -> None:
    """Lines balance; what is read of a damaged file is what the whole one says, but for a line that itself was altered."""
    data = data_of(style)
    good = set(said(read(style, data).readings))
    _, mark = lines_of(data)
    for name, damaged in variants(data).items():
        found = read(style, damaged)
        is_whole(found)
        if found.held is not None or (name == "two lines exchanged" and layout_of(style).at_once):
            continue  # where a line says something of those below it, another order says something else
        text = damaged.count(mark) + (not damaged.endswith(mark))
        assert found.lines == text, name
        assert set(said(found.readings)) <= good, name
        if name in ("no line end", "a letter in a number", "a cell too many"):
            assert found.quarantine.height or found.readings.height < len(good) or found.counts["footer"], name


NOTHING_TELLS = {
    # a line with a name that holds for those below it, and nothing else in the file says so
    "groupes": {"Lot: L-0502;;;;;", "Lot: L-0503;;;;;"},
    "due_righe": {"LT-13;1;1;02.03.2026 11:04;99,80;20,5"},
    "once": {"\t2\t1\t58.0\t21.0\t28-Mar-2026 08:02", "KB-10\t1\t1\t57.1\t21.0\t28-Mar-2026 08:04"},
}


@pytest.mark.parametrize("style", STYLES)
def test_whichever_line_is_lost_or_garbled_nothing_new_is_said(style: str) -> None:
    data = data_of(style)
    good = set(said(read(style, data).readings))
    lines, mark = lines_of(data)
    garbled = "\x7f~".encode("utf-16-le" if mark.startswith(b"\r\x00") else "ascii")
    for n, line in enumerate(lines[:-1]):
        start = 2 if n == 0 and line.startswith(b"\xff\xfe") else 0
        for other in ([], [line[:start] + garbled + line[start:]], [line[:start] + garbled]):
            found = read(style, mark.join([*lines[:n], *other, *lines[n + 1 :]]))
            is_whole(found)
            told = line.decode("latin-1") in NOTHING_TELLS.get(style, ()) and other != [garbled]
            new = set(said(found.readings)) - good
            # a reading whose own line was garbled may say something else, and so may those below that take its name
            altered = bool(other) and (len(new) == 1 or all("~" in one for one in new))
            assert not new or told or altered, (n, other, new)
