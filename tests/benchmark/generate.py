"""Invented readings of any number for benchmarks: a neutral export, and the workspace that goes with it.

Three kinds of lots, read part by part, spot by spot, some times over. Every meter reads a few lots, then both blocks, so that
a run of checks stands before and after each lot, well within eight hours. One meter in two writes %IACS, the others MS/m;
values are those at the metal's own temperature, which rises over the shift. The same arguments give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["REPEATS", "SPOTS", "write_readings", "write_workspace"]

SPOTS, REPEATS = 4, 3
"""Spots on a part, and repeats on a spot; what does not fill a part is read again on the first parts of the lot."""

_MS_PER_M_OF_100_IACS = 58.0
_READINGS_OF_CHECK = 5
_SECONDS_BETWEEN = 4
_SECONDS_HANDLING = 40
_LOTS_BETWEEN_CHECKS = 4
_LONGEST_SESSION_S = 2 * 3600
_LONGEST_SHIFT_S = 9 * 3600
_DAYS_BETWEEN_SETTINGS = 30
_START = np.datetime64("2022-01-03T05:00:00", "ms")
"""So early that the last of 20 million readings lies in the past: with readings still to come, what is said now holds for seconds."""
_SETTING, _BLOCK, _PART = range(3)


@dataclass(frozen=True, slots=True)
class _Material:
    name: str
    model: str
    coefficient: float


@dataclass(frozen=True, slots=True)
class _Product:
    name: str
    material: str
    level_ms_per_m: float
    specification: str
    lower: float
    upper: float | None
    unit: str
    rounding: str


@dataclass(frozen=True, slots=True)
class _ReferenceBlock:
    name: str
    material: str
    certified_value: float
    unit: str
    expanded_uncertainty: float

    @property
    def ms_per_m(self) -> float:
        return self.certified_value * (1.0 if self.unit == "MS/m" else _MS_PER_M_OF_100_IACS / 100)


# invented coefficients of the usual size, so that each model of temperature is used
_MATERIALS = (
    _Material("copper", "proportional", 0.00393),
    _Material("aluminium strip", "constant_slope", 0.000114),
    _Material("aluminium plate", "linear", 0.0021),
)
_PRODUCTS = (
    _Product("copper bar", "copper", 58.2, "S-COPPER", 99.1, 101.6, "%IACS", "none"),
    _Product("aluminium strip", "aluminium strip", 33.0, "S-STRIP", 32.7, 33.3, "MS/m", "half_up:1"),
    _Product("aluminium plate", "aluminium plate", 18.0, "S-PLATE", 30.7, None, "%IACS", "none"),
)
_BLOCKS = (
    _ReferenceBlock("B-COPPER", "copper", 58.0, "MS/m", 0.15),
    _ReferenceBlock("B-PLATE", "aluminium plate", 31.0, "%IACS", 0.15),
)
# standard deviations as a share of the level
_BETWEEN_LOTS, _BETWEEN_PARTS, _BETWEEN_SPOTS, _REPEATABILITY = 0.0025, 0.0025, 0.0004, 0.001


def _lot_names(lots: int, before: int = 0) -> list[str]:
    return [f"L{number:06d}" for number in range(before + 1, before + lots + 1)]


def _meter_names(meters: int) -> list[str]:
    return [f"M-{number}" for number in range(1, meters + 1)]


def _unit_of_meter(meter: int) -> str:
    return "%IACS" if meter % 2 else "MS/m"


@dataclass(frozen=True, slots=True)
class _Segments:
    """Stretches of readings without a pause: one lot, one check, one setting."""

    meter: NDArray[np.int64]
    kind: NDArray[np.int64]
    target: NDArray[np.int64]  # lot or block
    count: NDArray[np.int64]
    start: NDArray[np.int64]  # seconds from the beginning
    failed: NDArray[np.bool_]
    parts: int  # parts of every lot


def _sessions(readings: int, lots: int, meters: int) -> tuple[list[tuple[int, int, list[int]]], int]:
    """Return (meter, day, lots) of each session between two runs of checks, and how many fit into a shift."""
    longest = (readings // lots + 1) * _SECONDS_BETWEEN + _SECONDS_HANDLING
    if longest > _LONGEST_SHIFT_S - _LONGEST_SESSION_S:
        raise ValueError(f"{readings} readings in {lots} lots: a lot would take more than a shift; ask for more lots")
    together = min(_LOTS_BETWEEN_CHECKS, max(1, _LONGEST_SESSION_S // longest))
    check = len(_BLOCKS) * (_READINGS_OF_CHECK * _SECONDS_BETWEEN + _SECONDS_HANDLING)
    a_shift = max(1, _LONGEST_SHIFT_S // (together * longest + check))
    found = []
    for number, first in enumerate(range(0, lots, together)):
        meter, place = number % meters, number // meters
        found.append((meter, place // a_shift, list(range(first, min(first + together, lots)))))
    return sorted(found, key=lambda session: session[:2]), together


def _segments(readings: int, lots: int, meters: int, failed_runs: int, rng: np.random.Generator) -> _Segments:
    sessions, _ = _sessions(readings, lots, meters)
    rows: list[tuple[int, int, int, int, int]] = []  # meter, kind, target, run, day
    runs = 0
    for place, (meter, day, members) in enumerate(sessions):
        before = sessions[place - 1] if place else None
        after = sessions[place + 1] if place + 1 < len(sessions) else None
        first_of_shift = before is None or before[:2] != (meter, day)
        if first_of_shift and day % _DAYS_BETWEEN_SETTINGS == 0:
            rows += [(meter, _SETTING, block, -1, day) for block in range(len(_BLOCKS))]
        rows += [(meter, _BLOCK, block, runs, day) for block in range(len(_BLOCKS))]
        rows += [(meter, _PART, lot, -1, day) for lot in members]
        runs += 1
        if after is None or after[:2] != (meter, day):
            rows += [(meter, _BLOCK, block, runs, day) for block in range(len(_BLOCKS))]
            runs += 1
    meter, kind, target, run, day = np.array(rows, dtype=np.int64).T
    count = np.full(len(rows), _READINGS_OF_CHECK)
    of_lots = readings - int(count[kind != _PART].sum())
    parts = of_lots // lots // (SPOTS * REPEATS)
    if parts < 2:
        raise ValueError(f"{readings} readings in {lots} lots leave less than two parts a lot; ask for fewer lots")
    more = of_lots - of_lots // lots * lots
    count[kind == _PART] = of_lots // lots + (target[kind == _PART] < more)
    length = count * _SECONDS_BETWEEN + _SECONDS_HANDLING
    new_shift = np.append(True, (meter[1:] != meter[:-1]) | (day[1:] != day[:-1]))
    before_segment = np.cumsum(length) - length
    start = day * 86_400 + before_segment - np.maximum.accumulate(np.where(new_shift, before_segment, 0))
    failing = rng.choice(runs, size=failed_runs, replace=False)
    return _Segments(meter, kind, target, count, start, np.isin(run, failing) & (target == 0) & (kind == _BLOCK), parts)


def _at_metal(at_20_c: NDArray[np.float64], difference_c: NDArray[np.float64], material: int) -> NDArray[np.float64]:
    """Carry values at 20 °C to the metal's temperature."""
    model, coefficient = _MATERIALS[material].model, _MATERIALS[material].coefficient
    if model == "linear":
        return at_20_c / (1 + coefficient * difference_c)
    slope = coefficient / _MS_PER_M_OF_100_IACS if model == "proportional" else coefficient
    return at_20_c / (1 + slope * difference_c * at_20_c)


