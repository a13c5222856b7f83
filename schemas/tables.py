"""Every table of the history, declared once: readings, ledger, quarantine, events, baselines."""

from __future__ import annotations

import polars as pl

from schemas.declare import UTC_TIME, Column, Table
from schemas.terms import TEMPERATURE_SOURCES, TEMPERATURE_STATES, UNITS

__all__ = [
    "BASELINE",
    "CLOCKS",
    "EVENT",
    "FATES",
    "QUARANTINE",
    "READING",
    "ROLES",
    "TEMPERATURE_SOURCES",
    "TEMPERATURE_STATES",
    "UNITS",
]

ROLES = ("block", "part", "setting")
CLOCKS = ("known", "unknown")
FATES = ("preamble", "header", "units", "blank", "footer", "accepted", "duplicate", "quarantined")
"""What can become of a line of a file. The counts by fate add up to the number of lines, or nothing is loaded."""

TEXT, FLOAT, INTEGER, BOOLEAN = pl.String, pl.Float64, pl.Int64, pl.Boolean

READING = Table(
    "reading",
    "One row a number, as the export states it. Never changed after loading.",
    (
        Column("line", INTEGER, "Line of the file, counted from 1.", required=True, nullable=False, at_least=1),
        Column(
            "replicate",
            INTEGER,
            "Place of the number in a wide line, from 1; 1 in a long layout.",
            required=True,
            nullable=False,
            at_least=1,
        ),
        Column("measured_at", UTC_TIME, "Time of the reading in UTC.", required=True, nullable=False),
        Column(
            "clock", TEXT, "Whether the meter's clock can be believed.", required=True, nullable=False, allowed=CLOCKS
        ),
        Column("meter", TEXT, "Meter.", required=True, nullable=False),
        Column("probe", TEXT, "Probe."),
        Column("operator", TEXT, "Who measured."),
        Column("role", TEXT, "What the reading was for.", required=True, nullable=False, allowed=ROLES),
        Column("lot", TEXT, "Lot, for a reading on a part."),
        Column("part", TEXT, "Part within the lot."),
        Column("spot", TEXT, "Spot on the part."),
        Column("block", TEXT, "Reference block, for a check or a setting."),
        Column("sequence", INTEGER, "The meter's own counter; it restarts, so it never stands alone."),
        Column("value", FLOAT, "Value in the unit of the export; null for a non-reading."),
        Column("unit", TEXT, "Unit of the export.", required=True, nullable=False, allowed=UNITS),
        Column("value_ms_per_m", FLOAT, "The value as conductivity.", unit="MS/m"),
        Column("non_reading", TEXT, "Code of a non-reading (overload and the like), as the layout names it."),
        Column("count", INTEGER, "Readings behind an exported mean; null or 1 for a single reading.", at_least=1),
        Column(
            "standard_deviation",
            FLOAT,
            "Sample standard deviation behind an exported mean, in the export's unit.",
            at_least=0,
        ),
        Column("temperature_c", FLOAT, "Temperature of the metal.", unit="°C"),
        Column(
            "temperature_state",
            TEXT,
            "At which temperature the value is stated.",
            required=True,
            nullable=False,
            allowed=TEMPERATURE_STATES,
        ),
        Column("temperature_source", TEXT, "Where the temperature came from.", allowed=TEMPERATURE_SOURCES),
        Column("frequency_khz", FLOAT, "Frequency.", unit="kHz", above=0),
        Column("thickness_mm", FLOAT, "Thickness of the metal.", unit="mm", above=0),
        Column("coating_um", FLOAT, "Thickness of the coating.", unit="µm", at_least=0),
        Column("radius_mm", FLOAT, "Radius of curvature.", unit="mm", above=0),
        Column("curvature_compensated", BOOLEAN, "Whether the meter compensated the curvature."),
        Column("sensor", TEXT, "Temperature sensor."),
        Column("run", TEXT, "Study or series the reading belongs to."),
        Column("remark", TEXT, "Remark."),
        Column(
            "temperature_age_min",
            FLOAT,
            "How long before the reading the temperature was taken.",
            unit="min",
            at_least=0,
        ),
        Column(
            "pieces",
            INTEGER,
            "Pieces of the same metal stacked under the probe, each of the thickness stated; null or 1 for one.",
            at_least=1,
        ),
    ),
    key=("line", "replicate"),
)
"""What intake hands over. A column that the export does not have may be missing from the frame."""

QUARANTINE = Table(
    "quarantine",
    "One row a refused line: what, where, what was expected and what to do.",
    (
        Column("line", INTEGER, "Line of the file, counted from 1.", required=True, nullable=False, at_least=1),
        Column("column", TEXT, "Column concerned, as the file names it."),
        Column("reason", TEXT, "Reason code.", required=True, nullable=False),
        Column("sentence", TEXT, "What was found, what was expected, what to do.", required=True, nullable=False),
        Column("original", TEXT, "The line as it stands in the file.", required=True, nullable=False),
    ),
    key=("line",),
)

EVENT = Table(
    "event",
    "Append-only and hash-chained: what people and loads did.",
    (
        Column("sequence", INTEGER, "Place in the chain, from 1.", required=True, nullable=False, at_least=1),
        Column("at", UTC_TIME, "When it was recorded.", required=True, nullable=False),
        Column("kind", TEXT, "Kind of event.", required=True, nullable=False),
        Column("subject", TEXT, "What it is about, as JSON.", required=True, nullable=False),
        Column("by", TEXT, "Who.", required=True, nullable=False),
        Column("why", TEXT, "Why.", required=True, nullable=False),
        Column("previous_hash", TEXT, "Hash of the event before.", required=True, nullable=False),
        Column("hash", TEXT, "SHA-256 over this event and the hash before it.", required=True, nullable=False),
    ),
    key=("sequence",),
)

BASELINE = Table(
    "baseline",
    "Frozen limits of control: of the first checks since the last setting, or named by an event.",
    (
        Column("meter", TEXT, "Meter.", required=True, nullable=False),
        Column("probe", TEXT, "Probe."),
        Column("frequency_khz", FLOAT, "Frequency.", unit="kHz"),
        Column("block", TEXT, "Block.", required=True, nullable=False),
        Column("phase", UTC_TIME, "The last setting before the checks; null before the first."),
        Column("first_at", UTC_TIME, "First check of the baseline.", required=True, nullable=False),
        Column("last_at", UTC_TIME, "Last check of the baseline.", required=True, nullable=False),
        Column("checks", INTEGER, "Checks in the baseline.", required=True, nullable=False, at_least=2),
        Column("centre", FLOAT, "Mean of the check means, in the working unit.", required=True, nullable=False),
        Column(
            "standard_deviation",
            FLOAT,
            "Standard deviation of the check means, in the working unit.",
            required=True,
            nullable=False,
            at_least=0,
        ),
        Column("unit", TEXT, "Working unit of the limits.", required=True, nullable=False, allowed=UNITS),
        Column(
            "reference_temperature_c",
            FLOAT,
            "Reference temperature of the limits.",
            required=True,
            nullable=False,
            unit="°C",
        ),
        Column(
            "named",
            BOOLEAN,
            "Named by a person rather than frozen after the first checks.",
            required=True,
            nullable=False,
        ),
    ),
)
