"""Reference blocks from the history: certificates, agreement of meters, and whether a block moved or a meter."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import isfinite, log
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.metrology.agreement import COVERAGE_FACTOR, MeterMean, compare_meters, differences_of
from pipeline.metrology.block_agreement import LIKELIER, Visits, find_movements
from pipeline.metrology.interlaboratory import compared
from pipeline.metrology.uncertainty import normalised_error
from pipeline.metrology.units import convert, derivative
from schemas.blocks import BlockCertificate, BlockResult, FoundMovement, MeterOnBlock
from schemas.digits import counted
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.judge.assessment import Assessment
    from pipeline.metrology.block_agreement import Movement

__all__ = ["accuracy_of", "block_results"]

_MOST_CHECKS = 20_000
_DAY = 86_400.0


def accuracy_of(assessment: Assessment, meter: str, level: float) -> float | None:
    """Return the standard uncertainty that a meter's accuracy statement leaves at a level, in the unit of the level."""
    register = version_at(assessment.tables["meters"], ["meter"], assessment.as_of).filter(pl.col("meter") == meter)
    percent = register["accuracy_percent"][0] if register.height else None
    # half width of a rectangular distribution (JCGM 100:2008, 4.3.7)
    return None if percent is None else float(percent) / 100 * abs(level) / 3**0.5


def _sets(checks: pl.DataFrame) -> list[list[str]]:
    """Return the blocks in groups that were checked together."""
    group: dict[str, set[str]] = {}
    together = checks.group_by("visit").agg(pl.col("block").unique().sort())["block"].unique()
    for blocks in together.to_list():
        merged = set(blocks).union(*(group.get(block, set()) for block in blocks))
        for block in merged:
            group[block] = merged
    return [sorted(found) for found in {id(one): one for one in group.values()}.values()]


def _visits(assessment: Assessment) -> pl.DataFrame:
    """Return the checks with a mean and the visit of the meter to which each belongs: its run of checks."""
    checks = assessment.checks.filter(pl.col("mean").is_not_null()).sort("meter", "at", "check")
    checks = checks.with_columns(pl.struct("meter", "run").rle_id().cast(pl.Int64).alias("visit"))
    # a block that is checked twice in one visit counts with its mean
    return (
        checks.group_by("visit", "block", "meter", maintain_order=True)
        .agg(pl.col("mean").mean(), pl.col("at").min(), pl.col("probe", "frequency_khz", "phase").first())
        .with_columns(pl.col("at").min().over("visit").alias("visit_at"))
    )


