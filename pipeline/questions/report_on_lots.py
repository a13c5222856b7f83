"""What a test report or a statement of nonconformity says of lots, and why there is none.

The form follows what ISO/IEC 17025:2017, 7.8, asks of a report and EN 10204 of an inspection document (both from memory). Nothing
here claims an accreditation or a type of inspection document.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.metrology.units import lead_unit
from pipeline.workspace.program import software_version
from schemas.conditions import CONDITIONS, FIRST
from schemas.digits import decimals_for
from schemas.papers import ReportedBlock, ReportedLot, ReportedReadings, ReportOnLots
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment
    from schemas.page import Decision
    from schemas.results import LotResult

__all__ = ["MOST_LOTS", "next_number", "refuse", "report_on_lots"]

MOST_LOTS = 5
"""More lots do not fit on one sheet with what has to be said of each."""

LONGEST_NAME = 40
"""Of a lot: it stands on the sheet in full, for by its name the metal is told."""

_IN_WORDS = {"accept": "accepted", "hold": "on hold", "reject": "rejected", "not_assessed": "not assessed"}


def next_number(issued: Sequence[Event], at: datetime, assessment: Assessment) -> str:
    """Return the running number of a report: the year in the site's zone, and how many it is of that year.

    Parameters
    ----------
    issued
        Events of the reports before.
    at
        When it is issued.
    assessment
        For the zone.
    """
    year = f"{at.astimezone(assessment.settings.zone):%Y}"
    before = sum(event.subject["states"]["number"].startswith(f"{year}-") for event in issued)
    return f"{year}-{before + 1:04d}"


def refuse(assessment: Assessment, lots: Sequence[str], *, nonconformity: bool) -> None:
    """Refuse a report that would say more than is known, or other than what was found.

    Parameters
    ----------
    assessment
        Of everything: an open event may touch a lot.
    lots
        By name.
    nonconformity
        Whether a statement of nonconformity is asked for.

    Raises
    ------
    UsageError
        With the reason, and what to do.
    """
    if not lots or len(lots) > MOST_LOTS or len(set(lots)) < len(lots):
        raise UsageError(f"A report is on 1 to {MOST_LOTS} lots, each named once: more do not fit on one sheet.")
    for lot in lots:
        if len(lot) > LONGEST_NAME:
            raise UsageError(
                f"Lot {lot[:LONGEST_NAME]}…: a name of {len(lot)} characters does not fit on paper; {LONGEST_NAME} do."
            )
    settings = assessment.settings
    for name, value in (("name", settings.name), ("address", settings.address)):
        if not value.strip():
            raise UsageError(f"A report says where it comes from. State {name} in annealog.toml, then: annealog load")
    for lot in lots:
        if lot not in assessment.lots:
            raise UsageError(f"Lot {lot!r} has no readings. Check the spelling: annealog status lists what was read.")
        reason = _against(assessment, assessment.lots[lot], nonconformity=nonconformity)
        if reason is not None:
            raise UsageError(
                f"No {'statement of nonconformity' if nonconformity else 'test report'} on lot {lot}: {reason}"
            )


def _against(assessment: Assessment, result: LotResult, *, nonconformity: bool) -> str | None:
    """Say what speaks against a report on a lot; None where nothing does."""
    last = result.dispositions[-1].decision if result.dispositions else None
    said = f"it is {_IN_WORDS[result.verdict]}. {' '.join(result.reasons)}"
    if result.verdict == "not_assessed" or result.mean is None or result.conformity is None:
        return f"{said} Nothing can be stated of it."
    if nonconformity:
        if result.verdict == "accept" and last != "rejected":
            return "it is accepted. Leave --nonconformity out."
        return None
    if result.verdict != "accept":
        return f"{said} To state that on paper: --nonconformity"
    if last == "rejected":
        return "it is accepted, but the last disposition says that it was rejected. To state that on paper: --nonconformity"
    if result.conditions and last is None:
        first = " and ".join(FIRST[condition] for condition in result.conditions)
        return f"it is accepted, but {first}. Record a disposition that settles it: annealog record disposition --lot {result.lot}"
    for light in assessment.came_to_light.get(result.lot, ()):
        for event in light.events:
            if event.doubt != "covered" and not event.settled:
                return (
                    f"it is accepted, but {event.title} ({event.event}) is open and touched it. Decide on the lot first: annealog "
                    f"record disposition --event {event.event} --lot {result.lot}"
                )
    return None


def report_on_lots(
    assessment: Assessment,
    lots: Sequence[str],
    *,
    nonconformity: bool,
    number: str,
    issued: Sequence[Event],
    issued_at: datetime,
    by: str,
) -> ReportOnLots:
    """Return what a report states.

    Parameters
    ----------
    assessment
        With these lots at least.
    lots
        By name; of one specification and customer.
    nonconformity
        Whether it is a statement of nonconformity.
    number
        Its running number.
    issued
        Events of the reports before it.
    issued_at, by
        When, and who answers for it.

    Raises
    ------
    UsageError
        If the lots are of more than one specification or customer.
    """
    settings = assessment.settings
    results = [assessment.lots[lot] for lot in lots]
    rows = [_lot_row(assessment, result, issued_at) for result in results]
    rules = [_specification(assessment, result) for result in results]
    for lot, rule in zip(lots, rules, strict=True):
        if rule != rules[0]:
            raise UsageError(
                f"Lots {lots[0]} ({rules[0]['specification']}) and {lot} ({rule['specification']}) are judged by different "
                "specifications, or versions of one. Issue a report on each."
            )
    customers = {row["customer"] for row in rows}
    if len(customers) > 1:
        raise UsageError(
            "These lots are for different customers. Issue a report on each: reference/lots.csv, column customer"
        )
    return ReportOnLots(
        kind="nonconformity" if nonconformity else "test_report",
        number=number,
        issued_at=issued_at,
        by=by,
        works=settings.name,
        address=settings.address,
        country=settings.country,
        customer=customers.pop(),
        zone=settings.time_zone,
        **rules[0],
        reference_temperature_c=settings.reference_temperature_c,
        confidence=settings.confidence,
        lots=tuple(_lot(assessment, result, row) for result, row in zip(results, rows, strict=True)),
        blocks=_blocks(assessment, lots),
        earlier=tuple(e.subject["states"]["number"] for e in issued if not set(lots).isdisjoint(e.subject["lots"])),
        as_of=assessment.as_of,
        program=software_version(),
    )


def _lot_row(assessment: Assessment, result: LotResult, issued_at: datetime) -> dict[str, Any]:
    """Return what the table of lots says: what a lot is as it was read, whom it is for as of now."""
    table = assessment.tables["lots"].filter(pl.col("lot") == result.lot)
    then, now = (version_at(table, ["lot"], at) for at in (result.last_at, issued_at))
    row = {name: then[name][0] if then.height else None for name in ("heat", "received_on")}
    return row | {name: now[name][0] if now.height else None for name in ("customer", "purchase_order")}


def _specification(assessment: Assessment, result: LotResult) -> dict[str, Any]:
    """Return by what a lot is judged, in the version that held when it was read."""
    table = assessment.tables["specifications"].filter(pl.col("specification") == result.specification)
    row = version_at(table, ["specification"], result.last_at or result.as_of).row(0, named=True)
    return {
        "specification": result.specification, "source": row["source"], "limits_unit": result.limits_unit,
        "lower": result.lower_as_written, "upper": result.upper_as_written, "conforms_by": result.conforms_by,
        "decision_rule": result.decision_rule, "rounding": result.rounding, "plan": (row["parts"], row["spots"], row["repeats"]),
    }  # fmt: skip


def _decided(decision: Decision) -> str:
    """Return a decision as a report states it; a signed one with name, role, time and meaning (21 CFR 11.50, from memory)."""
    if decision.signed_as is None:
        return f"{decision.decision} ({decision.by}: {decision.why})"
    signed = f"signed by {decision.by}, {decision.signed_as}, {decision.at:%Y-%m-%d %H:%M} UTC"
    return f"{decision.decision} ({signed}: {decision.why})"


def _lot(assessment: Assessment, result: LotResult, row: dict[str, Any]) -> ReportedLot:
    found = result.conformity
    if found is None or found.lowest is None or found.highest is None or result.mean is None:
        raise UsageError(f"Lot {result.lot}: nothing was compared with its limits.")  # `refuse` says so before
    readings = assessment.readings.filter(
        (pl.col("role") == "part") & (pl.col("lot").cast(pl.String) == result.lot) & ~pl.col("excluded")
        & pl.col("value_at_reference").is_not_null()
    ).with_columns(pl.col(pl.Categorical).cast(pl.String))  # fmt: skip
    factor, unit = lead_unit(result.unit, result.limits_unit)
    u = result.expanded_uncertainty
    if result.decimals is not None and unit == result.limits_unit:
        decimals = result.decimals
    else:
        spread = u if u is not None else result.standard_deviation
        decimals = decimals_for(None if spread is None else spread * factor, result.mean * factor)
    limits_decimals = result.decimals if result.decimals is not None else decimals
    temperatures = readings["temperature_c"].drop_nulls()

    def rounded(value: float | None, places: int, times: float = 1.0) -> float | None:
        # a zero without its sign, so that what is stated reads the same everywhere
        return None if value is None else round(value * times, places) + 0.0

    flags = {flag.partition(":")[0]: flag.partition(": ")[2] for flag in result.flags}
    conditions = [said for code, said in flags.items() if code in CONDITIONS]
    return ReportedLot(
        lot=result.lot,
        product=result.product,
        material=result.material,
        heat=row["heat"],
        supplier=result.supplier,
        purchase_order=row["purchase_order"],
        received_on=row["received_on"],
        verdict=result.verdict,
        said=tuple(conditions) if result.verdict == "accept" else result.reasons,
        decided=tuple(_decided(one) for one in result.dispositions),
        unit=unit,
        decimals=decimals,
        mean=rounded(result.mean, decimals, factor) or 0.0,
        expanded_uncertainty=rounded(u, decimals, factor),
        coverage_factor=rounded(result.coverage_factor, 2),
        compared=found.compared,
        limits_decimals=limits_decimals,
        lowest=rounded(found.lowest, limits_decimals) or 0.0,
        highest=rounded(found.highest, limits_decimals) or 0.0,
        compared_expanded_uncertainty=rounded(found.expanded_uncertainty, limits_decimals),
        compared_coverage_factor=rounded(found.coverage_factor, 2),
        guard_band=rounded(found.guard_band, limits_decimals),
        acceptance_lower=rounded(found.acceptance_lower, limits_decimals)
        if found.guard_band
        else found.acceptance_lower,
        acceptance_upper=rounded(found.acceptance_upper, limits_decimals)
        if found.guard_band
        else found.acceptance_upper,
        parts=result.parts,
        spots=result.spots,
        readings=result.readings,
        left_out=sum(result.left_out.values()),
        temperature_states=tuple(readings["temperature_state"].drop_nulls().unique().sort()),
        temperature_low_c=rounded(temperatures.min(), 1),  # type: ignore[arg-type]
        temperature_high_c=rounded(temperatures.max(), 1),  # type: ignore[arg-type]
        temperature_models=result.temperature_models,
        corrections=tuple(sorted({one.kind for one in result.corrections})),
        bias_taken_off=any(one.applied for one in result.bias_at_level),
        first_at=result.first_at or result.as_of,
        last_at=result.last_at or result.as_of,
        read=_read(assessment, result.lot, readings),
    )


def _read(assessment: Assessment, lot: str, readings: pl.DataFrame) -> tuple[ReportedReadings, ...]:
    """Return the readings of a lot between two runs of checks, in order of time."""
    brackets = assessment.brackets.filter(pl.col("lot").cast(pl.String) == lot).sort("first_at", "meter")
    return tuple(
        ReportedReadings(
            meter=row["meter"],
            probes=tuple(own["probe"].drop_nulls().unique().sort()),
            frequencies_khz=tuple(own["frequency_khz"].drop_nulls().unique().sort()),
            readings=row["readings"],
            **{
                name: row[name]
                for name in ("first_at", "last_at", "before_at", "before_passed", "after_at", "after_passed")
            },
        )
        for row in brackets.with_columns(pl.col("meter").cast(pl.String)).iter_rows(named=True)
        for own in [readings.filter(pl.col("meter") == row["meter"])]
    )


def _blocks(assessment: Assessment, lots: Sequence[str]) -> tuple[ReportedBlock, ...]:
    """Return the blocks of the runs of checks around some lots, each certificate that a check was judged by."""
    brackets = assessment.brackets.filter(pl.col("lot").cast(pl.String).is_in(list(lots)))
    runs = pl.concat([brackets.select("meter", pl.col(side).alias("run")) for side in ("before_run", "after_run")])
    checks = (
        assessment.checks.join(runs.drop_nulls().unique(), on=["meter", "run"], how="semi")
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .sort("block", "at")
    )
    found: dict[tuple[str, str | None], ReportedBlock] = {}
    for block, at in checks.select("block", "at").iter_rows():
        table = assessment.tables["blocks"].filter(pl.col("block") == block)
        held = version_at(table, ["block"], at)
        row: dict[str, Any] = held.row(0, named=True) if held.height else {}
        names = (
            "certificate",
            "certified_value",
            "expanded_uncertainty",
            "coverage_factor",
            "unit",
            "certified_on",
            "due_on",
        )
        found.setdefault(
            (block, row.get("certificate")), ReportedBlock(block=block, **{name: row.get(name) for name in names})
        )
    return tuple(found.values())
