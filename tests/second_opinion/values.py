"""Values at the reference temperature, each reading by its own state."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from second_opinion.exports import Reading, Workspace

__all__ = ["Valued", "certified", "valued"]


@dataclass(frozen=True, kw_only=True)
class Valued:
    """A reading with its value at the reference temperature, in the working unit.

    `coefficient` and `difference_c` (from the reference temperature) are None for what the meter stated at it; `of_setting` is the
    share by which 1 °C more at the setting, seen by the same sensor, lowers a value in relative state.
    """

    reading: Reading
    value: float
    before_corrections: float
    corrections: tuple[str, ...]
    model: str = ""
    coefficient: float | None = None
    difference_c: float = 0.0
    of_setting: float = 0.0

    def sensitivities(self, level: float) -> tuple[float, float]:
        """Return the change of a value of this level for 1 °C more, and for one unit more of the coefficient (GUM 5.1.3)."""
        if self.coefficient is None:
            return 0.0, 0.0
        if self.model == "linear":
            seen = level / (1.0 + self.coefficient * self.difference_c)
            return seen * self.coefficient - level * self.of_setting, seen * self.difference_c
        scale = 1.0 if self.model == "constant_slope" else 1.0 / 58.0
        seen = 1.0 / (1.0 / level + self.coefficient * scale * self.difference_c)
        return level**2 * (self.coefficient * scale - self.of_setting / seen), level**2 * self.difference_c * scale


def certified(workspace: Workspace, block: str, at: datetime) -> tuple[float, float] | None:
    """Return certified value and its standard uncertainty in the working unit; None without a certificate."""
    row = workspace.row("blocks", block, at)
    if not row.get("certified_value"):
        return None
    value, u = float(row["certified_value"]), float(row["expanded_uncertainty"]) / float(row["coverage_factor"] or 2)
    return workspace.to_unit(value, row["unit"]), workspace.to_unit(u, row["unit"])


def _to_reference(model: str, coefficient: float, seen: float, difference_c: float) -> float:
    """Return conductivity at the reference temperature from that at the metal's, both in MS/m.

    linear: rho = rho20 (1 + alpha (T - 20)) (ASTM B193); constant_slope: one d(rho)/dT in Ohm mm2/m per °C for a family of alloys
    (Matthiessen; NBS Handbook 100); proportional: alpha at 100 %IACS, so a slope of alpha/58.
    """
    if model == "linear":
        return seen * (1.0 + coefficient * difference_c)
    slope = coefficient if model == "constant_slope" else coefficient / 58.0
    return 1.0 / (1.0 / seen - slope * difference_c)


def valued(workspace: Workspace, stream: Iterable[Reading]) -> list[Valued]:
    """Return the readings of one meter, in their order, that have a value at the reference temperature.

    In relative state the meter shows the block's certified value at the block's temperature: reading x f_block(T_set)/f_part(T).
    """
    found: list[Valued] = []
    set_on: tuple[str, float, str] | None = None
    reference = workspace.settings["reference_temperature_c"]
    for reading in stream:
        sensor = workspace.row("sensors", reading.sensor, reading.at) if reading.sensor else {}
        temperature = reading.temperature_c
        if temperature is not None:
            temperature += float(sensor.get("correction_c") or 0.0)
        if reading.role == "setting" and temperature is not None:
            set_on = (reading.block, temperature, reading.sensor)
        if reading.shown is None:
            continue
        seen = workspace.to_unit(reading.shown, reading.unit)
        table, key = ("lots", reading.lot) if reading.role == "part" else ("blocks", reading.block)
        material = workspace.row(table, key, reading.at).get("material", "")
        if not material and reading.run:
            material = workspace.row("studies", reading.run, reading.at)["material"]
        law = workspace.row("materials", material, reading.at)
        after = Valued(reading=reading, value=seen, before_corrections=seen, corrections=())
        if reading.state != "at_reference":
            assert temperature is not None
            model, coefficient, of_setting = law["temperature_model"], float(law["coefficient"]), 0.0
            if reading.state == "relative":
                assert set_on is not None
                block, at_setting, sensor_then = set_on
                factor, change = _block_factor(workspace, block, reading.at, at_setting - reference)
                seen, of_setting = seen * factor, change * factor if sensor_then == reading.sensor else 0.0
            after = replace(
                after, before_corrections=_to_reference(model, coefficient, seen, temperature - reference),
                model=model, coefficient=coefficient, difference_c=temperature - reference, of_setting=of_setting,
            )  # fmt: skip
        found.append(_corrected(workspace, after, material))
    return found


def _block_factor(workspace: Workspace, block: str, at: datetime, difference_c: float) -> tuple[float, float]:
    """Return conductivity of a block over that at the reference temperature, and the change of its resistivity for 1 °C."""
    law = workspace.row("materials", workspace.row("blocks", block, at)["material"], at)
    certificate = certified(workspace, block, at)
    assert certificate is not None
    coefficient = float(law["coefficient"])
    scale = {"linear": 1.0, "constant_slope": certificate[0], "proportional": certificate[0] / 58.0}[
        law["temperature_model"]
    ]
    change = coefficient * scale
    return 1.0 / (1.0 + change * difference_c), change


def _corrected(workspace: Workspace, one: Valued, material: str) -> Valued:
    """Add what the site's table says of geometry: after temperature, as a difference."""
    reading, value, names = one.reading, one.before_corrections, []
    for row in workspace.tables.get("corrections", []) if reading.role == "part" else []:
        measure = reading.thickness_mm if row["kind"] == "thickness" else None
        if measure is None or row["material"] != material or row["probe"] not in ("", reading.probe):
            continue
        if row["frequency_khz"] and float(row["frequency_khz"]) != reading.frequency_khz:
            continue
        if float(row["low"]) <= measure < float(row["high"]):
            value += workspace.to_unit(float(row["value"]), row["unit"])
            names.append(row["correction"])
    return replace(one, value=value, corrections=tuple(names))
