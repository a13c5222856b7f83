"""The tables of a data pack: what leaves the house for a customer or an auditor, each column with its meaning."""

from __future__ import annotations

import polars as pl

from schemas.declare import UTC_TIME, Column, Table

__all__ = ["PACK_TABLES"]

TEXT, FLOAT, INTEGER, BOOLEAN = pl.String, pl.Float64, pl.Int64, pl.Boolean
_VERDICTS = ("accept", "hold", "reject", "not_assessed")
_SUPPORT = ("supported", "open", "suspect", "unsupported")


def _needed(name: str, dtype: object, doc: str, unit: str | None = None) -> Column:
    return Column(name, dtype, doc, required=True, nullable=False, unit=unit)


_LOT = _needed("lot", TEXT, "Lot.")
_METER = _needed("meter", TEXT, "Meter.")

LOTS = Table(
    "lots",
    "One row a lot: verdict, reasons and the figures behind it. Statistics are of part means at the reference temperature.",
    (
        _LOT,
        Column("verdict", TEXT, "Verdict of the tool.", required=True, nullable=False, allowed=_VERDICTS),
        _needed("reasons", TEXT, "Why, in words."),
        Column("support", TEXT, "What the meters' checks say.", required=True, nullable=False, allowed=_SUPPORT),
        Column("limits_met", TEXT, "What the limits say.", allowed=("in", "out", "undecided")),
        Column("dispositions", TEXT, "What people decided, oldest first; beside the verdict, never instead of it."),
        Column("product", TEXT, "Product."),
        Column("material", TEXT, "Material."),
        Column("supplier", TEXT, "Supplier."),
        Column("specification", TEXT, "Specification it was judged by."),
        Column("decision_rule", TEXT, "Decision rule."),
        Column("conforms_by", TEXT, "What must lie within the limits."),
        _needed("unit", TEXT, "Unit of every conductivity in this row."),
        Column("lower", FLOAT, "Lower limit, in `unit`."),
        Column("upper", FLOAT, "Upper limit, in `unit`."),
        _needed("reference_temperature_c", FLOAT, "Temperature at which values are stated.", "°C"),
        _needed("readings", INTEGER, "Readings that count."),
        _needed("parts", INTEGER, "Parts."),
        _needed("spots", INTEGER, "Spots."),
        Column("mean", FLOAT, "Mean of part means, in `unit`."),
        Column("standard_deviation", FLOAT, "Standard deviation of part means, in `unit`."),
        Column("minimum", FLOAT, "Smallest part mean, in `unit`."),
        Column("maximum", FLOAT, "Largest part mean, in `unit`."),
        Column("repeatability", FLOAT, "Pooled standard deviation of repeats on one spot by one meter, in `unit`."),
        Column("expanded_uncertainty", FLOAT, "Expanded uncertainty of the mean, in `unit`."),
        Column("coverage_factor", FLOAT, "Its coverage factor."),
        *(
            Column(name, FLOAT, f"{name.capitalize()}{what}.")
            for index in ("cp", "cpk", "pp", "ppk")
            for name, what in (
                (index, ""),
                (f"{index}_low", ", low end of the 95 % interval"),
                (f"{index}_high", ", high end of the 95 % interval"),
            )
        ),
        _needed("meters", TEXT, "Meters that read it."),
        Column("first_at", UTC_TIME, "First reading."),
        Column("last_at", UTC_TIME, "Last reading."),
        Column("flags", TEXT, "What a reader should know besides the verdict."),
        _needed("as_of", UTC_TIME, "Moment of the statement."),
    ),
    key=("lot",),
)

READINGS = Table(
    "readings",
    "One row a number: as written, where it stands, and its value at the reference temperature. Part readings of the lots, "
    "and the block readings of the checks that stand around them.",
    (
        _needed("file_sha256", TEXT, "SHA-256 of the file it came from."),
        _needed("line", INTEGER, "Line of that file, from 1."),
        _needed("replicate", INTEGER, "Place of the number in a wide line."),
        _needed("measured_at", UTC_TIME, "When."),
        _needed("clock", TEXT, "Whether the meter's clock can be believed."),
        _METER,
        Column("probe", TEXT, "Probe."),
        Column("operator", TEXT, "Who measured."),
        _needed("role", TEXT, "part or block."),
        Column("lot", TEXT, "Lot."),
        Column("part", TEXT, "Part."),
        Column("spot", TEXT, "Spot."),
        Column("block", TEXT, "Reference block."),
        Column("value", FLOAT, "Value as written, in `unit`."),
        _needed("unit", TEXT, "Unit of the export."),
        Column("non_reading", TEXT, "Code of a non-reading."),
        Column("count", INTEGER, "Readings behind an exported mean."),
        Column("standard_deviation", FLOAT, "Standard deviation behind an exported mean, in `unit`."),
        Column("temperature_c", FLOAT, "Temperature of the metal.", unit="°C"),
        _needed("temperature_state", TEXT, "At which temperature the value is stated."),
        Column("frequency_khz", FLOAT, "Frequency.", unit="kHz"),
        Column("factor", FLOAT, "Factor to the reference temperature."),
        Column("value_at_reference", FLOAT, "Value at the reference temperature, in the working unit."),
        Column("no_reference_reason", TEXT, "Why there is no value at the reference temperature."),
        _needed("excluded", BOOLEAN, "Left out by a recorded decision."),
        _needed("conflict", BOOLEAN, "Contradicts another export of the same reading."),
    ),
    key=("file_sha256", "line", "replicate"),
)

