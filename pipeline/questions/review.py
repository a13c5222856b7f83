"""The monthly metrology review: what was done, what is open, what is due."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import median
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.judge.carry_on import everything
from pipeline.judge.lots.budgets import with_budgets
from pipeline.metrology.agreement import MeterMean, compare_meters
from pipeline.metrology.interlaboratory import compared
from pipeline.questions.blocks import accuracy_of
from pipeline.questions.provenance import PageContext
from pipeline.questions.studies.studies import studies
from pipeline.statistics.intervals import mean_interval
from schemas.digits import counted
from schemas.page import PageLink
from schemas.review import (
    ReviewAction,
    ReviewAgreement,
    ReviewBlock,
    ReviewBudget,
    ReviewChain,
    ReviewDue,
    ReviewEvent,
    ReviewFiles,
    ReviewLot,
    ReviewMeter,
    ReviewMonth,
    ReviewPage,
    ReviewResult,
    ReviewSignal,
)
from schemas.terms import YEARS
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from zoneinfo import ZoneInfo

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["month_span", "review", "review_links", "review_page"]

_MONTH = re.compile(r"([0-9]{4})-([0-9]{2})")
_MADE = re.compile(r"(\d{4}-\d{2})\.html")
_MONTHS = 6
_LEAST_CHECKS = 3


def month_span(month: str, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return the first moment of a month in the site's zone and that of the next one, in UTC.

    Raises
    ------
    UsageError
        If it is no month.
    """
    found = _MONTH.fullmatch(month)
    if not found or not 1 <= int(found[2]) <= 12 or not 1900 <= int(found[1]) <= 2200:
        raise UsageError(f"{month!r} is no month in {YEARS}. Expected YYYY-MM, such as 2026-05.")
    year, number = int(found[1]), int(found[2])
    following = (year, number + 1) if number < 12 else (year + 1, 1)
    start, end = (datetime(y, m, 1, tzinfo=zone).astimezone(UTC) for y, m in ((year, number), following))
    return start, end


def review(history: History, workspace: Workspace, month: str) -> tuple[ReviewResult, Assessment]:
    """Return the review of a month.

    Everything is as it stood at the last reading of the month; decisions are shown as far as they were recorded, with
    their dates, because a review is held after its month and asks how things were closed.

    Parameters
    ----------
    history
        Open history.
    workspace
        For settings and zone.
    month
        YYYY-MM.

    Raises
    ------
    UsageError
        If it is no month, or no reading was taken in it.
    """
    start, end = month_span(month, workspace.settings.zone)
    latest = history.last_measured_at()
    as_of = history.last_measured_at(before=end)
    if latest is None or as_of is None or as_of < start:
        known = "no reading at all" if latest is None else f"readings until {latest:%Y-%m-%d}"
        raise UsageError(f"No reading was taken in {month}; the history holds {known}.")
    found = everything(history, workspace.settings, as_of=as_of)
    events = history.events()
    sources = history.sources()
    in_month = (pl.col("measured_at") >= start) & (pl.col("measured_at") < end) & (pl.col("clock") == "known")
    readings = found.readings.filter(in_month)
    lots = {
        name: result
        for name, result in found.lots.items()
        if result.last_at is not None and start <= result.last_at < end
    }
    signals = tuple(_signals(found, start, end))
    due = tuple(_due(found, days=workspace.settings.review_due_days))
    held = history.held_files().height
    waiting = history.quarantine(states=["new"]).height
    not_accepted = tuple(
        ReviewLot(r.lot, r.verdict, r.support, r.reasons[0], r.last_at, r.dispositions)
        for r in lots.values()
        if r.verdict != "accept"
    )
    meters = tuple(_meter(name, found, readings, start, end) for name in sorted(found.meters))
    on_blocks = list(_means_on_blocks(found, start, end))
    result = ReviewResult(
        month=month,
        start=start,
        end=end,
        over=latest >= end,
        as_of=as_of,
        unit=found.settings.unit,
        readings=readings.height,
        lots={v: sum(r.verdict == v for r in lots.values()) for v in ("accept", "hold", "reject", "not_assessed")},
        actions=(),
        months=tuple(_months(found, month)),
        meters=meters,
        blocks=tuple(_blocks(found, start, end)),
        events=tuple(_events(found, start)),
        signals=signals,
        not_accepted=not_accepted,
        due=due,
        budgets=tuple(_budgets(found, sorted(lots))),
        agreement=tuple(_agreement(on_blocks)),
        comparisons=tuple(one for block, means in on_blocks if (one := compared(block, means)) is not None),
        studies=tuple(
            PageLink("study", name, name, study.state, study.reasons[0], study.last_at)
            for name, (study, *_) in studies(found, events, sources).items()
            if study.last_at is not None
        ),
        files=_files(sources.filter((pl.col("loaded_at") >= start) & (pl.col("loaded_at") < end)), held, waiting),
        chain=_chain(events, start, end),
    )
    return replace(result, actions=tuple(_actions(result, found.settings.zone))), found


