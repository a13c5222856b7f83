"""A data pack: readings, results, schema and hashes of some lots, for a customer or an auditor.

The tables stand as CSV (text guarded against formulas) and Parquet (as it is), described by a Frictionless
``datapackage.json``; ``results.json`` holds every figure unrounded; ``SHA256SUMS`` lets anybody check that nothing changed.
"""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

import reports
from pipeline.errors import EnvironmentProblem, IntegrityProblem, UsageError
from pipeline.steps.budgets import with_budgets
from pipeline.steps.files import archived
from pipeline.steps.pages import lot_pages, software_version
from pipeline.steps.spreadsheet_text import guarded_frame
from schemas.pack import PACK_TABLES
from schemas.results import as_json
from schemas.validate import require

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.settings import Workspace
    from pipeline.steps.assess import Assessment
    from schemas.declare import Column, Table
    from schemas.results import LotResult

__all__ = ["Pack", "chosen_lots", "pack_tables", "write_pack"]

_TYPES = {pl.String: "string", pl.Float64: "number", pl.Int64: "integer", pl.Boolean: "boolean"}
_FORMATS = ("csv", "parquet")

_README = """Data pack of {workspace}, made by annealog {version}.

{lots} lot(s), {readings} reading(s), as of {as_of}.

datapackage.json    what each table and column means (Frictionless Data Package)
results.json        every result in full, numbers not rounded
data/*.csv          the tables, UTF-8; a text that a spreadsheet could take for a formula has an apostrophe before it
data/*.parquet      the same tables, text as it is
SHA256SUMS          check with: sha256sum -c SHA256SUMS
{more}
Conductivity is one piece of evidence. Aircraft parts, pressure parts and electrical conductors are accepted to their
governing specification, by people authorised to do so, with the hardness or other tests it demands. Where this pack and
the governing specification differ, the specification decides.
"""


@dataclass(frozen=True, slots=True)
class Pack:
    """What was written."""

    target: Path
    lots: int
    readings: int
    files: int
    data_sha256: str  # of SHA256SUMS: one number that stands for the whole pack


