"""A run of checks of a meter as a digital calibration certificate of the site's own, marked as not accredited."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.certificates.writing import CheckPoint, CheckStatement, certificate_of
from pipeline.errors import UsageError
from pipeline.metrology.uncertainty import combine
from pipeline.metrology.units import convert, derivative
from schemas.uncertainty import Contribution
from schemas.versions import version_at

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Settings

__all__ = ["check_certificate"]


def check_certificate(
    assessment: Assessment, meter: str, site: Settings, *, at: datetime | None, by: str, software: str
) -> tuple[str, bytes]:
    """Return the identifier and the XML of a meter's run of checks.

    Where the meter was set just before the run, the last run before that stands in it as found.

    Parameters
    ----------
    assessment
        With the meter's checks.
    site
        Settings as they are now, for the name, address and country of the site.
    at
        The last run that began no later; None takes the last one.
    by
        Who answers for it.
    software
        Version of this program.

    Raises
    ------
    UsageError
        If there is no such run, one of its checks has no certificate or no repeatability, or the settings do not say
        where the site is.
    """
    settings = assessment.settings
    if not by.strip():
        raise UsageError("A certificate names who answers for it: --by NAME.")
    if not site.country:
        raise UsageError(
            'A certificate names the country of the site. Put its ISO 3166 code into annealog.toml: country = "NO".'
        )
    checks = assessment.checks.filter((pl.col("meter") == meter) & pl.col("passes").is_not_null())
    if at is not None:
        begun = checks.filter(pl.col("first_at") <= at)["run"].unique()
        checks = checks.filter(pl.col("run").is_in(begun.to_list()))
    if not checks.height:
        raise UsageError(f"Meter {meter} has no check on a certified block{'' if at is None else ' until then'}.")
    checks = checks.sort("at", "check")
    last = checks.filter(pl.col("run") == checks["run"][-1])
    before = checks.filter(pl.col("run") < last["run"][0])
    adjusted = before.height > 0 and before["phase"][-1] != last["phase"][0]
    found = before.filter(pl.col("run") == before["run"][-1]) if adjusted else before.clear()
    register = version_at(assessment.tables["meters"], ["meter"], assessment.as_of).filter(pl.col("meter") == meter)
    row = register.row(0, named=True) if register.height else {}
    points = [_point(check, row, assessment) for check in last.iter_rows(named=True)]
    as_found = [_point(check, row, assessment) for check in found.iter_rows(named=True)]
    zone = settings.zone
    begun_at, ended_at = checks["first_at"][-last.height - found.height], last["at"][-1]
    identifier = f"{meter}/{ended_at.astimezone(zone):%Y-%m-%dT%H%M}"
    temperatures = last["temperature_c"].drop_nulls()
    smallest = min(point.expanded_uncertainty for point in (*points, *as_found))
    statement = CheckStatement(
        identifier=identifier,
        meter=meter,
        model=None,
        works=site.name or "not named",
        country=site.country,
        address=site.address,
        by=by,
        software=software,
        begun=begun_at.astimezone(zone).date(),
        ended=ended_at.astimezone(zone).date(),
        unit=settings.unit,
        tolerance=f"{settings.tolerance:g} {settings.tolerance_unit}",
        as_found=as_found,
        points=points,
        temperature_c=float(temperatures.mean()) if temperatures.len() else None,  # type: ignore[arg-type]
        # two digits of the smallest uncertainty say how many decimals a value is worth
        decimals=max(0, 1 - math.floor(math.log10(smallest))),
    )
    try:
        return identifier, certificate_of(statement)
    except ValueError as error:
        raise UsageError(f"A name in it cannot stand in XML: {error}.") from None


def _point(check: dict[str, Any], register: dict[str, Any], assessment: Assessment) -> CheckPoint:
    settings = assessment.settings
    where = f"check of block {check['block']}"
    certificate, scatter = check["certificate_standard_uncertainty"], check["within_standard_deviation"]
    if certificate is None:
        raise UsageError(f"The {where}: its certificate states no uncertainty, so the error has none.")
    if scatter is None:
        raise UsageError(f"The {where}: one reading has no repeatability; read the block several times.")
    resolution = 0.0
    if register.get("resolution") is not None and register.get("unit") is not None:
        shown = convert(check["certified_value"], settings.unit, register["unit"])
        step = abs(register["resolution"] * derivative(shown, register["unit"], settings.unit))
        resolution = step / math.sqrt(12)  # GUM F.2.2.1
    made = combine(
        [
            Contribution("certificate of the block", certificate, None, averages=False, source="certificate"),
            Contribution(
                "repeatability",
                scatter / math.sqrt(check["readings"]),
                check["within_degrees_of_freedom"],
                averages=True,
                source="readings",
            ),
            Contribution("resolution", resolution, None, averages=False, source="register"),
        ],
        coverage=0.95,
    )
    return CheckPoint(
        block=check["block"],
        certificate=check["certificate"],
        reference=check["certified_value"],
        indicated=check["mean"],
        expanded_uncertainty=made.expanded_uncertainty,
        coverage_factor=made.coverage_factor,
        passes=bool(check["passes"]),
    )
