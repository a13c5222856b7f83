"""Look-back events from signal to closure: lots those nearest to a limit first, decisions, open or closed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.assessment import decisions_on_signals
from pipeline.judge.look_back.events import find_events
from pipeline.metrology.look_back import errors_to_limit
from schemas.look_back import CameToLight, EventLot, EventOnLot, EventResult
from schemas.page import Decision, PageLink
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment, SignalDecision
    from pipeline.judge.found_events import Found
    from schemas.look_back import BiasChange, EventGlance

__all__ = ["Decided", "LotFacts", "decided", "event_result", "lot_facts", "with_events"]

_ORDER = ("touched", "possible", "covered")
"""Lots in doubt first."""


@dataclass(frozen=True)
class Decided:
    """The decisions of people on events, their lots and signals."""

    on_events: dict[str, list[Decision]]
    on_lots: dict[str, list[tuple[str | None, Decision]]]
    on_signals: list[SignalDecision]


def decided(chain: Iterable[Event]) -> Decided:
    """Return what people decided about events, lots and signals."""
    events = list(chain)
    found = Decided({}, {}, decisions_on_signals(events))
    for event in events:
        if event.kind != "disposition":
            continue
        decision = Decision(event.at, event.by, event.subject["decision"], event.why, event.signed_as)
        name = event.subject.get("event")
        if "lot" in event.subject:
            found.on_lots.setdefault(event.subject["lot"], []).append((name, decision))
        elif name is not None:
            found.on_events.setdefault(name, []).append(decision)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFacts:
    """What events ask of lots again and again.

    By lot its limits, values and verdict, when it left the site, and its smallest and largest spot mean; when lots were read with
    support (lot, meter, first_at); and what meters read that nobody registered.
    """

    lots: Mapping[str, Mapping[str, Any]]
    shipped: Mapping[str, datetime]
    spots: Mapping[str, tuple[float | None, float | None]]
    supported: pl.DataFrame
    strangers: pl.DataFrame


_OF_A_LOT = [
    "lot", "verdict", "support", "conforms_by", "mean", "minimum", "maximum", "lower", "upper", "expanded_uncertainty",
]  # fmt: skip


def lot_facts(assessment: Assessment, found: Iterable[Found]) -> LotFacts:
    """Look the facts of all lots up that some events ask for."""
    known, brackets = assessment.tables["meters"]["meter"].to_list(), assessment.brackets
    nobody = ~pl.col("meter").is_in(known) if known else pl.lit(False)
    strangers = brackets.filter(nobody).with_columns(pl.lit("possible").alias("doubt"))
    asked = pl.concat([strangers["lot"], *(event.touched["lot"] for event in found)]).unique().to_list()
    of_event = pl.col("lot").is_in(asked)
    table = version_at(assessment.tables["lots"].filter(of_event), ["lot"], assessment.as_of)
    gone = table.filter(pl.col("shipped_on").is_not_null() & (pl.col("shipped_on") <= assessment.as_of))
    spread = assessment.spot_ranges(asked).select("lot", "low", "high")
    return LotFacts(
        lots={row["lot"]: row for row in assessment.columns_of_lots(_OF_A_LOT, asked).iter_rows(named=True)},
        shipped=dict(gone.select("lot", "shipped_on").iter_rows()),
        spots={lot: (low, high) for lot, low, high in spread.iter_rows()},
        supported=brackets.filter((pl.col("support") == "supported") & of_event).select("lot", "meter", "first_at"),
        strangers=strangers,
    )


def _compared(row: Mapping[str, Any], facts: LotFacts) -> tuple[float | None, float | None]:
    """Return the smallest and largest value of a lot that its limits are compared with, in the working unit."""
    if row["conforms_by"] == "spot":
        return facts.spots.get(row["lot"], (None, None))
    return (row["minimum"], row["maximum"]) if row["conforms_by"] == "part" else (row["mean"], row["mean"])


def _nearest(changes: Sequence[BiasChange], level: float | None) -> float:
    """Return the bias change at the level nearest to a lot's; a lot without a value cannot be moved."""
    if not changes or level is None:
        return 0.0
    return min(changes, key=lambda one: (abs(one.level - level), one.name)).change


def _measured_again(facts: LotFacts, lots: Sequence[str], event: Found) -> dict[str, datetime]:
    """Return when lots were read again after an event, with checks that passed before and after.

    What was read before the event, or at its moment, was never measured again; the meter itself counts only once something
    good has followed.
    """
    same = pl.col("meter") == event.meter
    after = pl.lit(False) if event.window_to is None else (pl.col("first_at") > event.window_to)
    fits = facts.supported.filter(
        pl.col("lot").is_in(lots) & ((same & after) | (~same & (pl.col("first_at") > event.fired_at)))
    )
    return dict(fits.group_by("lot").agg(pl.col("first_at").min()).iter_rows())