PARTS = Table(
    "parts",
    "One row a part.",
    (
        _LOT,
        _needed("part", TEXT, "Part."),
        _needed("spots", INTEGER, "Spots."),
        _needed("readings", INTEGER, "Readings."),
        Column("mean", FLOAT, "Mean of its spot means, in the working unit."),
        Column("spot_standard_deviation", FLOAT, "Standard deviation of its spot means."),
    ),
    key=("lot", "part"),
)

SPOTS = Table(
    "spots",
    "One row a spot, with what the limits say of it.",
    (
        _LOT,
        _needed("part", TEXT, "Part."),
        Column("spot", TEXT, "Spot."),
        _needed("readings", INTEGER, "Repeats."),
        Column("mean", FLOAT, "Mean, in the working unit."),
        Column("standard_deviation", FLOAT, "Standard deviation of the repeats."),
        Column("mean_in_limits_unit", FLOAT, "Mean as compared: in the specification's unit."),
        Column("within", TEXT, "What the limits say.", allowed=("in", "out", "undecided")),
    ),
)

CHECKS = Table(
    "checks",
    "One row a check of a meter on a block, of the runs that stand around the lots' readings.",
    (
        _METER,
        _needed("block", TEXT, "Block."),
        Column("probe", TEXT, "Probe."),
        Column("frequency_khz", FLOAT, "Frequency.", unit="kHz"),
        _needed("at", UTC_TIME, "Last reading of the check."),
        _needed("readings", INTEGER, "Readings."),
        Column("mean", FLOAT, "Mean at the reference temperature, in the working unit."),
        Column("certified_value", FLOAT, "Certified value, in the working unit."),
        Column("bias", FLOAT, "Mean less certified value."),
        Column("tolerance", FLOAT, "Largest bias that passes."),
        Column("passes", BOOLEAN, "Whether it passes; only tolerance decides."),
        Column("z", FLOAT, "Distance from the centre in standard deviations of the limits."),
        Column("limits_kind", TEXT, "provisional or frozen."),
        Column("rejects", TEXT, "Rules of the multi-rule scheme that reject."),
    ),
)

FILES = Table(
    "files",
    "The files that readings of this pack came from.",
    (
        _needed("file_sha256", TEXT, "SHA-256 of the bytes that were read."),
        _needed("name", TEXT, "Name of the file."),
        _needed("layout", TEXT, "Layout it was read with."),
        _needed("layout_version", INTEGER, "Version of that layout."),
        _needed("loaded_at", UTC_TIME, "When it was loaded."),
    ),
    key=("file_sha256",),
)

BLOCKS = Table(
    "blocks",
    "Certificates of the reference blocks that were used.",
    (
        _needed("block", TEXT, "Block."),
        Column("material", TEXT, "Material."),
        Column("certified_value", FLOAT, "Certified value, in `unit`."),
        Column("unit", TEXT, "Unit of the certificate."),
        Column("expanded_uncertainty", FLOAT, "Expanded uncertainty, in `unit`."),
        Column("coverage_factor", FLOAT, "Its coverage factor."),
        Column("certificate", TEXT, "Certificate number."),
        Column("certified_on", UTC_TIME, "Date of the certificate."),
        Column("due_on", UTC_TIME, "When the block is due."),
        Column("valid_from", UTC_TIME, "From when this version holds."),
    ),
)

DECISIONS = Table(
    "decisions",
    "What people recorded about these lots and the meters that read them, from the chain of events.",
    (
        _needed("sequence", INTEGER, "Place in the chain."),
        _needed("at", UTC_TIME, "When it was recorded."),
        _needed("kind", TEXT, "Kind."),
        _needed("subject", TEXT, "What it is about, as JSON."),
        _needed("by", TEXT, "Who."),
        _needed("why", TEXT, "Why."),
        _needed("hash", TEXT, "Its hash in the chain."),
    ),
    key=("sequence",),
)

PACK_TABLES: dict[str, Table] = {
    table.name: table for table in (LOTS, READINGS, PARTS, SPOTS, CHECKS, FILES, BLOCKS, DECISIONS)
}
"""Tables of a data pack, by name of the file."""
