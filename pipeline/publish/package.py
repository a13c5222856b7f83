"""A site's whole state as pieces, and back: the same rows give the same bytes, whatever order they came in.

Computed tables are as of the last reading, so that everything follows from the history: the clock alone changes no piece.
"""

from __future__ import annotations

import hashlib
import io
import json
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.history.chain import Event
from pipeline.history.database import with_utc
from pipeline.judge.assess import assess_frames
from pipeline.judge.assessment import AT_A_GLANCE
from pipeline.judge.marks import MARK_COLUMNS, NO_MARKS, marks_of
from pipeline.judge.values.prepare import exclusions_of, with_excluded, with_file_rank
from pipeline.judge.values.study_runs import split_studies
from pipeline.questions.status import checked_by
from pipeline.workspace.files import sha256_of
from pipeline.workspace.recorded import recorded
from pipeline.workspace.settings import Settings
from schemas.company import COMPANY_TABLES, Piece, month_column
from schemas.tables import BASELINE
from schemas.versions import join_version, version_at

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from schemas.results import MeterResult

    Months = Callable[[Sequence[str] | None], Iterable[pl.DataFrame]]
    """Gives all readings, or some columns of them, a month at a time: what contradicts one another was read at one time."""

__all__ = ["RAW", "assessed", "assessed_part", "computed", "cut", "lots_read", "pieces_of"]

RAW = ("readings", "sources", "events", "quarantine", "baselines", "verdicts", "texts")
"""Tables that everything else follows from."""
_READINGS_A_PIECE = 50_000
"""Files of a month lie together in pieces of at least so many readings, in order: only the last of them grows."""
_ACCOUNT = "account"
_LIBRARY, _MADE_BY = b"Polars (python) version", b"annealog"


def _bytes_of(table: str, rows: pl.DataFrame) -> bytes:
    """Return rows as Parquet: sorted, of the declared types, written one way, with nothing of the program or the time in it."""
    declared = COMPANY_TABLES[table]
    whole = declared.complete(rows).sort(declared.key, nulls_last=True, maintain_order=True).rechunk()
    out = io.BytesIO()
    whole.write_parquet(out, compression="zstd", compression_level=3, statistics=False, row_group_size=1 << 20)
    return _unsigned(out.getvalue())


def _unsigned(data: bytes) -> bytes:
    """Take the name and version of the library out of the footer: a text behind a byte of its length (Thrift, compact protocol)."""
    length = int.from_bytes(data[-8:-4], "little")
    body, footer = data[: -8 - length], data[-8 - length : -8]
    begin = footer.rfind(_LIBRARY)
    if begin < 0:  # a later library names itself otherwise: its pieces differ from those of an earlier one, no more
        return data
    footer = footer[: begin - 1] + bytes([len(_MADE_BY)]) + _MADE_BY + footer[begin + footer[begin - 1] :]
    return body + footer + len(footer).to_bytes(4, "little") + data[-4:]


def pieces_of(
    history: History, assessment: Assessment, known: Mapping[str, Piece], put: Callable[[Piece, bytes], None]
) -> tuple[tuple[Piece, ...], dict[str, Piece]]:
    """Cut the state of a site into pieces.

    Parameters
    ----------
    history
        Open to read.
    assessment
        All of it, as of the last reading.
    known
        What this said before of pieces of readings, by what their rows have in common: their bytes are not made again.
    put
        Given each piece that is made, with its bytes.

    Returns
    -------
    tuple
        All pieces, sorted; and of those of readings what is to be `known` next time.
    """
    found, marks = [], {}

    def made(piece: Piece, data: bytes) -> Piece:
        put(piece, data)
        return piece

    for month, stretch in _stretches(history.reading_sums()):
        mark = hashlib.sha256(f"{month} {stretch.rows()}".encode()).hexdigest()
        piece = known.get(mark)
        if piece is None:
            piece = made(*_piece("readings", month, history.readings_of_files(month, stretch["source_id"].to_list())))
        marks[mark] = piece
        found.append(piece)
    for table, rows in {**_raw(history), **computed(assessment)}.items():
        found += [made(piece, data) for piece, data in cut(table, rows)]
    return tuple(sorted(found)), marks


def _piece(table: str, month: str, rows: pl.DataFrame) -> tuple[Piece, bytes]:
    data = _bytes_of(table, rows)
    return Piece(table=table, month=month, sha256=sha256_of(data), bytes=len(data), rows=rows.height), data


def cut(table: str, rows: pl.DataFrame) -> list[tuple[Piece, bytes]]:
    """Cut a table other than the readings into pieces, each with its bytes."""
    return [_piece(table, month, of_month) for month, of_month in _months(table, rows)]


