"""The workspace: one TOML file, read once into a frozen model. An unknown key is an error with the nearest match."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any, overload
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pipeline.errors import EnvironmentProblem, SettingsError
from pipeline.near import all_of, nearest
from pipeline.workspace.schedule import parse_schedule
from schemas.terms import TEMPERATURE_SOURCES, UNITS, is_site_name

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = [
    "DEFAULT_PLAUSIBLE_RANGE_MS_PER_M",
    "SETTINGS_FILE",
    "Settings",
    "Workspace",
    "find_folder",
    "find_workspace",
    "read_settings",
    "settings_text",
]

SETTINGS_FILE = "annealog.toml"
DEFAULT_PLAUSIBLE_RANGE_MS_PER_M = (0.5, 65.0)


def _setting(default: Any, doc: str, unit: str | None = None) -> Any:
    metadata = {"doc": doc, "unit": unit}
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class Settings:
    """Everything a site can decide, each named, documented and defaulted."""

    name: str = _setting("", "Name of the site or workspace, printed on every page.")
    address: str = _setting("", "Address of the site, on papers and certificates that leave it.")
    country: str = _setting("", "Country of the site, ISO 3166 code of two letters; certificates need it.")
    unit: str = _setting("MS/m", f"Working unit of statistics, limits and charts: {', '.join(UNITS)}.")
    reference_temperature_c: float = _setting(20.0, "Temperature at which values are compared.", "°C")
    time_zone: str = _setting("UTC", "IANA zone of the site; times without an offset are in it.")
    check_interval_hours: float = _setting(8.0, "Longest time between a reading and the check before or after it.", "h")
    check_gap_minutes: float = _setting(10.0, "Readings of one block further apart than this are two checks.", "min")
    run_gap_minutes: float = _setting(
        60.0, "A check that begins this long after the one before ended belongs to another run of checks.", "min"
    )
    tolerance: float = _setting(0.5, "Largest bias of a check that passes, absolute, in `tolerance_unit`.")
    tolerance_unit: str = _setting("%IACS", f"Unit of the tolerance: {', '.join(UNITS)}.")
    block_tolerance: dict[str, float] = _setting(
        {}, "Tolerance of single blocks, in `tolerance_unit`: [block_tolerance] BLOCK = 0.3"
    )
    baseline_checks: int = _setting(20, "Checks after a setting whose mean and standard deviation freeze the limits.")
    signals_make_suspect: bool = _setting(
        False, "A reject of the multi-rule scheme counts as a failed check for support."
    )
    reject_rules: str = _setting(
        "1-3s 2-2s 4-1s 2-2s-across R-4s",
        "Rules of the multi-rule scheme that reject and suspend on frozen limits, by their ids; all others warn.",
    )
    reject_run_length: float = _setting(
        5000.0,
        "Rejecting rules along a block give one false reject in so many checks of it; frozen limits are widened for that.",
    )
    drift_run_length: float = _setting(
        370.0,
        "EWMA and CUSUM of checks give one false signal in so many checks, each, with limits from a baseline counted in.",
    )
    drift_ewma_weight: float = _setting(0.2, "Weight of the newest check in the EWMA.")
    drift_cusum_reference_value: float = _setting(
        0.5, "k of the CUSUM: half the shift of the mean to find, in standard deviations of check means."
    )
    drift_signals_reject: bool = _setting(
        False, "A signal of EWMA or CUSUM counts as a reject of the multi-rule scheme; otherwise it warns."
    )
    precision_level: float = _setting(
        0.997,
        "Part of checks whose standard deviation within stays below its action limit while a meter repeats as well as before.",
    )
    soft_spot_percent: float = _setting(
        20.0,
        "Spots of one part are called uneven from this share of the limits' width on, and at most from the tolerance of block "
        "checks on (our own rule).",
        "%",
    )
    subgroup_size: int = _setting(1, "Consecutive part means in a subgroup; 1 uses the moving range.")
    confidence: float = _setting(0.95, "Level of the coverage of expanded uncertainties.")
    guard_band_probability: float = _setting(
        0.0,
        "Guarded rule: probability of conforming that a value must reach where the specification states none "
        "(ISO 14253-1:2017 uses 0.95); 0 makes the guard band the expanded uncertainty.",
    )
    thickness_allowance_percent: float = _setting(
        0.0, "Half width of what thickness may still do to a value, in percent of it; enters every budget.", "%"
    )
    lift_off_allowance_percent: float = _setting(
        0.0, "Half width of what coating and lift-off may still do to a value, in percent; enters every budget.", "%"
    )
    apply_bias_line: bool = _setting(
        False, "Take the bias of the line over a meter's blocks off the values of a lot that lies between the blocks."
    )
    certificate_correlation: float = _setting(
        0.0,
        "Correlation between certificates of blocks that name the same `certificate_chain`; 0 takes them as independent.",
    )
    plausible_range_ms_per_m: tuple[float, float] = _setting(
        DEFAULT_PLAUSIBLE_RANGE_MS_PER_M, "Readings outside are refused as impossible.", "MS/m"
    )
    plausible_range_decision: str = _setting(
        "", "Who decided on a wider plausible range, and why; needed if it is wider."
    )
    plausible_temperature_c: tuple[float, float] = _setting(
        (-10.0, 60.0), "A metal temperature outside is not believed: the reading gets no value at the reference.", "°C"
    )
    earliest_clock_year: int = _setting(
        2010,
        "A clock before this year has lost its battery (common practice, no source): readings are kept and counted as "
        "clock_unknown; those on blocks are in no check, a lot with such readings is not supported.",
    )
    working_temperature_c: tuple[float, float] = _setting(
        (0.0, 40.0), "Working range of the meters; outside, the reading is flagged (common practice, no source).", "°C"
    )
    block_part_difference_c: float = _setting(
        3.0, "Block and part further apart than this are flagged (MIL-STD-1537C 5.1.2).", "°C"
    )
    temperature_sources: str = _setting(
        "internal external",
        "Sources of temperature that count as that of the metal, separated by spaces; a reading with another one is flagged.",
    )
    temperature_age_minutes: float = _setting(
        15.0, "A temperature taken longer before its reading is flagged (common practice, no source).", "min"
    )
    sensor_tolerance_c: float = _setting(
        0.5,
        "Largest error of a sensor check that passes, where the check names none (common practice, no source).",
        "°C",
    )
    sensor_check_interval_days: float = _setting(
        0.0, "Longest time between the checks of a temperature sensor; 0 asks for none.", "d"
    )
    sensor_failures_hold: bool = _setting(
        False, "A lot read with a sensor between its last good check and a failed one is held, not only flagged."
    )
    penetration_multiple: float = _setting(
        2.6, "Standard depths of penetration that metal must be thick (ASTM E1004, from memory)."
    )
    flat_from_radius_mm: float = _setting(
        250.0, "A larger radius counts as flat for every probe (common practice, no source).", "mm"
    )
    largest_correction_iacs: float = _setting(
        5.0, "A larger correction for geometry is refused: use another frequency (MIL-STD-1537C 4.4.3).", "%IACS"
    )
    blocks_must_bracket: bool = _setting(
        False,
        "A lot is held unless the blocks checked before and after it bracket its level (MIL-STD-1537C 4.1.1).",
    )
    bracketing_blocks: int = _setting(3, "Blocks that must lie near the level where `blocks_must_bracket`.")
    bracketing_span_iacs: float = _setting(10.0, "How far such a block may lie from the level.", "%IACS")
    supplier_baseline_lots: int = _setting(
        8, "First lots of a supplier and material that freeze the limits of its lot means."
    )
    review_due_days: float = _setting(60.0, "The monthly review lists what is due within so many days.", "d")
    ppk_asked: float = _setting(1.33, "Ppk that a supplier's interval is compared with (common practice, no source).")
    process_streams: str = _setting(
        "product line supplier",
        "What tells one stream of lots from another in process charts: some of product, line, supplier.",
    )
    process_subgroups: str = _setting("lot", "Subgroups of part means in process charts: lot, time or part.")
    process_subgroup_hours: float = _setting(8.0, "Length of a subgroup by time, counted from local midnight.", "h")
    process_spread: str = _setting(
        "standard_deviation", "Spread within subgroups in process charts: standard_deviation or range."
    )
    process_limits: str = _setting(
        "between",
        "Variation that makes the limits of subgroup means: between (lots may differ by nature) or within.",
    )
    process_baseline_subgroups: int = _setting(
        8, "First subgroups of a stream that make its provisional limits until a baseline is named."
    )
    process_patterns: str = _setting(
        "beyond-limit same-side rising-falling", "Pattern rules of process charts, by their ids (ISO 7870-2)."
    )
    pattern_points: dict[str, int] = _setting(
        {}, "Points of single pattern rules where your edition differs: [pattern_points] same-side = 8"
    )
    process_ewma_weight: float = _setting(0.2, "Weight of the newest subgroup in the EWMA of process charts.")
    process_ewma_width: float = _setting(
        2.962, "Limits of that EWMA in standard deviations; 2.962 goes with 0.2 (Lucas and Saccucci 1990)."
    )
    study_limits_percent: tuple[float, float] = _setting(
        (10.0, 30.0),
        "Share of a gauge in study variation or tolerance: up to the first it is usable, above the second not "
        "(common practice, no source).",
        "%",
    )
    size_cap_mb: int = _setting(4096, "A larger file is refused before it is read.", "MB")
    busy_wait_seconds: float = _setting(10.0, "How long to wait for a history that another process holds.", "s")
    page_processes: int = _setting(0, "How many processes write pages where there are many; 0 takes one a core.")
    watch_folders: tuple[str, ...] = _setting(
        (), "Folders that `watch` looks at besides the inbox, relative to the workspace or whole, network shares too."
    )
    watch_settle_seconds: float = _setting(
        3.0, "A file is taken when its size and time have held still for this long; more for slow copies.", "s"
    )
    watch_overdue_at: str = _setting(
        "*/30 * * * *",
        "When `watch` looks for overdue checks and sends what waits, as five cron fields in the site's zone.",
    )
    watch_review_at: str = _setting(
        "0 6 1 * *", "When `watch` writes the review of the month before, as five cron fields in the site's zone."
    )
    watch_verify_at: str = _setting(
        "30 3 * * 0",
        "When `watch` verifies the whole record, as five cron fields in the site's zone; loading waits for it. Empty: never.",
    )
    alert_targets: tuple[str, ...] = _setting(
        (), "Where alerts go, as Apprise addresses; `${NAME}` stands for an environment variable, for what is secret."
    )
    alert_repeat_hours: float = _setting(
        8.0, "An alert that still stands is sent again after this long; 0 means never.", "h"
    )
    alert_most_per_hour: int = _setting(
        6, "No more messages than this in an hour; what is left goes with the next one."
    )
    alert_silence_hours: float = _setting(
        24.0, "`watch` alerts when no file has arrived for this long; 0 means never.", "h"
    )
    pages_address: str = _setting(
        "", "Address under which the pages are served, for links in alerts; empty means their place on the disk."
    )
    site: str = _setting(
        "", "Name of the site in its company, for what it publishes: letters, digits and . _ -, never changed again."
    )
    publish_to: str = _setting(
        "", "Where packages for the company go: a folder, or s3://BUCKET/PREFIX; empty: nothing is published."
    )
    publish_minutes: float = _setting(15.0, "`watch` publishes at most this often.", "min")
    network_history_decision: str = _setting(
        "", "Who decided that the history may lie on a network or sync folder, and why; needed if it does."
    )
    language: str = _setting("en", "Language of the pages; any but en takes its texts from texts/LANGUAGE.toml.")
    paper: str = _setting("A4", "Paper of PDFs: A4 or Letter.")
    folders: dict[str, str] = _setting({}, 'Layout by folder: [folders] "inbox/line1" = "layout-name"')

    @property
    def zone(self) -> ZoneInfo:
        """The site's zone."""
        return ZoneInfo(self.time_zone)