def review_page(workspace: Workspace, month: str) -> ReviewPage:
    """Return the page of a month."""
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        result, found = review(history, workspace, month)
        sources = history.sources()
    context = PageContext(workspace, found, sources)
    readings = found.readings.filter((pl.col("measured_at") >= result.start) & (pl.col("measured_at") < result.end))
    return ReviewPage(result, context.provenance(readings, result.as_of, result))


def review_links(workspace: Workspace) -> list[PageLink]:
    """Return the reviews that were written, the latest first: a review stays as it was held until it is asked for again."""
    folder = workspace.pages / "reviews"
    if not folder.is_dir():
        return []
    months = [found[1] for path in folder.iterdir() if (found := _MADE.fullmatch(path.name))]
    return [PageLink("review", month, month) for month in sorted(months, reverse=True)]


def _meter(name: str, found: Assessment, readings: pl.DataFrame, start: datetime, end: datetime) -> ReviewMeter:
    result = found.meters[name]
    runs = found.runs.filter((pl.col("meter") == name) & (pl.col("last_at") >= start) & (pl.col("last_at") < end))
    checks = _month_of(found.checks.filter(pl.col("meter") == name), start, end)
    brackets = found.brackets.filter(
        (pl.col("meter") == name) & (pl.col("last_at") >= start) & (pl.col("last_at") < end)
    )
    settings = found.meter_settings.filter((pl.col("meter") == name) & (pl.col("at") >= start) & (pl.col("at") < end))
    by_rule = Counter(rule for text in checks["rejects"].to_list() for rule in text.split())
    return ReviewMeter(
        meter=name,
        state=result.state,
        reason=result.reasons[0],
        readings=readings.filter(pl.col("meter") == name).height,
        lots=brackets["lot"].n_unique(),
        runs=runs.height,
        failed_runs=runs.filter(~pl.col("passed").fill_null(True)).height,
        checks=checks.height,
        missed=tuple(brackets.filter(pl.col("support") == "unsupported")["lot"].unique().sort().to_list()),
        signals=dict(sorted(by_rule.items())),
        settings=settings.height,
    )


def _months(found: Assessment, month: str) -> Iterator[ReviewMonth]:
    """Yield what went wrong in each of the last months, the reviewed one last."""
    year, number = int(month[:4]), int(month[5:])
    zone = found.settings.zone
    for place in range(max(year * 12 + number - _MONTHS, 1900 * 12), year * 12 + number):
        name = f"{place // 12:04d}-{place % 12 + 1:02d}"
        start, end = month_span(name, zone)
        inside = (pl.col("measured_at") >= start) & (pl.col("measured_at") < end)
        if not found.readings.filter(inside).height:
            yield ReviewMonth(name, None, None, None)
            continue
        yield ReviewMonth(
            name,
            sum(
                lot.verdict in ("hold", "reject") and lot.last_at is not None and start <= lot.last_at < end
                for lot in found.lots.values()
            ),
            _month_of(found.checks, start, end).filter(~pl.col("passes").fill_null(True)).height,
            sum(start <= event.fired_at < end for event in found.events.values()),
        )


def _month_of(checks: pl.DataFrame, start: datetime, end: datetime) -> pl.DataFrame:
    return checks.filter((pl.col("at") >= start) & (pl.col("at") < end))


