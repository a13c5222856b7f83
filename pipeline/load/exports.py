"""The layouts a workspace knows, and reading one export: what load, check, replay and verify share."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import EnvironmentProblem, LayoutError
from pipeline.intake.layout import Layout, parse_layout
from pipeline.intake.reader import read
from pipeline.near import misspelt
from pipeline.workspace.files import named, read_bytes
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from pipeline.intake.reading import FileReading
    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["layouts_of", "misspelt_lots", "names_listed", "read_export"]


def layouts_of(workspace: Workspace, wrong: dict[str, str] | None = None) -> dict[str, tuple[Layout, str]]:
    """Return the layouts a workspace knows, with their texts: the neutral one and those in `layouts/`.

    Parameters
    ----------
    workspace
        Whose layouts.
    wrong
        Takes what is wrong with a layout, by its name: an unfinished one stands in no other file's way.

    Raises
    ------
    LayoutError
        If some are wrong, or two have the same name, and `wrong` does not take it: all that is wrong with all of them.
    """
    found: dict[str, tuple[Layout, str]] = {}
    shipped = [
        (f"built-in {item.name}", item.read_text(encoding="utf-8"))
        for item in (resources.files("pipeline.intake") / "layouts").iterdir()
        if item.name.endswith(".toml")
    ]
    faults: dict[str, str] = {}
    own = []
    try:
        for path in sorted(workspace.layouts.glob("*.toml")):
            try:
                own.append((f"layouts/{named(path.name)}", read_bytes(path).decode("utf-8-sig")))
            except UnicodeDecodeError as error:
                faults[path.stem] = f"{path}: byte {error.start} is not UTF-8. Save the layout as UTF-8."
    except OSError as error:
        raise EnvironmentProblem(f"Cannot read {error.filename}: {error.strerror}.") from None
    for where, text in [*sorted(shipped), *own]:
        try:
            layout = parse_layout(text, where)
        except LayoutError as error:
            faults[_name_in(text) or where.rpartition("/")[2].removesuffix(".toml")] = str(error)
            continue
        if layout.name in found:
            also = f"{where}: a layout named {layout.name!r} exists already. Give each layout its own name."
            faults[f"{layout.name} ({where})"] = also
        else:
            found[layout.name] = (layout, text)
    if faults and wrong is None:
        raise LayoutError("\n".join(faults.values()))
    if wrong is not None:
        wrong.update(faults)
    return found


def _name_in(text: str) -> str:
    """Return the name that a layout which is wrong gives itself, if that much can be read."""
    try:
        name = tomllib.loads(text).get("name")
    except (tomllib.TOMLDecodeError, RecursionError):
        return ""
    return name if isinstance(name, str) else ""


def names_listed(tables: Mapping[str, pl.DataFrame]) -> dict[str, frozenset[str]]:
    """Return the names in the registers of blocks, lots and studies, as the tables say now."""
    keys = {"blocks": "block", "lots": "lot", "studies": "run"}
    return {table: frozenset(version_at(tables[table], [key], None)[key].to_list()) for table, key in keys.items()}


def misspelt_lots(readings: pl.DataFrame, listed: Mapping[str, frozenset[str]]) -> tuple[str, ...]:
    """Say which lots of some readings are written otherwise than a registered one; they are read as they stand."""
    if "lot" not in readings.columns:
        return ()
    names = readings["lot"].unique().cast(pl.String).drop_nulls()
    return tuple(
        f"lot_not_registered: lot {one!r} does not stand in reference/lots.csv; did you mean {near!r}?"
        for one, near in misspelt(names, listed["lots"]).items()
    )


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
