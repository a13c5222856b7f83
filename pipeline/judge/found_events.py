"""What a look-back event is before its lots and decisions are looked up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    import polars as pl

    from schemas.look_back import BiasChange

__all__ = ["KINDS", "Found", "rules_of"]

KINDS = {
    "failed_check": "failed check",
    "signal": "signal",
    "precision": "precision signal",
    "calibration": "calibration out of tolerance",
    "check_overdue": "overdue check",
}
"""What an event is called; its name says the same in capitals (:attr:`Found.name`)."""


_NAMES = {"calibration": "CALIBRATION", "check_overdue": "CHECK-OVERDUE"}
"""Names given before a kind was called otherwise."""


def rules_of(checks: pl.DataFrame) -> tuple[str, ...]:
    """Return the rules that some checks broke."""
    return tuple(sorted({rule for text in checks["rejects"] for rule in text.split()}))


@dataclass(frozen=True)
class Found:
    """An event before its lots and decisions are looked up; `around` are the runs before, with the signal and after it."""

    kind: str
    meter: str
    fired_at: datetime
    sentence: str
    last_good: str
    last_good_at: datetime | None
    window_from: datetime | None
    window_to: datetime | None
    touched: pl.DataFrame  # rows of the brackets
    checks: pl.DataFrame  # what fired
    around: tuple[int, ...]
    changes: tuple[BiasChange, ...]
    notes: tuple[str, ...] = ()
    covered_until: datetime | None = None  # checks that passed speak for what was read before
    short: str = ""  # what people type
    title: str = ""  # what people say
    names: frozenset[str] = frozenset()  # under any of these it was, or might have been, told or decided on

    @property
    def name(self) -> str:
        """Meter, time in UTC and kind: the same whenever and wherever the event is found; pages and records go by it."""
        return self._at(self.fired_at)

    def _at(self, moment: datetime) -> str:
        kind = _NAMES.get(self.kind, KINDS[self.kind].upper().replace(" ", "-"))
        return f"{self.meter}_{moment:%Y%m%dT%H%M%SZ}_{kind}"

    def told(self, zone: ZoneInfo, short: str) -> Found:
        """Return the event with an id that people type, its title, and every name it answers to."""
        moments = [self.fired_at, *self.checks["at"].to_list()]
        local = [moment.astimezone(zone) for moment in moments]
        names = {self._at(moment) for moment in moments}
        names |= {f"{self.meter}/{at:{form}}" for at in local for form in ("%Y-%m-%d", "%Y-%m-%d-%H%M")}
        title = f"{self.meter}, {KINDS[self.kind]} of {local[0].day} {local[0]:%B}"
        if short != f"{self.meter}/{local[0]:%Y-%m-%d}":
            title += f", {local[0]:%H:%M}"  # not the only one of its day
        return replace(self, short=short, title=title, names=frozenset(names))

    @property
    def last_at(self) -> datetime:
        """When it fired last."""
        last: datetime | None = self.checks["at"].max() if self.checks.height else None  # type: ignore[assignment]
        return self.fired_at if last is None else last

    @property
    def blocks(self) -> tuple[str, ...]:
        """On which blocks it fired."""
        return tuple(self.checks["block"].unique().sort().to_list())

    @property
    def rules(self) -> tuple[str, ...]:
        """Rules of the multi-rule scheme that the checks broke."""
        return rules_of(self.checks)