def _arrays(frame: pl.DataFrame) -> tuple[Visits, list[str], list[str], datetime]:
    """Return the arrays of `find_movements`, and the names behind the numbers of meters and blocks."""
    frame = frame.sort("visit_at", "visit", "block")
    meters, blocks = frame["meter"].unique().sort().to_list(), frame["block"].unique().sort().to_list()
    origin: datetime = frame["visit_at"][0]

    def number(expression: pl.Expr) -> Any:
        return frame.select(expression.rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()

    visit = frame.select(pl.struct("visit_at", "visit").rle_id().cast(pl.Int64)).to_series().to_numpy()
    series = pl.struct(
        pl.col("probe").fill_null(""), pl.col("frequency_khz").fill_null(-1.0), pl.col("phase").fill_null(origin)
    )
    days = ((frame["visit_at"] - origin).dt.total_microseconds() / 1e6 / _DAY).to_numpy()
    return (
        Visits(
            visit, np.asarray(days, dtype=np.float64), number(pl.col("meter")), number(pl.col("block")), number(series),
            frame["mean"].to_numpy(),
        ),
        meters,
        blocks,
        origin,
    )  # fmt: skip


def _named(movement: Movement, meters: list[str], blocks: list[str], origin: datetime) -> FoundMovement:
    names = {"meter": meters, "block": blocks}
    ratio = movement.log_likelihood_ratio
    return FoundMovement(
        kind=movement.kind,
        name=names[movement.kind][movement.index],
        shape=movement.shape,
        at=origin + timedelta(seconds=round(movement.at * _DAY)),
        size=movement.size,
        standard_error=movement.standard_error,
        f_ratio=movement.f_ratio,
        degrees_of_freedom=movement.degrees_of_freedom,
        p_value=movement.p_value,
        rival_kind=movement.rival,
        rival=None
        if movement.rival is None or movement.rival_index is None
        else names[movement.rival][movement.rival_index],
        log_likelihood_ratio=ratio if isfinite(ratio) else None,
        certain=movement.certain,
        meters=movement.meters,
        visits=movement.visits,
    )


def _certificates(assessment: Assessment, block: str, checks: pl.DataFrame) -> tuple[BlockCertificate, ...]:
    """Return the certificates of a block in time, with the step that each made."""
    unit = assessment.settings.unit
    table = assessment.tables["blocks"].filter(pl.col("block") == block).sort("valid_from", nulls_last=False)
    found: list[BlockCertificate] = []
    # the first version holds from the beginning, a later one from its own date
    rows = [
        row
        for place, row in enumerate(table.to_dicts())
        if not place or row["valid_from"] is None or row["valid_from"] <= assessment.as_of
    ]
    for place, row in enumerate(rows):
        start = row["valid_from"] if place else None
        end = rows[place + 1]["valid_from"] if place + 1 < len(rows) else None
        value = expanded = None
        if row["certified_value"] is not None and row["unit"] is not None:
            value = convert(row["certified_value"], row["unit"], unit)
            if row["expanded_uncertainty"] is not None:
                expanded = abs(row["expanded_uncertainty"] * derivative(row["certified_value"], row["unit"], unit))
        factor = row["coverage_factor"] or COVERAGE_FACTOR
        before = found[-1] if found else None
        step = e_n = None
        if before is not None and before.certified_value is not None and value is not None:
            step = value - before.certified_value
            if expanded and before.expanded_uncertainty:
                # both brought to k = 2
                old = before.expanded_uncertainty / (before.coverage_factor or COVERAGE_FACTOR) * COVERAGE_FACTOR
                e_n = normalised_error(value, expanded / factor * COVERAGE_FACTOR, before.certified_value, old)
        inside = pl.lit(True)
        if start is not None:
            inside = inside & (pl.col("at") >= start)
        if end is not None:
            inside = inside & (pl.col("at") < end)
        used = checks.filter(inside)
        due = row["due_on"]
        late = used.filter(pl.col("at") >= due + timedelta(days=1)).height if due is not None else 0
        found.append(
            BlockCertificate(
                certificate=row["certificate"],
                certified_on=row["certified_on"],
                due_on=due,
                holds_from=start,
                value_as_written=row["certified_value"],
                unit_as_written=row["unit"],
                certified_value=value,
                expanded_uncertainty=expanded,
                coverage_factor=row["coverage_factor"],
                step=step,
                step_e_n=e_n,
                checks=used.height,
                checks_after_due=late,
                certificate_file=row["certificate_file"],
            )
        )
    return tuple(found)


def _meters(assessment: Assessment, checks: pl.DataFrame) -> tuple[MeterOnBlock, ...]:
    """Return what each meter says of the block since its last setting."""
    found = []
    for (meter,), group in (
        checks.filter(pl.col("mean").is_not_null()).sort("meter", "at", "check").group_by("meter", maintain_order=True)
    ):
        phase = group["phase"][-1]
        latest = group.filter(pl.col("phase").eq_missing(pl.lit(phase, dtype=pl.Datetime("us", "UTC"))))
        known = latest["bias"].drop_nulls()
        means = latest["mean"].to_numpy()
        spread = float(np.std(means, ddof=1)) if means.size > 1 else None
        level = float(np.mean(means))
        found.append(
            MeterOnBlock(
                meter=str(meter),
                since=phase,
                checks=latest.height,
                mean=level,
                bias=float(np.mean(known.to_numpy())) if known.len() else None,
                last_bias=latest["bias"][-1],
                standard_deviation=spread,
                accuracy=accuracy_of(assessment, str(meter), level),
            )
        )
    return tuple(found)


def _doubt(one: FoundMovement, neighbours: tuple[str, ...]) -> str:
    """Return why it is not certain that a block moved, and what would tell."""
    if one.meters < 2 and len(neighbours) < 2:
        return (
            "One meter on two blocks cannot tell which of them moved: check both with another meter or beside another certified block, "
            "or have both certified anew."
        )
    if one.log_likelihood_ratio is not None and one.log_likelihood_ratio < log(LIKELIER):
        return f"That {one.rival_kind} {one.rival} moved is not much less likely: check the set with every meter, several days in a row."
    if one.meters < 2:
        return (
            "It is the suspect, unless this meter changed at its level alone: check the set with another meter, or have the block "
            "certified anew."
        )
    return f"Only {counted(one.visits, 'visit')} on one side of the change {'tells' if one.visits == 1 else 'tell'}: check the set again."


def _state(
    result: dict[str, Any], movements: tuple[FoundMovement, ...], assessment: Assessment
) -> tuple[str, tuple[str, ...]]:
    """Return the state of a block and its reasons, the deciding one first."""
    block, certificates = result["block"], result["certificates"]
    settings = assessment.settings
    reasons: list[str] = []
    state = "steady"
    current = certificates[-1] if certificates else None
    own = [one for one in movements if one.kind == "block" and one.name == block]
    for one in own:
        day = f"{one.at.astimezone(settings.zone):%Y-%m-%d}"
        how = "moved by" if one.shape == "step" else "has been moving, so far by"
        renewed = (
            one.shape == "step"
            and current is not None
            and current.holds_from is not None
            and current.holds_from >= one.at
        )
        size = f"{one.size:+.3g}".replace("-", "\u2212")
        seen = f"{counted(one.meters, 'meter')} {'sees' if one.meters == 1 else 'see'} it against its neighbours"
        text = f"The block {how} {size} {settings.unit} from {day} on: {seen}."
        if not one.certain:
            state = "unclear" if state == "steady" else state
            reasons.append(f"{text} {_doubt(one, result['neighbours'])}")
        elif renewed:
            reasons.append(f"{text} A new certificate holds since.")
        else:
            state = "moved"
            reasons.insert(0, text)
    rivals = [one for one in movements if not one.certain and (one.rival_kind, one.rival) == ("block", block)]
    for one in rivals:
        state = "unclear" if state == "steady" else state
        reasons.append(f"{one.kind.capitalize()} {one.name} moved, or this block: the checks do not tell which.")
    if current is not None and current.due_on is not None and current.due_on + timedelta(days=1) <= assessment.as_of:
        state = "overdue" if state == "steady" else state
        reasons.append(f"The certificate was due on {current.due_on.astimezone(settings.zone):%Y-%m-%d}.")
    used = sum(one.checks_after_due for one in certificates)
    if used:
        checks = "1 check" if used == 1 else f"{used} checks"
        reasons.append(f"{checks} used a certificate that was overdue at the time.")
    if current is None or current.certified_value is None:
        return "not_assessed", ("The block has no certificate, so it decides nothing.", *reasons)
    if not result["visits"]:
        reasons.append(
            "It was never checked together with another block, so nothing tells its moving from a meter's: "
            "check it beside another certified block, with another meter, too, or have it certified anew."
        )
        state = "not_assessed" if state == "steady" else state
    elif not own and not rivals:
        reasons.insert(
            0,
            f"Over {counted(result['visits'], 'visit')} of {counted(len(result['meters']), 'meter')} it kept its place among its neighbours.",
        )
    return state, tuple(reasons)


def block_results(assessment: Assessment, blocks: Iterable[str] | None = None) -> dict[str, BlockResult]:
    """Return what can be said of blocks that were checked or stand in the register, by name.

    Parameters
    ----------
    assessment
        Everything computed.
    blocks
        Which ones; None means all.
    """
    visits = _visits(assessment) if assessment.checks.height else None
    registered = assessment.tables["blocks"]["block"].unique().to_list()
    seen = assessment.checks["block"].unique().to_list()
    known = sorted({*registered, *seen})
    wanted = known if blocks is None else [block for block in known if block in set(blocks)]
    movements: dict[str, tuple[FoundMovement, ...]] = {}
    together: dict[str, list[str]] = {}
    shared: dict[str, int] = {}
    if visits is not None:
        for group in _sets(visits):
            if not set(group) & set(wanted):
                continue
            of_group = visits.filter(pl.col("block").is_in(group)).sort("visit_at", "visit", "block").tail(_MOST_CHECKS)
            joint = of_group.filter(pl.len().over("visit") > 1)
            counts = dict(joint.group_by("block").agg(pl.len()).iter_rows())
            found: tuple[FoundMovement, ...] = ()
            if len(group) > 1:
                data, meters, names, origin = _arrays(of_group)
                found = tuple(_named(one, meters, names, origin) for one in find_movements(data))
            for block in group:
                movements[block] = found
                together[block] = [other for other in group if other != block]
                shared[block] = counts.get(block, 0)
    results = {}
    for block in wanted:
        checks = assessment.checks.filter(pl.col("block") == block)
        on_block = _meters(assessment, checks)
        given: dict[str, Any] = {
            "block": block,
            "certificates": _certificates(assessment, block, checks),
            "meters": on_block,
            "visits": shared.get(block, 0),
            "neighbours": tuple(together.get(block, ())),
        }
        means = [MeterMean(one.meter, one.mean, one.standard_deviation, one.checks, one.accuracy) for one in on_block]
        pairs = compare_meters(means)
        table = version_at(assessment.tables["blocks"], ["block"], assessment.as_of).filter(pl.col("block") == block)
        state, reasons = _state(given, movements.get(block, ()), assessment)
        results[block] = BlockResult(
            state=state,
            reasons=reasons,
            material=table["material"][0] if table.height else None,
            unit=assessment.settings.unit,
            differences=differences_of(pairs, "checks"),
            comparison=compared(block, means),
            movements=movements.get(block, ()),
            as_of=assessment.as_of.astimezone(UTC),
            **given,
        )
    return results
