"""Rows of many lots, fetched while the history stands still and laid aside on the disk: memory holds those of a thousand lots at a time."""

from __future__ import annotations

import tempfile
from io import BytesIO
from typing import IO, TYPE_CHECKING

import polars as pl

from pipeline.judge.kept_documents import KeptDocuments
from pipeline.judge.kept_rows import OF_LOTS
from pipeline.workspace.files import cannot

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["in_pieces"]

_PIECE = 1_000
"""Lots at a time: 250,000 readings of lots of 250, some 150 MB prepared; a million readings take 0.5 GB."""
_ROWS = ("readings", *OF_LOTS)
_SAID = "documents"


def in_pieces(
    workspace: Workspace, assessment: Assessment, behind: Mapping[str, Sequence[str]]
) -> Iterator[tuple[list[str], Assessment]]:
    """Return some lots at a time, with an assessment that has their rows at hand; all were fetched when this returns.

    Parameters
    ----------
    workspace
        More lots than a piece are laid aside beside its history, in a file without a name: nothing is left of it, whatever ends the process.
    assessment
        Of an open history.
    behind
        By lot, those whose spots are asked for with its own.

    Raises
    ------
    EnvironmentProblem
        If it cannot be written or read: the disk is full.
    """
    lots = list(behind)
    if assessment.kept is None or len(lots) <= _PIECE:
        return iter([(lots, assessment.at_hand(lots, _beside(lots, behind)))])
    pieces = [lots[start : start + _PIECE] for start in range(0, len(lots), _PIECE)]
    folder = workspace.history.parent
    try:
        file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - whoever goes through the pieces closes it
        places: list[dict[str, int]] = []
        before: Assessment | None = None
        for piece in pieces:
            # results, too, are looked up for each piece anew: those of all lots would stay
            found = assessment.restated(**assessment.kept.rows_of(piece, list(_beside(piece, behind))))
            if before is not None and found.readings is before.readings:
                # what is kept is damaged, and was judged from nothing: the rows of all lots are at hand, and stay there
                file.close()
                return iter([(lots, found)])
            said = assessment.lots.documents_of(piece) if isinstance(assessment.lots, KeptDocuments) else {}
            places.append(_laid(file, {**{name: getattr(found, name) for name in _ROWS}, _SAID: _documents(said)}))
            before = found
    except OSError as error:
        raise cannot("write", folder, error) from None
    return _fetched(workspace, assessment, pieces, file, places)


def _beside(lots: Sequence[str], behind: Mapping[str, Sequence[str]]) -> set[str]:
    return {name for lot in lots for name in behind[lot]}


def _documents(said: dict[str, str]) -> pl.DataFrame:
    return pl.DataFrame(list(said.items()), schema={"lot": pl.String, "document": pl.String}, orient="row")


def _laid(file: IO[bytes], frames: Mapping[str, pl.DataFrame]) -> dict[str, int]:
    """Write the frames of a piece at the end of a file; return how many bytes each took, in order."""
    lengths = {}
    for name, frame in frames.items():
        data = BytesIO()
        frame.write_ipc_stream(data, compression="lz4")
        lengths[name] = file.write(data.getbuffer())
    return lengths


def _fetched(
    workspace: Workspace,
    assessment: Assessment,
    pieces: list[list[str]],
    file: IO[bytes],
    places: list[dict[str, int]],
) -> Iterator[tuple[list[str], Assessment]]:
    with file:
        file.seek(0)
        for piece, lengths in zip(pieces, places, strict=True):
            try:
                rows = {name: pl.read_ipc_stream(BytesIO(file.read(length))) for name, length in lengths.items()}
            except OSError as error:
                raise cannot("read", workspace.history.parent, error) from None
            said, lots = rows.pop(_SAID), assessment.lots
            lots = lots.with_documents(dict(said.iter_rows())) if isinstance(lots, KeptDocuments) else lots
            yield piece, assessment.restated(lots=lots, **rows)
