"""Means and deviations by level, against single readings and plain loops. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.statistics.descriptive import NestedSummary, nested, pooled_deviation

START = datetime(2026, 3, 2, 6, tzinfo=UTC)


def unbalanced(seed: int = 5, lots: int = 6) -> pl.DataFrame:
    """Readings of several lots with unequal numbers of parts, spots and repeats."""
    rng = np.random.default_rng(seed)
    rows = []
    for lot in range(lots):
        for part in range(int(rng.integers(1, 6))):
            level = rng.normal(35, 0.4)
            for spot in range(int(rng.integers(1, 4))):
                place = level + rng.normal(0, 0.1)
                rows += [
                    (f"L{lot}", f"P{part}", f"S{spot}", place + rng.normal(0, 0.05))
                    for _ in range(int(rng.integers(1, 5)))
                ]
    return pl.DataFrame(rows, schema=["lot", "part", "spot", "value"], orient="row").with_columns(
        measured_at=pl.Series([START + timedelta(seconds=7 * i) for i in range(len(rows))])
    )


def test_pooling() -> None:
    found = pooled_deviation([0.3, 0.4, 9.0], [2, 6, 0])
    assert found.standard_deviation == pytest.approx(np.sqrt((2 * 0.09 + 6 * 0.16) / 8), rel=1e-15)
    assert found.degrees_of_freedom == 8
    nothing = pooled_deviation([0.0, 0.0], [0, 0])
    assert nothing.standard_deviation is None
    assert nothing.reason is not None
    with pytest.raises(ValueError, match="degrees of freedom"):
        pooled_deviation([0.1], [1, 2])
    with pytest.raises(ValueError, match="not negative"):
        pooled_deviation([-0.1], [1])


def by_loops(frame: pl.DataFrame) -> dict[str, dict[str, float | None]]:
    """The same figures, one lot and one spot at a time, with numpy and scipy."""
    result: dict[str, dict[str, float | None]] = {}
    for (lot,), rows in frame.group_by("lot"):
        part_means, ss, df, ss_spots, df_spots, spots = [], 0.0, 0, 0.0, 0, 0
        for _, part in rows.group_by("part"):
            cells = [cell["value"].to_numpy() for _, cell in part.group_by("spot")]
            means = [cell.mean() for cell in cells]
            part_means.append(float(np.mean(means)))
            ss += sum(((cell - cell.mean()) ** 2).sum() for cell in cells)
            df += sum(cell.size - 1 for cell in cells)
            everything = np.concatenate(cells)
            ss_spots += sum(cell.size * (m - everything.mean()) ** 2 for cell, m in zip(cells, means, strict=True))
            df_spots += len(cells) - 1
            spots += len(cells)
        ratio = ss_spots / df_spots / (ss / df) if df and df_spots else None
        result[str(lot)] = {
            "readings": rows.height,
            "parts": len(part_means),
            "spots": spots,
            "mean": float(np.mean(part_means)),
            "standard_deviation": float(np.std(part_means, ddof=1)) if len(part_means) > 1 else None,
            "minimum": min(part_means),
            "maximum": max(part_means),
            "repeatability": np.sqrt(ss / df) if df else None,
            "repeatability_degrees_of_freedom": df,
            "spot_degrees_of_freedom": df_spots,
            "spot_f_ratio": ratio,
            "spot_p_value": None if ratio is None else float(stats.f.sf(ratio, df_spots, df)),
        }
    return result


def test_all_lots_at_once_agree_with_loops() -> None:
    frame = unbalanced()
    wanted = by_loops(frame)
    found = nested(frame).lot_values
    assert found["lot"].to_list() == sorted(wanted)
    assert found["standard_deviation"].null_count() + found["spot_f_ratio"].null_count() > 0
    for row in found.iter_rows(named=True):
        for name, number in wanted[row["lot"]].items():
            if number is None:
                assert row[name] is None, (row["lot"], name)
            else:
                assert row[name] == pytest.approx(number, rel=1e-9), (row["lot"], name)
        assert (row["spot_f_ratio"] is None) == (row["spot_reason"] is not None)
        assert (row["repeatability"] is None) == (row["repeatability_reason"] is not None)


def equal(first: NestedSummary, second: NestedSummary) -> bool:
    return all(
        getattr(first, name).equals(getattr(second, name)) for name in ("spot_values", "part_values", "lot_values")
    )


def test_the_order_of_rows_changes_no_bit() -> None:
    frame = unbalanced()
    first = nested(frame)
    for seed in range(5):
        assert equal(first, nested(frame.sample(fraction=1.0, shuffle=True, seed=seed)))
    # exported means of the same value, which differ in their counts, or in their deviations
    rng = np.random.default_rng(4)
    n = 60
    means = pl.DataFrame(
        {
            "lot": ["L"] * n, "part": ["P"] * n, "spot": ["s"] * n, "measured_at": [START] * n, "value": rng.choice([35.1, 35.2, 35.3], n),
            "count": rng.integers(2, 9, n), "standard_deviation": np.round(rng.uniform(0.01, 0.2, n), 2),
        }
    )  # fmt: skip
    for given in (means.drop("standard_deviation"), means, means.with_columns(count=3)):
        first = nested(given)
        for seed in range(8):
            assert equal(first, nested(given.sample(fraction=1.0, shuffle=True, seed=seed)))


def test_exported_means_stand_for_their_single_readings() -> None:
    frame = unbalanced(seed=8)
    # the first two readings of every spot that has them come as one mean of two
    numbered = frame.with_columns(repeat=pl.int_range(pl.len()).over("lot", "part", "spot"))
    several = numbered.with_columns(size=pl.len().over("lot", "part", "spot"))
    joined = several.filter((pl.col("repeat") < 2) & (pl.col("size") > 1))
    exported = joined.group_by("lot", "part", "spot").agg(
        pl.col("value").mean(),
        pl.col("value").std().alias("standard_deviation"),
        pl.col("measured_at").min(),
        count=pl.len().cast(pl.Int64),
    )
    single = several.filter(~((pl.col("repeat") < 2) & (pl.col("size") > 1))).select(
        "lot",
        "part",
        "spot",
        "value",
        "measured_at",
        standard_deviation=pl.lit(None, pl.Float64),
        count=pl.lit(None, pl.Int64),
    )
    mixed = nested(pl.concat([exported.select(single.columns), single]))
    plain = nested(frame)
    assert exported.height > 5
    for name in ("lot_values", "part_values", "spot_values"):
        a, b = getattr(mixed, name), getattr(plain, name)
        assert a.columns == b.columns
        for column, dtype in b.schema.items():
            if dtype == pl.Float64:
                assert a[column].is_null().to_list() == b[column].is_null().to_list()
                assert np.allclose(a[column].drop_nulls(), b[column].drop_nulls(), rtol=1e-8, atol=1e-13), (
                    name,
                    column,
                )
            else:
                assert a[column].to_list() == b[column].to_list(), (name, column)


def test_an_exported_mean_without_deviation_counts_as_one_value_of_its_weight() -> None:
    frame = pl.DataFrame(
        {
            "lot": ["L"] * 2, "part": ["P"] * 2, "spot": ["S"] * 2, "value": [30.0, 31.0], "count": [1, 3],
            "standard_deviation": [None, None], "measured_at": [START, START],
        },
        schema_overrides={"standard_deviation": pl.Float64},
    )  # fmt: skip
    spot = nested(frame).spot_values.row(0, named=True)
    assert spot["mean"] == pytest.approx(30.75)
    assert spot["readings"] == 4
    assert spot["df_within"] == 1
    # Σ count·(x − mean)² has the expectation of one degree of freedom
    assert spot["ss_within"] == pytest.approx(0.75**2 + 3 * 0.25**2)


def test_order_is_by_time_and_unnamed_parts_are_parts() -> None:
    frame = pl.DataFrame(
        {
            "lot": ["L"] * 4, "part": ["9", "10", None, "9"], "spot": [None] * 4, "value": [1.0, 2.0, 3.0, 5.0],
            "measured_at": [START + timedelta(hours=h) for h in (3, 1, 2, 4)],
        },
        schema_overrides={"spot": pl.String},
    )  # fmt: skip
    summary = nested(frame)
    assert summary.part_values["part"].to_list() == ["10", None, "9"]
    assert summary.part_values["order"].to_list() == [1, 2, 3]
    assert summary.part_values["mean"].to_list() == [2.0, 3.0, 3.0]
    assert summary.spot_values["part_order"].to_list() == [1, 2, 3]
    assert summary.lot_values["parts"][0] == 3


def test_first_row_with_no_name_at_all() -> None:
    frame = pl.DataFrame(
        {
            "lot": [None, "L"],
            "part": [None, "P"],
            "spot": [None, "S"],
            "value": [1.0, 2.0],
            "measured_at": [START, START],
        }
    )
    assert nested(frame).lot_values["mean"].to_list() == [2.0, 1.0]


def test_repeats_that_never_differ() -> None:
    frame = pl.DataFrame(
        {
            "lot": ["L"] * 4, "part": ["P"] * 4, "spot": ["a", "a", "b", "b"], "value": [35.1, 35.1, 35.3, 35.3],
            "measured_at": [START] * 4,
        }
    )  # fmt: skip
    row = nested(frame).lot_values.row(0, named=True)
    assert row["repeatability"] == 0.0
    assert row["spot_f_ratio"] is None
    assert "never differ" in row["spot_reason"]
    # 0.1 three times has a mean beside 0.1 in binary digits, and differs by nothing all the same
    alike = pl.DataFrame(
        {"lot": "L", "part": "P", "spot": ["a", "b", "c"], "value": [0.1] * 3, "measured_at": [START] * 3}
    )
    assert nested(alike).lot_values["spot_mean_square"].to_list() == [0.0]


def test_nothing_and_nonsense() -> None:
    frame = unbalanced()
    assert nested(frame.clear()).lot_values.height == 0
    with pytest.raises(ValueError, match="finite numbers only"):
        nested(frame.with_columns(value=pl.lit(float("nan"))))
    with pytest.raises(ValueError, match="finite numbers only"):
        nested(frame.with_columns(value=pl.lit(None, pl.Float64)))


def of_meters(*rows: tuple[str, str | None, float]) -> pl.DataFrame:
    """Readings of one spot of one part: meter, probe, value."""
    return pl.DataFrame(
        [
            {"lot": "L", "part": "1", "spot": "1", "meter": meter, "probe": probe, "value": value, "measured_at": i}
            for i, (meter, probe, value) in enumerate(rows)
        ],
        schema_overrides={"probe": pl.String},
    )


def test_what_two_meters_differ_on_a_spot_is_no_repeatability() -> None:
    single = nested(of_meters(("M1", None, 58.0), ("M2", None, 58.4)), instrument=("meter", "probe")).lot_values
    assert single["repeatability"].to_list() == [None]
    assert single["repeatability_degrees_of_freedom"].to_list() == [0]
    assert "twice by one meter" in single["repeatability_reason"][0]
    assert single["mean"].to_list() == [58.2]
    rows = [("M1", None, 58.0), ("M2", None, 58.4), ("M1", None, 58.02), ("M2", None, 58.46), ("M2", None, 58.43)]
    found = nested(of_meters(*rows), instrument=("meter", "probe"))
    # 0.02²/2 by M1 on one degree of freedom, 0.0018 by M2 on two
    assert found.lot_values["repeatability"].item() == pytest.approx(((0.0002 + 0.0018) / 3) ** 0.5)
    assert found.lot_values["repeatability_degrees_of_freedom"].item() == 3
    spot = found.spot_values.row(0, named=True)
    together = nested(of_meters(*rows)).spot_values.row(0, named=True)
    assert (spot["mean"], spot["readings"]) == (together["mean"], together["readings"])
    assert together["df_within"] == 4


def test_probes_of_one_meter_are_instruments_too_and_one_probe_is_not() -> None:
    rows = [("M1", "P1", 58.0), ("M1", "P2", 58.4), ("M1", None, 58.3)]
    assert nested(of_meters(*rows), instrument=("meter", "probe")).lot_values["repeatability"].item() is None
    assert nested(of_meters(*rows), instrument=("meter",)).lot_values["repeatability_degrees_of_freedom"].item() == 2


def test_instruments_part_the_readings_of_every_spot_as_loops_do() -> None:
    frame = unbalanced(seed=21).with_columns(
        meter=pl.Series([f"M{i % 3}" for i in range(unbalanced(seed=21).height)]).cast(pl.Categorical)
    )
    found = nested(frame, instrument=("meter",))
    squares = frame.group_by("lot", "part", "spot", "meter").agg(
        ((pl.col("value") - pl.col("value").mean()) ** 2).sum().alias("ss"), (pl.len() - 1).alias("df")
    )
    wanted = squares.group_by("lot").agg(pl.col("ss").sum(), pl.col("df").sum()).sort("lot")
    assert found.lot_values["repeatability_degrees_of_freedom"].to_list() == wanted["df"].to_list()
    expected = [None if df == 0 else (ss / df) ** 0.5 for ss, df in wanted.select("ss", "df").iter_rows()]
    for got, want in zip(found.lot_values["repeatability"].to_list(), expected, strict=True):
        assert got == (None if want is None else pytest.approx(want, rel=1e-9))
    for name in ("mean", "standard_deviation", "spots"):
        assert found.lot_values[name].equals(nested(frame).lot_values[name])
    assert equal(found, nested(frame.sample(fraction=1.0, shuffle=True, seed=3), instrument=("meter",)))