def _blocks(found: Assessment, start: datetime, end: datetime) -> Iterator[ReviewBlock]:
    """Yield the checks of the month by meter and block, with the drift since the last setting."""
    keys = ["meter", "block", "probe", "frequency_khz"]
    grouped = (
        _month_of(found.checks, start, end)
        .group_by(keys)
        .agg(
            pl.len().alias("checks"),
            pl.col("bias").count().alias("known"),
            (~pl.col("passes").fill_null(True)).sum().alias("failed"),
            pl.col("bias").mean(),
            pl.col("bias").drop_nulls().std().alias("standard_deviation"),
            pl.col("tolerance").sort_by("at").last(),
        )
        .sort(keys, nulls_last=False)
    )
    for row in grouped.iter_rows(named=True):
        series = tuple(row[name] for name in keys[1:])
        drift = next(
            (d for d in found.meters[row["meter"]].drift if (d.block, d.probe, d.frequency_khz) == series), None
        )
        known = row.pop("known")
        yield ReviewBlock(
            **row,
            bias_interval=mean_interval(known, row["bias"], row["standard_deviation"], confidence=0.95)
            if known >= _LEAST_CHECKS
            else None,
            slope_per_30_days=drift.slope_per_30_days if drift else None,
            interval=drift.interval if drift else None,
            leaves_tolerance_on=drift.leaves_tolerance_on if drift else None,
            no_forecast_reason=drift.reason if drift else "no check since the last setting",
        )


def _signals(found: Assessment, start: datetime, end: datetime) -> Iterator[ReviewSignal]:
    """Yield failed checks and rejects of the month, in order of time, with what was decided about each."""
    told = (
        _month_of(found.checks, start, end)
        .filter((pl.col("rejects") != "") | ~pl.col("passes").fill_null(True))
        .sort("at", "meter", "block")
    )
    for row in told.iter_rows(named=True):
        said = tuple(one.decision for one in found.signal_decisions if one.fits(row))
        yield ReviewSignal(
            meter=row["meter"],
            block=row["block"],
            at=row["at"],
            rules=tuple(row["rejects"].split()),
            value_z=row["z"],
            bias=row["bias"],
            passes=row["passes"],
            decisions=said,
            closed_on=min((d.at for d in said), default=None),
        )


def _events(found: Assessment, start: datetime) -> Iterator[ReviewEvent]:
    """Yield the events of the month, and those before it that are still open, in order of time."""
    for result in found.events.values():
        if result.last_at < start and result.state == "closed":
            continue
        decisions = {*result.dispositions, *(d for lot in result.lots for d in lot.dispositions)}
        yield ReviewEvent(
            event=result.event,
            name=result.name,
            title=result.title,
            kind=result.kind,
            state=result.state,
            meter=result.meter,
            fired_at=result.fired_at,
            last_at=result.last_at,
            sentence=result.sentence,
            lots=len(result.lots),
            undecided=result.undecided,
            decisions=tuple(sorted(decisions, key=lambda d: (d.at, d.by, d.decision, d.why))),
        )


def _means_on_blocks(found: Assessment, start: datetime, end: datetime) -> Iterator[tuple[str, list[MeterMean]]]:
    """Yield each block with the means of the meters that checked it in the month."""
    known = (
        _month_of(found.checks, start, end).filter(pl.col("mean").is_not_null()).sort("block", "meter", "at", "check")
    )
    for (block,), checks in known.group_by("block", maintain_order=True):
        means = [
            MeterMean(
                str(meter),
                float(group["mean"].to_numpy().mean()),
                float(group["mean"].to_numpy().std(ddof=1)) if group.height > 1 else None,
                group.height,
                accuracy_of(found, str(meter), float(group["mean"].to_numpy().mean())),
            )
            for (meter,), group in checks.group_by("meter", maintain_order=True)
        ]
        yield str(block), means


def _agreement(on_blocks: Iterable[tuple[str, list[MeterMean]]]) -> Iterator[ReviewAgreement]:
    """Yield the differences of meters that checked one block in the month."""
    for block, means in on_blocks:
        counts = {one.meter: one.n for one in means}
        for pair in compare_meters(means):
            interval = None if pair.low is None or pair.high is None else (pair.low, pair.high)
            yield ReviewAgreement(
                block, pair.first, pair.second, counts[pair.first], counts[pair.second], pair.difference, interval,
                pair.e_n, pair.reason,
            )  # fmt: skip


