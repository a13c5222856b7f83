"""What `annealog lot` prints of a lot's details: one line a question."""

from __future__ import annotations

from typing import Any

from schemas.digits import p_in_words

__all__ = ["detail_lines"]

_MOST_RANGES = 5
_CAN_BE = {
    ("high", "low"): "can be aged too long, overheated, quenched too slowly, or a softer temper",
    ("low", "high"): "can be aged less than an over-aged temper asks, a harder temper, or another alloy",
    ("low", "low"): "can be aged too little or not at all, or another alloy or temper",
    ("high", "high"): "can be aged further than the temper asks, or another alloy",
}


def detail_lines(detail: Any, unit: str, factor: float, decimals: int) -> list[str]:
    """Return the lines: order of parts, shape, components, outlying values, plan, materials, groups.

    Parameters
    ----------
    detail
        Document of one lot's details (:class:`schemas.lot_detail.LotDetail`), its keys as attributes.
    unit
        That leads, after multiplication by `factor`.
    factor, decimals
        Of values in the working unit.
    """
    capability = detail.capability
    order, shape = capability.stability, capability.normality
    lines = []
    if order.state == "not_judged":
        lines.append(f"order of parts: not judged, {order.reason}")
    else:
        signals = ", ".join(dict.fromkeys(s.title for s in order.signals if s.decides))
        lines.append(f"order of parts: {order.state}" + (f" ({signals})" if signals else ""))
    if order.independent is False:
        lines.append(
            f"neighbouring parts depend on each other (autocorrelation {order.autocorrelation:.2f}): intervals do not hold"
        )
    if shape.normal is None:
        lines.append(f"normality: not tested, {shape.reason}")
    else:
        lines.append(
            f"normality: {'possible' if shape.normal else 'rejected'} (Anderson-Darling {p_in_words(shape.p_value)})"
        )
    for name in ("quantile_pp", "quantile_ppk"):
        value = capability.quantile[name]
        if value is not None:
            lines.append(
                f"{name.replace('quantile_', '').capitalize()} from quantiles {value:.3g} ({capability.quantile.definition})"
            )
    lines += _intervals(capability.intervals, unit, factor, decimals + 1)
    if capability.indicative:
        lines.append(f"indicative: {capability.subgroups} subgroups, fewer than 25")
    if detail.components is not None:
        shares = [f"{line.level} {line.share:.0%}" for line in detail.components.lines if line.share is not None]
        if shares:
            lines.append("variance inside the lot: " + ", ".join(shares))
    if detail.suspects.values:
        lines.append(f"outlying values: {len(detail.suspects.values)}, shown on the page, none left out")
    if detail.plan is not None:
        plan = detail.plan
        state = (
            "no result, " + (plan.reason or "")
            if plan.accepted is None
            else "accepts"
            if plan.accepted
            else "does not accept"
        )
        lines.append(f"plan by variables: {state}")
    for one in detail.heat_treatment or ():
        where = f"part {', '.join(one.parts)}" if one.parts else "the lot as a whole"
        fitting = "; ".join(" ".join(filter(None, pair)) for pair in one.fitting or ()) or "none of the site's table"
        lines.append(
            f"conductivity too {one.conductivity} with hardness too {one.hardness} ({where}): {_CAN_BE[one.conductivity, one.hardness]}; "
            f"ranges that fit: {fitting}; possibilities only, see the page"
        )
    return lines + _materials(detail.material, unit, factor, decimals)


def _intervals(found: Any, unit: str, factor: float, decimals: int) -> list[str]:
    """Return the intervals that hold, and Cpm where a target is given."""
    lines = []
    if found.mean_interval is not None:
        low, high = (f"{factor * end:.{decimals}f}" for end in found.mean_interval)
        lines.append(f"mean of all such parts: {low} to {high} {unit} (t interval, 95%, n = {found.parts})")
    else:
        lines.append(f"interval of the mean not stated: {found.not_computable['mean_interval']}")
    ends = [
        f"{word} {factor * end:.{decimals}f}"
        for word, end in (("from", found.tolerance_lower), ("to", found.tolerance_upper))
        if end is not None
    ]
    if ends:
        lines.append(f"95% of such parts, with 95% confidence: {' '.join(ends)} {unit} (tolerance interval)")
    else:
        lines.append(f"tolerance interval of the parts not stated: {found.not_computable['tolerance_interval']}")
    if found.cpm is not None:
        low, high = found.cpm_interval
        lines.append(f"Cpm {found.cpm:.2f} ({low:.2f} to {high:.2f}), target {factor * found.target:g} {unit}")
    elif found.target is not None:
        lines.append(f"Cpm not stated: {found.not_computable['cpm']}")
    return lines


def _share(probability: float) -> str:
    return "more than 99%" if probability >= 0.995 else f"{probability:.0%}"


def _materials(material: Any, unit: str, factor: float, decimals: int) -> list[str]:
    lines = []
    groups = material.groups
    if groups.found is None and groups.reason is not None:
        lines.append(f"groups of parts: not looked for, {groups.reason}")
    if (groups.found or groups.possible) and groups.lower_mean is not None and groups.upper_mean is not None:
        lines.append(
            f"{'two' if groups.found else 'perhaps two'} groups of parts: {len(groups.lower_parts)} around {groups.lower_mean * factor:.{decimals}f}, "
            f"{len(groups.upper_parts)} around {groups.upper_mean * factor:.{decimals}f} {unit}"
            + ("" if groups.found else f"; one kind shows that by chance, too ({p_in_words(groups.p_value)})")
            + ("; different meters read them" if groups.meters_differ else "")
        )
        fewer = min(groups.lower_parts, groups.upper_parts, key=lambda parts: len(parts))
        lines.append("parts of the smaller group: " + ", ".join(fewer[:40]))
    if material.reason is not None:
        return [*lines, f"materials: not compared, {material.reason}"]
    fitting = [line for line in material.lines if line.fits]
    named = [
        f"{' '.join(filter(None, (line.material, line.temper)))} {_share(line.probability)}"
        + (" (example range)" if line.example else "")
        for line in fitting[:_MOST_RANGES]
    ]
    lines.append("materials that fit: " + (", ".join(named) or "none of the site's table"))
    if material.declared_fits is False:
        lines.append(f"entered as {material.declared}, which does not fit")
    return lines
