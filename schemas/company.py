"""What travels from a site to the centre: tables cut into pieces by month, and the manifest that names them.

A package is the whole state of a site. Its pieces are named by their hash, so that only what changed is sent.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from schemas.declare import UTC_TIME, Column, Table
from schemas.tables import BASELINE, EVENT, FATES, READING
from schemas.terms import is_site_name

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "COMPANY_TABLES",
    "FORMAT",
    "Head",
    "Manifest",
    "Piece",
    "canonical",
    "is_site_name",
    "moment_of",
    "month_column",
]

FORMAT = 1
"""Of manifests and pieces; a centre reads no other."""

TEXT, FLOAT, INTEGER, BOOLEAN = pl.String, pl.Float64, pl.Int64, pl.Boolean


def canonical(document: Mapping[str, Any]) -> bytes:
    """Return the one form of a document that is hashed and signed: UTF-8 JSON, keys sorted, no blanks."""
    return json.dumps(document, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def moment_of(text: str) -> datetime | None:
    """Return a moment as manifests state it, in UTC; None where they state none: nothing, or no ISO 8601 with an offset."""
    try:
        moment = datetime.fromisoformat(text)
        return moment.astimezone(UTC) if moment.tzinfo else None
    except (ValueError, OverflowError):
        return None


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Piece:
    """Rows of one table and one month: a Parquet file under the name of its hash. A month may lie in several pieces.

    Parameters
    ----------
    table
        A name of `COMPANY_TABLES`.
    month
        As ``2026-06``, in UTC; empty where the table has no time or the row none.
    sha256
        Of its bytes.
    bytes, rows
        How long it is, and how many rows it holds.
    """

    table: str
    month: str
    sha256: str
    bytes: int
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """What is signed and lies in storage under its number and its hash."""

    number: int

    @property
    def document(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)

    @property
    def sha256(self) -> str:
        """The hash of the canonical bytes, which are what is signed."""
        return hashlib.sha256(canonical(self.document)).hexdigest()

    @property
    def name(self) -> str:
        """How it is called in storage."""
        return f"{self.number:08}-{self.sha256}.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest(Numbered):
    """What one package is.

    Parameters
    ----------
    site
        Who made it.
    number
        Place among the packages of the site, from 1.
    before
        Hash of the manifest before; empty for the first.
    made_at, as_of, last_reading_at
        ISO 8601 in UTC: by the clock of the site, the moment that is judged, the last reading (empty without any).
    program
        Version that computed it.
    history_state
        What tells the state of the history from others.
    head
        Hash of the last event of the chain; empty without any.
    pieces
        Sorted.
    """

    site: str
    before: str
    made_at: str
    program: str
    as_of: str
    history_state: str
    head: str
    last_reading_at: str
    pieces: tuple[Piece, ...]
    format: int = FORMAT

    @classmethod
    def of(cls, document: Any, *, registered: bool = False) -> Manifest:
        """Return the manifest of a JSON document.

        Parameters
        ----------
        document
            What was read.
        registered
            Its moments are not looked at: it was let in, perhaps when none were.

        Raises
        ------
        ValueError
            If it is none: in words, for who sent it.
        """
        if not isinstance(document, dict) or document.get("format") != FORMAT:
            raise ValueError(f"it is no manifest of format {FORMAT}")
        pieces = document.get("pieces")
        if not isinstance(pieces, list):
            raise ValueError("its list of pieces is missing")  # noqa: TRY004 - one kind of error for one kind of fault
        made = cls(**_typed(cls, {**document, "pieces": tuple(Piece(**_typed(Piece, piece)) for piece in pieces)}))
        if not is_site_name(made.site) or made.number < 1 or list(made.pieces) != sorted(made.pieces):
            raise ValueError("site, number or the order of its pieces is none that a site would write")
        for name in ("made_at", "as_of", "last_reading_at"):
            text = getattr(made, name)
            if moment_of(text) is None and (text or name != "last_reading_at") and not registered:
                raise ValueError(
                    f"{name} is {text!r}: expected a moment in ISO 8601 with an offset, such as 2026-06-30T12:00:00Z"
                )
        return made


_TYPES = {"str": str, "int": int, "tuple[Piece, ...]": tuple}


def _typed(kind: Any, document: Any) -> dict[str, Any]:
    known = {field.name: _TYPES[str(field.type)] for field in fields(kind)}
    if not isinstance(document, dict) or set(document) != set(known):
        raise ValueError(f"it must state {', '.join(known)}, and nothing else")
    for name, value in document.items():
        if type(value) is not known[name]:
            raise ValueError(f"{name} is {value!r}")
    return document


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """What the centre writes back for a site, signed with its own key: what it took in last, and why it refused what came after.

    Parameters
    ----------
    site
        The site that it is about.
    number, sha256
        Of the last package that was registered; 0 and empty before the first.
    at
        When it was; ISO 8601 in UTC.
    refused
        In words why a later package was not taken in, and what to do; empty where nothing was refused.
    """

    site: str
    number: int = 0
    sha256: str = ""
    at: str = ""
    refused: str = ""

    @property
    def document(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)

    @classmethod
    def of(cls, document: Any) -> Head:
        """Return the head of a JSON document.

        Raises
        ------
        ValueError
            If it is none.
        """
        return cls(**_typed(cls, document))


def _id(name: str, doc: str) -> Column:
    return Column(name, TEXT, doc, required=True, nullable=False)


_METER, _LOT = _id("meter", "Meter."), _id("lot", "Lot.")
_MONTHS: dict[str, str] = {}
"""Column whose month cuts a table into pieces."""


def _table(name: str, doc: str, by: str, key: tuple[str, ...], *columns: Column) -> Table:
    _MONTHS[name] = by
    return Table(name, doc, columns, key)


_INTEGERS = {"source_id": pl.Int32, "replicate": pl.Int16, "occurrence": pl.Int32}
"""As narrow as the history has them: what is computed from the pieces is then computed from the same frames."""
_SOURCE = Column("source_id", pl.Int32, "Number of the file at the site.", required=True, nullable=False)
_AT_20 = Column("reference_temperature_c", FLOAT, "Reference temperature of the values.", unit="°C")
_UNIT = Column("unit", TEXT, "Unit of the values.")

COMPANY_TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        # -- raw: enough to compute everything again --------------------------------------------------------------
        _table(
            "readings",
            "The readings as stored.",
            "measured_at",
            ("source_id", "line", "replicate"),
            _SOURCE,
            *(
                Column(column.name, _INTEGERS.get(column.name, column.dtype), column.doc, unit=column.unit)
                for column in READING
            ),
            Column("occurrence", pl.Int32, "Which of several equal readings of its file."),
            Column("conflict", BOOLEAN, "Whether it contradicts another reading."),
        ),
        _table(
            "sources",
            "The ledger: one row a file, with what became of its lines.",
            "loaded_at",
            ("source_id",),
            _SOURCE,
            _id("sha256", "SHA-256 of the raw file."),
            _id("name", "Name of the file."),
            Column("size", INTEGER, "Its bytes."),
            _id("layout", "Layout it was read by."),
            Column("layout_version", INTEGER, "Version of the layout."),
            Column("layout_sha256", TEXT, "SHA-256 of the layout's text, which stands among `texts`."),
            Column("zone", TEXT, "Zone of its times."),
            Column("taken_by_hand", BOOLEAN, "Whether a person wrote the readings down."),
            Column("loaded_at", UTC_TIME, "When it was loaded."),
            Column("lines", INTEGER, "Lines of the file."),
            *(Column(fate, INTEGER, f"Lines that are {fate}.") for fate in FATES),
            Column("readings", INTEGER, "Readings stored."),
            Column("conflicts", INTEGER, "Of them, those that contradict others."),
            Column("metadata", TEXT, "What stands about the table, as JSON."),
            Column("warnings", TEXT, "What was noticed, as JSON."),
        ),
        _table(
            "events",
            "The chain of events. Of an account the subject stays at the site (null); the hashes hold the chain together.",
            "at",
            ("sequence",),
            *(Column(column.name, column.dtype, column.doc, nullable=column.name == "subject") for column in EVENT),
        ),
        _table(
            "quarantine",
            "Refused lines, and what was decided on them.",
            "loaded_at",
            ("quarantine_id",),
            Column("quarantine_id", INTEGER, "Number of the line at the site.", required=True, nullable=False),
            _SOURCE,
            Column("line", INTEGER, "Line of the file."),
            Column("column", TEXT, "Column concerned."),
            _id("reason", "Reason code."),
            _id("sentence", "What was found, what was expected, what to do."),
            _id("original", "The line as it stands in the file."),
            _id("state", "new, replayed or discarded."),
            Column("decided_by", TEXT, "Who decided."),
            Column("decided_why", TEXT, "Why."),
            Column("loaded_at", UTC_TIME, "When the file was loaded."),
        ),
        _table(
            "baselines",
            "Frozen limits of control, the latest last.",
            "",
            ("sequence",),
            Column("sequence", INTEGER, "Order in which they were frozen.", required=True, nullable=False),
            *BASELINE,
        ),
        _table(
            "verdicts",
            "The last verdict given for each lot: what a later change is compared with.",
            "",
            ("lot",),
            _LOT,
            _id("verdict", "Verdict."),
            _id("support", "Support."),
        ),
        _table(
            "texts",
            "Reference tables, settings and layouts, every text that was ever taken over.",
            "recorded_at",
            ("kind", "sequence", "sha256"),
            _id("kind", "reference (the settings among them) or layout."),
            _id("name", "Name of the table or the layout."),
            Column("sequence", INTEGER, "Order in which they were taken over; the last of a name holds."),
            _id("sha256", "SHA-256 of the text."),
            _id("content", "The text."),
            Column("recorded_at", UTC_TIME, "When it was taken over; of a layout, when it was first read by."),
        ),
        # -- computed: what the union is made of -----------------------------------------------------------------
        _table(
            "checks",
            "Checks on blocks.",
            "at",
            ("meter", "at", "block", "probe", "frequency_khz", "check"),
            _METER,
            Column("check", INTEGER, "Number of the check among those of its meter.", required=True, nullable=False),
            Column("run", INTEGER, "Number of its run.", required=True, nullable=False),
            Column("maker", TEXT, "Maker of the meter."),
            Column("serial_number", TEXT, "Serial number of the meter."),
            Column("probe", TEXT, "Probe."),
            Column("frequency_khz", FLOAT, "Frequency.", unit="kHz"),
            _id("block", "Block."),
            Column("certificate", TEXT, "Certificate of the block that held."),
            Column("at", UTC_TIME, "Time of the last reading of the check.", required=True, nullable=False),
            Column("readings", INTEGER, "Readings in the check."),
            Column("mean", FLOAT, "Mean at the reference temperature."),
            Column("standard_deviation", FLOAT, "Standard deviation within the check."),
            Column("certified_value", FLOAT, "Certified value."),
            Column("certificate_standard_uncertainty", FLOAT, "Standard uncertainty of the certificate."),
            Column("certificate_coverage_factor", FLOAT, "Coverage factor of the certificate."),
            Column("certificate_expanded_uncertainty", FLOAT, "Expanded uncertainty of the certificate."),
            Column("bias", FLOAT, "Mean less certified value."),
            Column("tolerance", FLOAT, "Largest bias that passes."),
            Column("passes", BOOLEAN, "Whether it passes; null without a certificate."),
            Column("phase", UTC_TIME, "The setting before it."),
            Column("z", FLOAT, "Distance from the centre in standard deviations of the limits."),
            Column("rejects", TEXT, "Rules that reject, separated by a space."),
            _UNIT,
            _AT_20,
        ),
        _table(
            "runs",
            "Runs of checks.",
            "first_at",
            ("meter", "run"),
            _METER,
            Column("run", INTEGER, "Number of the run among those of its meter.", required=True, nullable=False),
            Column("first_at", UTC_TIME, "Its first reading.", required=True, nullable=False),
            Column("last_at", UTC_TIME, "Its last reading.", required=True, nullable=False),
            Column("checks", INTEGER, "Checks in it."),
            Column("conflicts", INTEGER, "Checks with contradicting readings."),
            Column("failed", INTEGER, "Checks that failed."),
            Column("rejected", INTEGER, "Checks that a rule rejects."),
            Column("certified", INTEGER, "Checks on blocks with a certificate."),
            Column("passed", BOOLEAN, "Whether it passed; null where nothing could be judged."),
        ),
        _table(
            "settings",
            "Settings of meters and actions on them.",
            "",
            ("meter", "at", "kind", "by", "why"),
            _METER,
            Column("at", UTC_TIME, "When.", required=True, nullable=False),
            _id("kind", "export (a reading in the file), recorded (by a person), or the kind of the action."),
            Column("readings", INTEGER, "Readings of the setting."),
            Column("blocks", TEXT, "Blocks it was set on."),
            Column("by", TEXT, "Who."),
            Column("why", TEXT, "Why."),
        ),
        _table(
            "brackets",
            "Readings of a lot by one meter between two runs of checks.",
            "first_at",
            ("lot", "meter", "first_at", "last_at", "before_run", "after_run"),
            _LOT,
            _METER,
            Column("first_at", UTC_TIME, "First reading."),
            Column("last_at", UTC_TIME, "Last reading."),
            Column("readings", INTEGER, "Readings."),
            Column("unknown_clock", INTEGER, "Of them, those whose clock is not believed."),
            Column("before_run", INTEGER, "Run before."),
            Column("before_at", UTC_TIME, "Its time."),
            Column("before_passed", BOOLEAN, "Whether it passed."),
            Column("after_run", INTEGER, "Run after."),
            Column("after_at", UTC_TIME, "Its time."),
            Column("after_passed", BOOLEAN, "Whether it passed."),
            Column("support", TEXT, "supported, open, suspect or unsupported."),
            Column("reason", TEXT, "Why."),
        ),
        _table(
            "parts",
            "Means of parts.",
            "first_at",
            ("lot", "part", "order"),
            _LOT,
            Column("part", TEXT, "Part."),
            Column("order", INTEGER, "Place within the lot."),
            Column("spots", INTEGER, "Spots."),
            Column("readings", INTEGER, "Readings."),
            Column("mean", FLOAT, "Mean at the reference temperature."),
            Column("spot_standard_deviation", FLOAT, "Standard deviation of its spots."),
            Column("first_at", UTC_TIME, "First reading."),
        ),
        _table(
            "lots",
            "One row a lot, as of the last reading of the site.",
            "last_at",
            ("lot",),
            _LOT,
            _id("verdict", "accept, hold, reject or not_assessed."),
            Column("reason", TEXT, "The deciding reason."),
            Column("product", TEXT, "Product."),
            Column("supplier", TEXT, "Supplier."),
            Column("specification", TEXT, "Specification."),
            Column("material", TEXT, "Material."),
            Column("heat", TEXT, "Heat."),
            Column("customer", TEXT, "Customer."),
            Column("purchase_order", TEXT, "Purchase order."),
            Column("line", TEXT, "Line."),
            Column("mean", FLOAT, "Mean of part means."),
            Column("expanded_uncertainty", FLOAT, "Expanded uncertainty of the mean."),
            Column("k", FLOAT, "Coverage factor."),
            Column("standard_deviation", FLOAT, "Standard deviation of part means."),
            Column("parts", INTEGER, "Parts."),
            Column("readings", INTEGER, "Readings."),
            Column("lower", FLOAT, "Lower limit."),
            Column("upper", FLOAT, "Upper limit."),
            Column("cpk", FLOAT, "Cpk."),
            Column("ppk", FLOAT, "Ppk."),
            _UNIT,
            _AT_20,
            Column("first_at", UTC_TIME, "First reading."),
            Column("last_at", UTC_TIME, "Last reading."),
            Column("support", TEXT, "Support by the checks around it."),
            Column("meters", TEXT, "Meters that read it, separated by a space."),
            Column("flags", TEXT, "Flags, one a line."),
            Column(
                "open",
                BOOLEAN,
                "Whether it waits for a person: held, rejected or accepted with a condition, without a disposition.",
            ),
        ),
        _table(
            "meters",
            "One row a meter, as of the last reading of the site.",
            "",
            ("meter",),
            _METER,
            Column("maker", TEXT, "Maker."),
            Column("model", TEXT, "Model."),
            Column("serial_number", TEXT, "Serial number."),
            _id("state", "fit, suspended, overdue or not_assessed."),
            Column("reason", TEXT, "The deciding reason."),
            Column("last_check_at", UTC_TIME, "Its last run of checks."),
            Column(
                "next_check_by", UTC_TIME, "When it is to be checked next; null where it is suspended or never was."
            ),
            Column(
                "bias_percent_of_tolerance",
                FLOAT,
                "Bias of its last checks in percent of the tolerance, with its sign: that of the block where it is largest.",
                unit="%",
            ),
            Column("checks", INTEGER, "Checks."),
            Column("open_events", INTEGER, "Events of the look-back that wait for a person."),
        ),
    )
}
"""Every table of a package. Rows are sorted by its key; names of meters and lots are the site's own, without its prefix."""


def month_column(table: str) -> str:
    """Return the column whose month (UTC) cuts a table into pieces; empty where it is one piece."""
    return _MONTHS[table]
