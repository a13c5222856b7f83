"""Pages of processes and suppliers for tests of the reports. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
from sample_texts import DAY, HOSTILE, provenance, text_or_hostile

from pipeline.questions.over_time.processes import POINTS
from pipeline.questions.over_time.streams import analyse_stream, chart_rules
from pipeline.workspace.settings import Settings
from schemas.processes import ProcessPage, ProcessResult
from schemas.suppliers import CertificateAgreement, Peer, SupplierMaterial, SupplierPage, SupplierResult

__all__ = ["process_pages", "stream_frames", "supplier_pages"]

END = DAY + timedelta(hours=16)


def stream_frames(
    count: int,
    *,
    seed: int = 1,
    shift: float = 0.0,
    after: int = 0,
    parts: int = 5,
    hostile: bool = False,
    suspended: int | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return subgroups and lots of one stream; the level shifts by so much after so many, M2 is suspended after so many."""
    rng = np.random.default_rng(seed)
    values = 58.4 + 0.1 * rng.normal(size=(count, 1)) + 0.15 * rng.normal(size=(count, parts))
    values[after:] += shift
    names = [text_or_hostile(hostile, f"L-{3000 + n}", n) for n in range(count)]
    subgroups = pl.DataFrame(
        {
            "subgroup": names,
            "at": [DAY - timedelta(days=count - n) for n in range(count)],
            "parts": pl.Series([parts] * count, dtype=pl.Int64),
            "mean": values.mean(1),
            "standard_deviation": values.std(1, ddof=1) if parts > 1 else np.zeros(count),
            "range": np.ptp(values, axis=1),
            "judged": [n != 2 for n in range(count)],
            "lots": names,
            "suspended": ["M2" if suspended is not None and n >= suspended else "" for n in range(count)],
        },
        schema_overrides={"at": pl.Datetime("us", "UTC")},
    )
    lots = subgroups.select(
        pl.col("subgroup").alias("lot"),
        "mean",
        "standard_deviation",
        "parts",
        pl.lit(57.0).alias("lower"),
        pl.lit(None, pl.Float64).alias("upper"),
        pl.when("judged").then(pl.lit("supported")).otherwise(pl.lit("suspect")).alias("support"),
    )
    return subgroups, lots


def _streams(
    keys: list[dict[str, str | None]], counts: list[int], *, hostile: bool = False, **given: Any
) -> tuple[list[Any], pl.DataFrame]:
    results, points = [], []
    for place, (key, count) in enumerate(zip(keys, counts, strict=True)):
        subgroups, lots = stream_frames(count, seed=place, hostile=hostile, **given)
        result, charted = analyse_stream(key, subgroups, lots, [], Settings(), first=8, by="lot")
        results.append(result)
        points.append(charted.with_columns(pl.lit(place, pl.Int64).alias("stream")).select(POINTS))
    return results, pl.concat(points)


def _process(name: str, counts: list[int], *, hostile: bool = False, **given: Any) -> ProcessPage:
    keys: list[dict[str, str | None]] = [
        {"product": name, "supplier": text_or_hostile(hostile, f"Supplier {n}", n)} for n in range(len(counts))
    ]
    streams, points = _streams(keys, counts, hostile=hostile, **given)
    states = ("out_of_control", "watch", "in_control", "not_assessed")
    state = next(s for s in states if any(stream.state == s for stream in streams))
    result = ProcessResult(
        process=name,
        kind="product",
        state=state,
        reasons=HOSTILE if hostile else tuple(f"{stream.name}: {stream.reasons[0]}" for stream in streams),
        subgroups_by="lot",
        limits_from="between",
        spread="standard_deviation",
        patterns=tuple((r.id, r.title.format(n=n), r.source) for r, n in chart_rules(Settings()).patterns),
        streams=tuple(streams),
        unit="MS/m",
        reference_temperature_c=20.0,
        as_of=END,
    )
    return ProcessPage(result, points, provenance(hostile=hostile))


