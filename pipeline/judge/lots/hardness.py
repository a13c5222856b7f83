"""Hardness beside conductivity: each result tied to the part that was read; a required one that is missing holds the lot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from schemas.evidence import HardnessResult
from schemas.versions import version_at

if TYPE_CHECKING:
    from pipeline.judge.assessment import Basis

__all__ = ["Hardness", "hardness_of_lots"]

UNNAMED = "not stated "
"""How parts begin that the export does not name."""


@dataclass(frozen=True, slots=True)
class Hardness:
    """What hardness says of a lot: `state` is missing, some_parts or all_parts; `out` results out of limits, in words."""

    results: tuple[HardnessResult, ...]
    required: bool
    state: str
    unread: tuple[str, ...]
    out: tuple[str, ...]

    def holds(self, limits_met: str | None) -> list[str]:
        """Return why the lot must wait: the result the specification asks for is missing, whatever conductivity says."""
        if not self.required or self.state != "missing":
            return []
        conductivity = f"Conductivity {limits_met or 'not judged'}, hardness missing"
        if not self.unread:
            return [f"{conductivity}: the specification asks for a hardness result, and there is none."]
        unread = f"those there are stand for parts that were never read ({_listed(self.unread)})"
        return [f"{conductivity}: the specification asks for a hardness result, and {unread}."]

    def flags(self) -> list[str]:
        """Return a flag for results of parts that were never read."""
        if not self.unread:
            return []
        return [
            f"hardness_of_unread_part: hardness results stand for parts whose conductivity was never read: {_listed(self.unread)}"
        ]


def _listed(parts: tuple[str, ...], most: int = 6) -> str:
    more = f" and {len(parts) - most} more" if len(parts) > most else ""
    return ", ".join(parts[:most]) + more


def hardness_of_lots(
    assessment: Basis, info: pl.DataFrame, part_values: pl.DataFrame, figures: pl.DataFrame
) -> dict[str, Hardness]:
    """Return what hardness says of each lot that needs it or has it.

    Parameters
    ----------
    assessment
        For the table hardness, as it holds at the moment of the question.
    info
        What each lot is, with hardness_required.
    part_values, figures
        Means by part and by lot.

    Returns
    -------
    dict of Hardness
        By lot.
    """
    required = set(info.filter(pl.col("hardness_required").fill_null(False))["lot"].to_list())
    table = version_at(assessment.tables["hardness"], ["lot", "part"], assessment.as_of).join(
        info.select("lot"), on="lot", how="semi"
    )
    concerned = pl.DataFrame({"lot": sorted(required | set(table["lot"].to_list()))}, schema={"lot": pl.String})
    if not concerned.height:
        return {}
    means: dict[str, dict[str, float]] = {}
    for lot, part, mean in part_values.join(concerned, on="lot", how="semi").select("lot", "part", "mean").iter_rows():
        means.setdefault(lot, {})[part] = mean
    of_lot = dict(figures.join(concerned, on="lot", how="semi").select("lot", "mean").iter_rows())
    results: dict[str, list[dict[str, Any]]] = {}
    for row in table.sort("lot", "part", nulls_last=False).iter_rows(named=True):
        results.setdefault(row["lot"], []).append(row)
    return {
        lot: _of_lot(results.get(lot, []), means.get(lot, {}), of_lot.get(lot), required=lot in required)
        for lot in concerned["lot"].to_list()
    }


def _of_lot(rows: list[dict[str, Any]], means: dict[str, float], mean: float | None, *, required: bool) -> Hardness:
    named = {part: value for part, value in means.items() if not part.startswith(UNNAMED)}
    tied: list[HardnessResult] = []
    for row in rows:
        part = row["part"]
        low = row["lower"] is not None and row["value"] < row["lower"]
        high = row["upper"] is not None and row["value"] > row["upper"]
        limited = row["lower"] is not None or row["upper"] is not None
        tied.append(
            HardnessResult(
                part=part,
                value=row["value"],
                scale=row["scale"],
                lower=row["lower"],
                upper=row["upper"],
                within=None if not limited else "out" if low or high else "in",
                # where no part is named, a result cannot be tied to one and stands for the lot
                read=True if part is None else part in named if named or not means else None,
                conductivity=mean if part is None else named.get(part),
            )
        )
    unread = tuple(one.part for one in tied if one.read is False and one.part is not None)
    has = {one.part for one in tied if one.read is not False}
    state = "missing" if not has else "all_parts" if None in has or named.keys() <= has else "some_parts"
    out = tuple(_out_in_words(one) for one in tied if one.within == "out")
    return Hardness(tuple(tied), required, state, unread, out if required else ())


def _out_in_words(one: HardnessResult) -> str:
    written = f"Hardness {one.value:g}{f' {one.scale}' if one.scale else ''}"
    where = f" of part {one.part}" if one.part is not None else ""
    if one.lower is not None and one.upper is not None:
        limits = f"{one.lower:g} to {one.upper:g}"
    else:
        limits = f"at least {one.lower:g}" if one.lower is not None else f"at most {one.upper:g}"
    return f"{written}{where} lies outside its limits ({limits})."
