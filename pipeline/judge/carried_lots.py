"""Lots that are judged again, and how their results are kept."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.assessment import NARROW, Basis, narrow, spot_ranges
from pipeline.judge.kept_documents import document_of, key_of, result_of
from pipeline.judge.kept_rows import OF_LOTS, rows_of_lots
from pipeline.judge.rows import files_of_lots, row_keys
from schemas.conditions import conditions_of
from schemas.results import LotResult

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pipeline.history.found import FoundStore
    from pipeline.judge.kept_rows import Given

__all__ = ["LOTS_AT_ONCE", "CarriedLots"]

LOTS_AT_ONCE = 1_000
"""Lots judged together: what is held at a time does not grow with the history."""
_SUPPLIER_LEVEL, _BEHIND_IT = "supplier_level:", "block_overdue:"

_LOT_COLUMNS: dict[str, Any] = {
    **NARROW,
    "spot_low": pl.Float64,
    "spot_high": pl.Float64,
    "row_key": pl.String,
    "supplier_level": pl.String,
    "of_tables": pl.String,
    "document_key": pl.String,
    "document": pl.String,
}


def _supplier_level(result: LotResult) -> str | None:
    return next((flag for flag in result.flags if flag.startswith(_SUPPLIER_LEVEL)), None)


def _with_supplier_level(result: LotResult, said: str | None) -> LotResult:
    """Return a result with another flag on its level, or none, in the place where it stands among the flags."""
    flags = [flag for flag in result.flags if not flag.startswith(_SUPPLIER_LEVEL)]
    behind = [flag for flag in flags if flag.startswith(_BEHIND_IT)]
    flags = [*flags[: len(flags) - len(behind)], *([said] if said else []), *behind]
    return replace(result, flags=tuple(flags), conditions=conditions_of(result.verdict, flags))


class CarriedLots:
    """Judges lots, and keeps what was found: instead of what is kept of them, or, of everything, beside what was kept before it."""

    def __init__(
        self, given: Given, store: FoundStore, of_lots: Callable[[], pl.DataFrame], *, everything: bool
    ) -> None:
        self.given, self.store, self.of_lots, self.everything = given, store, of_lots, everything

    def judge(self, lots: list[str], basis: Basis) -> None:
        """Judge some lots from their readings, and keep what was found."""
        from pipeline.judge.lots.lots import lot_results

        given = self.given
        prepared = given.prepared(*rows_of_lots(given.history, self.store, lots))
        around = basis.brackets.filter(pl.col("lot").is_in(lots))
        found = lot_results(basis.restated(readings=prepared, brackets=around), given.events, lots)
        frames = {name: getattr(found, name) for name in OF_LOTS}
        own = prepared.filter((pl.col("role") == "part") & pl.col("lot").is_in(lots))
        for name, frame in {**frames, "files_of_lots": files_of_lots(own)}.items():
            self.store.put(name, "lot", None if self.everything else lots, frame)
        ranges = spot_ranges(found.spot_values).select("lot", "low", "high").iter_rows()
        spots = {lot: (low, high) for lot, low, high in ranges}
        keys = row_keys(
            own, given.exclusions, *(frames[name] for name in ("spot_values", "budget_inputs", "bias_at_level"))
        )
        self._put(
            found.results,
            {lot: (*spots.get(lot, (None, None)), keys.get(lot, "")) for lot in found.results},
            instead=not self.everything,
        )

    def _put(
        self,
        results: Mapping[str, LotResult],
        rows_of: Mapping[str, tuple[float | None, float | None, str]],
        *,
        instead: bool = True,
    ) -> None:
        of_tables = dict(self.of_lots().filter(pl.col("lot").is_in(list(results))).iter_rows())
        rows = [
            (
                *narrow(result),
                *rows_of[lot],
                _supplier_level(result),
                of_tables.get(lot, ""),
                key_of(said),
                said,
            )
            for lot, result in results.items()
            for said in [document_of(result)]
        ]
        self.store.put(
            "lots", "lot", list(results) if instead else None, pl.DataFrame(rows, schema=_LOT_COLUMNS, orient="row")
        )

    def suppliers(self, lots: list[str]) -> set[str]:
        """Return the suppliers of some lots, as they are kept."""
        return set(self.store.read("lots", "lot", lots, columns=["supplier"])["supplier"].drop_nulls())

    def compare_suppliers(self, suppliers: set[str] | None) -> None:
        """Say of each lot of some suppliers, or of all, how it lies to the first ones of its own: the one thing that other lots decide."""
        if suppliers is not None and not suppliers:
            return
        from pipeline.judge.lots.flags import supplier_levels

        names = ["lot", "supplier", "material", "first_at", "mean", "supplier_level"]
        lots = self.store.read("lots", "supplier", None if suppliers is None else sorted(suppliers), columns=names)
        levels = supplier_levels(lots.filter(pl.col("mean").is_not_null()), self.given.settings)
        others = [lot for lot, said in lots.select("lot", "supplier_level").iter_rows() if levels.get(lot) != said]
        for first in range(0, len(others), LOTS_AT_ONCE):
            kept = self.store.read("lots", "lot", others[first : first + LOTS_AT_ONCE])
            rows = {
                lot: tuple(said) for lot, *said in kept.select("lot", "spot_low", "spot_high", "row_key").iter_rows()
            }
            results = {lot: result_of(LotResult, lot, said) for lot, said in kept.select("lot", "document").iter_rows()}
            self._put({lot: _with_supplier_level(one, levels.get(lot)) for lot, one in results.items()}, rows)
