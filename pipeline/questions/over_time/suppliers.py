"""What lots say of their suppliers over a period: verdicts, level, capability, certificates, changes, and the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.metrology.units import convert
from pipeline.near import nearest
from pipeline.questions.over_time.lot_series import lots_frame, subgroups_of
from pipeline.questions.over_time.processes import POINTS, STATES, judged_in_words
from pipeline.questions.over_time.streams import analyse_stream, named_baselines
from pipeline.questions.provenance import PageContext
from pipeline.statistics.agreement import agreement, normalised_errors
from pipeline.statistics.between_lots import lots_together
from pipeline.statistics.trend import slope
from schemas.digits import counted
from schemas.suppliers import CertificateAgreement, Peer, SupplierMaterial, SupplierPage, SupplierResult
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Settings, Workspace
    from schemas.processes import StreamResult

__all__ = ["supplier_names", "supplier_pages", "suppliers"]

_LEAST_FOR_SLOPE = 8
_SECONDS_IN_30_DAYS = 30 * 86400.0
_VERDICTS = {"accepted": "accept", "held": "hold", "rejected": "reject", "not_assessed": "not_assessed"}


def supplier_names(assessment: Assessment) -> list[str]:
    """Return the suppliers whose lots were read."""
    return assessment.columns_of_lots(["supplier"])["supplier"].drop_nulls().unique().sort().to_list()


def suppliers(
    assessment: Assessment,
    events: Sequence[Event],
    names: Iterable[str] | None = None,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> dict[str, tuple[SupplierResult, pl.DataFrame, pl.DataFrame]]:
    """Report on suppliers.

    Parameters
    ----------
    assessment
        With all lots.
    events
        For named baselines.
    names
        Suppliers; None means all.
    start, end
        Period by the first reading of a lot; None means no limit.

    Returns
    -------
    dict
        Name -> result, lots and points as :class:`SupplierPage` describes them; sorted by name.

    Raises
    ------
    UsageError
        If no lot of a supplier was read.
    """
    known = supplier_names(assessment)
    wanted = known if names is None else sorted(set(names))
    for name in wanted:
        if name not in known:
            raise UsageError(
                f"No lot of supplier {name!r} was read. Known: {', '.join(known) or 'none'} (column supplier of "
                f"reference/lots.csv){nearest(name, known)}"
            )
    every = _with_certificates(
        lots_frame(assessment).filter(pl.col("supplier").is_not_null()).with_columns(pl.col("material").fill_null("")),
        assessment,
    )
    if end is not None:
        every = every.filter(pl.col("first_at") <= end)
    inside = every if start is None else every.filter(pl.col("first_at") >= start)
    named = named_baselines(events, assessment.as_of)
    peers = _peers(inside)
    history = {
        str(key[0]): lots for key, lots in every.partition_by("supplier", as_dict=True, maintain_order=True).items()
    }
    found: dict[str, tuple[SupplierResult, pl.DataFrame, pl.DataFrame]] = {}
    for name in wanted:
        own = history.get(name, every.clear()).sort("material", "first_at", "lot", nulls_last=True)
        materials: list[SupplierMaterial] = []
        shown, points = [], []
        for key, lots in own.partition_by("material", as_dict=True, maintain_order=True).items():
            material = str(key[0])
            of_period = lots if start is None else lots.filter(pl.col("first_at") >= start)
            subgroups = subgroups_of(assessment, lots, streams=(), by="lot", hours=24.0)
            if not subgroups.height or not of_period.height:
                continue
            found_material, charted = _material(
                name, material, of_period, lots, subgroups, peers.get(material, {}), named, assessment.settings
            )
            place = pl.lit(len(materials), pl.Int64)
            points.append(charted.with_columns(place.alias("stream")))
            shown.append(of_period.with_columns(place.alias("material")))
            materials.append(found_material)
        result = _result(
            name, materials, own if start is None else own.filter(pl.col("first_at") >= start), start, end, assessment
        )
        found[name] = (
            result,
            pl.concat(shown).select(_LOTS) if shown else pl.DataFrame(),
            pl.concat(points).select(POINTS) if points else pl.DataFrame(),
        )
    return found


_LOTS = [
    "material", "lot", "first_at", "verdict", "support", "parts", "mean", "standard_deviation", "ppk", "certificate",
    "certified", "certified_expanded", "difference", "normalised_error",
]  # fmt: skip


def _with_certificates(lots: pl.DataFrame, assessment: Assessment) -> pl.DataFrame:
    """Add what the mill states for each lot, in the working unit, the difference of the lot's mean from it, and Eₙ.

    Where a lot has several certificates, the first by number stands for it.
    """
    unit = assessment.settings.unit
    table = version_at(assessment.tables["mill_certificates"], ["lot", "certificate"], assessment.as_of)
    rows = []
    for row in table.filter(pl.col("value").is_not_null() & pl.col("unit").is_not_null()).iter_rows(named=True):
        value = convert(row["value"], row["unit"], unit)
        # the same part of the value, exactly where units are proportional, to first order where one is a resistivity
        expanded = None
        if row["expanded_uncertainty"] is not None and row["coverage_factor"] is not None:
            expanded = value * row["expanded_uncertainty"] / row["value"] * 2.0 / row["coverage_factor"]
        rows.append((row["lot"], row["certificate"], value, expanded))
    certificates = pl.DataFrame(
        rows,
        schema={"lot": pl.String, "certificate": pl.String, "certified": pl.Float64, "certified_expanded": pl.Float64},
        orient="row",
    ).unique(subset="lot", keep="first", maintain_order=True)
    lots = lots.join(certificates, on="lot", how="left", maintain_order="left").with_columns(
        (pl.col("mean") - pl.col("certified")).alias("difference"),
        (pl.col("expanded_uncertainty") * 2.0 / pl.col("coverage_factor")).alias("_expanded"),
    )
    both = pl.col("difference").is_not_null() & (pl.col("_expanded").fill_null(0) + pl.col("certified_expanded") > 0)
    both = both & pl.col("_expanded").is_not_null()
    pairs = lots.filter(both)
    errors = normalised_errors(pairs["mean"], pairs["_expanded"], pairs["certified"], pairs["certified_expanded"])
    return lots.join(
        pairs.select("lot", pl.Series("normalised_error", errors, dtype=pl.Float64)),
        on="lot",
        how="left",
        maintain_order="left",
    )


def _limits(lots: pl.DataFrame) -> dict[str, float | None] | None:
    """Return the one pair of limits of some lots; None where they differ."""
    pairs = lots.select("lower", "upper").unique()
    return dict(pairs.row(0, named=True)) if pairs.height == 1 else None


def _peer(supplier: str, lots: pl.DataFrame) -> Peer:
    # a meter that failed its check throws doubt on a lot's level, so such a lot says nothing of its supplier
    usable = lots.filter(pl.col("mean").is_not_null() & (pl.col("support") != "suspect"))
    if not usable.height:
        missing = dict.fromkeys(("mean", "ppk"), "no lot has a mean that can be relied on")
        return Peer(supplier, 0, 0, None, None, None, None, None, None, missing)
    limits = _limits(usable)
    together = lots_together(
        usable["mean"], usable["standard_deviation"].fill_null(0.0) ** 2, usable["parts"],
        lower=(limits or {}).get("lower"), upper=(limits or {}).get("upper"),
    )  # fmt: skip
    missing = dict(together.not_computable)
    if limits is None:
        missing["ppk"] = "the lots have different limits"
    return Peer(
        supplier, together.lots, together.parts, together.mean, together.mean_interval, together.between_standard_deviation,
        together.within_standard_deviation, together.ppk, together.ppk_interval, missing,
    )  # fmt: skip


def _peers(lots: pl.DataFrame) -> dict[str, dict[str, Peer]]:
    """Return, for each material, every supplier of it."""
    found: dict[str, dict[str, Peer]] = {}
    groups = lots.partition_by("material", "supplier", as_dict=True, maintain_order=True)
    for (material, supplier), group in sorted(groups.items(), key=lambda item: str(item[0])):
        found.setdefault(str(material), {})[str(supplier)] = _peer(str(supplier), group)
    return found


def _material(
    name: str,
    material: str,
    of_period: pl.DataFrame,
    lots: pl.DataFrame,
    subgroups: pl.DataFrame,
    peers: dict[str, Peer],
    named: Sequence[Any],
    settings: Settings,
) -> tuple[SupplierMaterial, pl.DataFrame]:
    key = {"supplier": name, "material": material or None}
    charted_lots = lots.filter(pl.col("mean").is_not_null() & pl.col("first_at").is_not_null())
    stream, charted = analyse_stream(
        key, subgroups, charted_lots, named, settings, first=settings.supplier_baseline_lots, by="lot"
    )
    level = peers[name]
    counts = {word: int((of_period["verdict"] == verdict).sum()) for word, verdict in _VERDICTS.items()}
    limits = _limits(of_period.filter(pl.col("mean").is_not_null())) or {}
    trend, interval, reason = _trend(of_period)
    capability, capability_reason = _capability(level, stream, of_period, settings)
    return (
        SupplierMaterial(
            material=material or "not stated",
            lots=of_period.height,
            **counts,
            capability=capability,
            ppk_asked=settings.ppk_asked,
            level=level,
            lower=limits.get("lower"),
            upper=limits.get("upper"),
            stream=stream,
            certificates=_agreement(of_period),
            slope_per_30_days=trend,
            slope_interval=interval,
            slope_reason=reason,
            peers=tuple(peers[other] for other in sorted(peers)),
            capability_reason=capability_reason,
        ),
        charted,
    )


_NOT_STABLE = {
    "out_of_control": "the level is out of control",
    "watch": "the moving average lies beyond its limit, so the level may be changing",
    "not_assessed": "whether the level is in control cannot be judged",
}


def _capability(level: Peer, stream: StreamResult, lots: pl.DataFrame, settings: Settings) -> tuple[str, str | None]:
    """Say whether a supplier is capable, or why not: only a level in control supports such a word, and only one level."""
    if stream.state in _NOT_STABLE:
        return "not_assessed", _NOT_STABLE[stream.state]
    first: Any = lots["first_at"].min()
    inside = [change for change in stream.level_changes if first is not None and change.previous_at >= first]
    if inside:
        when = f"{inside[-1].previous_at.astimezone(settings.zone):%Y-%m-%d} and {inside[-1].at.astimezone(settings.zone):%Y-%m-%d}"
        return "not_assessed", f"the level changed inside the period, between {when}; ask for the time since (--from)"
    if level.ppk is None or level.ppk_interval is None:
        return "not_assessed", level.not_computable.get("ppk", "Ppk has no interval")
    low, high = level.ppk_interval
    asked = settings.ppk_asked
    return "capable" if low >= asked else "not_capable" if high < asked else "undecided", None


def _capability_in_words(material: SupplierMaterial) -> str:
    level, asked = material.level, f"{material.ppk_asked:g}"
    if level.ppk is None or level.ppk_interval is None or material.capability == "not_assessed":
        return f"no capability is concluded, because {material.capability_reason}"
    word = {
        "capable": f"capable, at {asked} or above",
        "not_capable": f"not capable, below {asked}",
        "undecided": f"capability undecided, on both sides of {asked}",
    }[material.capability]
    low, high = level.ppk_interval
    return f"{word}: the 95 % interval of Ppk runs from {low:.2f} to {high:.2f} ({level.lots} lots)"


def _trend(lots: pl.DataFrame) -> tuple[float | None, tuple[float, float] | None, str | None]:
    usable = lots.filter(
        pl.col("mean").is_not_null() & pl.col("first_at").is_not_null() & (pl.col("support") != "suspect")
    )
    if usable.height < _LEAST_FOR_SLOPE:
        return None, None, f"{counted(usable.height, 'lot')}, a slope needs {_LEAST_FOR_SLOPE}"
    seconds = (usable["first_at"] - usable["first_at"][0]).dt.total_microseconds().to_numpy() / 1e6
    line = slope(seconds / _SECONDS_IN_30_DAYS, usable["mean"].to_numpy())
    interval = None if line.low is None or line.high is None else (line.low, line.high)
    return line.slope, interval, line.reason


def _agreement(lots: pl.DataFrame) -> CertificateAgreement:
    pairs = lots.filter(pl.col("difference").is_not_null() & (pl.col("support") != "suspect"))
    found = agreement(pairs["mean"], pairs["certified"])
    errors = pairs.filter(pl.col("normalised_error").is_not_null())
    largest = None
    if errors.height:
        largest = errors.sort(pl.col("normalised_error").abs(), "lot")["normalised_error"][-1]
    reason = found.reason
    if not pairs.height:
        reason = "no lot has both a mean and a certificate (reference/mill_certificates.csv)"
    return CertificateAgreement(
        lots=lots.height,
        pairs=pairs.height,
        mean_difference=found.mean_difference,
        mean_difference_interval=found.interval,
        standard_deviation=found.standard_deviation,
        limits_of_agreement=found.limits,
        normalised_errors=errors.height,
        largest_normalised_error=largest,
        beyond=tuple(errors.filter(pl.col("normalised_error").abs() > 1.0)["lot"].to_list()),
        reason=reason,
    )


def _names(lots: Sequence[str], most: int = 6) -> str:
    return ", ".join(lots[:most]) + (f" and {len(lots) - most} more" if len(lots) > most else "")


def _result(
    name: str,
    materials: list[SupplierMaterial],
    lots: pl.DataFrame,
    start: datetime | None,
    end: datetime | None,
    assessment: Assessment,
) -> SupplierResult:
    settings = assessment.settings
    counts = {word: int((lots["verdict"] == verdict).sum()) for word, verdict in _VERDICTS.items()}
    state = next((s for s in STATES if any(m.stream.state == s for m in materials)), "not_assessed")
    reasons = [
        f"{material.material}: {material.stream.reasons[0]}" for material in materials if material.stream.state == state
    ]
    for material in materials:
        if material.stream.state == "out_of_control" and material.stream.level_changes:
            change = material.stream.level_changes[-1]
            reasons.append(
                f"{material.material}: the level most likely changed between {change.previous_subgroup} "
                f"({change.previous_at.astimezone(settings.zone):%Y-%m-%d}) and {change.subgroup} "
                f"({change.at.astimezone(settings.zone):%Y-%m-%d}), by {change.shift:+.3g} {settings.unit}."
            )
    judged = [material for material in materials if material.stream.state != "not_assessed"]
    reasons += [f"{material.material}: {_capability_in_words(material)}." for material in judged]
    if materials and not judged:
        reasons.append(f"No capability is concluded, because {_NOT_STABLE['not_assessed']}.")
    if counts["rejected"] or counts["held"]:
        waiting = lots.filter(pl.col("verdict").is_in(["reject", "hold"]))["lot"].to_list()
        reasons.append(
            f"{counts['rejected']} of {lots.height} lots are rejected and {counts['held']} on hold: {_names(waiting)}."
        )
    beyond = [lot for material in materials for lot in material.certificates.beyond]
    if beyond:
        reasons.append(f"The mill's certificate disagrees with the incoming readings (|Eₙ| above 1): {_names(beyond)}.")
    if told := judged_in_words([material.stream.state for material in materials], "material"):
        reasons.insert(0 if state == "in_control" else len(reasons), told)
    if not lots.height:
        reasons = ["No lot of this supplier was read in the period."]
    elif not materials:
        reasons.insert(0, "No lot has a mean at the reference temperature, so there is no level to judge.")
    return SupplierResult(
        supplier=name,
        state=state,
        reasons=tuple(reasons),
        from_=start,
        to=end,
        first_at=lots["first_at"].min(),  # type: ignore[arg-type]
        last_at=lots["last_at"].max(),  # type: ignore[arg-type]
        lots=lots.height,
        **counts,
        materials=tuple(materials),
        unit=settings.unit,
        reference_temperature_c=settings.reference_temperature_c,
        as_of=lots["last_at"].max() or assessment.as_of,  # type: ignore[arg-type]
    )


def supplier_pages(
    workspace: Workspace,
    assessment: Assessment,
    history: History,
    sources: pl.DataFrame,
    names: Iterable[str] | None = None,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> Iterable[SupplierPage]:
    """Return the pages of suppliers, by name; the time on a page is that of its last reading."""
    context = PageContext(workspace, assessment, sources)
    parts = assessment.files_of_lots()
    pages = []
    for result, lots, points in suppliers(assessment, history.decisions(), names, start=start, end=end).values():
        shown = points["subgroup"].unique().to_list() if points.width else []
        used = parts.filter(pl.col("lot").is_in(shown))
        pages.append(SupplierPage(result, lots, points, context.provenance(used, result.as_of, result, lots, points)))
    return pages
