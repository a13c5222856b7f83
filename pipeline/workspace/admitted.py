"""What settings admit: each by itself, and beside one another."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pipeline.errors import SettingsError
from pipeline.near import nearest
from pipeline.workspace.declared import DEFAULT_PLAUSIBLE_RANGE_MS_PER_M, Settings
from pipeline.workspace.schedule import parse_schedule
from schemas.terms import TEMPERATURE_SOURCES, UNITS, is_site_name

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["contradictions", "typed"]


def typed(name: str, value: Any, default: Any) -> Any:
    """Return the value as the type of the default, or say what was expected."""

    def wrong(expected: str) -> SettingsError:
        return SettingsError(f"{name} = {value!r}: expected {expected}.")

    if isinstance(default, bool):
        if not isinstance(value, bool):
            raise wrong("true or false")
        return value
    if isinstance(default, str):
        if not isinstance(value, str):
            raise wrong("a text in quotes")
        return value
    if isinstance(default, int):
        if isinstance(value, bool) or not isinstance(value, int):
            raise wrong("a whole number")
        return value
    if isinstance(default, float):
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or value != value
            or abs(value) == float("inf")
        ):
            raise wrong("a number")
        return float(value)
    if default == ():
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise wrong("texts in brackets")
        return tuple(value)
    if isinstance(default, tuple):
        if not isinstance(value, list) or len(value) != 2:
            raise wrong("two numbers in brackets, the lower one first")
        low, high = (typed(name, item, 0.0) for item in value)
        if not low < high:
            raise wrong("two numbers in brackets, the lower one first")
        return (low, high)
    if not isinstance(value, dict):
        raise wrong("a table of names and values")
    return value


def _process_charts(settings: Settings) -> Iterator[str]:
    for name, points in settings.pattern_points.items():
        if isinstance(points, bool) or not isinstance(points, int):
            yield f"pattern_points.{name} = {points!r}: expected a whole number."
    usual = Settings()
    if (settings.process_patterns, settings.pattern_points) == (usual.process_patterns, usual.pattern_points):
        return
    from pipeline.statistics.patterns import chosen

    try:
        chosen(settings.process_patterns.split(), settings.pattern_points)
    except ValueError as error:
        yield f"process_patterns, pattern_points: {error}."


def _multi_rule(settings: Settings) -> Iterator[str]:
    if settings.reject_rules == Settings().reject_rules:
        return
    from pipeline import rules

    known = [rule.id for rule in rules.find() if rule.reject]
    for name in settings.reject_rules.split():
        if name not in known:
            yield f"reject_rules names {name!r}: expected some of {', '.join(known)}."


_CENTURY = {"seconds": 3_155_760_000.0, "minutes": 52_596_000.0, "hours": 876_600.0, "days": 36_525.0}
"""By the last word of a setting's name; a longer time leads out of what clocks can say."""


_WITHIN = {
    "(0,inf)": "check_interval_hours check_gap_minutes tolerance size_cap_mb bracketing_span_iacs process_subgroup_hours "
    "sensor_tolerance_c penetration_multiple largest_correction_iacs process_ewma_width",
    "[0,inf)": "temperature_age_minutes sensor_check_interval_days flat_from_radius_mm page_processes watch_settle_seconds "
    "alert_repeat_hours alert_silence_hours alert_most_per_hour publish_minutes",
    "[1,inf)": "bracketing_blocks subgroup_size",
    "[2,inf)": "baseline_checks",
    "[3,inf)": "supplier_baseline_lots process_baseline_subgroups",
    "(0,1]": "process_ewma_weight",
    "(0,100]": "soft_spot_percent",
    "[0,1)": "certificate_correlation",
    "[0,100)": "thickness_allowance_percent lift_off_allowance_percent",
    "[0.5,1)": "confidence",
    "[0.03,1]": "drift_ewma_weight",
    "[0.1,2]": "drift_cusum_reference_value",
    "[0.9,0.99999]": "precision_level",
    "[20,100000]": "reject_run_length drift_run_length",
    "[1900,2200]": "earliest_clock_year",
}
"""Settings by the interval that they lie in; a round bracket leaves its end out."""

