"""Processor time to read one file of 50 and of 50,000 lines, by kind of export: intake alone, nothing is stored.

.venv-dev/bin/python tests/benchmark/lines.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from intake_checks import layouts, load  # noqa: E402

from pipeline.intake.layout import Layout, parse_layout  # noqa: E402

SECTIONS = """
name = "sections"
version = 1
[dialect]
delimiter = ";"
[[schema.fields]]
name = "Time"
column = "measured_at"
type = "datetime"
[[schema.fields]]
name = "Value"
column = "value"
type = "number"
unit = "%IACS"
[[schema.fields]]
name = "Metal"
column = "temperature_c"
type = "number"
unit = "degC"
fillDown = true
[sections]
begin = 'Job (?P<name>[^;]+)'
keys = [{ key = "Frequency", column = "frequency_khz", type = "number", unit = "kHz" }]
statistics = [{ label = "Mean", statistic = "mean", cell = 2 }]
[routes]
rules = [{ role = "block", listed = "blocks" }, { role = "part", pattern = 'L-\\d+' }]
[constants]
meter = "EC-01"
temperature_state = "at_metal"
"""


def moment(n: int) -> str:
    return f"2026-03-{1 + n // 2000 % 28:02}T{n // 100 % 24:02}:{n % 60:02}:{n // 60 % 60:02}Z"


def neutral(lines: int) -> bytes:
    head = "measured_at,meter,role,lot,part,value,unit,temperature_c,temperature_state\n"
    rows = (
        f"{moment(n)},EC-01,part,L-{n // 50},{n % 50},{58 + n % 100 / 100:.2f},%IACS,21.5,at_metal\n"
        for n in range(lines)
    )
    return (head + "".join(rows)).encode()


def semicolon(lines: int) -> bytes:
    head = "Export of readings\r\nSerial;EC-01\r\nProbe;P1\r\n\r\nNr;Date;Time;Kind;Lot;Part;Spot;Block;Value;Temp;Freq;Thick;Note\r\n"
    rows = (
        f"{n};{1 + n // 2000 % 28:02}.03.2026;{n // 100 % 24:02}:{n % 60:02}:{n // 60 % 60:02};P;L-{n // 50};{n % 50};1;;"
        f"58,{n % 100:02};21,5;60;1,25;\r\n"
        for n in range(lines)
    )
    return (head + ";;;;;;;;%IACS;°C;kHz;mm;\r\n" + "".join(rows) + f"Count;{lines}\r\n").encode("cp1252")


def sections(lines: int) -> bytes:
    """Five readings a section, ten lines with head, header, mean and a blank one."""
    parts = []
    for n in range(0, lines, 10):
        rows = "".join(f"{moment(n + i)};58.{10 + i};{21.5 if i == 0 else ''}\n" for i in range(5))
        parts.append(f"Job L-{n};;\nFrequency;60 kHz;\nTime;Value;Metal\n{rows}Mean;58.12;\n\n")
    return "".join(parts).encode()


def milliseconds(data: bytes, layout: Layout, times: int) -> float:
    """The least of several."""
    least = float("inf")
    for _ in range(times):
        before = time.process_time()
        found = load(data, layout)
        least = min(least, time.process_time() - before)
        assert found.held is None
        assert found.quarantine.height == 0
    return least * 1000


def main() -> None:
    kinds = {
        "neutral": (neutral, layouts()["neutral"]),
        "semicolon": (semicolon, layouts()["semicolon"]),
        "sections": (sections, parse_layout(SECTIONS, "sections.toml")),
    }
    for name, (make, layout) in kinds.items():
        few, many = (milliseconds(make(lines), layout, times) for lines, times in ((50, 20), (50_000, 5)))
        print(f"{name}: 50 lines {few:.0f} ms, 50,000 lines {many:.0f} ms")


if __name__ == "__main__":
    main()
