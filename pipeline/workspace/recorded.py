"""Settings and reference tables from their texts: as the history took them over, or as they lie in the workspace."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.intake.tables import TablesLater, parse_tables
from pipeline.workspace.settings import read_settings
from pipeline.workspace.texts import SETTINGS_TEXT

if TYPE_CHECKING:
    from collections.abc import Mapping

    import polars as pl

    from pipeline.workspace.settings import Settings

__all__ = ["recorded", "recorded_later", "recorded_settings", "recorded_tables"]


def recorded(texts: Mapping[str, str], settings: Settings) -> tuple[Settings, dict[str, pl.DataFrame]]:
    """Return settings and reference tables as last taken over; `settings` are used where none were."""
    settings = recorded_settings(texts, settings)
    return settings, recorded_tables(texts, settings)


def recorded_later(texts: Mapping[str, str], settings: Settings) -> tuple[Settings, Mapping[str, pl.DataFrame]]:
    """Return settings and reference tables as last taken over, of which each is read when somebody looks at it."""
    settings = recorded_settings(texts, settings)
    return settings, TablesLater(_of_tables(texts), settings.zone)


def recorded_settings(texts: Mapping[str, str], settings: Settings) -> Settings:
    """Return the settings as last taken over: an edit of `annealog.toml` decides nothing until a load takes it over."""
    return read_settings(texts[SETTINGS_TEXT], "the settings in the history") if SETTINGS_TEXT in texts else settings


def recorded_tables(texts: Mapping[str, str], settings: Settings, *, contract: bool = False) -> dict[str, pl.DataFrame]:
    """Return the reference tables from their texts, the settings among them left out.

    Parameters
    ----------
    texts
        By name of the table.
    settings
        For the zone.
    contract
        Hold them against the pandera contract: for texts that were not taken over yet.
    """
    return parse_tables(_of_tables(texts), zone=settings.zone, contract=contract)


def _of_tables(texts: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in texts.items() if name != SETTINGS_TEXT}
