"""Blocks and meters that travel: what several sites found on one block, or with one meter, and who disagrees by how much.

Of a block, named by its certificate, the means of all meters on it are compared between sites; what the certificate leaves is
common to them and left out. Of a meter, named by maker and serial number, its bias is compared between sites: on the same
block, else on blocks of about the same level, where what both certificates leave counts. Each meter adds its accuracy
statement, rectangular (JCGM 100:2008, 4.3.7); a meter that was handed over was set anew, so its statement counts on both sides.
E_n by ISO 13528 and ISO/IEC 17043; all meters together by ISO 5725-2 and ISO 13528 (`metrology.interlaboratory`).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from math import hypot, sqrt
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.centre.union.levels import apart, disagreements
from pipeline.errors import UsageError
from pipeline.metrology.agreement import MeterMean, compare_meters, differences_of
from pipeline.metrology.interlaboratory import compared
from pipeline.near import nearest
from schemas.union import Stay, Travelled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.metrology.agreement import PairDifference
    from schemas.union import HandOver

__all__ = ["NEAR", "travelled", "travellers", "with_hand_overs"]

NEAR = 0.1
"""How far certified values of two blocks may differ, as part of the value, for the bias on them to be compared (our choice)."""

_COLUMN = {"block": "company_block", "meter": "instrument"}


def travellers(kind: str, checks: pl.DataFrame) -> list[str]:
    """Return the blocks (certificates) or meters (maker and serial number) that two sites and more have checks of."""
    column = _COLUMN[kind]
    counts = checks.drop_nulls(column).group_by(column).agg(pl.col("site").n_unique())
    return sorted(counts.filter(pl.col("site") > 1)[column].to_list())


def travelled(kind: str, name: str, checks: pl.DataFrame) -> Travelled:
    """Compare the sites that checked a block, or had a meter.

    Parameters
    ----------
    kind
        block or meter.
    name
        Certificate as the company writes it; maker and serial number, or the serial number where only one maker has it.
    checks
        The checks of all sites: named, counted once, in MS/m.

    Raises
    ------
    UsageError
        If there is no check, or two makers have the serial number.
    """
    known = checks[_COLUMN[kind]].drop_nulls().unique().sort().to_list()
    if kind == "meter" and name not in known:
        same = checks.filter(pl.col("serial_number") == name)["instrument"].unique().sort().to_list()
        if len(same) > 1:
            raise UsageError(
                f"Serial number {name!r} is that of several makers: {', '.join(same)}. Give maker and number."
            )
        name = same[0] if same else name
    if name not in known:
        raise UsageError(
            f"No check of {kind} {name!r} was found under that name of the company. Known: {', '.join(known) or 'none'}; "
            f"'annealog centre names --unmapped' lists what no table explains{nearest(name, known)}"
        )
    own = checks.filter((pl.col(_COLUMN[kind]) == name) & pl.col("mean").is_not_null() & pl.col("bias").is_not_null())
    every = _series(own)
    usual: Any = own["reference_temperature_c"].mode().min()
    series = [row for row in every if row["reference_temperature_c"] == usual]
    labels = _labels(series, kind)
    means = {label: _mean(label, row, kind) for label, row in zip(labels, series, strict=True)}
    pairs = _pairs(kind, labels, series, means)
    shown = differences_of(pairs, "checks")
    comparison = compared(name, list(means.values())) if kind == "block" else None
    said = disagreements(shown)
    if comparison is not None:
        said = apart(shown, {one.meter: one.h for one in comparison.meters}, comparison.h_limit) + said
    judged = [one for one in shown if one.e_n is not None]
    if said:
        state, reasons = "differs", said
    elif judged:
        state, reasons = "agrees", [f"No pair of sites differs by more than both claim ({len(judged)} compared)"]
    else:
        alone = sorted({one.reason for one in shown if one.reason})
        state, reasons = "not_assessed", alone or ["Fewer than two sites have checks that can be compared"]
    if len(series) < len(every):
        reasons.append(
            f"{len(every) - len(series)} series at another temperature than {float(usual):g} °C are left out"
        )
    stays = tuple(_stay(row) for row in every)
    return Travelled(
        kind=kind, name=name, state=state, reasons=tuple(reasons), stays=stays, comparison=comparison, pairs=shown
    )


def with_hand_overs(found: Travelled, hand_overs: Sequence[HandOver]) -> Travelled:
    """Add the hand-overs of a meter; it differs where one of them does not fit."""
    said = [f"From {one.giver} to {one.receiver}: {words}" for one in hand_overs for words in one.differ]
    state = "differs" if said else found.state
    return replace(found, hand_overs=tuple(hand_overs), state=state, reasons=(*said, *found.reasons))


def _series(checks: pl.DataFrame) -> list[dict[str, Any]]:
    """Return one row for each meter, probe, frequency and block of a site, since the last setting there."""
    key = ["site", "meter", "probe", "frequency_khz", "block"]
    latest = checks.sort("at", "phase").with_columns(pl.col("phase").last().over(key).alias("_last"))
    last = (
        "instrument",
        "company_block",
        "accuracy_percent",
        "certified_value",
        "certificate_standard_uncertainty",
        "reference_temperature_c",
    )
    return (
        latest.filter(pl.col("phase").eq_missing(pl.col("_last")))
        .sort(*key, "at", "mean")  # summed in one order, whatever the order of loading
        .group_by(key, maintain_order=True)
        .agg(
            pl.col(last).last(),
            pl.col("at").min().alias("first_at"),
            pl.col("at").max().alias("last_at"),
            pl.len().cast(pl.Int64).alias("checks"),
            pl.col("mean").mean(),
            pl.col("bias").mean(),
            pl.col("mean").std().alias("s_of_mean"),
            pl.col("bias").std().alias("s_of_bias"),
            pl.col("also_at").explode().drop_nulls().unique().sort(),
        )
        .to_dicts()
    )


def _labels(series: Sequence[dict[str, Any]], kind: str) -> list[str]:
    """Return a name for each series: site and meter, and what else tells it from others."""
    labels = [f"{row['site']}/{row['meter']}" for row in series]
    if kind == "meter":
        labels = [f"{label} on {row['block']}" for label, row in zip(labels, series, strict=True)]
    for column, said in (("frequency_khz", "{:g} kHz"), ("probe", "probe {}"), ("block", "block {}")):
        doubled = {label for label in labels if labels.count(label) > 1}
        labels = [
            f"{label}, {said.format(row[column])}" if label in doubled and row[column] is not None else label
            for label, row in zip(labels, series, strict=True)
        ]
    return labels


def _own(row: dict[str, Any]) -> float | None:
    percent = row["accuracy_percent"]
    return None if percent is None else float(percent) / 100.0 * abs(row["mean"]) / sqrt(3.0)


def _mean(label: str, row: dict[str, Any], kind: str) -> MeterMean:
    what = "mean" if kind == "block" else "bias"
    return MeterMean(label, row[what], row[f"s_of_{what}"], row["checks"], _own(row))


def _pairs(
    kind: str, labels: Sequence[str], series: Sequence[dict[str, Any]], means: dict[str, MeterMean]
) -> list[PairDifference]:
    """Compare between sites: of a meter what stands on one block, else what stands at one level, at one frequency."""
    found: list[PairDifference] = []
    rows = list(zip(labels, series, strict=True))
    shared = {
        (a["site"], b["site"], a["frequency_khz"])
        for a, b in combinations(series, 2)
        if a["company_block"] is not None and a["company_block"] == b["company_block"]
    }
    for (first, a), (second, b) in combinations(rows, 2):
        if a["site"] == b["site"]:
            continue
        one, other = means[first], means[second]
        if kind == "meter":
            if a["frequency_khz"] != b["frequency_khz"]:
                continue
            if a["company_block"] is None or a["company_block"] != b["company_block"]:
                near = abs(a["certified_value"] - b["certified_value"]) <= NEAR * min(
                    a["certified_value"], b["certified_value"]
                )
                if not near or (a["site"], b["site"], a["frequency_khz"]) in shared:
                    continue
                one, other = _with_certificate(one, a), _with_certificate(other, b)
        found += compare_meters((one, other))
    return found


def _with_certificate(mean: MeterMean, row: dict[str, Any]) -> MeterMean:
    own, of_block = mean.own_standard_uncertainty, row["certificate_standard_uncertainty"]
    return replace(mean, own_standard_uncertainty=None if own is None or of_block is None else hypot(own, of_block))


def _stay(row: dict[str, Any]) -> Stay:
    shown = (
        "site",
        "meter",
        "instrument",
        "block",
        "company_block",
        "probe",
        "frequency_khz",
        "first_at",
        "last_at",
        "checks",
    )
    return Stay(
        **{name: row[name] for name in shown}, mean=row["mean"], bias=row["bias"], standard_deviation=row["s_of_mean"],
        own_standard_uncertainty=_own(row), also_at=tuple(row["also_at"]),
    )  # fmt: skip
