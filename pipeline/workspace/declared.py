"""Every setting of a site, with its default, its unit and what it decides."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from schemas.terms import UNITS

__all__ = ["DEFAULT_PLAUSIBLE_RANGE_MS_PER_M", "Settings"]

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
