"""What to do about a process or a supplier, and the main points, in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import shorten
from reports.kit.numbers import compact, decimals_for, finite, fixed, significant
from reports.words import general
from reports.words import process as words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from reports.kit.numbers import Clock
    from schemas.processes import ProcessResult, StreamResult
    from schemas.suppliers import SupplierMaterial, SupplierResult

__all__ = ["material_points", "process_steps", "shown_state", "stream_points", "supplier_steps", "verdicts_in_words"]

INDICATIVE = 25
"""With fewer lots a figure is called indicative (common practice, no source)."""


def shown_state(state: str, streams: Sequence[StreamResult], noun: str) -> tuple[str, str]:
    """Return tone and word of a process or supplier; what is judged only in part is never plainly in control."""
    judged = sum(stream.state != "not_assessed" for stream in streams)
    if state == "in_control" and judged < len(streams):
        many = words.counted(len(streams), noun)
        return words.TONE["not_assessed"], words.FRAGMENT["judged"].format(judged=judged, many=many)
    return words.TONE[state], words.STATE[state]


def _suspended(streams: Iterable[StreamResult], what: str) -> list[str]:
    """Return what to do first where signals are of lots read on a suspended meter."""
    signals = [signal for stream in streams if stream.suspended for signal in stream.signals]
    found = {meter for signal in signals for meter in signal.suspended}
    if not found:
        return []
    meters = general.listed([shorten(meter, 40) for meter in sorted(found)], 4)
    n, total = sum(bool(signal.suspended) for signal in signals), words.counted(len(signals), "signal")
    return [words.STEP["suspended"].format(meters=meters, n=n, signals=total, what=what)]


def _short(stream: StreamResult) -> str:
    return shorten(stream.name, 100)


def _began(stream: StreamResult, clock: Clock) -> str:
    """Return the day on which a stream most likely left its level."""
    changed = [change.at for change in stream.level_changes if stream.since is None or change.at <= stream.since]
    return clock.day(changed[-1] if changed else stream.since)


def process_steps(result: ProcessResult, clock: Clock, *, quiet: int) -> list[str]:
    """Return what to do about a process, the first thing first.

    Parameters
    ----------
    clock
        The zone, for dates.
    quiet
        Subgroups without a signal after which a stretch of signals is over.

    Returns
    -------
    list of str
        At least one sentence.
    """
    step = words.STEP
    worst = [stream for stream in result.streams if stream.state == result.state]
    if not worst:
        return [step["no_mean"]]
    if result.state == "out_of_control":
        names = general.listed([_short(stream) for stream in worst], 3)
        day = _began(worst[0], clock)
        first = _suspended(worst, words.FRAGMENT["of_process"])
        return [
            *first, step["stop"].format(day=day, stream=names), *([] if first else [step["first_meter"]]),
            step["correct"].format(quiet=quiet), step["new_level"], step["capability"],
        ]  # fmt: skip
    if result.state == "watch":
        return [step["watch"], step["first_meter"]]
    provisional = [s for s in result.streams if s.phases and s.phases[-1].baseline.kind == "provisional"]
    if result.state == "not_assessed":
        return [step["collect"].format(n=worst[0].baseline_subgroups), step["name_baseline"].format(n=20)]
    return [step["in_control"], *([step["name_baseline"].format(n=20)] if provisional else [])]


def stream_points(stream: StreamResult, clock: Clock, unit: str) -> list[str]:
    """Return how one stream stands."""
    say = words.POINT
    decimals = decimals_for(finite(stream.within_standard_deviation), stream.mean)
    if stream.state == "out_of_control":
        found = [
            say["since"].format(
                day=clock.day(stream.since), subgroup=shorten(stream.since_subgroup or "", 40),
                signals=words.counted(len(stream.signals), "signal"),
            )
        ]  # fmt: skip
    else:
        found = [
            say["calm"].format(
                state=words.STATE.get(stream.state, stream.state),
                subgroups=words.counted(stream.subgroups, "subgroup"), parts=general.counted(stream.parts, "part"),
            )
        ]  # fmt: skip
    found += [
        say["change"].format(
            before=shorten(change.previous_subgroup, 40), before_day=clock.day(change.previous_at),
            after=shorten(change.subgroup, 40), after_day=clock.day(change.at), shift=fixed(change.shift, decimals, sign=True),
            unit=unit,
        )
        for change in stream.level_changes[-3:]
    ]  # fmt: skip
    if stream.between_standard_deviation is not None and stream.within_standard_deviation is not None:
        found.append(
            say["level"].format(
                mean=fixed(stream.mean, decimals), unit=unit,
                between=significant(stream.between_standard_deviation, 2),
                within=significant(stream.within_standard_deviation, 2),
            )
        )  # fmt: skip
    why = words.NOT_STABLE.get("changed" if stream.level_changes and stream.state == "in_control" else stream.state)
    if why is not None:
        if stream.ppk is not None:
            found.append(say["ppk_lost"].format(why=why))
    elif stream.ppk is not None and stream.ppk_interval is not None:
        low, high = stream.ppk_interval
        found.append(
            say["ppk"].format(
                ppk=fixed(stream.ppk, 2), low=fixed(low, 2), high=fixed(high, 2),
                lots=general.counted(stream.lots, "lot"), few=say["few"] if stream.lots < INDICATIVE else "",
            )
        )  # fmt: skip
    return found


def supplier_steps(result: SupplierResult, clock: Clock, unit: str) -> list[str]:
    """Return what to do about a supplier, the first thing first."""
    step, steps = words.SUPPLIER_STEP, []
    if not result.materials:
        steps.append(words.STEP["no_mean"])
    name = shorten(result.supplier, 60)
    steps += _suspended((material.stream for material in result.materials), words.FRAGMENT["of_supplier"])
    for material in result.materials:
        if material.stream.state == "out_of_control":
            day = _began(material.stream, clock)
            steps.append(step["ask"].format(supplier=name, day=day, material=shorten(material.material, 40)))
    if result.rejected or result.held:
        steps.append(step["rejected"].format(lots=general.counted(result.rejected + result.held, "lot")))
    beyond = [shorten(lot, 30) for material in result.materials for lot in material.certificates.beyond]
    if beyond:
        steps.append(step["certificate"].format(lots=general.listed(beyond)))
    for material in result.materials:
        pair = material.certificates.mean_difference_interval
        if pair is not None and (pair[0] > 0 or pair[1] < 0) and material.certificates.pairs >= 5:
            decimals = decimals_for((pair[1] - pair[0]) / 2)
            low, high = (fixed(end, decimals, sign=True) for end in pair)
            steps.append(
                step["bias"].format(
                    material=shorten(material.material, 40), unit=unit, low=low, high=high,
                    difference=fixed(material.certificates.mean_difference, decimals, sign=True),
                )
            )  # fmt: skip
        if material.capability == "not_capable":
            steps.append(
                step["capable"].format(
                    supplier=name, material=shorten(material.material, 40), asked=compact(material.ppk_asked, 3)
                )
            )
    few = [material for material in result.materials if material.lots < INDICATIVE]
    if few:
        fewest = min(few, key=lambda material: material.lots)
        steps.append(step["few"].format(material=shorten(fewest.material, 40), n=general.counted(fewest.lots, "lot")))
    if result.state == "watch":
        steps.insert(0, words.STEP["watch"])
    return steps or [step["go_on"]]


def verdicts_in_words(result: SupplierResult) -> str:
    """Return how the lots of a supplier were judged."""
    return words.POINT["verdicts"].format(
        lots=general.counted(result.lots, "lot"), accepted=result.accepted, held=result.held, rejected=result.rejected,
        not_assessed=result.not_assessed,
    )  # fmt: skip


def material_points(material: SupplierMaterial, clock: Clock, unit: str) -> list[str]:
    """Return the main points of a material; certificates and other suppliers have tables of their own."""
    return [*stream_points(material.stream, clock, unit)[:2], *_capability(material)]


def _capability(material: SupplierMaterial) -> list[str]:
    say = words.POINT
    sentence = words.CAPABILITY[material.capability].format(asked=compact(material.ppk_asked, 3))
    sentence = sentence[:1].upper() + sentence[1:]
    level = material.level
    if material.capability != "not_assessed":
        low, high = level.ppk_interval or (None, None)
        few = say["few"] if level.lots < INDICATIVE else ""
        points = [
            say["ppk"].format(
                ppk=fixed(level.ppk, 2), low=fixed(low, 2), high=fixed(high, 2),
                lots=general.counted(level.lots, "lot"), few=few,
            ),
            say["capability"].format(sentence=sentence),
        ]  # fmt: skip
    else:
        reason = material.capability_reason or level.not_computable.get("ppk", "")
        points = [say["capability"].format(sentence=f"{sentence}{f' ({shorten(reason, 160)})' if reason else ''}")]
    return points