_ONE_OF = {
    "unit": UNITS,
    "tolerance_unit": UNITS,
    "process_subgroups": ("lot", "time", "part"),
    "process_spread": ("standard_deviation", "range"),
    "process_limits": ("between", "within"),
}
_SOME_OF = {"process_streams": ("product", "line", "supplier"), "temperature_sources": TEMPERATURE_SOURCES}


def _not_admitted(settings: Settings) -> Iterator[str]:
    """Hold each setting against what it admits by itself."""
    for within, names in _WITHIN.items():
        for name in names.split():
            value = getattr(settings, name)
            if expected := _outside(value, within):
                yield f"{name} = {value!r}: expected a {'whole ' * isinstance(value, int)}number {expected}."
    for name, choices in _ONE_OF.items():
        found = getattr(settings, name)
        if found not in choices:
            yield f"{name} = {found!r}: expected one of {', '.join(choices)}{nearest(found, choices) or '.'}"
    for name, choices in _SOME_OF.items():
        for word in getattr(settings, name).split():
            if word not in choices:
                yield f"{name} names {word!r}: expected some of {', '.join(choices)}{nearest(word, choices) or '.'}"
    for f in fields(settings):
        most = _CENTURY.get(f.name.rpartition("_")[2])
        if most is not None and not getattr(settings, f.name) <= most:
            yield f"{f.name} = {getattr(settings, f.name)!r}: expected at most a hundred years ({most:,.0f})."


def _outside(value: float, within: str) -> str:
    """Return what a number should have been, where it lies outside an interval; else nothing."""
    low, high = map(float, within[1:-1].split(","))
    above, below = within.startswith("("), within.endswith(")")
    if (value > low if above else value >= low) and (value < high if below else value <= high):
        return ""
    if high == float("inf"):
        return f"{'above' if above else 'of at least'} {low:g}"
    return f"{'above' if above else 'from'} {low:g} {'and up to' if above else 'to'} {'below ' * below}{high:g}"


def contradictions(settings: Settings) -> Iterator[str]:
    """Say of all settings what cannot be, each beginning with the name of the setting."""
    yield from _not_admitted(settings)
    for block, tolerance in settings.block_tolerance.items():
        if isinstance(tolerance, bool) or not isinstance(tolerance, int | float) or not tolerance > 0:
            yield f"block_tolerance.{block} = {tolerance!r}: expected a number above 0."
    folders: dict[str, Any] = {**settings.folders}
    for folder, layout in folders.items():
        if not isinstance(layout, str):
            yield f"folders.{folder} = {layout!r}: expected the name of a layout."
    if settings.site and not is_site_name(settings.site):
        yield f"site = {settings.site!r}: expected up to 64 letters, digits and . _ -, a letter or digit first."
    if settings.publish_to and not settings.site:
        yield f"publish_to = {settings.publish_to!r}: a site that publishes needs a name. Set site, too."
    probability = settings.guard_band_probability
    if probability and not 0.5 <= probability < 1:
        yield f"guard_band_probability = {probability!r}: expected 0 or a number from 0.5 to below 1."
    if settings.run_gap_minutes < settings.check_gap_minutes:
        yield (
            f"run_gap_minutes = {settings.run_gap_minutes!r}: expected at least check_gap_minutes "
            f"({settings.check_gap_minutes:g}), for a pause that ends a run ends a check too."
        )
    for name in ("watch_overdue_at", "watch_review_at", "watch_verify_at"):
        try:
            if name != "watch_verify_at" or settings.watch_verify_at:
                parse_schedule(getattr(settings, name))
        except ValueError as error:
            yield f"{name} = {getattr(settings, name)!r}: {error}"
    yield from _process_charts(settings)
    yield from _multi_rule(settings)
    try:
        ZoneInfo(settings.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        near = nearest(settings.time_zone, available_timezones())
        yield f"time_zone = {settings.time_zone!r}: expected an IANA zone such as 'Europe/Oslo'{near}"
    low, high = settings.plausible_range_ms_per_m
    wide = low < DEFAULT_PLAUSIBLE_RANGE_MS_PER_M[0] or high > DEFAULT_PLAUSIBLE_RANGE_MS_PER_M[1]
    if wide and not settings.plausible_range_decision.strip():
        yield (
            f"plausible_range_ms_per_m = [{low:g}, {high:g}] is wider than "
            f"{list(DEFAULT_PLAUSIBLE_RANGE_MS_PER_M)}; state who decided so and why in plausible_range_decision."
        )
