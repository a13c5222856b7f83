"""The same analysis as a straightforward script: pandas for the tables, SciPy for the statistics.

Written from the definitions alone, as a competent colleague would write it, and without a line of the product, so it is a
measure of speed and an independent check at once. It reads the neutral export and the reference tables and gives the
verdict and the figures of each lot: what the whole table can do at once in pandas, the statistics of a lot in a loop. It
leaves out what the product does besides: control limits and their rules, drift, most flags, conflicts, exported means,
versions of reference tables, and the reasons in words.

    python tests/benchmark/baseline_pandas.py WORKSPACE EXPORT
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache
from math import exp, lgamma, pi, sqrt
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, stats

MS_PER_M_OF_100_IACS = 58.0
REFERENCE_C = 20.0
TOLERANCE_MS_PER_M = 0.5 * MS_PER_M_OF_100_IACS / 100
CHECK_GAP = pd.Timedelta(minutes=10)
RUN_GAP = pd.Timedelta(minutes=60)
INTERVAL = pd.Timedelta(hours=8)
D2_OF_TWO = 2 / sqrt(pi)
ENOUGH_CHECKS = 6
"""With fewer checks since the setting, the meter's accuracy statement stands for its error between checks."""


@dataclass
class Reference:
    """The reference tables that the analysis needs."""

    meters: pd.DataFrame
    blocks: pd.DataFrame
    materials: pd.DataFrame
    specifications: pd.DataFrame
    lots: pd.DataFrame


def read_reference(folder: Path) -> Reference:
    """Read the tables of a workspace's reference folder."""
    names = ("meters", "blocks", "materials", "specifications", "lots")
    return Reference(**{name: pd.read_csv(folder / f"{name}.csv") for name in names})


def read_readings(path: Path) -> pd.DataFrame:
    """Read a neutral export."""
    frame = pd.read_csv(path, dtype={"lot": "str", "part": "str", "spot": "str", "block": "str"})
    frame["measured_at"] = pd.to_datetime(frame["measured_at"], format="ISO8601", utc=True)
    return frame


def in_ms_per_m(value: pd.Series, unit: pd.Series) -> pd.Series:
    return value.where(unit == "MS/m", value * MS_PER_M_OF_100_IACS / 100)


def add_value_at_reference(readings: pd.DataFrame, reference: Reference) -> pd.DataFrame:
    """Correct every reading from the metal's temperature to 20 °C, in MS/m."""
    of_lot = readings["lot"].map(reference.lots.set_index("lot")["material"])
    of_block = readings["block"].map(reference.blocks.set_index("block")["material"])
    material = of_lot.fillna(of_block)
    by_material = reference.materials.set_index("material")
    model = material.map(by_material["temperature_model"])
    coefficient = material.map(by_material["coefficient"])
    value = in_ms_per_m(readings["value"], readings["unit"])
    difference = readings["temperature_c"] - REFERENCE_C
    slope = coefficient.where(model != "proportional", coefficient / MS_PER_M_OF_100_IACS)
    corrected = np.select(
        [readings["temperature_state"] == "at_reference", model == "linear"],
        [value, value * (1 + coefficient * difference)],
        1 / (1 / value - slope * difference),
    )
    return readings.assign(value_at_reference=corrected)


@cache
def moving_range_freedom(n: int) -> float:
    """Degrees of freedom of the mean moving range of n values: those of the scaled chi with the same relative variance."""
    # of a single range |X − Y|, and of two that share a value, in units of σ²
    variance = 2 - 4 / pi
    covariance = 2 * sqrt(3) / pi + 1 / 3 - 4 / pi
    ranges = n - 1
    wanted = (ranges * variance + 2 * (ranges - 1) * covariance) / ranges**2 / D2_OF_TWO**2
    return float(optimize.brentq(lambda nu: 1 / c4(nu) ** 2 - 1 - wanted, 0.1, 10 * n, xtol=1e-12, rtol=1e-14))


@cache
def c4(nu: float) -> float:
    return sqrt(2 / nu) * exp(lgamma((nu + 1) / 2) - lgamma(nu / 2))


