"""The words that cells, options and settings may use. On its own, so that a command that only looks imports no frames."""

from __future__ import annotations

__all__ = ["TEMPERATURE_SOURCES", "TEMPERATURE_STATES", "UNITS"]

UNITS = ("MS/m", "%IACS", "Ohm.cm", "uOhm.cm", "nOhm.m")
TEMPERATURE_STATES = ("at_metal", "at_reference", "relative")
TEMPERATURE_SOURCES = ("internal", "external", "ambient")