def _levels(
    segments: _Segments, of: NDArray[np.int64], place: NDArray[np.int64], rng: np.random.Generator, lots_before: int
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return, for each reading, the value at 20 °C in MS/m, the material, the part and the spot (0 for a block)."""
    kind, target = segments.kind[of], segments.target[of]
    is_part = kind == _PART
    whole = segments.parts * SPOTS * REPEATS
    extra = place - whole
    part = np.where(extra < 0, place // (SPOTS * REPEATS), extra // SPOTS % segments.parts)
    spot = np.where(extra < 0, place // REPEATS % SPOTS, extra % SPOTS)
    names = [material.name for material in _MATERIALS]
    of_product = np.array([names.index(product.material) for product in _PRODUCTS])
    of_block = np.array([names.index(block.material) for block in _BLOCKS])
    product = (target + lots_before) % len(_PRODUCTS)
    block = np.where(is_part, 0, target)
    material = np.where(is_part, of_product[product], of_block[block])
    level = np.array([p.level_ms_per_m for p in _PRODUCTS])[product]
    lots = int(target[is_part].max()) + 1
    lot = np.where(is_part, target, 0)
    shift = rng.normal(0, _BETWEEN_LOTS, lots)[lot]
    shift += rng.normal(0, _BETWEEN_PARTS, (lots, segments.parts))[lot, np.where(is_part, part, 0)]
    shift += rng.normal(0, _BETWEEN_SPOTS, (lots, segments.parts, SPOTS))[lot, np.where(is_part, part, 0), spot]
    certified = np.array([b.ms_per_m for b in _BLOCKS])[block]
    value = np.where(is_part, level * (1 + shift), certified)
    value = value * (1 + rng.normal(0, _REPEATABILITY, value.size))
    return np.where(segments.failed[of], value + 0.8, value), material, part, spot


def write_readings(
    path: Path,
    readings: int,
    lots: int,
    *,
    meters: int = 3,
    seed: int = 20250106,
    failed_runs: int = 0,
    offset_hours: int = 1,
    lots_before: int = 0,
    days_before: int = 0,
) -> int:
    """Write a neutral export; return how many days it takes, so that another one can go on behind it.

    Parameters
    ----------
    path
        Where to write it.
    readings
        Lines of readings, checks and settings included.
    lots
        Lots among which they are divided.
    meters
        Meters that take turns.
    seed
        Of the random numbers.
    failed_runs
        Runs of checks in which the first block reads 0.8 MS/m too high; by default all checks pass.
    offset_hours
        Offset from UTC in which the times are written; 0 writes a Z.
    lots_before, days_before
        What exports before this one hold. The counters of the meters begin anew.

    Raises
    ------
    ValueError
        If the readings cannot be divided so.
    """
    rng = np.random.default_rng(seed)
    segments = _segments(readings, lots, meters, failed_runs, rng)
    of = np.repeat(np.arange(segments.count.size), segments.count)
    place = np.arange(of.size) - np.repeat(np.cumsum(segments.count) - segments.count, segments.count)
    seconds = segments.start[of] + place * _SECONDS_BETWEEN
    value, material, part, spot = _levels(segments, of, place, rng, lots_before)
    hour = seconds % 86_400 / 3600
    temperature = np.round(18.5 + 0.7 * hour + rng.normal(0, 0.15, of.size), 1)
    for number in range(len(_MATERIALS)):
        here = material == number
        value[here] = _at_metal(value[here], temperature[here] - 20.0, number)
    meter = segments.meter[of]
    in_iacs = np.isin(meter, [m for m in range(meters) if _unit_of_meter(m) == "%IACS"])
    value = np.round(np.where(in_iacs, value * 100 / _MS_PER_M_OF_100_IACS, value), 2)
    kind, target = segments.kind[of], segments.target[of]
    is_part = kind == _PART
    # one counter a meter, in the order of its readings
    sequence = np.empty(of.size, dtype=np.int64)
    for number in range(meters):
        here = np.flatnonzero(meter == number)
        sequence[here] = np.arange(1, here.size + 1)
    order = np.lexsort((meter, seconds))

    def words(codes: NDArray[np.int64], names: list[str], where: NDArray[np.bool_] | None = None) -> pl.Series:
        chosen = pl.Series(names).gather(np.where(where, codes, 0) if where is not None else codes)
        return chosen if where is None else pl.select(pl.when(pl.Series(where)).then(chosen)).to_series()

    suffix = "Z" if offset_hours == 0 else f"{offset_hours:+03d}:00"
    start = _START + np.timedelta64(days_before * 24 + offset_hours, "h")
    local = pl.Series(start + (1000 * seconds).astype("timedelta64[ms]"))
    frame = pl.DataFrame(
        {
            "measured_at": local.dt.to_string(f"%Y-%m-%dT%H:%M:%S{suffix}"),
            "meter": words(meter, _meter_names(meters)),
            "role": words(kind, ["setting", "block", "part"]),
            "lot": words(target, _lot_names(lots, lots_before), is_part),
            "part": words(part + 1, [str(n) for n in range(segments.parts + 1)], is_part),
            "spot": words(spot + 1, [str(n) for n in range(SPOTS + 1)], is_part),
            "block": words(target, [block.name for block in _BLOCKS], ~is_part),
            "sequence": sequence,
            "value": value,
            "unit": words(in_iacs.astype(np.int64), ["MS/m", "%IACS"]),
            "temperature_c": temperature,
        }
    )
    frame[order].with_columns(temperature_state=pl.lit("at_metal")).write_csv(path)
    return int(segments.start.max()) // 86_400 + 1


def write_workspace(folder: Path, lots: int, *, meters: int = 3) -> None:
    """Write the settings and the reference tables that go with the readings of so many lots and meters.

    Parameters
    ----------
    folder
        Of the workspace; made if it is not there.
    lots, meters
        As for :func:`write_readings`.
    """
    reference = folder / "reference"
    reference.mkdir(parents=True, exist_ok=True)
    for name in ("layouts", "inbox"):
        (folder / name).mkdir(exist_ok=True)
    (folder / "annealog.toml").write_text('name = "Benchmark"\n', encoding="utf-8")
    tables: dict[str, list[dict[str, object]]] = {
        "meters": [
            {"meter": name, "accuracy_percent": 0.5, "resolution": 0.01, "unit": _unit_of_meter(number)}
            for number, name in enumerate(_meter_names(meters))
        ],
        "blocks": [
            {
                "block": block.name, "material": block.material, "certified_value": block.certified_value,
                "unit": block.unit, "expanded_uncertainty": block.expanded_uncertainty, "coverage_factor": 2,
                "certificate": f"C-{block.name}",
            }
            for block in _BLOCKS
        ],
        "materials": [
            {
                "material": material.name, "temperature_model": material.model, "coefficient": material.coefficient,
                "source": "invented for the benchmark",
            }
            for material in _MATERIALS
        ],
        "specifications": [
            {
                "specification": product.specification, "material": product.material, "lower": product.lower,
                "upper": product.upper, "unit": product.unit, "rounding": product.rounding, "parts": 2,
                "spots": SPOTS, "repeats": REPEATS,
            }
            for product in _PRODUCTS
        ],
        "lots": [
            {
                "lot": name, "product": product.name, "material": product.material,
                "specification": product.specification, "supplier": f"supplier {number % 7}",
            }
            for number, name in enumerate(_lot_names(lots))
            for product in [_PRODUCTS[number % len(_PRODUCTS)]]
        ],
        "suppliers": [{"supplier": f"supplier {number}"} for number in range(7)],
    }  # fmt: skip
    for name, rows in tables.items():
        pl.DataFrame(rows, infer_schema_length=None).write_csv(reference / f"{name}.csv")