def capability(means: np.ndarray, lower: float, upper: float) -> dict[str, float]:
    """Return Cp, Cpk, Pp, Ppk with 95 % intervals; NaN where a limit or the variation is missing."""
    n = len(means)
    mean = means.mean()
    found: dict[str, float] = {"mean": mean, "minimum": means.min(), "maximum": means.max()}
    overall = means.std(ddof=1) if n > 1 else np.nan
    within = np.abs(np.diff(means)).mean() / D2_OF_TWO if n > 1 else np.nan
    found["standard_deviation"] = overall
    nu_within = moving_range_freedom(n) if n > 1 else np.nan
    z = stats.norm.ppf(0.975)
    for two_sided, nearest, s, nu, scale in (
        ("cp", "cpk", within, nu_within, c4(nu_within) if n > 1 else np.nan),
        ("pp", "ppk", overall, n - 1, 1.0),
    ):
        index = (upper - lower) / (6 * s)
        found[two_sided] = index
        found[f"{two_sided}_low"] = index / scale * sqrt(stats.chi2.ppf(0.025, nu) / nu)
        found[f"{two_sided}_high"] = index / scale * sqrt(stats.chi2.ppf(0.975, nu) / nu)
        near = np.nanmin([upper - mean, mean - lower]) / (3 * s)
        half = z * sqrt(1 / (9 * n) + near**2 / (2 * nu))
        found[nearest], found[f"{nearest}_low"], found[f"{nearest}_high"] = near, near - half, near + half
    return found


def number_events(readings: pd.DataFrame) -> pd.DataFrame:
    """Put each meter's readings in order and count the part readings and the settings before each."""
    stream = readings.sort_values(["meter", "measured_at", "sequence"])
    return stream.assign(
        parts_before=(stream["role"] == "part").groupby(stream["meter"]).cumsum(),
        settings_before=(stream["role"] == "setting").groupby(stream["meter"]).cumsum(),
    )


def find_checks(stream: pd.DataFrame, reference: Reference) -> pd.DataFrame:
    """Group the block readings into checks and runs of checks; say of each check whether it passed."""
    checks = stream[stream["role"] == "block"]
    moved = (
        (checks["meter"] != checks["meter"].shift())
        | (checks["parts_before"] != checks["parts_before"].shift())
        | (checks["settings_before"] != checks["settings_before"].shift())
        | (checks["measured_at"].diff() >= RUN_GAP)
    )
    new_check = moved | (checks["block"] != checks["block"].shift()) | (checks["measured_at"].diff() >= CHECK_GAP)
    checks = checks.assign(run=moved.cumsum(), check=new_check.cumsum())
    by_check = checks.groupby(["meter", "settings_before", "run", "check", "block"], as_index=False).agg(
        mean=("value_at_reference", "mean"), first_at=("measured_at", "min"), last_at=("measured_at", "max")
    )
    blocks = reference.blocks.set_index("block")
    certified = in_ms_per_m(blocks["certified_value"], blocks["unit"])
    by_check["certified"] = by_check["block"].map(certified)
    by_check["bias"] = by_check["mean"] - by_check["certified"]
    by_check["passes"] = by_check["bias"].abs() <= TOLERANCE_MS_PER_M * (1 + 1e-9)
    return by_check


def find_runs(checks: pd.DataFrame) -> pd.DataFrame:
    """A run of checks passes when every check in it passes."""
    return checks.groupby(["meter", "run"], as_index=False).agg(
        first_at=("first_at", "min"), last_at=("last_at", "max"), passed=("passes", "all")
    )


def error_of_meters(checks: pd.DataFrame, reference: Reference) -> pd.DataFrame:
    """Say for each check what it and those of its block before it, since the last setting, tell of the meter."""
    blocks = reference.blocks.set_index("block")
    followed = [pd.DataFrame({"bias": [], "between": [], "share": [], "stretch": []})]
    certificate = in_ms_per_m(blocks["expanded_uncertainty"], blocks["unit"]) / blocks["coverage_factor"]
    checks = checks.sort_values("last_at")
    for _, bias in checks.groupby(["meter", "settings_before", "block"])["bias"]:
        followed.append(follow_level(bias))
    level = pd.concat([one for one in followed if len(one)])
    return checks[["meter", "block", "last_at", "certified"]].assign(
        drift_a_day=drift_a_day(checks, level["stretch"]),
        checked_at=checks["last_at"],
        checks=checks.groupby(["meter", "settings_before", "block"]).cumcount() + 1,
        bias=level["bias"],
        between=level["between"],
        share=level["share"],
        certificate=checks["block"].map(certificate),
    )