def process_pages() -> dict[str, ProcessPage]:
    """Return processes by the case they stand for."""
    return {
        "shifted": _process("copper bar", [30], shift=-0.8, after=20),
        "calm": _process("plate", [24, 5]),
        "many": _process("strip", [12] * 8 + [400]),
        "single parts": _process("rod", [14], parts=1),
        "hostile": _process(HOSTILE[1], [len(HOSTILE)], hostile=True, shift=2.0, after=12),
    }


def _supplier(
    name: str, counts: list[int], *, hostile: bool = False, certified: bool = True, **given: Any
) -> SupplierPage:
    materials = [text_or_hostile(hostile, f"CU-{n}", n + 4) for n in range(len(counts))]
    streams, points = _streams([{"supplier": name, "material": m} for m in materials], counts, hostile=hostile, **given)
    found, frames = [], []
    for place, (material, stream) in enumerate(zip(materials, streams, strict=True)):
        subgroups, _ = stream_frames(counts[place], seed=place, hostile=hostile, **given)
        level = Peer(
            name, stream.subgroups, stream.parts, stream.mean, (58.3, 58.5), stream.between_standard_deviation,
            stream.within_standard_deviation, stream.ppk, stream.ppk_interval, {},
        )  # fmt: skip
        other = Peer(text_or_hostile(hostile, "Another", 0), 6, 30, 58.2, (58.0, 58.4), 0.1, 0.2, 1.2, (0.9, 1.5), {})
        rng = np.random.default_rng(place)
        errors = rng.normal(size=stream.subgroups)
        missing = pl.lit(None, pl.Float64)
        frames.append(
            subgroups.select(
                pl.lit(place, pl.Int64).alias("material"),
                pl.col("subgroup").alias("lot"),
                pl.col("at").alias("first_at"),
                pl.Series(
                    "verdict", (["accept", "hold", "reject", "not_assessed"] * stream.subgroups)[: stream.subgroups]
                ),
                pl.lit("supported").alias("support"),
                "parts",
                "mean",
                "standard_deviation",
                pl.lit(1.4).alias("ppk"),
                pl.lit(HOSTILE[2] if hostile else "C-1").alias("certificate"),
                (pl.col("mean") - 0.1 if certified else missing).alias("certified"),
                pl.lit(0.2).alias("certified_expanded"),
                (pl.Series(0.1 * errors) if certified else missing).alias("difference"),
                (pl.Series(errors) if certified else missing).alias("normalised_error"),
            )
        )
        certificates = (
            CertificateAgreement(
                stream.subgroups, stream.subgroups, 0.1, (0.05, 0.15), 0.1, (-0.1, 0.3), stream.subgroups, 1.6,
                HOSTILE[:3] if hostile else tuple(frames[-1].filter(pl.col("normalised_error").abs() > 1)["lot"]),
            )
            if certified
            else CertificateAgreement(stream.subgroups, 0, None, None, None, None, 0, None, (), "no lot has a certificate")
        )  # fmt: skip
        found.append(
            SupplierMaterial(
                material, stream.subgroups, 5, 2, 1, 0, ("capable", "not_capable", "undecided", "not_assessed")[place % 4],
                1.33, level, 57.0, None, stream, certificates, -0.01, (-0.03, 0.01), None,
                (other, level) if certified else (level,),
            )
        )  # fmt: skip
    result = SupplierResult(
        supplier=name, state=streams[0].state if streams else "not_assessed",
        reasons=HOSTILE if hostile else ("CU-0: In control.",), from_=None if certified else DAY, to=None, first_at=DAY,
        last_at=END, lots=sum(counts), accepted=5, held=2, rejected=1, not_assessed=0, materials=tuple(found), unit="MS/m",
        reference_temperature_c=20.0, as_of=END,
    )  # fmt: skip
    return SupplierPage(result, pl.concat(frames), points, provenance(hostile=hostile))


def supplier_pages() -> dict[str, SupplierPage]:
    """Return suppliers by the case they stand for."""
    return {
        "shifted": _supplier("Example Copper", [30], shift=-0.8, after=20),
        "several": _supplier("Example Rolling", [12, 9, 26, 4]),
        "without certificates": _supplier("Example Mill", [10], certified=False),
        "hostile": _supplier(HOSTILE[3], [len(HOSTILE)], hostile=True),
    }
