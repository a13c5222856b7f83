"""Look-back events: what fired, since when, and what it touched.

Nothing of it is stored: events are found again from readings and tables each time, and named by meter, time and kind,
so that their names and addresses stay.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UsageError
from pipeline.judge.found_events import Found, rules_of
from pipeline.judge.meters.evidence import calibrations_of
from pipeline.metrology.look_back import failed_episodes, precision_episodes, signal_episodes
from pipeline.near import nearest
from schemas.digits import digits_that_tell
from schemas.look_back import BiasChange

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from pipeline.judge.assessment import Assessment
    from pipeline.metrology.look_back import Episode

__all__ = ["events_of_calibrations", "events_of_runs", "find_events", "named", "of_meter", "the_event", "told"]


def _local(moment: datetime, assessment: Assessment) -> str:
    settings = assessment.settings
    return f"{moment.astimezone(settings.zone):%Y-%m-%d %H:%M} {settings.time_zone}"


def _day(moment: datetime, assessment: Assessment) -> str:
    return f"{moment.astimezone(assessment.settings.zone):%Y-%m-%d}"


def _changes(assessment: Assessment, fired: Sequence[int], before: int | None) -> tuple[BiasChange, ...]:
    """Return, for each block, the largest change of bias from the last good run to what fired; checks stand in order of time."""
    checks = assessment.checks.filter(pl.col("bias").is_not_null())
    good = checks.clear() if before is None else checks.filter(pl.col("run") == before)
    start = {row["block"]: row["bias"] for row in good.iter_rows(named=True)}
    largest: dict[str, BiasChange] = {}
    for row in checks.filter(pl.col("run").is_in(list(fired))).iter_rows(named=True):
        change = row["bias"] - start.get(row["block"], 0.0)
        known = largest.get(row["block"])
        if known is None or abs(change) > abs(known.change):
            largest[row["block"]] = BiasChange(row["block"], row["certified_value"], change)
    return tuple(largest[block] for block in sorted(largest))


_NOTE_ON_PRECISION = "The mean of a check that scatters may be right: look at probe, surface, fixture and operator. It ends with a run within the limit."


def _of_episode(assessment: Assessment, meter: str, kind: str, episode: Episode) -> Found:
    runs = [row["run"] for row in episode.fired]
    of_runs = assessment.checks.filter(pl.col("run").is_in(runs))
    failed = ~pl.col("passes")
    rejected = pl.col("rejects") != ""
    both = failed | rejected if assessment.settings.signals_make_suspect else failed
    fired = of_runs.filter({"signal": rejected, "precision": pl.col("imprecise")}.get(kind, both))
    first = fired.row(0, named=True)
    before, after = episode.before, episode.after
    # by runs where they could be judged, for support goes by them; by time where nothing could be judged
    touching = pl.col("before_run").is_in(runs) | pl.col("after_run").is_in(runs)
    if any(row["passed"] is None for row in episode.fired):
        inside = pl.lit(True)
        if before is not None:
            inside = inside & (pl.col("last_at") > before["last_at"])
        if after is not None:
            inside = inside & (pl.col("first_at") < after["first_at"])
        touching = touching | inside
    touched = assessment.brackets.filter((touching & (pl.col("unknown_clock") == 0)) | (pl.col("unknown_clock") > 0))
    blocks, rules = ", ".join(fired["block"].unique().sort()), ", ".join(rules_of(fired))
    count = "1 check" if fired.height == 1 else f"{fired.height} checks"
    days = [_day(fired["at"][place], assessment) for place in (0, -1)]
    until = "" if days[0] == days[1] else f" from {days[0]} to {days[1]}"
    if kind == "signal":
        sentence = f"The multi-rule scheme rejected {count} on {blocks}{until} (rules {rules})."
    elif kind == "precision":
        worst = fired.sort(pl.col("within_standard_deviation") / pl.col("precision_limit")).row(-1, named=True)
        s, limit = worst["within_standard_deviation"], worst["precision_limit"]
        digits = digits_that_tell(2, s, limit)
        sentence = (
            f"Readings of {count} on {blocks}{until} scattered beyond the action limit (s = {s:.{digits}g}, limit "
            f"{limit:.{digits}g} {assessment.settings.unit})."
        )
    else:
        sentence = f"{count} on {blocks} failed{until}."
    notes = []
    overdue = of_runs.filter(pl.col("certificate_due_on") + timedelta(days=1) <= pl.col("at"))
    for block, due in overdue.select("block", "certificate_due_on").unique().sort("block").iter_rows():
        day = due.astimezone(assessment.settings.zone)
        notes.append(f"The certificate of block {block} was overdue when it was used (due {day:%Y-%m-%d}).")
    if kind == "precision":
        notes.append(_NOTE_ON_PRECISION)
    elif after is not None:
        notes.append(
            f"A later run passed at {_local(after['first_at'], assessment)}. That clears the meter, not what it measured before."
        )
    else:
        notes.append(
            "No later run has passed yet. A run ends with a part reading, a setting or a recorded action of the meter, or a pause "
            f"of {assessment.settings.run_gap_minutes:g} min."
        )
    return Found(
        kind=kind,
        meter=meter,
        fired_at=first["at"],
        sentence=sentence,
        last_good="run of checks" if before is not None else "",
        last_good_at=before["last_at"] if before is not None else None,
        window_from=before["last_at"] if before is not None else None,
        window_to=after["first_at"] if after is not None else None,
        touched=touched,
        checks=fired,
        around=tuple([before["run"]] if before else []) + tuple(runs) + tuple([after["run"]] if after else []),
        changes=_changes(assessment, runs, None if before is None else before["run"]),
        notes=tuple(notes),
    )


def _overdue(assessment: Assessment, meter: str) -> list[Found]:
    """Return the gaps between runs in which a check was not made within the interval, one event a gap."""
    interval = timedelta(hours=assessment.settings.check_interval_hours)
    late = assessment.brackets.filter((pl.col("support") == "unsupported") & (pl.col("unknown_clock") == 0))
    unknown = assessment.brackets.filter(pl.col("unknown_clock") > 0)
    found = []
    for _, gap in late.sort("first_at", "lot").group_by("before_run", "after_run", maintain_order=True):
        row = gap.row(0, named=True)
        before_at, after_at = row["before_at"], row["after_at"]
        first, last = row["first_at"], gap.sort("last_at")["last_at"][-1]
        if before_at is None:
            due, said = first, "Parts were read, and no check that could be judged stands before them."
        elif last - before_at > interval:
            due, said = before_at + interval, "Parts were read after the next check was due."
        else:
            # due by the check before, not by the readings: what is read later in the gap must not rename the event
            due, said = before_at + interval, "No check followed the readings within the interval."
        runs = tuple(run for run in (row["before_run"], row["after_run"]) if run is not None)
        found.append(
            Found(
                kind="check_overdue",
                meter=meter,
                fired_at=due,
                sentence=f"{said} Interval: {assessment.settings.check_interval_hours:g} h.",
                last_good="run of checks" if before_at is not None else "",
                last_good_at=before_at,
                window_from=before_at,
                window_to=after_at,
                touched=pl.concat([gap, unknown]),
                checks=assessment.checks.clear(),
                around=runs,
                changes=_changes(assessment, runs[1:], runs[0]) if len(runs) == 2 else (),
            )
        )
    return found


def _calibration(assessment: Assessment, meter: str, judged: pl.DataFrame) -> list[Found]:
    """Return the as-found failures of a meter; each looks back to the last good calibration before it."""
    found = []
    good: tuple[datetime, pl.DataFrame] | None = None
    for group in judged.filter(pl.col("meter") == meter).partition_by("calibrated_on", maintain_order=True):
        day: datetime = group["calibrated_on"][0]
        points = group.filter(pl.col("condition") == "as_found")
        if not points["passes"].all():
            found.append(_as_found(assessment, meter, day, points, good))
        # what the meter came back as is what the next one looks back to
        last = group.filter(pl.col("condition") == pl.col("condition").max())
        if last["passes"].fill_null(False).all():
            good = (day, last)
    return found


def _as_found(
    assessment: Assessment,
    meter: str,
    day: datetime,
    points: pl.DataFrame,
    good: tuple[datetime, pl.DataFrame] | None,
) -> Found:
    """Return the event of one calibration whose as-found points failed."""
    failed = points.filter(~pl.col("passes"))
    # the day of a calibration is rarely known to the hour: what was read that day is counted in
    end = day + timedelta(days=1)
    calibrated = None if good is None else good[0]
    # a run may go on after the calibration, so its checks before it count, not its end
    passed = assessment.runs.filter(pl.col("passed"))["run"]
    before = assessment.checks.filter(pl.col("run").is_in(passed.to_list()) & (pl.col("at") < end)).sort("at")
    passed_at: datetime | None = before["at"][-1] if before.height else None
    inside = pl.col("first_at") < end
    if calibrated is not None:
        inside = inside & (pl.col("last_at") > calibrated)
    touched = assessment.brackets.filter((inside & (pl.col("unknown_clock") == 0)) | (pl.col("unknown_clock") > 0))
    words = "; ".join(
        _beyond_tolerance(**row)
        for row in failed.select("nominal", "unit", "deviation", "tolerance").iter_rows(named=True)
    )
    changes = []
    for row in points.filter(pl.col("change").is_not_null()).iter_rows(named=True):
        start = 0.0
        if good is not None:
            nearest = good[1].filter(pl.col("change").is_not_null()).sort((pl.col("level") - row["level"]).abs())
            start = nearest["change"][0] if nearest.height else 0.0
        changes.append(BiasChange(f"{row['nominal']:g} {row['unit']}", row["level"], row["change"] - start))
    notes = []
    if calibrated is None:
        notes.append("No earlier good calibration is recorded, so everything the meter read is looked at.")
    if passed_at is not None:
        notes.append(
            f"The last check on blocks that passed before it was made at {_local(passed_at, assessment)}: lots read "
            "since are touched; earlier ones with checks that passed on both sides are covered by these, unless the "
            "deviation found could carry them beyond a limit."
        )
    return Found(
        kind="calibration",
        meter=meter,
        fired_at=day,
        sentence=f"The external calibration found the meter out of tolerance as found at {words}.",
        last_good="external calibration" if calibrated is not None else "",
        last_good_at=calibrated,
        window_from=calibrated,
        window_to=end,
        touched=touched,
        checks=assessment.checks.clear(),
        around=(),
        changes=tuple(changes),
        notes=tuple(notes),
        covered_until=passed_at,
    )


def _beyond_tolerance(*, nominal: float, unit: str, deviation: float, tolerance: float) -> str:
    digits = digits_that_tell(3, abs(deviation), tolerance)
    return f"{nominal:g} {unit}: {deviation:+.{digits}g} {unit} (tolerance ±{tolerance:.{digits}g} {unit})"


def of_meter(assessment: Assessment, meter: str) -> Assessment:
    """Return an assessment with the checks, runs and brackets of one meter: looked up once, each event asks for them many times."""
    names = ("checks", "runs", "brackets")
    return assessment.restated(**{name: getattr(assessment, name).filter(pl.col("meter") == meter) for name in names})


def events_of_runs(own: Assessment, meter: str) -> list[Found]:
    """Return the events of a meter that runs of checks tell, or that none tell, from what :func:`of_meter` says."""
    found = []
    for kind, episodes in (
        ("failed_check", failed_episodes(own.runs, meter)),
        ("signal", signal_episodes(own.runs, meter)),
        ("precision", precision_episodes(own.runs, own.checks, meter)),
    ):
        found += [_of_episode(own, meter, kind, episode) for episode in episodes]
    return found + _overdue(own, meter)


def events_of_calibrations(assessment: Assessment) -> list[Found]:
    """Return the events that external calibrations tell of all meters."""
    judged = calibrations_of(assessment)
    meters = judged["meter"].unique().sort().to_list()
    known = [meter for meter in meters if meter in assessment.meters]
    return [event for meter in known for event in _calibration(of_meter(assessment, meter), meter, judged)]


def find_events(assessment: Assessment) -> list[Found]:
    """Return the events of all meters, in order of time."""
    found = events_of_calibrations(assessment)
    for meter in sorted(assessment.meters):
        found += events_of_runs(of_meter(assessment, meter), meter)
    # two gaps may fall due at one time; the second keeps its own name
    seen: set[str] = set()
    unique = []
    for event in sorted(found, key=lambda one: (one.fired_at, one.meter, one.kind)):
        while event.name in seen:
            event = replace(event, fired_at=event.fired_at + timedelta(seconds=1))
        seen.add(event.name)
        unique.append(event)
    return told(assessment, unique)


def told(assessment: Assessment, found: Sequence[Found]) -> list[Found]:
    """Give events, of all that fired on their days, the ids that people type, such as `EC-02/2026-04-24`, and the words they say.

    The first of a meter's events on a day is named by meter and day (of the site's zone), the others by their time of the
    day, too. First is what was loaded first: what comes later, late data as well, renames nothing.
    """
    zone = assessment.settings.zone
    days = [(event.meter, event.fired_at.astimezone(zone)) for event in found]
    same: dict[str, list[int]] = {}
    for place, (meter, at) in enumerate(days):
        same.setdefault(f"{meter}/{at:%Y-%m-%d}", []).append(place)
    shorts: dict[int, str] = {}
    for day, places in same.items():
        if len(places) > 1:
            places.sort(key=lambda place: (_loaded(assessment, found[place]), found[place].fired_at, found[place].kind))
        taken: set[str] = set()
        for place in places:
            at = days[place][1]
            longer = (day, f"{day}-{at:%H%M}", f"{day}-{at:%H%M%S}", f"{day}-{at:%H%M%S}-{found[place].kind}")
            shorts[place] = next(name for name in longer if name not in taken)
            taken.add(shorts[place])
    return [event.told(zone, shorts[place]) for place, event in enumerate(found)]


def _loaded(assessment: Assessment, event: Found) -> int:
    """Return the number of the first file that told of an event; a calibration, which no file tells of, comes last."""
    if event.kind == "calibration":
        return _NO_FILE
    rows, last, role = event.checks, "at", "block"
    if not rows.height:
        rows, last, role = event.touched.filter(pl.col("unknown_clock") == 0), "last_at", "part"
    first, end = rows["first_at"].min(), rows[last].max()
    number = assessment.first_file(event.meter, role, first, end)  # type: ignore[arg-type]
    return _NO_FILE if number is None else number


_NO_FILE = 2**31


def named(events: Iterable[Found], text: str) -> list[Found]:
    """Return the events that a text names.

    Parameters
    ----------
    events
        From :func:`find_events`.
    text
        The id that people type, the name that pages and records go by, or one that the event had, or would have had, before
        late data let it begin earlier: by the day or the time of any of its checks.

    Returns
    -------
    list of Found
        More than one where a day does not tell them apart.
    """
    known = list(events)
    return [one for one in known if text in (one.short, one.name)] or [one for one in known if text in one.names]


def the_event(events: Sequence[Found], text: str) -> Found:
    """Return the one event that a text names, as :func:`named` takes it.

    Raises
    ------
    UsageError
        If there is none, or more than one.
    """
    fits = named(events, text)
    if len(fits) == 1:
        return fits[0]
    if fits:
        said = "; ".join(f"{event.short} ({event.title}: {event.sentence})" for event in fits)
        raise UsageError(f"{len(fits)} events fit {text!r}. Name one of them: {said}")
    of_meter = [event for event in events if text.startswith((f"{event.meter}/", f"{event.meter}_"))]
    some = ", ".join(event.short for event in (of_meter or list(events))[-5:]) or "none"
    hint = nearest(text, [event.short for event in events]) or f". Known: {some}."
    raise UsageError(f"Event {text!r} is not known{hint} See: annealog trace --all")