def follow_level(bias: pd.Series) -> pd.DataFrame:
    """Follow the level of a meter on one block: local level, weight 0.2 in the long run, begun again after a step."""
    moves = 0.2**2 / 0.8
    rows = [(bias.iloc[0], np.nan, 1.0 + moves, 0)]
    level, share, stretch = bias.iloc[0], 1.0, 0
    squares: list[float] = []
    for value in bias.iloc[1:]:
        variance = 1.0 + share + moves
        square = (value - level) ** 2 / variance
        if squares and square > stats.t.ppf(0.9985, len(squares)) ** 2 * np.mean(squares):
            level, share, stretch = value, 1.0, stretch + 1
        else:
            share = (share + moves) / variance
            level = level + share * (value - level)
        squares.append(square)
        rows.append((level, np.sqrt(np.mean(squares)), share + moves, stretch))
    return pd.DataFrame(rows, index=bias.index, columns=["bias", "between", "share", "stretch"])


def drift_a_day(checks: pd.DataFrame, stretch: pd.Series) -> pd.Series:
    """Return a 95 % bound of the trend of the bias between steps, by the checks of its block since the setting up to each."""
    bounds = [pd.Series(dtype=float)]
    for _, of_block in checks.groupby(["meter", "settings_before", "block"]):
        days = (of_block["last_at"] - of_block["last_at"].iloc[0]) / pd.Timedelta(days=1)
        own = pd.DataFrame({"t": days, "y": of_block["bias"]})
        begun = np.zeros(3)
        sums = np.zeros((len(own), 3))
        for _, part in own.groupby(stretch[own.index].to_numpy()):
            n = np.arange(1, len(part) + 1)
            t, y = part["t"], part["y"]
            so_far = np.column_stack(
                [(a * b).cumsum() - a.cumsum() * b.cumsum() / n for a, b in ((t, t), (t, y), (y, y))]
            )
            sums[own.index.get_indexer(part.index)] = begun + so_far
            begun = begun + so_far[-1]
        spread, cross, whole = sums.T
        freedom = np.arange(1, len(own) + 1) - stretch[own.index].to_numpy() - 2
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = cross / spread
            rest = np.maximum(whole - slope * cross, 0) / freedom
            bound = np.abs(slope) + stats.t.ppf(0.975, np.maximum(freedom, 1)) * np.sqrt(rest / spread)
        usable = (freedom >= ENOUGH_CHECKS - 2) & (spread > np.arange(1, len(own) + 1) / 24**2)
        bounds.append(pd.Series(np.where(usable, bound, np.nan), index=own.index))
    return pd.concat([bound for bound in bounds if len(bound)])


def expanded_uncertainty(lot: dict[str, float]) -> float:
    """Return the expanded uncertainty of a lot mean: GUM, Welch-Satterthwaite, 95 %; the known bias is added."""
    contributions = [
        (lot["repeatability"] / sqrt(lot["readings"]), lot["repeatability_freedom"]),
        (lot["certificate"], np.inf),
        (lot["resolution_ms_per_m"] / sqrt(12), np.inf),
    ]
    if lot["checks"] >= ENOUGH_CHECKS:
        contributions.append((lot["between"], lot["checks"] - 1))
        contributions.append((lot["between"] * sqrt(lot["share"]), lot["checks"] - 1))
        if lot["drift_a_day"] == lot["drift_a_day"]:
            since = max((lot["last_read"] - lot["checked_at"]) / pd.Timedelta(days=1), 0.0)
            contributions.append((lot["drift_a_day"] * since / sqrt(3), np.inf))
    else:
        contributions.append((lot["mean"] * lot["accuracy_percent"] / 100 / sqrt(3), np.inf))
    combined = sqrt(sum(u**2 for u, _ in contributions))
    freedom = combined**4 / sum(u**4 / nu for u, nu in contributions)
    return float(stats.t.ppf(0.975, np.floor(freedom + 1e-9))) * combined + abs(lot["bias"])


