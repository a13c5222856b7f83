"""Details of sample lots, computed as for a page. Ranges are invented."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.questions.lot_detail.detail import LotDetails, earlier_lots
from pipeline.workspace.settings import Settings
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from schemas.results import LotPage

__all__ = ["RANGES", "SPECIFICATION", "tables_with", "with_detail"]

RANGES: tuple[dict[str, Any], ...] = (
    {"material": "copper", "temper": "soft", "lower": 100.0, "upper": 102.0, "unit": "%IACS", "example": True, "source": "invented"},
    {"material": "copper", "temper": "hard", "lower": 57.0, "upper": 58.2, "unit": "MS/m", "weight": 2.0, "source": "invented"},
    {"material": "bronze", "temper": None, "lower": 6.0, "upper": 9.0, "unit": "MS/m", "source": "invented"},
    {"material": "copper", "temper": "by resistivity", "lower": 1.70, "upper": 1.72, "unit": "uOhm.cm", "source": "invented"},
)  # fmt: skip
SPECIFICATION: dict[str, Any] = {
    "specification": "S-58", "lower": 57.5, "upper": 59.5, "unit": "MS/m", "conforms_by": "k_method", "k": 1.5, "parts": 10,
}  # fmt: skip


def tables_with(**rows: tuple[dict[str, Any], ...]) -> dict[str, pl.DataFrame]:
    """Return reference tables, empty but for these rows."""
    tables = {name: table.empty() for name, table in REFERENCE_TABLES.items()}
    for name, given in rows.items():
        schema = tables[name].schema
        tables[name] = pl.DataFrame([{key: row.get(key) for key in schema} for row in given], schema=schema)
    return tables


def with_detail(
    page: LotPage,
    *,
    ranges: tuple[dict[str, Any], ...] = RANGES,
    specifications: tuple[dict[str, Any], ...] = (SPECIFICATION,),
    subgroup_size: int = 1,
) -> LotPage:
    """Return the page with its details."""
    result = page.result
    df = pl.col("readings") - 1
    spots = page.spot_values.with_columns(
        lot=pl.lit(result.lot), df_within=df, ss_within=pl.col("standard_deviation").fill_null(0.0) ** 2 * df
    )
    assessment: Any = SimpleNamespace(
        lots={result.lot: result},
        spot_values=spots,
        part_values=page.part_values.with_columns(lot=pl.lit(result.lot)),
        tables=tables_with(material_ranges=ranges, specifications=specifications),
        settings=Settings(subgroup_size=subgroup_size),
        lots_at_a_glance=lambda: pl.DataFrame(
            {
                name: [getattr(result, name)]
                for name in ("lot", "verdict", "product", "supplier", "specification", "mean", "first_at")
            }
        ),
    )
    details = LotDetails(assessment, earlier_lots(assessment.lots_at_a_glance(), [result.lot]))
    return dataclasses.replace(page, detail=details.of(result, page.part_values, page.spot_values, page.readings))
