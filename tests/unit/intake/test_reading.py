"""What comes out of a file before anything is known of it, and what a hold carries."""

from __future__ import annotations

import pytest

from pipeline.intake.layout_outside import Key
from pipeline.intake.reading import FileColumn, FileReading, Head, Held, HoldFile
from schemas.tables import FATES


def test_a_file_of_which_nothing_is_known_yet_has_no_line_of_any_fate() -> None:
    head = Head()
    assert (head.lines, head.before, head.header_first) == (0, 0, True)
    assert head.counts == dict.fromkeys(FATES, 0)
    reading = FileReading(sha256="", name="", size=0, layout_name="", layout_version=1, zone="")
    assert reading.counts == dict.fromkeys(FATES, 0)
    assert reading.lines == 0
    assert (reading.readings.height, reading.quarantine.height) == (0, 0)
    some = FileReading(sha256="", name="", size=0, layout_name="", layout_version=1, zone="", counts={"a": 2, "b": 3})
    assert some.lines == 5


def test_what_is_not_said_has_its_plain_meaning_and_what_holds_a_file_is_told_in_its_sentence() -> None:
    held = Held("empty_file", "The file has no line.", "Export again.")
    with pytest.raises(HoldFile, match=r"^The file has no line[.]$") as caught:
        raise HoldFile(held)
    assert caught.value.held is held
    assert (held.details, held.line, held.byte_offset) == ((), None, None)
    assert FileColumn(0, "Value", Key(key="Value")).replicate == 1  # the first, unless it says otherwise
