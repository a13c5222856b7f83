"""A seeded mutator over the bytes of good exports: never a traceback, never an unbalanced count.

1000 mutated files a run (200 of each of five exports), each also offered to the match by header. The seed is fixed, so a
failure is the same everywhere; ANNEALOG_MUTATION_SEED tries others.
"""

from __future__ import annotations

import os
import random

import pytest
from intake_checks import FIXTURES, data_lines, is_whole, layouts, load

from fixtures.damaged.build import files
from pipeline.intake.layout import Layout
from pipeline.intake.match import match
from pipeline.intake.reading import Held

MUTATIONS_EACH = 200
SEED = int(os.environ.get("ANNEALOG_MUTATION_SEED", "20260302"))
GOOD = {
    "good_cp1252.csv": "semicolon",
    "good_utf16.txt": "wide",
    "block_or_product.csv": "neutral",
    "report_with_statistics.txt": "report_with_statistics",
    "columns_by_spaces.txt": "columns_by_spaces",
}
_SPICE = (
    b"\0",
    b"\r",
    b"\n",
    b"\r\n",
    b'"',
    b'""',
    b";",
    b",",
    b"\t",
    b"|",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\x1a",
    b"\xc3\xa9",
    b"\xe9",
    b"\x80",
    b"nan",
    b"1e308",
    b"inf",
    b"-",
    b"58,12",
    b"58.12",
    b"1.058",
    b"OVR",
    b"=cmd|' /C calc'!A0",
    b"\x1b[2J",
    b"\xe2\x80\xa8",
    b"03-Apr",
    b"9" * 400,
    b"\xf0\x9f\x94\xa5",
    b"sep=;",
    b"#",
    b" ",
    b"\xed\xa0\x80",
)


def good(name: str) -> bytes:
    if name in files():
        return files()[name]
    return (FIXTURES / "exports" / name).read_bytes()


def mutated(data: bytes, chance: random.Random) -> bytes:
    """Damage a file in one to six ways."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(out) + 1)
        size = chance.choice((1, 1, 2, 8, 64))
        kind = chance.randrange(8)
        if kind == 0 and out:
            out[at % len(out)] ^= 1 << chance.randrange(8)
        elif kind == 1:
            del out[at : at + size]
        elif kind == 2:
            out[at:at] = out[at : at + size]
        elif kind in (3, 4):
            out[at:at] = chance.choice(_SPICE)
        elif kind == 5:
            del out[at:]
        elif kind == 6:
            lines = bytes(out).splitlines(keepends=True)
            chance.shuffle(lines)
            out = bytearray(b"".join(lines))
        else:
            spice = chance.choice(_SPICE)
            out[at : at + len(spice)] = spice
    return bytes(out)


@pytest.mark.parametrize("name", GOOD)
def test_no_damage_leaves_a_traceback_or_an_unbalanced_count(name: str) -> None:
    chance = random.Random(f"{SEED} {name}")
    original, layout = good(name), layouts()[GOOD[name]]
    held = 0
    for number in range(MUTATIONS_EACH):
        data = mutated(original, chance)
        try:
            reading = load(data, layout, name=name)
            is_whole(reading)
            if reading.held is None and layout.dialect.line_terminator != "\r":
                assert reading.lines == data_lines(data, layout)
            assert isinstance(match(name, data, layouts(), {}), Layout | Held)
        except Exception as error:
            error.add_note(f"mutation {number} of {name}: {data!r}")
            raise
        held += reading.held is not None
    # the mutator must neither spare every file nor ruin every file, or it proves nothing
    assert 0.05 * MUTATIONS_EACH < held < 0.95 * MUTATIONS_EACH