@dataclass(frozen=True)
class Workspace:
    """A folder with its settings, and where its parts live."""

    root: Path
    settings: Settings

    @property
    def reference(self) -> Path:
        """Reference tables (CSV)."""
        return self.root / "reference"

    @property
    def layouts(self) -> Path:
        """Layouts of exports (TOML)."""
        return self.root / "layouts"

    @property
    def inbox(self) -> Path:
        """Where exports arrive."""
        return self.root / "inbox"

    @property
    def archive(self) -> Path:
        """Raw files as they came, by hash."""
        return self.root / "archive"

    @property
    def history(self) -> Path:
        """The history's file."""
        return self.root / "history" / "annealog.duckdb"

    @property
    def pages(self) -> Path:
        """The reports."""
        return self.root / "pages"

    @property
    def flow_home(self) -> Path:
        """Home of the embedded flow server."""
        return self.root / ".flows"


def _typed(name: str, value: Any, default: Any) -> Any:
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
        low, high = (_typed(name, item, 0.0) for item in value)
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


def read_settings(text: str, where: str = SETTINGS_FILE) -> Settings:
    """Read the text of an `annealog.toml`.

    Parameters
    ----------
    text
        TOML.
    where
        Name for messages.

    Raises
    ------
    SettingsError
        Names the file, the key and what was expected; for an unknown key the nearest known one.
    """
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{where} is no valid TOML: {error}.") from None
    known = [f.name for f in fields(Settings)]
    values: dict[str, Any] = {}
    defaults = Settings()
    wrong: list[tuple[str, str]] = []
    for name, value in document.items():
        if name not in known:
            hint = nearest(name, known) or f". Known keys: {', '.join(known)}."
            wrong.append((name, f"unknown key {name!r}{hint}"))
            continue
        try:
            values[name] = _typed(name, value, getattr(defaults, name))
        except SettingsError as error:
            wrong.append((name, str(error)))
    settings = Settings(**values)
    wrong += [(re.split(r"\W", text)[0], text) for text in _contradictions(settings)]
    if wrong:
        raise SettingsError(all_of([f"{where}{_line_of(name, text)}: {what}" for name, what in wrong], where))
    return settings


