"""What is said of a temperature sensor: its checks, and the lots read with it since the last good one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["SensorCheck", "SensorLot", "SensorTrace"]


@dataclass(frozen=True, slots=True)
class SensorCheck:
    """A check of a sensor; error and tolerance are those of its worst point."""

    checked_on: datetime
    points: int
    error_c: float
    tolerance_c: float
    passed: bool


@dataclass(frozen=True, slots=True)
class SensorLot:
    """A lot read with the sensor; `doubt` is failed, missing or None (a good check stands behind it)."""

    lot: str
    readings: int
    first: datetime
    last: datetime
    doubt: str | None
    verdict: str
    disposition: str | None


@dataclass(frozen=True, slots=True)
class SensorTrace:
    """Lots read with a sensor since its last good check. `from_` is None where there was none."""

    sensor: str
    from_: datetime | None
    to: datetime
    last_check_passed: bool | None
    reasons: tuple[str, ...]
    checks: tuple[SensorCheck, ...]
    lots: tuple[SensorLot, ...]

    def document(self) -> dict[str, Any]:
        """Return the JSON document, with the key `from`."""
        from schemas.documents import as_json

        document = as_json(self)
        document["from"] = document.pop("from_")
        names = ("sensor", "from", "to", "last_check_passed", "reasons", "checks", "lots")
        return {key: document[key] for key in names}
