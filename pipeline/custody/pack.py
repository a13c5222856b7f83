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
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

import reports
from pipeline.custody.pack_tables import pack_tables
from pipeline.custody.pack_workbook import workbook
from pipeline.custody.spreadsheet_text import guarded_frame
from pipeline.errors import EnvironmentProblem, IntegrityProblem, UsageError
from pipeline.judge.lots.budgets import all_with_budgets
from pipeline.pages.lots_and_meters import lot_pages
from pipeline.workspace.files import archived, read_bytes, write_atomically
from pipeline.workspace.program import software_version
from reports.process.letter import letter
from schemas.digits import counted
from schemas.documents import as_json
from schemas.pack import PACK_TABLES

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace
    from schemas.declare import Column, Table
    from schemas.results import LotPage, LotResult
    from schemas.suppliers import SupplierPage

__all__ = ["Gathered", "Pack", "gathered", "write_pack", "write_workbook"]

_TYPES = {pl.String: "string", pl.Float64: "number", pl.Int64: "integer", pl.Boolean: "boolean"}
_FORMATS = ("csv", "parquet")

_SUMMARY = """Data pack of {workspace}, made by annealog {version}.

{lots}, {readings}, as of {as_of}."""
_README = """{summary}

datapackage.json    what each table and column means (Frictionless Data Package)
results.json        every result in full, numbers not rounded
data/*.csv          the tables, UTF-8; a text that a spreadsheet could take for a formula has an apostrophe before it
data/*.parquet      the same tables, text as it is
SHA256SUMS          check with: sha256sum -c SHA256SUMS
{more}
{caution}
"""
_CAUTION = """Conductivity is one piece of evidence. Aircraft parts, pressure parts and electrical conductors are accepted to their
governing specification, by people authorised to do so, with the hardness or other tests it demands. Where this pack and
the governing specification differ, the specification decides."""


@dataclass(frozen=True, slots=True)
class Pack:
    """What was written."""

    target: Path
    lots: int
    readings: int
    files: int
    data_sha256: str  # of SHA256SUMS: one number that stands for the whole pack


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """What goes into a pack, at hand: nobody who loads waits while it is written."""

    assessment: Assessment
    tables: Mapping[str, pl.DataFrame]
    results: Sequence[LotResult]
    pages: Iterable[LotPage]
    chain_head: str


def gathered(
    workspace: Workspace,
    assessment: Assessment,
    sources: pl.DataFrame,
    events: Sequence[Event],
    lots: Sequence[str],
    *,
    results: bool = True,
    pages: bool = False,
) -> Gathered:
    """Gather what goes into a pack, while the history is open.

    Parameters
    ----------
    workspace, assessment, sources, events
        What is known.
    lots
        What the pack is about, sorted.
    results, pages
        Gather the results in full, and the reports of the lots.
    """
    return Gathered(
        assessment=assessment,
        tables=pack_tables(assessment, sources, events, lots),
        results=all_with_budgets(assessment, [assessment.lots[lot] for lot in lots]) if results else (),
        pages=lot_pages(workspace, assessment.held(), sources, lots) if pages else (),
        chain_head=events[-1].hash if events else "",
    )


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
    workspace: Workspace, given: Gathered, *, with_raw: bool, supplier: SupplierPage | None
) -> Iterator[tuple[str, bytes]]:
    """Yield the files of a pack by name, SHA256SUMS left out."""
    assessment, tables = given.assessment, given.tables
    resources = []
    for name, frame in tables.items():
        for form in _FORMATS:
            data = _as_bytes(frame, form)
            resources.append(_resource(PACK_TABLES[name], form, data))
            yield f"data/{name}.{form}", data
    yield "results.json", _document(as_json(given.results))
    more = []
    pages: list[Any] = []
    if supplier is not None:
        more.append("letter.txt          a letter to the supplier, to be edited before it is sent")
        more.append("pages/suppliers/    the report of the supplier")
        settings = assessment.settings
        yield "letter.txt", letter(supplier, settings.name, settings.address).encode()
        pages.append(supplier)
    if given.pages:
        more.append("pages/              the reports of the lots, each complete in itself")
    for page in chain(pages, given.pages):
        alone = reports.Site(alone=True)
        yield f"pages/{reports.address(page.link.kind, page.link.identifier)}", reports.render(page, alone).encode()
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
                "head_of_the_chain_of_events": given.chain_head,
                "resources": resources,
            }
        ),
    )
    yield (
        "README.txt",
        _README.format(
            summary=_summary(workspace, given),
            more="".join(f"{line}\n" for line in more),
            caution=_CAUTION,
        ).encode(),
    )


