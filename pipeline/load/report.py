"""What a load did: file by file, and as a whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.load.take_over import ReferenceChange

__all__ = ["Change", "FileReport", "LoadReport", "Touched"]


@dataclass(frozen=True)
class FileReport:
    """What became of one file."""

    name: str
    sha256: str
    status: str  # loaded | already_loaded | held | discarded (held before, and a person said so) | failed
    sentence: str
    layout: str | None = None
    source_id: int | None = None
    lines: int = 0
    fates: dict[str, int] = field(default_factory=dict)
    readings: int = 0
    conflicts: int = 0
    quarantine_reasons: dict[str, int] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    details: tuple[str, ...] = ()  # differences to the nearest layouts, for a held file
    error: Exception | None = None  # why a failed file could not be looked at; it is to be tried again
    given: str = ""  # the path as it was named, for messages; `name` is what the ledger keeps


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A verdict or a state that is another one after a load than what was said last, and why it is so now."""

    kind: str  # lot | meter | study
    name: str
    before: str
    after: str
    why: str

    @property
    def sentence(self) -> str:
        """The change in words."""
        before, after = (state.replace("_", " ") for state in (self.before, self.after))
        return f"{self.kind} {self.name}: was {before}, now {after}: {self.why}"


@dataclass(frozen=True, slots=True)
class Touched:
    """What is said after a load: verdict by lot and state by meter of what it touched, and everything that changed."""

    lots: dict[str, str] = field(default_factory=dict)
    meters: dict[str, str] = field(default_factory=dict)
    changes: tuple[Change, ...] = ()
    conditions: dict[str, tuple[str, ...]] = field(
        default_factory=dict
    )  # of accepted lots it touched, until a disposition


@dataclass(frozen=True)
class LoadReport:
    """What a load did, and what can be said of the lots and meters it touched."""

    files: tuple[FileReport, ...]
    passed_over: tuple[str, ...]
    reference: ReferenceChange
    lots: dict[str, str]
    meters: dict[str, str]
    dry_run: bool
    changes: tuple[Change, ...] = ()  # also of lots, meters and studies that it did not name
    conditions: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def held(self) -> int:
        """Files that were not loaded."""
        return sum(report.status == "held" for report in self.files)

    @property
    def failed(self) -> list[FileReport]:
        """Files that could not be looked at: neither loaded nor held, nothing of them is recorded."""
        return [report for report in self.files if report.status == "failed"]

    @property
    def quarantined(self) -> int:
        """Lines refused in this load."""
        return sum(report.fates.get("quarantined", 0) for report in self.files)