def _lots(event: Found, said: Decided, disposed: bool, facts: LotFacts) -> tuple[EventLot, ...]:
    schema = {"lot": pl.String, "meter": pl.String, "doubt": pl.String}
    # a reject or a scatter leaves lots supported: checks within tolerance stand on both sides
    covered = pl.lit(event.kind in ("signal", "precision"))
    if event.covered_until is not None:
        covered = pl.col("last_at") <= event.covered_until
    rows = event.touched.with_columns(
        pl.when(covered & (pl.col("support") == "supported"))
        .then(pl.lit("covered"))
        .otherwise(pl.lit("touched"))
        .alias("doubt")
    )
    strangers = _strangers(facts, event)
    everything = pl.concat([rows, strangers], how="diagonal").cast(schema)  # type: ignore[arg-type]
    if not everything.height:
        return ()
    grouped = (
        everything.with_columns(pl.col("doubt").replace_strict({name: n for n, name in enumerate(_ORDER)}))
        .group_by("lot", "meter")
        .agg(
            pl.col("doubt").min(),
            pl.col("readings").sum(),
            pl.col("first_at").min(),
            pl.col("last_at").max(),
            pl.col("unknown_clock").sum(),
        )
    )
    read_again = _measured_again(facts, grouped["lot"].to_list(), event)
    found = []
    for row in grouped.iter_rows(named=True):
        lot = row["lot"]
        result = facts.lots.get(lot)
        if result is None:
            continue
        doubt = _ORDER[row["doubt"]]
        written = tuple(
            decision
            for name, decision in said.on_lots.get(lot, [])
            if name in event.names or (name is None and decision.at >= event.fired_at)
        )
        again = read_again.get(lot)
        low, high = _compared(result, facts)
        distance = errors_to_limit(
            low,
            high,
            lower=result["lower"],
            upper=result["upper"],
            change=_nearest(event.changes, result["mean"]),
            expanded_uncertainty=result["expanded_uncertainty"],
        )
        # checks on blocks may pass with a deviation that a calibration finds too large: they cover a lot only where it
        # could not carry the lot beyond a limit
        if (
            event.kind == "calibration"
            and doubt == "covered"
            and distance is not None
            and distance < 1
            and result["verdict"] != "reject"
        ):
            doubt = "touched"
        found.append(
            EventLot(
                lot=lot,
                meter=row["meter"],
                doubt=doubt,
                readings=row["readings"],
                first=row["first_at"],
                last=row["last_at"],
                unknown_clock=row["unknown_clock"],
                verdict=result["verdict"],
                support=result["support"],
                errors_to_limit=distance,
                shipped_on=facts.shipped.get(lot),
                measured_again_at=again,
                dispositions=written,
                settled=bool(written) or again is not None or (doubt != "touched" and disposed),
            )
        )
    return tuple(
        sorted(
            found,
            key=lambda one: (
                one.settled,
                _ORDER.index(one.doubt),
                one.shipped_on is not None,
                math.inf if one.errors_to_limit is None else one.errors_to_limit,
                one.lot,
                one.meter,
            ),
        )
    )


def _strangers(facts: LotFacts, event: Found) -> pl.DataFrame:
    """Return brackets of meters that nobody registered, inside the window: perhaps the same instrument, misnamed."""
    inside = pl.lit(True)
    if event.window_from is not None:
        inside = inside & (pl.col("last_at") > event.window_from)
    if event.window_to is not None:
        inside = inside & (pl.col("first_at") < event.window_to)
    return facts.strangers.filter((pl.col("meter") != event.meter) & (inside | (pl.col("unknown_clock") > 0)))


def event_result(assessment: Assessment, event: Found, said: Decided, facts: LotFacts) -> EventResult:
    """Return an event with its lots and decisions.

    Parameters
    ----------
    assessment
        Everything computed, with every lot.
    event
        From :func:`find_events`.
    said
        From :func:`decided`.
    facts
        From :func:`lot_facts`.
    """
    fired = event.checks.to_dicts()
    own = [one for name in event.names for one in said.on_events.get(name, [])]
    on_signals = [one for one in said.on_signals if any(one.fits(row) for row in fired)]
    # one that was written before the event went on does not speak of what came after it
    disposed = all(any(one.fits(row) for one in on_signals) for row in fired) if fired else bool(own)
    written = sorted({*own, *(one.decision for one in on_signals)}, key=lambda d: (d.at, d.by, d.decision, d.why))
    lots = _lots(event, said, disposed, facts)
    closed = disposed and all(lot.settled for lot in lots)
    notes = list(event.notes)
    if any(lot.unknown_clock for lot in lots):
        notes.append("Readings with an unknown clock may have been taken at any time, so they are counted in.")
    if any(lot.doubt == "possible" for lot in lots):
        notes.append("Readings of meters that do not stand in reference/meters.csv may come from this meter.")
    return EventResult(
        event=event.short,
        name=event.name,
        title=event.title,
        kind=event.kind,
        state="closed" if closed else "open",
        meter=event.meter,
        meter_state=_state_of(assessment, event.meter),
        sentence=event.sentence,
        fired_at=event.fired_at,
        last_at=event.last_at,
        blocks=event.blocks,
        rules=event.rules,
        last_good=event.last_good,
        last_good_at=event.last_good_at,
        window_from=event.window_from,
        window_to=event.window_to,
        notes=tuple(notes),
        changes=event.changes,
        lots=lots,
        dispositions=tuple(written),
        disposed=disposed,
        unit=assessment.settings.unit,
        as_of=assessment.as_of,
    )


