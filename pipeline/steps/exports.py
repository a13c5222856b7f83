"""Reading one export with the settings of a workspace: the one call that load, check, replay and verify share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.intake.reader import read

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.intake.layout import Layout
    from pipeline.intake.reading import FileReading
    from pipeline.settings import Settings

__all__ = ["read_export"]


def read_export(
    data: bytes, *, name: str, layout: Layout, settings: Settings, blocks: frozenset[str], now: datetime
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
    blocks
        Reference blocks in the register.
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
        site_zone=settings.time_zone,
        blocks=blocks,
        now=now,
        size_cap_bytes=max(settings.size_cap_mb * 1_000_000, len(data)),
    )
