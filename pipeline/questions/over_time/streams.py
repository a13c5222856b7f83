"""One stream of subgroups: its phases and limits, its signals, and since when it is out of control, in words."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.statistics.between_lots import lots_together
from pipeline.statistics.change_points import change_points
from pipeline.statistics.patterns import chosen
from pipeline.statistics.process_control import (
    SPREAD_RULE,
    ChartRules,
    ProcessLimits,
    chance_beyond,
    charted,
    process_limits,
)
from schemas.digits import counted
from schemas.processes import Baseline, ControlLimits, LevelChange, Phase, ProcessSignal, StreamResult

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Settings

__all__ = ["BASELINE_EVENT", "NamedBaseline", "analyse_stream", "chart_rules", "named_baselines", "stream_name"]

BASELINE_EVENT = "process_baseline"
"""Kind of the event by which a person names the baseline of a stream."""

LEAST_SUBGROUPS = 3
"""With fewer there is no moving range worth the name."""


def stream_name(key: Mapping[str, str | None]) -> str:
    """Return a stream in words."""
    return ", ".join(f"{name} {value}" for name, value in key.items() if value is not None) or "all lots"


def chart_rules(settings: Settings) -> ChartRules:
    """Return how the site charts processes."""
    return ChartRules(
        settings.process_spread,
        settings.process_limits,
        chosen(settings.process_patterns.split(), settings.pattern_points),
        settings.process_ewma_weight,
        settings.process_ewma_width,
    )


@dataclass(frozen=True, slots=True)
class NamedBaseline:
    """A baseline that a person named: its limits are those written in the event."""

    stream: tuple[tuple[str, str], ...]
    first_at: datetime
    last_at: datetime
    limits: ProcessLimits
    unit: str
    reference_temperature_c: float
    subgroups_by: str
    by: str
    why: str
    at: datetime


def _key(stream: Mapping[str, str | None]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted((name, value) for name, value in stream.items() if value is not None))


def named_baselines(events: Iterable[Event], as_of: datetime) -> list[NamedBaseline]:
    """Return the baselines that were named, those of later data left out, in the order of their first subgroup.

    Where two begin with the same subgroup of a stream, the one recorded last holds.
    """
    found: dict[tuple[Any, ...], NamedBaseline] = {}
    for event in events:
        if event.kind != BASELINE_EVENT:
            continue
        subject = event.subject
        first, last = (datetime.fromisoformat(subject[name]) for name in ("first_at", "last_at"))
        if last > as_of:
            continue
        limits = ProcessLimits(
            subject["subgroups"], subject["centre"], subject["standard_deviation"], subject["within_standard_deviation"]
        )
        named = NamedBaseline(
            _key(subject["stream"]), first, last, limits, subject["unit"], subject["reference_temperature_c"],
            subject["subgroups_by"], event.by, event.why, event.at,
        )  # fmt: skip
        found[named.stream, first] = named
    return sorted(found.values(), key=lambda named: named.first_at)


@dataclass(frozen=True, slots=True)
class _Stretch:
    start: int
    end: int
    baseline: Baseline
    limits: ProcessLimits


def _limits_of(frame: pl.DataFrame, spread: str) -> ProcessLimits:
    column = "range" if spread == "range" else "standard_deviation"
    return process_limits(frame["mean"], frame["parts"], frame[column].fill_null(0.0), spread=spread)


def _note(named: NamedBaseline, inside: pl.DataFrame, settings: Settings, by: str) -> str | None:
    """Say what a person should know of a named baseline: another scale, or data that came later into its window."""
    if (named.unit, named.reference_temperature_c) != (settings.unit, settings.reference_temperature_c):
        return (
            f"the baseline was named in {named.unit} at {named.reference_temperature_c:g} °C; name it again for "
            f"{settings.unit} at {settings.reference_temperature_c:g} °C"
        )
    if named.subgroups_by != by:
        return f"the baseline was named for subgroups by {named.subgroups_by}; name it again for subgroups by {by}"
    again = _limits_of(inside, settings.process_spread)
    centre = named.limits.centre
    if again.subgroups != named.limits.subgroups or (
        again.centre is not None and centre is not None and abs(again.centre - centre) > 1e-9 * abs(centre)
    ):
        return (
            f"readings that came or changed later would move the baseline ({named.limits.subgroups} subgroups then, "
            f"{again.subgroups} now); it stays until a person names it again"
        )
    return None


def _provisional(frame: pl.DataFrame, settings: Settings, first: int) -> tuple[Baseline, ProcessLimits]:
    """Return the limits of the first judged subgroups of a phase."""
    judged = frame.filter("judged")
    chosen_ones = judged.head(first)
    limits = _limits_of(chosen_ones, settings.process_spread)
    note = None
    if chosen_ones.height < first:
        note = f"{chosen_ones.height} of the {first} subgroups that provisional limits need"
        limits = ProcessLimits(chosen_ones.height, limits.centre, None, None, note, note)
    elif settings.process_limits == "between" and limits.sigma is None:
        note = limits.reason
    elif settings.process_limits == "within" and limits.within_sigma is None:
        note = limits.within_reason
    at = chosen_ones["at"]
    baseline = Baseline(
        "provisional", chosen_ones.height, at.min(), at.max(), limits.centre, limits.sigma, limits.within_sigma, note=note,  # type: ignore[arg-type]
    )  # fmt: skip
    return baseline, limits


def _stretches(
    frame: pl.DataFrame, named: Sequence[NamedBaseline], settings: Settings, first: int, by: str
) -> list[_Stretch]:
    """Cut a stream into phases: before the first named baseline, and from each one on."""
    times = frame["at"].to_list()
    found: list[_Stretch] = []
    usable: list[tuple[int, NamedBaseline]] = []
    for one in named:
        start = next((n for n, at in enumerate(times) if at >= one.first_at), None)
        if start is not None:
            usable.append((start, one))
    starts = [start for start, _ in usable]
    if not starts or starts[0] > 0:
        end = starts[0] if starts else len(times)
        found.append(_Stretch(0, end, *_provisional(frame[:end], settings, first)))
    for place, (start, one) in enumerate(usable):
        end = starts[place + 1] if place + 1 < len(starts) else len(times)
        inside = frame.filter((pl.col("at") >= one.first_at) & (pl.col("at") <= one.last_at) & pl.col("judged"))
        note, limits = _note(one, inside, settings, by), one.limits
        other_scale = note is not None and note.startswith("the baseline was named")
        if other_scale:
            _, limits = _provisional(frame[start:end], settings, first)
        baseline = Baseline(
            "provisional" if other_scale else "named", limits.subgroups, one.first_at, one.last_at, limits.centre,
            limits.sigma, limits.within_sigma, one.by, one.why, one.at, note,
        )  # fmt: skip
        found.append(_Stretch(start, end, baseline, limits))
    return [stretch for stretch in found if stretch.end > stretch.start]


def analyse_stream(
    key: Mapping[str, str | None],
    frame: pl.DataFrame,
    lots: pl.DataFrame,
    named: Sequence[NamedBaseline],
    settings: Settings,
    *,
    first: int,
    by: str,
) -> tuple[StreamResult, pl.DataFrame]:
    """Chart one stream and say how it stands.

    Parameters
    ----------
    key
        What tells the stream from others.
    frame
        Its subgroups in time order (:func:`pipeline.questions.over_time.lot_series.subgroups_of`), at least one.
    lots
        Its lots, for level, variation and limits.
    named
        Baselines that people named, of any stream.
    settings
        Rules, limits, points.
    first
        Subgroups that make provisional limits.
    by
        What its subgroups go by: lot, time or part.

    Returns
    -------
    (StreamResult, polars.DataFrame)
        The points as :class:`schemas.processes.ProcessPage` describes them, without `stream`.
    """
    rules = chart_rules(settings)
    own = [one for one in named if one.stream == _key(key)]
    column = "range" if settings.process_spread == "range" else "standard_deviation"
    stretches = _stretches(frame, own, settings, first, by)
    pieces = []
    for number, stretch in enumerate(stretches, start=1):
        piece = frame[stretch.start : stretch.end]
        drawn = charted(
            piece["mean"],
            piece["parts"],
            piece[column].fill_null(0.0),
            piece["judged"].to_numpy(),
            stretch.limits,
            rules,
        )
        pieces.append(pl.concat([piece.with_columns(pl.lit(number, pl.Int64).alias("phase")), drawn], how="horizontal"))
    points = pl.concat(pieces).with_columns(
        pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("place"), pl.col(column).alias("spread")
    )
    last = points.filter(pl.col("phase") == len(stretches))
    state, reasons, since = _state(last, stretches[-1].baseline, rules, settings)
    # a meter that failed its check throws doubt on a lot's level, so such a lot says nothing of the process
    reliable = lots.filter(pl.col("support") != "suspect")
    lots = reliable if reliable.height else lots
    limits = _one_pair_of_limits(lots)
    together = lots_together(
        lots["mean"], lots["standard_deviation"].fill_null(0.0) ** 2, lots["parts"],
        lower=limits.get("lower"), upper=limits.get("upper"),
    )  # fmt: skip
    missing = dict(together.not_computable)
    within_estimate = "mean_range" if settings.process_spread == "range" else "mean_standard_deviation"
    if limits == {} and lots["lower"].drop_nulls().len() + lots["upper"].drop_nulls().len():
        missing["ppk"] = "the lots have different limits"
    return (
        StreamResult(
            name=stream_name(key),
            product=key.get("product"),
            line=key.get("line"),
            supplier=key.get("supplier"),
            state=state,
            reasons=tuple(reasons),
            unit=settings.unit,
            subgroups=points.height,
            parts=int(points["parts"].sum()),
            not_judged=int((~points["judged"]).sum()),
            baseline_subgroups=first,
            since=None if since is None else points["at"][since],
            since_subgroup=None if since is None else points["subgroup"][since],
            phases=tuple(
                Phase(
                    number,
                    frame["at"][s.start],
                    frame["at"][s.end - 1],
                    s.end - s.start,
                    s.baseline,
                    "moving_range" if settings.process_limits == "between" else within_estimate,
                    within_estimate,
                    _control_limits(points.filter(pl.col("phase") == number)),
                )
                for number, s in enumerate(stretches, start=1)
            ),
            signals=tuple(
                ProcessSignal(
                    row["subgroup"],
                    row["at"],
                    tuple(row["rules"].split()),
                    row["mean"],
                    row["z"],
                    row["phase"],
                    tuple(filter(None, row["suspended"].split(", "))),
                )
                for row in points.filter(pl.col("rules") != "").iter_rows(named=True)
            ),
            level_changes=_level_changes(points),
            mean=together.mean,
            between_standard_deviation=together.between_standard_deviation,
            between_interval=together.between_interval,
            within_standard_deviation=together.within_standard_deviation,
            ppk=together.ppk,
            ppk_interval=together.ppk_interval,
            lower=limits.get("lower"),
            upper=limits.get("upper"),
            not_computable=missing,
            ewma_weight=settings.process_ewma_weight,
            lots=together.lots,
        ),
        points,
    )


def _control_limits(points: pl.DataFrame) -> tuple[ControlLimits, ...]:
    """Return the limits of a phase as its points have them, one for each number of parts."""
    names = [field.name for field in fields(ControlLimits)]
    return tuple(ControlLimits(**row) for row in points.select(names).unique("parts").sort("parts").to_dicts())


def _one_pair_of_limits(lots: pl.DataFrame) -> dict[str, float | None]:
    """Return the limits of the lots where all have the same."""
    pairs = lots.select("lower", "upper").unique()
    return dict(pairs.row(0, named=True)) if pairs.height == 1 else {}


def _level_changes(points: pl.DataFrame) -> tuple[LevelChange, ...]:
    judged = points.filter("judged")
    return tuple(
        LevelChange(
            judged["subgroup"][change.place],
            judged["at"][change.place],
            judged["subgroup"][change.place - 1],
            judged["at"][change.place - 1],
            change.shift,
            change.p_value,
        )
        for change in change_points(judged["mean"])
    )


def _quiet(rules: ChartRules) -> int:
    """Return after how many judged subgroups without a signal a stretch of signals is over."""
    return next((points for rule, points in rules.patterns if rule.id == "same-side"), 7)


def _lasting(hit: Any, quiet: int) -> int | None:
    """Return where the stretch of hits began that still lasts at the end; None where there is none."""
    places = np.flatnonzero(np.asarray(hit, dtype=bool))
    if not places.size or len(hit) - 1 - places[-1] >= quiet:
        return None
    gaps = np.flatnonzero(np.diff(places) > quiet)
    return int(places[gaps[-1] + 1] if gaps.size else places[0])


def _state(
    last: pl.DataFrame, baseline: Baseline, rules: ChartRules, settings: Settings
) -> tuple[str, list[str], int | None]:
    """Return state, reasons and the place (from 0, in the whole stream) of the first signal that still lasts."""
    judged = last.filter("judged")
    if baseline.note is not None and judged["z"].null_count() == judged.height:
        return "not_assessed", [f"There are no limits: {baseline.note}."], None
    if not judged.height:
        return "not_assessed", ["No subgroup since the limits hold can be judged: a meter failed its check."], None
    if judged["z"].null_count():
        return "not_assessed", ["There are no limits: the named subgroups give no standard deviation."], None
    if judged.height < LEAST_SUBGROUPS and baseline.kind == "provisional":
        return "not_assessed", [f"There are no limits: {counted(judged.height, 'subgroup')} can be judged."], None
    quiet = _quiet(rules)
    zone = settings.zone
    titles = {rule.id: rule.title.format(n=points) for rule, points in rules.patterns}
    titles[SPREAD_RULE] = "the spread within a subgroup beyond its limits"
    start = _lasting((judged["rules"] != "").to_numpy(), quiet)
    signals = judged.filter(pl.col("rules") != "")
    if start is not None:
        row = judged.row(start, named=True)
        ids = sorted({name for text in judged["rules"][start:] for name in text.split()}, key=list(titles).index)
        count = int((judged["rules"][start:] != "").sum())
        reasons = [
            (
                f"Out of control since {row['at'].astimezone(zone):%Y-%m-%d} (subgroup {row['subgroup']}): {count} of "
                f"{counted(judged.height - start, 'subgroup')} since then {'gives' if count == 1 else 'give'} a signal; "
                f"{_latest(signals.row(-1, named=True))}."
            ),
            "Rules: " + "; ".join(f"{name} ({titles[name]})" for name in ids) + ".",
        ]
        return "out_of_control", [*reasons, *_limits_in_words(baseline, settings)], int(row["place"]) - 1
    smooth = _lasting(judged["ewma_beyond"].to_numpy(), 1)
    if smooth is not None:
        row = judged.row(smooth, named=True)
        reasons = [
            (
                f"No rule is broken, but the moving average (EWMA) lies beyond its limit since "
                f"{row['at'].astimezone(zone):%Y-%m-%d} (subgroup {row['subgroup']}): a slow change may be on its way."
            )
        ]
        return "watch", [*reasons, *_limits_in_words(baseline, settings)], None
    reason = (
        "In control: the one subgroup breaks no rule."
        if judged.height == 1
        else f"In control: the last {judged.height} subgroups break no rule."
    )
    if signals.height:
        latest = signals["at"][-1].astimezone(zone)
        after = judged.filter(pl.col("at") > signals["at"][-1]).height
        reason = (
            f"In control again: {signals.height} of {judged.height} subgroups gave a signal, the latest on {latest:%Y-%m-%d}; "
            f"{after} without one followed."
        )
    return "in_control", [reason, *_limits_in_words(baseline, settings)], None


def _latest(row: dict[str, Any]) -> str:
    """Say how the latest signal looks: the place of a mean tells nothing where only the spread signals."""
    if row["rules"] == SPREAD_RULE:
        return "in the latest one the spread within the subgroup is beyond its limits, the mean breaks no rule"
    side = "above" if row["z"] > 0 else "below"
    return f"the latest one lies {abs(row['z']):.1f} standard deviations {side} the centre"


_FEW = 20
"""Limits from fewer subgroups alarm more often than known limits do (common practice asks for 20 to 25)."""


def _limits_in_words(baseline: Baseline, settings: Settings) -> list[str]:
    if baseline.kind == "named":
        found = [f"Limits are frozen from {baseline.subgroups} subgroups, named by {baseline.by}: {baseline.why}."]
        return [*found, f"Note: {baseline.note}."] if baseline.note else found
    few = ""
    # the chance is that of limits from the moving range of so many means
    between = settings.process_limits == "between"
    if between and baseline.subgroups < _FEW and baseline.standard_deviation is not None:
        points = 1.0 / chance_beyond(baseline.subgroups)
        few = f" With so few, about one point in {points:.0f} lies beyond them by chance; with known limits one in 370."
    found = [f"Limits are provisional, from the first {baseline.subgroups} subgroups.{few}"]
    return [*found, f"Note: {baseline.note}."] if baseline.note else found