def _stretches(sums: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    """Yield, month by month, the files whose readings lie in one piece."""
    for (month,), files in sums.group_by("month", maintain_order=True):
        begin = rows = 0
        for place, count in enumerate(files["rows"]):
            rows += count
            if rows >= _READINGS_A_PIECE or place == files.height - 1:
                yield str(month), files[begin : place + 1].drop("month")
                begin, rows = place + 1, 0


def _months(table: str, rows: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    by = month_column(table)
    if by and rows.height:
        months = rows.with_columns(pl.col(by).dt.strftime("%Y-%m").fill_null("").alias("_month"))
        for (month,), of_month in months.group_by("_month"):
            yield str(month), of_month
    elif rows.height:
        yield "", rows


def _raw(history: History) -> dict[str, pl.DataFrame]:
    """Return the tables of `RAW` but the readings."""
    sources = history.ledger()
    return {
        "sources": sources,
        # a password's hash is nobody's business elsewhere
        "events": history.event_rows().with_columns(
            pl.when(pl.col("kind") != _ACCOUNT).then("subject").alias("subject")
        ),
        "quarantine": history.quarantine().join(sources.select("source_id", "loaded_at"), on="source_id"),
        "baselines": with_utc(history.table("baseline")),
        "verdicts": history.verdicts_given(),
        "texts": history.texts_taken_over(),
    }


def computed(assessment: Assessment) -> dict[str, pl.DataFrame]:
    """Return the tables that follow from the raw ones; the centre computes them again from these, to compare."""
    meters = assessment.tables["meters"]
    scale = [
        pl.lit(assessment.settings.unit).alias("unit"),
        pl.lit(assessment.settings.reference_temperature_c).alias("reference_temperature_c"),
    ]
    whose = {name: name for name in ("maker", "serial_number")}
    actions = assessment.actions.rename({"measured_at": "at"})
    uncertainty = pl.col("certificate_standard_uncertainty") * pl.col("certificate_coverage_factor")
    return {
        "checks": join_version(assessment.checks, meters, key="meter", at="at", columns=whose).with_columns(
            *scale,
            pl.col("within_standard_deviation").alias("standard_deviation"),
            uncertainty.alias("certificate_expanded_uncertainty"),
        ),
        "runs": assessment.runs,
        "settings": pl.concat([assessment.meter_settings, actions], how="diagonal_relaxed"),
        "brackets": assessment.brackets,
        "parts": assessment.part_values,
        "lots": _lots(assessment).with_columns(scale),
        "meters": _meters(assessment),
    }


_OF_A_LOT = (
    "lot", "verdict", "reasons", "product", "supplier", "specification", "material", "mean", "expanded_uncertainty", "coverage_factor",
    "standard_deviation", "parts", "readings", "lower", "upper", "cpk", "ppk", "first_at", "last_at", "support", "meters", "flags",
    "conditions", "disposition",
)  # fmt: skip


def _lots(assessment: Assessment) -> pl.DataFrame:
    waits = pl.col("verdict").is_in(["hold", "reject"]) | (pl.col("conditions") != "")
    frame = assessment.columns_of_lots(_OF_A_LOT).rename({"coverage_factor": "k"})
    frame = frame.with_columns(
        (waits & pl.col("disposition").is_null()).alias("open"),
        pl.col("reasons").str.split("\n").list.first().alias("reason"),
    )
    # as the verdict has it: what was registered when the lot was read
    told = {name: name for name in ("heat", "customer", "purchase_order", "line")}
    at = frame.with_columns(pl.col("last_at").fill_null(assessment.as_of).alias("_at"))
    return join_version(at, assessment.tables["lots"], key="lot", at="_at", columns=told)


def _meters(assessment: Assessment) -> pl.DataFrame:
    declared = COMPANY_TABLES["meters"]
    due = checked_by(assessment)
    rows = [_of_meter(meter, due[name]) for name, meter in assessment.meters.items()]
    frame = pl.DataFrame(rows, schema_overrides=declared.polars_schema, infer_schema_length=None)
    if not rows:
        return declared.empty()
    register = version_at(assessment.tables["meters"], ["meter"], assessment.as_of)
    return frame.join(register.select("meter", "maker", "model", "serial_number"), on="meter", how="left")


def _of_meter(meter: MeterResult, next_check_by: datetime | None) -> dict[str, Any]:
    shares = [
        100 * block.last_bias / block.tolerance
        for block in meter.blocks
        if block.last_bias is not None and block.tolerance
    ]
    return {
        "meter": meter.meter,
        "state": meter.state,
        "reason": next(iter(meter.reasons), None),
        "last_check_at": meter.last_run_at,
        "next_check_by": next_check_by,
        "bias_percent_of_tolerance": max(shares, key=abs, default=None),
        "checks": meter.checks,
        "open_events": len(meter.open_events),
    }


def assessed(frames: Mapping[str, pl.DataFrame], as_of: datetime) -> Assessment:
    """Compute everything again from the raw tables of a package.

    Parameters
    ----------
    frames
        The tables named in `RAW`, each of all its pieces; what is missing has no row.
    as_of
        That of the manifest.
    """
    given = _given(frames)
    readings = given.pop("readings").with_columns(_CATEGORIES)
    return assess_frames(readings, given.pop("tables"), given.pop("settings"), as_of=as_of, **given)


def lots_read(frames: Mapping[str, pl.DataFrame], as_of: datetime, months: Months) -> list[str]:
    """Return the lots that :func:`assessed` finds, from the raw readings of production; parameters as for :func:`assessed_part`."""
    tables, found = _given(frames)["tables"], set[str]()
    for readings in months(("lot", "run", "role", "measured_at", "clock")):
        production, _ = split_studies(readings, tables)
        read = (pl.col("role") == "part") & ((pl.col("measured_at") <= as_of) | (pl.col("clock") != "known"))
        found.update(production.filter(read)["lot"].drop_nulls().unique())
    return sorted(found)


def assessed_part(
    frames: Mapping[str, pl.DataFrame], as_of: datetime, lots: Sequence[str], all_lots: pl.DataFrame, months: Months
) -> Assessment:
    """Compute some lots again, equal to the last bit to what they are among all others.

    Parameters
    ----------
    frames, as_of
        As for :func:`assessed`, without the readings.
    lots
        Which.
    all_lots
        The table `lots` as the site says it: what the others have to do with these (`supplier_level` asks for their means).
    months
        The readings: of most of them only where they stand is held.
    """
    given = _given(frames)
    events, sources = given["events"], given["sources"]
    tables, settings = given.pop("tables"), given.pop("settings")
    thing, none = ["meter", "measured_at"], given.pop("readings").clear()
    told_twice = pl.concat(
        rows.join(rows.filter("conflict").select(thing).unique(), on=thing, how="semi").drop_nulls("lot")
        for rows in (none.select("lot", *thing, "conflict"), *months(("lot", *thing, "conflict")))
    )
    beside = told_twice.join(told_twice.filter(pl.col("lot").is_in(lots)), on=thing, how="semi")
    involved, studies = sorted({*lots, *beside["lot"]}), tables["studies"]["run"].unique().to_list()
    exclusions, own, on_blocks, marks = exclusions_of(events, sources), [none], [none], [NO_MARKS]
    for readings in months(None):
        own.append(readings.filter(pl.col("lot").is_in(involved) & (pl.col("role") == "part")))
        on_blocks.append(readings.filter(pl.col("role").is_in(["block", "setting"])))
        every = readings.select(MARK_COLUMNS).filter((pl.col("measured_at") <= as_of) | (pl.col("clock") != "known"))
        every = with_file_rank(with_excluded(every, exclusions), sources)
        marks.append(marks_of(every, at_hand=involved, studies=studies))
    read_by = pl.col("meter").is_in(pl.concat(own)["meter"].unique().to_list())
    at_hand = [pl.concat(rows).filter(read_by).sort(COMPANY_TABLES["readings"].key) for rows in (own, on_blocks)]
    return assess_frames(
        pl.concat(at_hand).with_columns(_CATEGORIES), tables, settings, as_of=as_of, lots=sorted(lots), meters=[],
        marks=pl.concat(marks).filter(read_by), all_lots=all_lots.select(*AT_A_GLANCE), **given,
    )  # fmt: skip


_CATEGORIES = pl.col(pl.String).exclude("remark").cast(pl.Categorical)


def _given(frames: Mapping[str, pl.DataFrame]) -> dict[str, Any]:
    """Return what the raw tables of a package give an assessment, by its parameters."""
    tables = {name: frames[name] if name in frames else COMPANY_TABLES[name].empty() for name in RAW}
    of_tables = tables["texts"].filter(pl.col("kind") == "reference").sort("sequence")
    texts: dict[str, str] = dict(of_tables.select("name", "content").iter_rows())
    settings, reference = recorded(texts, Settings())
    told = tables["events"].filter(pl.col("subject").is_not_null()).sort("sequence")
    return {
        "readings": tables["readings"],
        "tables": reference,
        "settings": settings,
        "events": [Event(**{**row, "subject": json.loads(row["subject"])}) for row in told.iter_rows(named=True)],
        "sources": tables["sources"].sort("source_id"),
        "baselines": BASELINE.complete(tables["baselines"].sort("sequence")),
    }
