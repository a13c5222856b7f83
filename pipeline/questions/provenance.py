"""What the footer of a page says: the files, program and moment that its figures rest on."""

from __future__ import annotations

import hashlib
from functools import cached_property
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.workspace.program import software_version
from schemas.documents import as_bytes
from schemas.page import Provenance

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["PageContext"]


def _fingerprint(*parts: Any) -> str:
    """Return a hash of what a page shows."""
    digest = hashlib.sha256()
    for part in parts:
        if isinstance(part, pl.DataFrame):
            digest.update(part.write_json().encode())
        else:
            digest.update(part if isinstance(part, bytes) else as_bytes(part))
        digest.update(b"\0")
    return digest.hexdigest()


_OF_FILE = ("name", "sha256", "layout", "layout_version")


class _ByRun:
    """The rows of a frame by run: sorted once, and cut where asked, for a frame a run costs as much as many rows."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._rows = frame.sort("run", maintain_order=True)
        counts = self._rows.group_by("run", maintain_order=True).agg(pl.len().alias("n"))
        starts = (counts["n"].cum_sum() - counts["n"]).to_list()
        self._places = dict(zip(counts["run"].to_list(), zip(starts, counts["n"].to_list(), strict=True), strict=True))

    def of(self, runs: Iterable[int]) -> pl.DataFrame:
        """Return the rows of some runs, by run."""
        found = [self._rows.slice(*self._places[run]) for run in sorted(runs) if run in self._places]
        return pl.concat(found) if found else self._rows.clear()


class PageContext:
    """What all pages of one rendering share: the workspace, what was assessed, the files by number."""

    def __init__(self, workspace: Workspace, assessment: Assessment, sources: pl.DataFrame) -> None:
        self.workspace = workspace
        self.assessment = assessment
        self._sources = {number: row for number, *row in sources.select("source_id", *_OF_FILE).iter_rows()}
        self._schema: dict[str, Any] = {**{name: sources.schema[name] for name in _OF_FILE}, "readings": pl.Int64}
        self.names = {number: name for number, (name, *_) in self._sources.items()}

    @cached_property
    def _block_sources(self) -> _ByRun:
        """Where the block readings of each run of checks came from, looked up once for all pages."""
        return _ByRun(self.placed)

    @cached_property
    def placed(self) -> pl.DataFrame:
        """The run, the check and the source of each reading on a block (run, check, source_id)."""
        return self._placed(self.assessment.blocks_read(), self.assessment.checks)

    def placed_around(self, checks: pl.DataFrame) -> pl.DataFrame:
        """Return the same of some checks, looked up at their meters and times; of other checks around them not all may be told."""
        now = self.assessment.as_of
        between: Any = (checks["first_at"].min(), checks["at"].max()) if checks.height else (now, now)
        meters = checks["meter"].unique()
        around = pl.col("meter").is_in(meters.implode()) & pl.col("first_at").is_between(*between)
        return self._placed(
            self.assessment.blocks_read(meters.to_list(), between), self.assessment.checks.filter(around)
        )

    @staticmethod
    def _placed(blocks: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
        series = ["meter", "probe", "frequency_khz", "block"]
        checks = checks.select(*series, "check", "run", "first_at", "at")
        blocks = blocks.filter(pl.col("role") == "block").select(*series, "measured_at", "source_id")
        blocks = blocks.with_columns(pl.col(pl.Categorical).cast(pl.String))
        # join_asof matches no nulls, so what may be null becomes a number together with the rest
        number = checks.select(series).unique().with_row_index("series")
        return (
            blocks.join(number, on=series, how="inner", nulls_equal=True)
            .sort("measured_at")
            .join_asof(
                checks.join(number, on=series, how="inner", nulls_equal=True)
                .select("series", "check", "run", "first_at", "at")
                .sort("first_at"),
                left_on="measured_at",
                right_on="first_at",
                by="series",
                strategy="backward",
                check_sortedness=False,
            )
            .filter(pl.col("measured_at") <= pl.col("at"))
            .select("run", "check", "source_id")
        )

    @cached_property
    def _checks_by_run(self) -> _ByRun:
        return _ByRun(self.assessment.checks)

    def checks_of(self, runs: Iterable[int]) -> pl.DataFrame:
        """Return the checks of some runs, by meter and time."""
        return self._checks_by_run.of(runs).sort("meter", "at", "check")

    def sources_of(self, checks: pl.DataFrame) -> pl.DataFrame:
        """Return the source of each block reading of some checks (run, check)."""
        found = self._block_sources.of(checks["run"].unique().to_list())
        return found.join(checks.select("check"), on="check", how="semi").select("source_id")

    def provenance(self, readings: pl.DataFrame | Mapping[int, int], as_of: datetime, *shown: Any) -> Provenance:
        """Return the footer of a page that rests on some readings: a row each, or with `n` for so many of one file; or their number by file."""
        settings = self.assessment.settings
        if isinstance(readings, pl.DataFrame):
            many = pl.col("n").sum() if "n" in readings.columns else pl.len()
            readings = dict(readings.group_by("source_id").agg(many).iter_rows())
        rows = ([*self._sources[number], n] for number, n in readings.items() if number in self._sources)
        files = pl.DataFrame(sorted(rows, key=lambda row: row[:2]), schema=self._schema, orient="row")
        return Provenance(
            software_version=software_version(),
            workspace=settings.name or self.workspace.root.name,
            as_of=as_of,
            zone=settings.time_zone,
            unit=settings.unit,
            reference_temperature_c=settings.reference_temperature_c,
            files=files,
            data_sha256=_fingerprint(software_version(), as_of, files, *shown),
        )