def chosen_lots(
    assessment: Assessment,
    *,
    lots: Iterable[str] = (),
    supplier: str | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> list[str]:
    """Return the lots a pack is about, sorted.

    Parameters
    ----------
    assessment
        Everything computed.
    lots
        By name; none means all that were read.
    supplier
        Only lots of this supplier.
    start, end
        Only lots whose last reading lies within.

    Raises
    ------
    UsageError
        If a lot or the supplier is unknown, or nothing is left.
    """
    named = list(lots)
    for name in named:
        if name not in assessment.lots:
            raise UsageError(f"Lot {name!r} has no readings. Check the spelling: annealog status lists what was read.")
    if supplier is not None and all(result.supplier != supplier for result in assessment.lots.values()):
        known = ", ".join(sorted({r.supplier for r in assessment.lots.values() if r.supplier})) or "none"
        raise UsageError(f"No lot of supplier {supplier!r} was read. Suppliers with lots: {known}.")
    found = [
        name
        for name in sorted(named or assessment.lots)
        for result in [assessment.lots[name]]
        if (supplier is None or result.supplier == supplier)
        and (start is None or (result.last_at is not None and result.last_at >= start))
        and (end is None or (result.last_at is not None and result.last_at <= end))
    ]
    if not found:
        raise UsageError(
            "No lot was read that fits all of --lot, --supplier, --from and --to; there is nothing to pack."
        )
    return found


def _flat(result: LotResult) -> dict[str, Any]:
    """Return one row of the table `lots`."""
    row: dict[str, Any] = {name: getattr(result, name, None) for name in PACK_TABLES["lots"].names}
    for index in ("cp", "cpk", "pp", "ppk"):
        interval = getattr(result, f"{index}_interval")
        row[f"{index}_low"], row[f"{index}_high"] = interval or (None, None)
    row["reasons"] = " ".join(result.reasons)
    row["flags"] = "\n".join(result.flags) or None
    row["meters"] = ", ".join(result.meters)
    row["dispositions"] = "\n".join(f"{d.decision} ({d.by}: {d.why})" for d in result.dispositions) or None
    return row


def pack_tables(
    assessment: Assessment, sources: pl.DataFrame, events: Sequence[Event], lots: Sequence[str]
) -> dict[str, pl.DataFrame]:
    """Return the tables of a pack, sorted, each in its contract.

    Parameters
    ----------
    assessment
        Everything computed.
    sources
        Ledger of files.
    events
        Chain of events.
    lots
        What the pack is about.

    Returns
    -------
    dict of polars.DataFrame
        By name in `schemas.pack.PACK_TABLES`.
    """
    brackets = assessment.brackets.filter(pl.col("lot").is_in(lots))
    runs = (
        pl.concat([brackets.select("meter", pl.col(name).alias("run")) for name in ("before_run", "after_run")])
        .drop_nulls()
        .unique()
    )
    checks = assessment.checks.join(runs, on=["meter", "run"], how="semi").sort("meter", "at", "check")
    spans = checks.select(
        pl.col("meter").alias("_m"), pl.col("block").alias("_b"), "first_at", pl.col("at").alias("_to")
    )
    part_readings = assessment.readings.filter(
        (pl.col("role") == "part") & pl.col("lot").cast(pl.String).is_in(lots)
    ).with_columns(pl.col(pl.Categorical).cast(pl.String))
    blocks = (
        assessment.readings.filter(
            (pl.col("role") == "block") & pl.col("meter").is_in(checks["meter"].unique().to_list())
        )
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .join_where(
            spans,
            pl.col("meter") == pl.col("_m"),
            pl.col("block") == pl.col("_b"),
            pl.col("measured_at") >= pl.col("first_at"),
            pl.col("measured_at") <= pl.col("_to"),
        )
        .select(part_readings.columns)
        .unique(["source_id", "line", "replicate"])
    )
    ledger = sources.select(
        "source_id", pl.col("sha256").alias("file_sha256"), "name", "layout", "layout_version", "loaded_at"
    )
    readings = (
        pl.concat([part_readings, blocks])
        .join(ledger.select("source_id", "file_sha256"), on="source_id", how="left")
        .sort("measured_at", "file_sha256", "line", "replicate")
    )
    meters = set(brackets["meter"].to_list())
    used_blocks = checks["block"].unique().to_list()
    by_lot = pl.col("lot").is_in(lots)
    found = {
        "lots": pl.DataFrame(
            [_flat(assessment.lots[lot]) for lot in lots], schema=PACK_TABLES["lots"].polars_schema, orient="row"
        ),
        "readings": readings,
        "parts": assessment.part_values.filter(by_lot).sort("lot", "order"),
        "spots": assessment.spot_values.filter(by_lot).sort("lot", "part_order", "spot", nulls_last=True),
        "checks": checks,
        "files": ledger.join(readings.select("source_id").unique(), on="source_id", how="semi").sort(
            "name", "file_sha256"
        ),
        "blocks": assessment.tables["blocks"]
        .filter(pl.col("block").is_in(used_blocks))
        .sort("block", "valid_from", nulls_last=False),
        "decisions": pl.DataFrame(
            [
                {**_event_row(event)}
                for event in events
                if event.subject.get("lot") in set(lots) or event.subject.get("meter") in meters
            ],
            schema=PACK_TABLES["decisions"].polars_schema,
            orient="row",
        ),
    }
    return {name: require(PACK_TABLES[name], PACK_TABLES[name].complete(frame)) for name, frame in found.items()}


def _event_row(event: Event) -> dict[str, Any]:
    subject = json.dumps(event.subject, sort_keys=True, ensure_ascii=False)
    return {
        "sequence": event.sequence, "at": event.at, "kind": event.kind, "subject": subject, "by": event.by,
        "why": event.why, "hash": event.hash,
    }  # fmt: skip


def _field(column: Column) -> dict[str, Any]:
    """Return the Table Schema descriptor of a column."""
    field: dict[str, Any] = {
        "name": column.name,
        "type": "datetime" if isinstance(column.dtype, pl.Datetime) else _TYPES[column.dtype],
        "description": column.doc,
    }
    if column.unit:
        field["unit"] = column.unit
    constraints: dict[str, Any] = {}
    if not column.nullable:
        constraints["required"] = True
    if column.allowed:
        constraints["enum"] = list(column.allowed)
    if constraints:
        field["constraints"] = constraints
    return field


def _resource(table: Table, form: str, data: bytes) -> dict[str, Any]:
    schema: dict[str, Any] = {"fields": [_field(column) for column in table]}
    if form == "csv":
        schema["missingValues"] = [""]
    if table.key:
        schema["primaryKey"] = list(table.key)
    media = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
    return {
        "name": table.name if form == "csv" else f"{table.name}-{form}",
        "path": f"data/{table.name}.{form}",
        "format": form,
        "mediatype": media[form],
        **({"encoding": "utf-8"} if form == "csv" else {}),
        "description": table.doc,
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
        "schema": schema,
    }


def _as_bytes(frame: pl.DataFrame, form: str) -> bytes:
    buffer = io.BytesIO()
    if form == "parquet":
        frame.write_parquet(buffer)
    else:
        guarded_frame(frame).write_csv(buffer, datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")
    return buffer.getvalue()


def _contents(
    workspace: Workspace,
    assessment: Assessment,
    sources: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    *,
    chain_head: str,
    forms: Sequence[str],
    with_raw: bool,
    with_pages: bool,
) -> Iterator[tuple[str, bytes]]:
    """Yield the files of a pack by name, SHA256SUMS left out."""
    lots = tables["lots"]["lot"].to_list()
    resources = []
    for name, frame in tables.items():
        for form in forms:
            data = _as_bytes(frame, form)
            resources.append(_resource(PACK_TABLES[name], form, data))
            yield f"data/{name}.{form}", data
    results = as_json([with_budgets(assessment, assessment.lots[lot]) for lot in lots])
    yield "results.json", _document(results)
    more = []
    if with_pages:
        more.append("pages/              the reports of the lots, each complete in itself")
        for page in lot_pages(workspace, assessment, sources, lots):
            yield f"pages/{reports.address(page.link.kind, page.link.identifier)}", reports.render(page).encode()
    if with_raw:
        more.append("raw/                the files as they came from the meters, by their SHA-256")
        for digest in tables["files"]["file_sha256"].to_list():
            yield f"raw/{digest}", _raw(workspace, digest)
    yield (
        "datapackage.json",
        _document(
            {
                "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
                "name": "annealog-data-pack",
                "title": f"Conductivity readings and results, {workspace.settings.name or workspace.root.name}",
                "created": as_json(assessment.as_of),
                "version": software_version(),
                "head_of_the_chain_of_events": chain_head,
                "resources": resources,
            }
        ),
    )
    yield (
        "README.txt",
        _README.format(
            workspace=workspace.settings.name or workspace.root.name,
            version=software_version(),
            lots=len(lots),
            readings=tables["readings"].height,
            as_of=as_json(assessment.as_of),
            more="".join(f"{line}\n" for line in more),
        ).encode(),
    )


def _raw(workspace: Workspace, digest: str) -> bytes:
    """Return an archived file; one that no longer agrees with its hash leaves the house in no pack."""
    data = archived(workspace.archive, digest).read_bytes()
    if hashlib.sha256(data).hexdigest() != digest:
        raise IntegrityProblem(f"The archived file {digest} does not agree with its hash. Run: annealog verify")
    return data


def _document(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False).encode()


def write_pack(
    workspace: Workspace,
    assessment: Assessment,
    sources: pl.DataFrame,
    events: Sequence[Event],
    lots: Sequence[str],
    target: Path,
    *,
    forms: Sequence[str] = _FORMATS,
    with_raw: bool = False,
    with_pages: bool = False,
) -> Pack:
    """Write a data pack into a new folder, or into one file where the name ends with ``.zip``.

    The same history gives the same bytes.

    Parameters
    ----------
    workspace, assessment, sources, events
        What is known.
    lots
        What the pack is about, sorted.
    target
        New folder or file.
    forms
        Of the tables: csv, parquet.
    with_raw
        Add the raw files, by hash.
    with_pages
        Add the reports of the lots.

    Returns
    -------
    Pack

    Raises
    ------
    UsageError
        If the target exists.
    EnvironmentProblem
        If it cannot be written; nothing is left then.
    """
    if target.exists():
        raise UsageError(f"{target} exists already. Name a new folder or file; a pack never overwrites one.")
    tables = pack_tables(assessment, sources, events, lots)
    chain_head = events[-1].hash if events else ""
    part = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".tmp", dir=_parent(target)))
    sums: list[str] = []
    try:
        for name, data in _contents(
            workspace,
            assessment,
            sources,
            tables,
            chain_head=chain_head,
            forms=forms,
            with_raw=with_raw,
            with_pages=with_pages,
        ):
            place = part / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
            sums.append(f"{hashlib.sha256(data).hexdigest()}  {name}\n")
        listing = "".join(sorted(sums, key=lambda line: line.partition("  ")[2])).encode()
        (part / "SHA256SUMS").write_bytes(listing)
        if target.suffix.lower() == ".zip":
            _zip(part, target)
            shutil.rmtree(part)
        else:
            part.chmod(0o755)
            part.rename(target)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise EnvironmentProblem(f"Cannot write {target}: {error.strerror}.") from None
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return Pack(target, len(lots), tables["readings"].height, len(sums) + 1, hashlib.sha256(listing).hexdigest())


def _parent(target: Path) -> Path:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EnvironmentProblem(f"Cannot make {target.parent}: {error.strerror}.") from None
    return target.parent


def _zip(folder: Path, target: Path) -> None:
    """Put a folder into one file; no clock of ours gets into it, so that equal contents give equal bytes."""
    part = target.with_name(f".{target.name}.tmp")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as file:
            for path in sorted(folder.rglob("*")):
                if path.is_file():
                    item = zipfile.ZipInfo(path.relative_to(folder).as_posix())
                    file.writestr(item, path.read_bytes(), zipfile.ZIP_DEFLATED)
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