def _state_of(assessment: Assessment, meter: str) -> str:
    return assessment.meters[meter].state if meter in assessment.meters else "not_assessed"


def with_events(
    assessment: Assessment,
    chain: Iterable[Event],
    carried: tuple[Mapping[str, EventResult], Sequence[Found]] | None = None,
    *,
    as_kept: bool = False,
) -> Assessment:
    """Return an assessment of every lot and meter with its look-back events, by meter and by lot.

    Parameters
    ----------
    assessment
        What was found of lots and meters, with what was kept of events by lot.
    chain
        Decisions.
    carried
        From `standing_events`.
    as_kept
        That says what there is to say of lots: every event stands, and no check, run or suspended meter is other than it was.
    """
    stood, found = ({}, find_events(assessment)) if carried is None else carried
    results = []
    if found:
        said, facts = decided(chain), lot_facts(assessment, found)
        results = [event_result(assessment, event, said, facts) for event in found]
    if carried is not None:
        state = {meter: _state_of(assessment, meter) for meter in {event.meter for event in stood.values()}}
        results += [replace(one, as_of=assessment.as_of, meter_state=state[one.meter]) for one in stood.values()]
        results.sort(key=lambda one: (one.fired_at, one.meter, one.kind))
    events = {event.name: event for event in results}
    of_meter: dict[str, list[EventGlance]] = {}
    for result in reversed(events.values()):
        of_meter.setdefault(result.meter, []).append(result.glance)
    meters = {name: replace(meter, events=tuple(of_meter.get(name, ()))) for name, meter in assessment.meters.items()}
    known = assessment.restated(events=events, meters=meters)
    if carried is None:
        known = known.restated(found_events=tuple(found))
    if as_kept:
        return known
    touched = {event.name: set(event.touched["lot"]) for event in found}
    # what else it names other meters read
    touched |= {name: {lot.lot for lot in event.lots if lot.meter == event.meter} for name, event in stood.items()}
    return known.restated(events_on_lots=_on_lots(known, touched), came_to_light=_came_to_light(known))


def _on_lots(assessment: Assessment, touched: Mapping[str, Iterable[str]]) -> dict[str, tuple[PageLink, ...]]:
    """Return links to the events that touched each lot, the latest first."""
    links: dict[str, list[PageLink]] = {}
    for name, event in reversed(list(assessment.events.items())):
        link = PageLink("event", name, event.title, None, event.sentence, event.fired_at)
        for lot in touched[name]:
            links.setdefault(lot, []).append(link)
    return {lot: tuple(found) for lot, found in links.items()}


def _came_to_light(assessment: Assessment) -> dict[str, tuple[CameToLight, ...]]:
    """Return what later came to light of the meters that read each lot; lots of which nothing did are left out."""
    suspended = sorted(name for name, meter in assessment.meters.items() if meter.state == "suspended")
    of_lot: dict[tuple[str, str], list[EventOnLot]] = {}
    for event in reversed(list(assessment.events.values())):
        if event.state == "open":
            for lot in event.lots:
                of_lot.setdefault((lot.lot, lot.meter), []).append(
                    EventOnLot(
                        event=event.event,
                        name=event.name,
                        title=event.title,
                        kind=event.kind,
                        sentence=event.sentence,
                        doubt=lot.doubt,
                        settled=lot.settled,
                    )
                )
    read = assessment.brackets.select("lot", "meter", "before_run", "after_run")
    touched = pl.DataFrame(list(of_lot), schema={"lot": pl.String, "meter": pl.String}, orient="row")
    pairs = pl.concat([touched, read.filter(pl.col("meter").is_in(suspended)).select("lot", "meter")]).unique()
    around = pl.concat(
        read.join(pairs, on=["lot", "meter"], how="semi").select("lot", "meter", pl.col(side).alias("run"))
        for side in ("before_run", "after_run")
    ).unique()
    share = pl.col("bias").abs() / pl.col("tolerance")
    worst = (
        around.join(assessment.checks.filter(pl.col("bias").is_not_null()), on=["meter", "run"], how="inner")
        .sort("lot", "meter", share, "at", "block", descending=[False, False, True, False, False])
        .unique(["lot", "meter"], keep="first")
        .select("lot", "meter", "block", pl.col("at").alias("checked_at"), "bias", "tolerance")
    )
    light: dict[str, list[CameToLight]] = {}
    for row in pairs.join(worst, on=["lot", "meter"], how="left").sort("lot", "meter").iter_rows(named=True):
        lot = row.pop("lot")
        light.setdefault(lot, []).append(
            CameToLight(**row, suspended=row["meter"] in suspended, events=tuple(of_lot.get((lot, row["meter"]), ())))
        )
    return {lot: tuple(found) for lot, found in light.items()}