def _due(found: Assessment, *, days: float) -> Iterator[ReviewDue]:
    """Yield what is due within so many days of the end, the earliest first."""
    rows: list[ReviewDue] = []
    horizon = found.as_of + timedelta(days=days)
    for kind, table in (("block", "blocks"), ("meter", "meters"), ("sensor", "sensors")):
        frame = version_at(found.tables[table], [kind], found.as_of).filter(pl.col("due_on") <= horizon)
        for row in frame.iter_rows(named=True):
            due = row["due_on"].astimezone(found.settings.zone).date()
            overdue = due < found.as_of.astimezone(found.settings.zone).date()
            rows.append(ReviewDue(kind, row[kind], row.get("certificate"), due, overdue))
    yield from sorted(rows, key=lambda one: (one.due_on, one.kind, one.identifier))


def _budgets(found: Assessment, lots: Sequence[str]) -> Iterator[ReviewBudget]:
    """Yield the spread of expanded uncertainties by meter and material, with the largest contribution of the median lot."""
    groups: dict[tuple[str, str, str], list[tuple[float, str]]] = {}
    for lot in lots:
        result = found.lots[lot]
        if result.expanded_uncertainty is None:
            continue
        key = (", ".join(result.meters), result.material or "", result.unit)
        groups.setdefault(key, []).append((result.expanded_uncertainty, lot))
    for (meter, material, unit), values in sorted(groups.items()):
        values.sort()
        lot = values[(len(values) - 1) // 2][1]
        contributions = with_budgets(found, found.lots[lot]).contributions
        largest = max(contributions, key=lambda c: c.standard_uncertainty)
        total = sum(c.standard_uncertainty**2 for c in contributions)
        yield ReviewBudget(
            meter=meter,
            material=material,
            unit=unit,
            lots=len(values),
            lowest=values[0][0],
            median=median(value for value, _ in values),
            highest=values[-1][0],
            largest=largest.name,
            share_of_variance=largest.standard_uncertainty**2 / total if total > 0 else 0.0,
        )


def _files(loaded: pl.DataFrame, held: int, waiting: int) -> ReviewFiles:
    def total(name: str) -> int:
        return int(loaded[name].sum())

    return ReviewFiles(
        loaded.height, total("lines"), total("readings"), total("duplicate"), total("quarantined"), held, waiting
    )


def _chain(events: Sequence[Event], start: datetime, end: datetime) -> ReviewChain:
    recorded = Counter(event.kind for event in events if start <= event.at < end)
    if not events:
        return ReviewChain({}, 0, "", None)
    return ReviewChain(dict(sorted(recorded.items())), events[-1].sequence, events[-1].hash, events[-1].at)


def _actions(result: ReviewResult, zone: ZoneInfo) -> Iterator[ReviewAction]:
    """Yield what waits for a person, the most pressing first."""
    for meter in result.meters:
        if meter.state == "suspended":
            yield ReviewAction("meter", meter.meter, f"Meter {meter.meter} is suspended: {meter.reason}")
    told: set[str] = set()
    for event in result.events:
        if event.state == "open":
            told |= set(event.undecided)
            lots = " No lot needs a decision of its own." if event.lots else ""
            if event.undecided:
                lots = f" {counted(len(event.undecided), 'lot')} without a decision."
            yield ReviewAction(
                "event",
                event.name,
                f"{event.title} is open: {event.sentence}{lots}",
                event.event,
            )
    for lot in result.not_accepted:
        if not lot.decisions and lot.verdict in ("hold", "reject") and lot.lot not in told:
            word = "on hold" if lot.verdict == "hold" else "rejected"
            yield ReviewAction("lot", lot.lot, f"Lot {lot.lot} is {word} and has no disposition: {lot.reason}")
    for one in result.due:
        if one.overdue:
            yield ReviewAction(
                one.kind, one.identifier, f"The calibration of {one.kind} {one.identifier} was due on {one.due_on}."
            )
    drifting: dict[str, list[tuple[datetime, str]]] = {}
    for block in result.blocks:
        if block.leaves_tolerance_on is not None:
            drifting.setdefault(block.meter, []).append((block.leaves_tolerance_on, block.block))
    for name, blocks in drifting.items():
        where = ", ".join(f"on {on} {at.astimezone(zone):%Y-%m-%d}" for at, on in sorted(blocks))
        yield ReviewAction("meter", name, f"Meter {name} drifts and is forecast to leave tolerance: {where}.")
    if result.files.held_now:
        yield ReviewAction("index", "", f"{counted(result.files.held_now, 'file')} held.")
    if result.files.quarantined_now:
        yield ReviewAction(
            "index", "", f"{counted(result.files.quarantined_now, 'quarantined line')} without a decision."
        )
