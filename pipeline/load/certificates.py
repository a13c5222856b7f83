"""A digital calibration certificate becomes rows of a reference table: shown first, kept by its hash, written last."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.certificates.proposal import TABLES, propose
from pipeline.certificates.reading import LARGEST, read_certificate
from pipeline.errors import UsageError
from pipeline.load.reference_rows import add_rows, table_now
from pipeline.workspace.files import archive, read_bytes, sha256_of

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.certificates.document import Certificate, Signature
    from pipeline.certificates.proposal import Answers, Proposal
    from pipeline.workspace.settings import Workspace

__all__ = ["Imported", "import_certificate", "signature_of"]

_REGISTERS = {"blocks": "blocks", "calibrations": "meters", "sensors": "sensors"}
"""The table that says which things the site knows, for each table that certificates fill."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What a certificate says, what it would write, and what was written (nothing while a question stands)."""

    certificate: Certificate
    proposal: Proposal
    signature: Signature | None
    sha256: str
    written: tuple[dict[str, str], ...]


def signature_of(workspace: Workspace, data: bytes, certificate: Certificate) -> Signature | None:
    """Return what can be said of the signature of a certificate; None where it carries none."""
    if not certificate.signatures:
        return None
    from pipeline.certificates.signing import judge_signature, signers_of

    folder = workspace.root / "trust"
    files = {f"trust/{path.name}": read_bytes(path, 1_000_000) for path in sorted(folder.glob("*.pem"))}
    return judge_signature(data, certificate.signatures, signers_of(files), signed_by=certificate.dated)


def _with_material(row: dict[str, str], workspace: Workspace) -> dict[str, str]:
    """Return a block's row with the material it has already: no certificate takes away what corrects its temperature."""
    known = table_now(workspace, "blocks").filter(pl.col("block") == row["block"])
    material = known["material"][-1] if known.height else None
    return {**row, "material": material} if material else row


def import_certificate(workspace: Workspace, path: Path, answers: Answers, *, dry_run: bool) -> Imported:
    """Read a certificate, say what it would write, and write it where nothing is open.

    Parameters
    ----------
    workspace
        Where to write.
    path
        The certificate.
    answers
        What a person said of what it leaves open.
    dry_run
        Say only.

    Raises
    ------
    UsageError
        If it is no certificate that can be read, its signature is broken, or the table would not hold with its rows.
    """
    data = read_bytes(path, LARGEST)
    certificate = read_certificate(data, where=path.name)
    signature = signature_of(workspace, data, certificate)
    if signature is not None and not signature.intact and signature.signer is not None:
        raise UsageError(
            f"{path.name}: its signature does not hold ({signature.problem}). It was changed after it was signed, or "
            "damaged; ask the laboratory for another copy."
        )
    sha256 = sha256_of(data)
    known = {table: table_now(workspace, _REGISTERS[table])[name].unique().to_list() for table, name in TABLES.items()}
    proposal = propose(
        certificate,
        answers,
        known=known,
        reference_temperature_c=workspace.settings.reference_temperature_c,
        sha256=sha256,
    )
    if proposal.table == "blocks":
        proposal = replace(proposal, rows=tuple(_with_material(row, workspace) for row in proposal.rows))
    written: tuple[dict[str, str], ...] = ()
    if proposal.table is not None and proposal.rows:
        # checked before anything is kept; the file lies in the archive before a row names it
        add_rows(workspace, proposal.table, proposal.rows, valid_from=certificate.dated, dry_run=True)
        if not dry_run:
            archive(workspace.archive, data, sha256)
            written = add_rows(workspace, proposal.table, proposal.rows, valid_from=certificate.dated, dry_run=False)
    return Imported(certificate=certificate, proposal=proposal, signature=signature, sha256=sha256, written=written)