def _summary(workspace: Workspace, given: Gathered) -> str:
    return _SUMMARY.format(
        workspace=workspace.settings.name or workspace.root.name,
        version=software_version(),
        lots=counted(given.tables["lots"].height, "lot"),
        readings=counted(given.tables["readings"].height, "reading"),
        as_of=as_json(given.assessment.as_of),
    )


def _raw(workspace: Workspace, digest: str) -> bytes:
    """Return an archived file; one that no longer agrees with its hash leaves the house in no pack."""
    data = read_bytes(archived(workspace.archive, digest))
    if hashlib.sha256(data).hexdigest() != digest:
        raise IntegrityProblem(f"The archived file {digest} does not agree with its hash. Run: annealog verify")
    return data


def _document(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False).encode()


def write_pack(
    workspace: Workspace,
    given: Gathered,
    target: Path,
    *,
    with_raw: bool = False,
    supplier: SupplierPage | None = None,
) -> Pack:
    """Write a data pack into a new folder, or into one file where the name ends with ``.zip``.

    The same history gives the same bytes.

    Parameters
    ----------
    workspace
        For its archive of raw files.
    given
        From :func:`gathered`.
    target
        New folder or file.
    with_raw
        Add the raw files, by hash.
    supplier
        Add the report of the lots' supplier and a letter.

    Raises
    ------
    UsageError
        If the target exists.
    EnvironmentProblem
        If it cannot be written; nothing is left then.
    """
    if target.exists():
        raise UsageError(f"{target} exists already. Name a new folder or file; a pack never overwrites one.")
    part = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".tmp", dir=_parent(target)))
    sums: list[str] = []
    try:
        for name, data in _contents(workspace, given, with_raw=with_raw, supplier=supplier):
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
    return _pack(target, given, len(sums) + 1, listing)


def write_workbook(workspace: Workspace, given: Gathered, target: Path) -> Pack:
    """Write the tables of a data pack into one workbook.

    Parameters
    ----------
    workspace
        For its name.
    given
        From :func:`gathered`.
    target
        New file that ends with ``.xlsx``.

    Raises
    ------
    UsageError
        If the target exists or is named otherwise, or a table has more rows than a sheet holds.
    EnvironmentProblem
        If it cannot be written; nothing is left then.
    """
    if target.suffix.lower() != ".xlsx":
        raise UsageError(f"{target}: a workbook is a file that ends with .xlsx.")
    if target.exists():
        raise UsageError(f"{target} exists already. Name a new file; an export never overwrites one.")
    about = [
        ("data", _summary(workspace, given)),
        ("notes", "A note on each column says what it means, and its unit. Times are in UTC, to the millisecond."),
        ("caution", _CAUTION),
        ("head of the chain", given.chain_head),
    ]  # fmt: skip
    data = workbook(given.tables, about)
    _parent(target)
    write_atomically(target, data)
    return _pack(target, given, 1, data)


def _pack(target: Path, given: Gathered, files: int, data: bytes) -> Pack:
    tables = given.tables
    return Pack(target, tables["lots"].height, tables["readings"].height, files, hashlib.sha256(data).hexdigest())


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
