"""The tables that a site keeps in its `reference` folder, declared once, and the units that values may have."""

from __future__ import annotations

import polars as pl

from schemas.declare import UTC_TIME, Column, Table
from schemas.terms import UNITS

__all__ = ["REFERENCE_TABLES", "UNITS"]

TEXT, FLOAT, INTEGER, BOOLEAN = pl.String, pl.Float64, pl.Int64, pl.Boolean

_VALID_FROM = Column("valid_from", UTC_TIME, "From when this version of the row holds; empty: from the beginning.")


def _reference(name: str, doc: str, key: tuple[str, ...], *columns: Column) -> Table:
    return Table(name, doc, (*columns, _VALID_FROM), key)


_CERTIFICATE_FILE = Column(
    "certificate_file", TEXT, "SHA-256 of the digital certificate in the archive that the row was read from."
)


def _id(name: str, doc: str) -> Column:
    return Column(name, TEXT, doc, required=True, nullable=False)


REFERENCE_TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        _reference(
            "meters",
            "The meters.",
            ("meter",),
            _id("meter", "Meter, as the exports name it."),
            Column(
                "accuracy_percent", FLOAT, "Accuracy statement, percent of reading (half width).", unit="%", at_least=0
            ),
            Column("resolution", FLOAT, "Smallest step shown, in `unit`.", above=0),
            Column("unit", TEXT, "Unit of the resolution.", allowed=UNITS),
            Column("range_low_ms_per_m", FLOAT, "Low end of the working range.", unit="MS/m", above=0),
            Column("range_high_ms_per_m", FLOAT, "High end of the working range.", unit="MS/m", above=0),
            Column("due_on", UTC_TIME, "When the meter's own calibration is due."),
            Column("maker", TEXT, "Maker; with the serial number it tells the meter from all others of the company."),
            Column("model", TEXT, "Model."),
            Column("serial_number", TEXT, "Serial number."),
        ),
        _reference(
            "probes",
            "The probes.",
            ("probe",),
            _id("probe", "Probe."),
            Column("meter", TEXT, "Meter it belongs to."),
            Column("frequencies_khz", TEXT, "Frequencies it works at, separated by spaces.", unit="kHz"),
            Column("spot_diameter_mm", FLOAT, "Flat spot it needs.", unit="mm", above=0),
            Column("lift_off_limit_um", FLOAT, "Coating it compensates.", unit="µm", at_least=0),
        ),
        _reference(
            "blocks",
            "Reference blocks and their certificates.",
            ("block",),
            _id("block", "Block."),
            Column("material", TEXT, "Material, for its temperature coefficient."),
            Column("certified_value", FLOAT, "Certified value at the reference temperature.", above=0),
            Column("unit", TEXT, "Unit of the certificate.", allowed=UNITS),
            Column("expanded_uncertainty", FLOAT, "Expanded uncertainty of the certificate, in `unit`.", at_least=0),
            Column("coverage_factor", FLOAT, "Coverage factor of that uncertainty.", above=0),
            Column("certificate", TEXT, "Certificate number."),
            Column(
                "certificate_chain",
                TEXT,
                "Chain of calibration: certificates that name the same one share errors (`certificate_correlation`).",
            ),
            Column("certified_on", UTC_TIME, "Date of the certificate."),
            Column("due_on", UTC_TIME, "When the block is due."),
            _CERTIFICATE_FILE,
        ),
        _reference(
            "calibrations",
            "External calibrations of the meters, one row a point.",
            ("meter", "calibrated_on", "condition", "nominal"),
            _id("meter", "Meter."),
            Column("calibrated_on", UTC_TIME, "When it was calibrated.", required=True, nullable=False),
            Column(
                "condition",
                TEXT,
                "as_found: before any adjustment; as_left: as it came back.",
                required=True,
                nullable=False,
                allowed=("as_found", "as_left"),
            ),
            Column("nominal", FLOAT, "Reference value of the point.", required=True, nullable=False, above=0),
            Column("indicated", FLOAT, "What the meter showed there.", above=0),
            Column("unit", TEXT, "Unit of the point.", required=True, nullable=False, allowed=UNITS),
            Column(
                "tolerance",
                FLOAT,
                "Largest deviation that passes, in `unit`; empty: the tolerance of the site.",
                above=0,
            ),
            Column("expanded_uncertainty", FLOAT, "Expanded uncertainty of the point, in `unit`.", at_least=0),
            Column("coverage_factor", FLOAT, "Coverage factor of that uncertainty.", above=0),
            Column("certificate", TEXT, "Certificate number."),
            Column("laboratory", TEXT, "Who calibrated it."),
            _CERTIFICATE_FILE,
        ),
        _reference(
            "materials",
            "Temperature coefficients, each with its source.",
            ("material",),
            _id("material", "Material."),
            Column(
                "temperature_model",
                TEXT,
                "Model of the coefficient.",
                allowed=("linear", "constant_slope", "proportional"),
            ),
            Column(
                "coefficient",
                FLOAT,
                "linear: 1/°C at the reference temperature; constant_slope: Ohm·mm²/m per °C; "
                "proportional: 1/°C at 100 %IACS.",
            ),
            Column("source", TEXT, "Where the coefficient was taken from."),
            Column(
                "coefficient_expanded_uncertainty",
                FLOAT,
                "Expanded uncertainty of the coefficient, in its own unit.",
                at_least=0,
            ),
            Column("coefficient_coverage_factor", FLOAT, "Coverage factor of that uncertainty; default 2.", above=0),
        ),
        _reference(
            "sensors",
            "Temperature sensors.",
            ("sensor",),
            _id("sensor", "Sensor."),
            Column("correction_c", FLOAT, "Correction to add to its reading.", unit="°C"),
            Column("expanded_uncertainty_c", FLOAT, "Expanded uncertainty of the correction.", unit="°C", at_least=0),
            Column("coverage_factor", FLOAT, "Coverage factor.", above=0),
            Column("due_on", UTC_TIME, "When the sensor is due."),
            Column("certificate", TEXT, "Certificate number."),
            _CERTIFICATE_FILE,
        ),
        _reference(
            "sensor_checks",
            "Checks of temperature sensors against a reference; points of one day make one check.",
            ("sensor", "checked_on", "reference_c"),
            _id("sensor", "Sensor."),
            Column("checked_on", UTC_TIME, "When it was checked.", required=True, nullable=False),
            Column("reference_c", FLOAT, "Temperature by the reference.", required=True, nullable=False, unit="°C"),
            Column(
                "reading_c",
                FLOAT,
                "What the sensor showed; its correction is added before the comparison.",
                required=True,
                nullable=False,
                unit="°C",
            ),
            Column("tolerance_c", FLOAT, "Largest error that passes; empty: `sensor_tolerance_c`.", unit="°C", above=0),
            Column("checked_by", TEXT, "Who checked it, or the certificate."),
        ),
        _reference(
            "corrections",
            "What is added to readings on curved, thin, stacked or coated metal, as the site determined it.",
            ("correction",),
            _id("correction", "Name of the correction."),
            Column(
                "kind",
                TEXT,
                "What it depends on: thickness_mm times pieces, radius_mm, pieces or coating_um.",
                required=True,
                nullable=False,
                allowed=("thickness", "curvature", "stacked", "coating"),
            ),
            Column("material", TEXT, "Material it is for; empty: any."),
            Column("probe", TEXT, "Probe it is for; empty: any."),
            Column("frequency_khz", FLOAT, "Frequency it is for; empty: any.", unit="kHz", above=0),
            Column("low", FLOAT, "From this quantity on (mm, pieces or µm by kind); empty: from 0.", at_least=0),
            Column("high", FLOAT, "Below this quantity; empty: without end.", above=0),
            Column("value", FLOAT, "Added to the reading at the reference temperature, in `unit`; empty: none."),
            Column("unit", TEXT, "Unit of the correction.", allowed=("MS/m", "%IACS")),
            Column("expanded_uncertainty", FLOAT, "Expanded uncertainty of the correction, in `unit`.", at_least=0),
            Column("coverage_factor", FLOAT, "Coverage factor.", above=0),
            Column("source", TEXT, "How it was determined."),
        ),
        _reference(
            "specifications",
            "Limits and the rule by which a lot is judged.",
            ("specification",),
            _id("specification", "Specification."),
            Column("material", TEXT, "Material it is for."),
            Column("lower", FLOAT, "Lower limit, in `unit`."),
            Column("upper", FLOAT, "Upper limit, in `unit`."),
            Column("target", FLOAT, "Target, in `unit`."),
            Column("unit", TEXT, "Unit of the limits.", allowed=UNITS),
            Column(
                "conforms_by",
                TEXT,
                "What must lie within the limits; default spot.",
                allowed=("spot", "part", "lot_mean", "k_method"),
            ),
            Column(
                "decision_rule", TEXT, "Simple or guarded acceptance; default simple.", allowed=("simple", "guarded")
            ),
            Column("rounding", TEXT, "none, half_up:N or half_even:N decimals."),
            Column("parts", INTEGER, "Parts that the plan asks for.", at_least=1),
            Column("spots", INTEGER, "Spots on each part that the plan asks for.", at_least=1),
            Column("repeats", INTEGER, "Repeats on each spot that the plan asks for.", at_least=1),
            Column("k", FLOAT, "Acceptability constant of the k method.", at_least=0),
            Column(
                "most_nonconforming_percent",
                FLOAT,
                "k method, two limits: the most that may be estimated beyond both (M), as the plan's table gives it; empty: "
                "computed from k.",
                unit="%",
                above=0,
                at_most=100,
            ),
            Column("hardness_required", BOOLEAN, "Whether a hardness result must stand beside it."),
            Column("source", TEXT, "Document the limits come from."),
            Column(
                "conformance_probability",
                FLOAT,
                "Guarded rule: probability of conforming that a value must reach; the guard band follows from it.",
                at_least=0.5,
                at_most=0.9999,
            ),
        ),
        _reference(
            "lots",
            "What each lot is.",
            ("lot",),
            _id("lot", "Lot."),
            Column("product", TEXT, "Product."),
            Column("material", TEXT, "Material."),
            Column("specification", TEXT, "Specification it is judged by."),
            Column("supplier", TEXT, "Supplier."),
            Column("heat", TEXT, "Heat or melt."),
            Column("received_on", UTC_TIME, "Day received."),
            Column("shipped_on", UTC_TIME, "Day it left the site; empty while it is still there."),
            Column("customer", TEXT, "Customer it is for; stands on its test report."),
            Column("purchase_order", TEXT, "The customer's order; stands on its test report."),
            Column("line", TEXT, "Line that made it."),
            Column("thickness_mm", FLOAT, "Nominal thickness.", unit="mm", above=0),
            Column("smallest_flat_mm", FLOAT, "Smallest flat across on which it is read.", unit="mm", above=0),
        ),
        _reference(
            "material_ranges",
            "Ranges of conductivity by alloy and temper, as the site knows them: for sorting, never for acceptance.",
            ("material", "temper"),
            _id("material", "Alloy, named as in the lots."),
            Column("temper", TEXT, "Temper or state."),
            Column(
                "lower",
                FLOAT,
                "Lower end at the reference temperature, in `unit`.",
                required=True,
                nullable=False,
                above=0,
            ),
            Column("upper", FLOAT, "Upper end, in `unit`.", required=True, nullable=False, above=0),
            Column("unit", TEXT, "Unit of the range.", required=True, nullable=False, allowed=UNITS),
            Column("weight", FLOAT, "How likely it is before measuring, on any scale; default 1.", above=0),
            Column("example", BOOLEAN, "yes: made up to show the table, not a range of a real alloy."),
            Column("source", TEXT, "Where the range was taken from."),
        ),
        _reference(
            "studies",
            "Gauge studies. Readings whose `run` stands here never count as production.",
            ("run",),
            _id("run", "Study, as readings state it under `run`."),
            Column(
                "kind",
                TEXT,
                "crossed: everybody reads every part; nested: each has parts of his own.",
                allowed=("crossed", "nested"),
            ),
            Column("compares", TEXT, "What is compared; default operator.", allowed=("operator", "meter", "probe")),
            Column("meters", TEXT, "Meters that take part, separated by spaces; empty: whichever do."),
            Column("material", TEXT, "Material of the parts, for its temperature coefficient."),
            Column("specification", TEXT, "Specification whose limits make the tolerance."),
            Column("tolerance", FLOAT, "Upper minus lower limit, in `unit`; goes before the specification.", above=0),
            Column("unit", TEXT, "Unit of the tolerance.", allowed=UNITS),
            Column("remark", TEXT, "Remark."),
        ),
        _reference("suppliers", "The suppliers.", ("supplier",), _id("supplier", "Supplier.")),
        _reference(
            "mill_certificates",
            "What the mill states for a lot.",
            ("lot", "certificate"),
            _id("lot", "Lot."),
            Column("certificate", TEXT, "Certificate number."),
            Column("value", FLOAT, "Value at the reference temperature.", above=0),
            Column("unit", TEXT, "Unit.", allowed=UNITS),
            Column("expanded_uncertainty", FLOAT, "Expanded uncertainty, in `unit`.", at_least=0),
            Column("coverage_factor", FLOAT, "Coverage factor.", above=0),
        ),
        _reference(
            "hardness",
            "Hardness results that stand beside the conductivity.",
            ("lot", "part"),
            _id("lot", "Lot."),
            Column("part", TEXT, "Part."),
            Column("value", FLOAT, "Hardness.", required=True, nullable=False, above=0),
            Column("scale", TEXT, "Hardness scale."),
            Column("lower", FLOAT, "Lower limit."),
            Column("upper", FLOAT, "Upper limit."),
        ),
    )
}
"""The tables of a workspace's `reference` folder, by file stem."""
