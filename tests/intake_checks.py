"""What every test of intake needs: the layouts of the repository, a way to read a file, and what always holds."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import once  # noqa: F401 - what many tests ask alike is answered once
import polars as pl

from fixtures.damaged.build import HERE
from pipeline.intake.layout import parse_layout
from pipeline.intake.reader import read
from pipeline.intake.refusals import REASONS
from schemas.tables import FATES, QUARANTINE, READING
from schemas.validate import require

if TYPE_CHECKING:
    from pipeline.intake.layout import Layout
    from pipeline.intake.reading import FileReading

__all__ = ["FIXTURES", "altered", "builtin_layouts", "data_lines", "is_whole", "layouts", "load"]

FIXTURES = HERE.parent


def builtin_layouts() -> dict[str, Layout]:
    """Return the layouts that come with the product, by name."""
    files = sorted(resources.files("pipeline.intake.layouts").iterdir(), key=lambda file: file.name)
    found = [parse_layout(file.read_text("utf-8"), file.name) for file in files if file.name.endswith(".toml")]
    return {layout.name: layout for layout in found}


@cache
def layouts() -> dict[str, Layout]:
    found = dict(builtin_layouts())
    for folder in ("demo/layouts", "layouts", "damaged/layouts"):
        for path in sorted((FIXTURES / folder).glob("*.toml")):
            layout = parse_layout(path.read_text(encoding="utf-8"), path.name)
            found[layout.name] = layout
    return found


def altered(part: Any, **changes: Any) -> Any:
    """A part of a layout with other values; nothing is checked."""
    return part.model_copy(update=changes)


def load(data: bytes, layout: Layout, **changes: Any) -> FileReading:
    settings: dict[str, Any] = {
        "name": "file.csv",
        "layout": layout,
        "plausible_ms_per_m": (0.5, 65.0),
        "site_zone": "Europe/Oslo",
        "listed": {
            "blocks": frozenset({"BL-A1", "BL-C1"}),
            "lots": frozenset({"KB-01"}),
            "studies": frozenset({"GRR-1"}),
        },
        "now": datetime(2026, 12, 1, tzinfo=UTC),
        "size_cap_bytes": 1 << 30,
    }
    return read(data, **(settings | changes))


def is_whole(reading: FileReading) -> None:
    """What holds for every file, damaged or not."""
    assert set(reading.counts) == set(FATES)
    assert reading.counts["duplicate"] == 0
    if reading.held is not None:
        assert (reading.lines, reading.readings.height, reading.quarantine.height) == (0, 0, 0)
        assert reading.held.sentence
        assert reading.held.what_to_do
        return
    assert reading.readings["line"].n_unique() == reading.counts["accepted"]
    assert reading.quarantine.height == reading.counts["quarantined"]
    assert not set(reading.readings["line"]) & set(reading.quarantine["line"])
    assert set(reading.quarantine["reason"]) <= set(REASONS)
    require(QUARANTINE, reading.quarantine)
    require(READING, reading.readings.with_columns(pl.col(pl.Categorical).cast(pl.String)))
    number, code = reading.readings["value"], reading.readings.get_column("non_reading", default=None)
    assert (number.is_not_null() | (code.is_not_null() if code is not None else False)).all()
    for sentence in reading.quarantine["sentence"]:
        assert sentence.isprintable()


def data_lines(data: bytes, layout: Layout) -> int:
    """Lines of a file, counted without the reader."""
    for encoding in ("utf-8", "cp1252"):
        if data[:2] == b"\xff\xfe":
            encoding = "utf-16"
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        text = text.replace("\r\n", "\n")
        return text.count("\n") + (not text.endswith("\n"))
    raise AssertionError