def _line_of(name: str, text: str) -> str:
    """Say in which line of a TOML text a key or table stands, as it is usually written; else nothing."""
    written = re.compile(rf"\s*\[?\s*{re.escape(name)}\s*[=.\]]")
    return next((f", line {n}" for n, line in enumerate(text.split("\n"), start=1) if written.match(line)), "")


def _contradictions(settings: Settings) -> Iterator[str]:
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


@overload
def find_folder(start: Path) -> Path: ...
@overload
def find_folder(start: Path, *, needed: bool) -> Path | None: ...
def find_folder(start: Path, *, needed: bool = True) -> Path | None:
    """Return the folder of a workspace: a folder itself or the nearest parent that holds `annealog.toml`.

    Parameters
    ----------
    start
        Where to begin.
    needed
        There must be one.

    Raises
    ------
    SettingsError
        If there is none and one is needed.
    """
    start = start.resolve()
    for folder in (start, *start.parents):
        if (folder / SETTINGS_FILE).is_file():
            return folder
    if not needed:
        return None
    raise SettingsError(
        f"No {SETTINGS_FILE} in {start} or above. Make a workspace with 'annealog init {start}' "
        "or name one with --workspace DIR."
    )


def find_workspace(start: Path) -> Workspace:
    """Return the workspace of a folder: itself or the nearest parent that holds `annealog.toml`.

    Raises
    ------
    SettingsError
        If there is none, or its settings are wrong.
    EnvironmentProblem
        If the file cannot be read.
    """
    folder = find_folder(start)
    path = folder / SETTINGS_FILE
    return Workspace(folder, read_settings(settings_text(path), str(path)))


def settings_text(path: Path) -> str:
    """Return the text of a file of settings.

    Raises
    ------
    EnvironmentProblem, SettingsError
        If it cannot be read, or is not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise EnvironmentProblem(f"Cannot read {path}: {error.strerror}.") from None
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path} is not UTF-8: byte {error.start}.") from None