def uncertainties(lots: pd.DataFrame, series: pd.DataFrame, reference: Reference) -> pd.Series:
    """Return the expanded uncertainty of each lot mean, by what was known of the meter when its closing run began.

    Of the blocks checked by then, the one nearest to the lot mean tells.
    """
    lots = lots.reset_index().merge(reference.meters, on="meter")
    lots["resolution_ms_per_m"] = in_ms_per_m(lots["resolution"], lots["unit"])
    lots = lots.rename(columns={"last_at": "last_read"}).sort_values("until")
    near = pd.concat(
        [
            pd.merge_asof(
                lots, of_block, left_on="until", right_on="last_at", by="meter", allow_exact_matches=False
            ).dropna(subset="certified")
            for _, of_block in series.groupby("block")
        ]
    )
    near["distance"] = (near["certified"] - near["mean"]).abs()
    near = near.sort_values(["lot", "distance", "block"]).drop_duplicates("lot")
    return pd.Series({row["lot"]: expanded_uncertainty(row) for row in near.to_dict("records")})


SUPPORT = ("suspect", "unsupported", "open", "supported")


def place_between_runs(parts: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Add to each part reading the last run of its meter before it and the first one after it."""
    before = runs.rename(columns={"last_at": "before_at", "passed": "before_passed"})
    after = runs.rename(columns={"first_at": "after_at", "passed": "after_passed"})
    placed = parts[["lot", "meter", "measured_at"]].sort_values("measured_at")
    placed = pd.merge_asof(
        placed,
        before[["meter", "before_at", "before_passed"]].sort_values("before_at"),
        left_on="measured_at",
        right_on="before_at",
        by="meter",
    )
    return pd.merge_asof(
        placed,
        after[["meter", "after_at", "after_passed"]].sort_values("after_at"),
        left_on="measured_at",
        right_on="after_at",
        by="meter",
        direction="forward",
    )


def support_of_lots(placed: pd.DataFrame, as_of: pd.Timestamp) -> pd.Series:
    """Return the support of each lot: the worst of its readings."""
    failed = placed["before_passed"].eq(False) | placed["after_passed"].eq(False)
    too_old = placed["before_at"].isna() | (placed["measured_at"] - placed["before_at"] > INTERVAL)
    missing = placed["after_at"].isna()
    waiting = missing & (as_of - placed["measured_at"] <= INTERVAL)
    too_late = (missing & ~waiting) | (placed["after_at"] - placed["measured_at"] > INTERVAL)
    rank = np.select([failed, too_old | too_late, waiting], [0, 1, 2], 3)
    worst = pd.Series(rank).groupby(placed["lot"]).min()
    return worst.map(dict(enumerate(SUPPORT)))


def rounding_steps(rule: str | float) -> float:
    """Return how many steps a unit has after rounding (half_up:1 gives 10); NaN where nothing is rounded."""
    return 10.0 ** int(rule.rpartition(":")[2]) if isinstance(rule, str) and rule != "none" else np.nan


def limits_met(spots: pd.DataFrame, lots: pd.DataFrame) -> pd.Series:
    """Say of each lot whether every spot mean lies within the limits, in the unit of the specification."""
    lots = lots.assign(steps=lots["rounding"].map(rounding_steps))
    table = spots.join(lots[["lower", "upper", "unit", "steps"]], on="lot")
    value = table["mean"].where(table["unit"] == "MS/m", table["mean"] * 100 / MS_PER_M_OF_100_IACS)
    value = value.where(table["steps"].isna(), np.floor(value * table["steps"] + 0.5 + 1e-9) / table["steps"])
    slack = 1e-10 * value
    inside = ~(value < table["lower"] - slack) & ~(value > table["upper"] + slack)
    return inside.groupby(table["lot"]).all()


def add_variation_inside_parts(lots: pd.DataFrame, spots: pd.DataFrame) -> None:
    """Add repeatability, and the F test of the spots of a part against it."""
    freedom = spots["readings"] - 1
    squares = (freedom * spots["deviation"] ** 2).groupby(spots["lot"]).sum()
    lots["repeatability_freedom"] = freedom.groupby(spots["lot"]).sum()
    lots["repeatability"] = np.sqrt(squares / lots["repeatability_freedom"])
    keys = [spots["lot"], spots["part"]]
    mean_of_part = (spots["mean"] * spots["readings"]).groupby(keys).transform("sum") / spots.groupby(["lot", "part"])[
        "readings"
    ].transform("sum")
    between = (spots["readings"] * (spots["mean"] - mean_of_part) ** 2).groupby(spots["lot"]).sum()
    between_freedom = spots.groupby("lot").size() - spots.groupby("lot")["part"].nunique()
    ratio = between / between_freedom / lots["repeatability"] ** 2
    p_values = {
        lot: stats.f.sf(ratio[lot], between_freedom[lot], lots.at[lot, "repeatability_freedom"]) for lot in lots.index
    }
    lots["spot_p_value"] = pd.Series(p_values)


def analyse(readings: pd.DataFrame, reference: Reference) -> pd.DataFrame:
    """Return one row a lot: verdict, support, limits_met, readings, parts and the figures of capability."""
    as_of = readings["measured_at"].max()
    readings = add_value_at_reference(readings, reference)
    parts = readings[readings["role"] == "part"]

    spots = (
        parts.groupby(["lot", "part", "spot"])
        .agg(
            mean=("value_at_reference", "mean"),
            deviation=("value_at_reference", "std"),
            readings=("value_at_reference", "size"),
            first_at=("measured_at", "min"),
        )
        .reset_index()
    )
    by_part = (
        spots.groupby(["lot", "part"])
        .agg(mean=("mean", "mean"), spots=("mean", "size"), first_at=("first_at", "min"))
        .reset_index()
        .sort_values(["lot", "first_at", "part"])
    )
    lots = reference.lots.merge(reference.specifications.drop(columns="material"), on="specification").set_index("lot")
    to_ms_per_m = np.where(lots["unit"] == "MS/m", 1.0, MS_PER_M_OF_100_IACS / 100)
    lower, upper = lots["lower"] * to_ms_per_m, lots["upper"] * to_ms_per_m
    figures = {}
    for lot, means in by_part.groupby("lot")["mean"]:
        figures[lot] = capability(means.to_numpy(), lower.get(lot, np.nan), upper.get(lot, np.nan))
    result = pd.DataFrame.from_dict(figures, orient="index")
    result.index.name = "lot"

    result["readings"] = parts.groupby("lot").size()
    result["parts"] = by_part.groupby("lot").size()
    add_variation_inside_parts(result, spots)
    apart = spots.groupby(["lot", "part"])["mean"].agg(lambda means: means.max() - means.min())
    # a fifth of the limits' width, at most the tolerance of checks; two steps of the display are less here
    size = ((upper - lower) * 0.2).fillna(TOLERANCE_MS_PER_M).clip(upper=TOLERANCE_MS_PER_M)
    result["soft"] = (result["spot_p_value"] < 1e-4) & (apart.groupby("lot").max() >= size.reindex(result.index))
    checks = find_checks(number_events(readings), reference)
    placed = place_between_runs(parts, find_runs(checks))
    result["support"] = support_of_lots(placed, as_of)
    of_lot = placed.groupby("lot").agg(
        meter=("meter", "first"), last_at=("measured_at", "max"), after_at=("after_at", "max")
    )
    of_lot["until"] = of_lot[["after_at", "last_at"]].max(axis="columns")
    result["expanded_uncertainty"] = uncertainties(
        result.join(of_lot[["meter", "last_at", "until"]]), error_of_meters(checks, reference), reference
    )
    result["limits_met"] = limits_met(spots, lots)
    plan = lots.reindex(result.index)
    planned = (
        (result["parts"] >= plan["parts"])
        & (by_part.groupby("lot")["spots"].min() >= plan["spots"])
        & (spots.groupby("lot")["readings"].min() >= plan["repeats"])
        & parts.groupby("lot")["value_at_reference"].count().eq(result["readings"])
        & (plan["lower"].notna() | plan["upper"].notna())
    )
    supported = result["support"] == "supported"
    result["verdict"] = np.select(
        [~planned, result["limits_met"] & supported, supported], ["not_assessed", "accept", "reject"], "hold"
    )
    return result


if __name__ == "__main__":
    found = analyse(read_readings(Path(sys.argv[2])), read_reference(Path(sys.argv[1]) / "reference"))
    print(found.to_string())
