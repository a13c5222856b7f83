"""The layouts a workspace knows, and reading one export: what load, check, replay and verify share."""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, LayoutError
from pipeline.intake.layout import Layout, parse_layout
from pipeline.intake.reader import read
from pipeline.workspace.files import named, read_bytes
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    import polars as pl

    from pipeline.intake.reading import FileReading
    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["layouts_of", "names_listed", "read_export"]


def layouts_of(workspace: Workspace) -> dict[str, tuple[Layout, str]]:
    """Return the layouts a workspace knows, with their texts: the neutral one and those in `layouts/`.

    Raises
    ------
    LayoutError
        If one is wrong, or two have the same name.
    """
    found: dict[str, tuple[Layout, str]] = {}
    shipped = [
        (f"built-in {item.name}", item.read_text(encoding="utf-8"))
        for item in (resources.files("pipeline.intake") / "layouts").iterdir()
        if item.name.endswith(".toml")
    ]
    own = []
    try:
        for path in sorted(workspace.layouts.glob("*.toml")):
            own.append((f"layouts/{named(path.name)}", read_bytes(path).decode("utf-8-sig")))
    except OSError as error:
        raise EnvironmentProblem(f"Cannot read {error.filename}: {error.strerror}.") from None
    except UnicodeDecodeError as error:
        raise LayoutError(f"{path}: byte {error.start} is not UTF-8. Save the layout as UTF-8.") from None
    for where, text in [*sorted(shipped), *own]:
        layout = parse_layout(text, where)
        if layout.name in found:
            raise LayoutError(f"{where}: a layout named {layout.name!r} exists already. Give each layout its own name.")
        found[layout.name] = (layout, text)
    return found


def names_listed(tables: Mapping[str, pl.DataFrame]) -> dict[str, frozenset[str]]:
    """Return the names in the registers of blocks, lots and studies, as the tables say now."""
    keys = {"blocks": "block", "lots": "lot", "studies": "run"}
    return {table: frozenset(version_at(tables[table], [key], None)[key].to_list()) for table, key in keys.items()}


def read_export(
    data: bytes, *, name: str, layout: Layout, settings: Settings, listed: Mapping[str, frozenset[str]], now: datetime
) -> FileReading:
    """Read the bytes of an export.

    Parameters
    ----------
    data
        The bytes, whose size was looked at before they were read.
    name
        Name of the file.
    layout
        How it is written.
    settings
        For the plausible range and the site's zone.
    listed
        Names in the registers, of :func:`names_listed`.
    now
        Time of loading.

    Returns
    -------
    FileReading
    """
    return read(
        data,
        name=name,
        layout=layout,
        plausible_ms_per_m=settings.plausible_range_ms_per_m,
        earliest_clock_year=settings.earliest_clock_year,
        site_zone=settings.time_zone,
        listed=listed,
        now=now,
        size_cap_bytes=max(settings.size_cap_mb * 1_000_000, len(data)),
    )
