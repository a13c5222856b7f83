"""An export in sections, its layout, and how it is read, for tests of intake. Invented."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from intake_checks import is_whole, load

from pipeline.intake.layout import parse_layout

if TYPE_CHECKING:
    from pipeline.intake.reading import FileReading

LAYOUT = """
name = "measured"
version = 1
[dialect]
delimiter = ";"
unitsRow = true
[schema]
decimalChar = ","
[[schema.fields]]
name = "No"
column = "sequence"
type = "integer"
[[schema.fields]]
name = "Clock"
column = "measured_time"
type = "time"
format = "%H:%M"
[[schema.fields]]
name = "Result"
column = "value"
type = "number"
unit = "MS/m"
[[schema.fields]]
name = "Metal"
column = "temperature_c"
type = "number"
unit = "degC"
fillDown = true
[preamble]
keys = [
  { key = "Day", column = "measured_date", type = "date", format = "%d.%m.%Y" },
  { key = "Device", column = "meter" },
  { key = "Wall", column = "thickness_mm", type = "number", unit = "mm", required = false },
]
[sections]
begin = 'Job (?P<name>[^;]+)'
end = 'End'
keys = [
  { key = "Freq", column = "frequency_khz", type = "number", unit = "kHz" },
  { key = "By", column = "operator", required = false },
]
statistics = [
  { label = "Mean", statistic = "mean", cell = 3 },
  { label = "s", statistic = "standard_deviation", cell = 3, required = false },
  { label = "n", statistic = "count", cell = 3, required = false },
]
[routes]
rules = [
  { role = "block", listed = "blocks" },
  { role = "setting", pattern = 'SET (?P<block>.+)', listed = "blocks" },
  { role = "part", listed = "studies" },
  { role = "part", pattern = '(?P<lot>[A-Z]{2}-\\d+)(?:/(?P<part>\\d+))?' },
]
[constants]
temperature_state = "at_metal"
"""
TOP = "Day;02.03.2026\nDevice;EC-01\n\n"
TABLE = "No;Clock;Result;Metal\n;;MS/m;°C\n"


def section(job: str, *values: str, mean: str | None = None, head: str = "Freq;60 kHz;;\n", more: str = "") -> str:
    rows = "".join(f"{n};07:{30 + n};{value};{'21,5' if n == 1 else ''}\n" for n, value in enumerate(values, start=1))
    numbers = [float(value.replace(",", ".")) for value in values]
    mean = f"{sum(numbers) / len(numbers):.3f}".replace(".", ",") if mean is None and numbers else mean
    return f"Job {job};;;\n{head}{TABLE}{rows}Mean;;{mean};\n{more}"


def read(text: str, layout: str = LAYOUT, **changes: Any) -> FileReading:
    found = load(text.encode(), parse_layout(layout, "measured.toml"), **changes)
    is_whole(found)
    if found.held is None:
        assert found.lines == text.count("\n") + (not text.endswith("\n"))
    return found


def refused(found: FileReading) -> list[tuple[int, str]]:
    assert found.held is None, found.held
    return list(found.quarantine.select("line", "reason").iter_rows())
