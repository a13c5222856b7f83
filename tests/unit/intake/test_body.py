"""The end of a file: where a footer is looked for, what follows it, and a last line that was cut off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from intake_checks import is_whole, load
from sample_layouts import LOT_WHEN_VALUE

from pipeline.intake import body, reader
from pipeline.intake.body import _LONGEST_FOOTER
from pipeline.intake.layout import parse_layout

if TYPE_CHECKING:
    from pipeline.intake.reading import FileReading

LAYOUT = (
    """
name = "plain"
version = 1
zone = "offset"
[dialect]
delimiter = ";"
"""
    + LOT_WHEN_VALUE
    + """
meter = "EC-01"
[footer]
pattern = "Mean"
"""
)
HEADER = "Lot;When;Value\n"
MEAN = "Mean;2026-03-02T09:00:00Z;58.1\n"  # with the cells of a reading


def rows(count: int, first: int = 0) -> str:
    return "".join(f"L-1;2026-03-02T08:{n // 60:02}:{n % 60:02}Z;58.1\n" for n in range(first, first + count))


def read(text: str, layout: str = LAYOUT) -> FileReading:
    found = load((HEADER + text).encode(), parse_layout(layout, "plain.toml"))
    is_whole(found)
    assert found.held is None
    return found


def fates(found: FileReading) -> dict[str, int]:
    return {fate: count for fate, count in found.counts.items() if count and fate != "header"}


@pytest.mark.parametrize("before", [0, 1, 20])
@pytest.mark.parametrize(("after", "taken"), [(_LONGEST_FOOTER - 1, True), (_LONGEST_FOOTER, False)])
def test_a_footer_with_the_cells_of_a_reading_is_one_within_the_last_fifty_lines(
    before: int, after: int, *, taken: bool
) -> None:
    assert _LONGEST_FOOTER == 50
    found = read(rows(before) + MEAN + rows(after, before))
    if not taken:
        assert fates(found) == {"accepted": before + 1 + after}
        return
    assert fates(found) == {"footer": 1, "quarantined": after} | ({"accepted": before} if before else {})
    assert found.quarantine["line"].to_list() == list(range(before + 3, before + 3 + after))
    assert set(found.quarantine["reason"]) == {"after_footer"}
    assert found.quarantine["sentence"][0].startswith(f"The footer begins in line {before + 2}. ")
    assert found.quarantine["original"].to_list() == rows(after, before).splitlines()


@pytest.mark.parametrize("size", [300, 1 << 20])
def test_only_the_end_of_the_file_is_its_end_and_not_that_of_a_piece(
    size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "CHUNK_BYTES", size)
    found = read(rows(3) + MEAN + rows(60, 3) + MEAN)
    assert fates(found) == {"accepted": 64, "footer": 1}
    assert found.readings["lot"].cast(str).to_list().count("Mean") == 1


def test_a_longer_footer_begins_with_its_first_line_that_is_no_reading() -> None:
    short, remarks = "Mean;58.1\n", "of all\n" * 60
    assert fates(read(rows(2) + short + remarks)) == {"accepted": 2, "footer": 61}
    assert fates(read(rows(2) + short + remarks + short)) == {"accepted": 2, "footer": 62}
    # what stands above its first line waits for a person
    assert fates(read(rows(2) + remarks + short)) == {"accepted": 2, "quarantined": 60, "footer": 1}
    # and what has half as many delimiters as a reading has cells, below it, too
    found = read(
        rows(2) + short + "of all\n" + "readings;2\n" + "L-1;2026-03-02T08:00:09Z;\n" + rows(1, 2) + "x;y;z;w\n"
    )
    assert found.quarantine.select("line", "reason").rows() == [
        (7, "missing_value"), (8, "after_footer"), (9, "too_many_cells"),
    ]  # fmt: skip
    assert found.counts["footer"] == 3


@pytest.mark.parametrize("needs", [True, False])
def test_a_last_line_without_its_end_is_refused_whatever_it_says(needs: bool) -> None:
    layout = LAYOUT if needs else LAYOUT.replace('delimiter = ";"', 'delimiter = ";"\nfinalNewline = false')
    for last, taken in (
        ("L-1;2026-03-02T08:00:02Z;58.1", True),
        ("L-1;2026-03-02T08:00:02Z", False),
        ("x;y;z;w", False),
    ):
        found = read(rows(2) + last, layout)
        refused = found.quarantine.select("line", "reason", "original").rows()
        if needs or not taken:
            reason = "truncated" if needs or last.count(";") == 1 else "too_many_cells"
            assert refused == [(4, reason, last)]
            assert found.readings["line"].to_list() == [2, 3]
        else:
            assert (refused, found.readings["line"].to_list()) == ([], [2, 3, 4])
        assert ("declare dialect.finalNewline" in "".join(found.quarantine["sentence"])) == needs
    # no line that says nothing, and no footer, is cut off
    assert fates(read(rows(2) + "  ", layout)) == {"accepted": 2, "blank": 1}
    assert fates(read(rows(2) + MEAN[:-1], layout)) == {"accepted": 2, "footer": 1}


def test_what_is_no_reading_is_counted_by_what_it_is_and_a_header_again_is_told_once() -> None:
    found = read(rows(1) + HEADER + ";;\n \t\n\x1a\n" + "\ufeff" + HEADER + rows(1, 1) + HEADER)
    assert fates(found) == {"accepted": 2, "blank": 3}
    assert found.counts["header"] == 4
    assert [text.partition(" is the")[0] for text in found.warnings if "header" in text] == ["header_repeated: line 3"]


def test_lines_below_a_footer_that_look_half_like_a_reading_wait() -> None:
    """Half as many delimiters as a reading has cells: of four cells two are half, of three cells one is less."""
    layout = LAYOUT.replace("[constants]", '[[schema.fields]]\nname = "By"\nignore = true\n[constants]')
    text = HEADER.replace("\n", ";By\n") + "L-1;2026-03-02T08:00:00Z;58.1;me\nMean\nhalf;a;reading\nfar;off\n"
    found = load(text.encode(), parse_layout(layout, "plain.toml"))
    assert found.quarantine.select("line", "reason", "original").rows() == [(4, "too_few_cells", "half;a;reading")]
    assert fates(found) == {"accepted": 1, "footer": 2, "quarantined": 1}


@pytest.mark.parametrize("size", [60, 1 << 20])
def test_units_and_header_that_stand_again_are_counted_where_they_stand(
    size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    layout = LAYOUT.replace('delimiter = ";"', 'delimiter = ";"\nunitsRow = true\ncommentChar = "#"')
    units = ";;MS/m\n"
    monkeypatch.setattr(reader, "CHUNK_BYTES", size)
    found = read(units + rows(2) + HEADER + units + rows(1, 2) + HEADER + units + "# the end", layout)
    assert fates(found) == {"accepted": 3, "units": 3, "preamble": 1}
    assert found.counts["header"] == 3
    assert [text.split("; ")[0] for text in found.warnings if "again" in text] == [
        "header_repeated: line 5 is the header again"
    ]


def test_a_line_that_was_cut_off_is_told_only_at_the_end_of_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "CHUNK_BYTES", 60)
    found = read(rows(1) + "L-1;58.1\n" + rows(3, 1) + "L-1;58.1\n")
    assert found.quarantine.select("line", "reason").rows() == [(3, "too_few_cells"), (7, "truncated")]
    assert found.quarantine["sentence"][0].startswith("The line has fewer cells than the header has columns (3). ")
    for bad, reason in (
        ("a;b;c;d\n", "too_many_cells"),
        ("a;b\r;c\n", "stray_carriage_return"),
        ('"a"b;c;d\n', "bad_quoting"),
    ):
        found = read(bad + rows(1))
        assert found.quarantine.select("line", "column", "reason", "original").rows() == [(2, None, reason, bad[:-1])]


@pytest.mark.parametrize(
    ("refused", "good", "held"), [(10, 0, True), (11, 11, False), (11, 10, True), (21, 30, True), (20, 30, False)]
)
def test_where_refused_lines_hold_a_file(
    monkeypatch: pytest.MonkeyPatch, refused: int, good: int, *, held: bool
) -> None:
    """Up to the first bound in any case, beyond it only with as many good lines, never beyond the second. `held` at 10 and 0: no line fits."""
    assert (body.MOST_REFUSED, body.MOST_REFUSED_OF_ALL) == (10_000, 250_000)
    monkeypatch.setattr(body, "MOST_REFUSED", 10)
    monkeypatch.setattr(body, "MOST_REFUSED_OF_ALL", 20)
    reading = load((HEADER + rows(good) + "x\n" * refused).encode(), parse_layout(LAYOUT, "plain.toml"))
    assert (reading.held is not None) == held
    if not held:
        assert (reading.counts["accepted"], reading.counts["quarantined"]) == (good, refused)
        assert reading.quarantine.height == refused
    is_whole(reading)


def test_why_most_was_refused_is_told_with_the_most_frequent_reason_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(body, "MOST_REFUSED", 10)
    bad = "L-1;2026-03-02T08:00:00Z;x\n" * 4 + "L-1;2026-03-02T08:00:00Z;\n" * 8
    held = load((HEADER + rows(2) + bad).encode(), parse_layout(LAYOUT, "plain.toml")).held
    assert held is not None
    assert (held.reason, held.line, held.details) == ("mostly_refused", 4, ("missing_value: 8", "not_a_number: 4"))
    assert held.sentence == "12 lines were refused and 2 could be read up to here."


def test_a_line_of_several_readings_is_one_line() -> None:
    layout = LAYOUT.replace('name = "Value"', "namePattern = 'R(.)'").replace(
        "version = 1", 'version = 1\nshape = "wide"'
    )
    found = load(b"Lot;When;R1;R2\nL-1;2026-03-02T08:00:00Z;58.1;58.2\n;;;\n", parse_layout(layout, "plain.toml"))
    is_whole(found)
    assert (fates(found), found.readings.height) == ({"accepted": 1, "blank": 1}, 2)
