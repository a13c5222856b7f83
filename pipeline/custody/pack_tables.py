"""What a data pack is about, and its tables, each in its contract."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.questions.over_time.suppliers import supplier_names
from schemas.pack import PACK_TABLES
from schemas.validate import require

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment
    from schemas.results import LotResult

__all__ = ["chosen_lots", "pack_tables"]


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
    if supplier is not None and supplier not in supplier_names(assessment):
        known = ", ".join(supplier_names(assessment)) or "none"
        raise UsageError(f"No lot of supplier {supplier!r} was read. Suppliers with lots: {known}.")
    read = assessment.columns_of_lots(["lot", "supplier", "last_at"])
    fits = pl.col("lot").is_in(named) if named else pl.lit(True)
    for asked in (
        None if supplier is None else pl.col("supplier") == supplier,
        None if start is None else pl.col("last_at") >= start,
        None if end is None else pl.col("last_at") <= end,
    ):
        fits = fits if asked is None else fits & asked
    found = read.filter(fits)["lot"].to_list()
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
    assessment = assessment.at_hand(lots)
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
        assessment.on_blocks()
        .filter((pl.col("role") == "block") & pl.col("meter").is_in(checks["meter"].unique().to_list()))
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .join_where(
            spans,
            pl.col("meter") == pl.col("_m"),
            pl.col("block") == pl.col("_b"),
            pl.col("measured_at") >= pl.col("first_at"),
            pl.col("measured_at") <= pl.col("_to"),
        )
        .unique(["source_id", "line", "replicate"])
    )
    ledger = sources.select(
        "source_id", pl.col("sha256").alias("file_sha256"), "name", "layout", "layout_version", "loaded_at"
    )
    readings = (
        pl.concat(
            [part_readings, blocks.select(name for name in part_readings.columns if name in blocks.columns)],
            how="diagonal",
        )
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
