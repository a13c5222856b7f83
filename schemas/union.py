"""What only all sites together can say: typed, frozen, numbers not rounded. Values are in MS/m, the unit that all sites share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import datetime

    from schemas.blocks import MeterDifference
    from schemas.comparison import MeterComparison
    from schemas.page import Provenance

__all__ = [
    "AtTwoSites",
    "CompanyGlance",
    "CompanyIndex",
    "CompanyIndexPage",
    "CompanyMeter",
    "CompanyReview",
    "CompanyReviewPage",
    "GroupOverPlants",
    "HandOver",
    "OverPlants",
    "OverPlantsPage",
    "PlantLevel",
    "RejectedLot",
    "ReviewGlance",
    "SiteHead",
    "SiteStatus",
    "Stay",
    "Travelled",
    "TravelledPage",
    "Unmapped",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteHead:
    """Up to where a site has told: its last package, and what is odd about it. Nothing more is expected of a closed site."""

    site: str
    number: int
    sha256: str
    last_reading_at: datetime | None
    made_at: datetime
    program: str
    closed: bool
    silent: bool
    other_version: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteStatus:
    """What the register says of one site.

    Parameters
    ----------
    state
        open, held or closed; ``fork`` while two histories wait for a decision.
    number, sha256, made_at, last_reading_at, program
        Of the package that was registered last; 0, empty and None before the first.
    clock_s
        Seconds by which the site's clock lags behind storage's at that package, where more than `clock_minutes`; else None.
        A package that waited in the outbox looks the same.
    silent_h
        Hours since storage had its last package, where more than `silent_after_hours`; else None.
    refused
        In words, what is refused and what to do.
    gap
        Number that is missing, None without a gap.
    """

    site: str
    state: str
    number: int
    sha256: str
    made_at: datetime | None
    last_reading_at: datetime | None
    program: str
    clock_s: float | None
    silent_h: float | None
    gap: int | None
    refused: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmapped:
    """A name of a site that no company table explains; `stated` is what the site says of it (serial number, certificate)."""

    kind: str  # meters, or a table of `schemas.company_names.NAMED`
    site: str
    name: str
    stated: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AtTwoSites:
    """An instrument that the company's table places at two sites at one time."""

    instrument: str
    first: str  # site/meter
    second: str
    since: datetime | None
    until: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOver:
    """An instrument that one site handed over and another one received, as both recorded it; `differ` says what does not fit."""

    instrument: str  # empty where an event cannot be read, which `differ` names
    giver: str  # site/meter; the site alone where it recorded nothing
    receiver: str
    handed_at: datetime | None
    received_at: datetime | None
    why: tuple[str, ...]
    differ: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantLevel:
    """The lots of one plant.

    `suspect` lots were read beside a failed check and enter no figure; those `on_suspended` were read on a meter that is suspended
    now: a meter that drifts is not to be read as a supplier's shift.
    `own_standard_uncertainty` is the median of those of its lots: what more lots do not lessen; `expanded_uncertainty` (k = 2) is
    of the mean with it, as Eₙ takes it. `mean_interval` (95 %) speaks of lots alone.
    """

    site: str
    lots: int
    held: int
    rejected: int
    suspect: tuple[str, ...]
    on_suspended: tuple[str, ...]
    mean: float | None
    mean_interval: tuple[float, float] | None
    standard_deviation: float | None
    own_standard_uncertainty: float | None
    expanded_uncertainty: float | None
    h: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOverPlants:
    """One material over all plants. `differ` names plants apart from the others, or pairs that disagree.

    `mean` is that of the plants' means, each counted once; `between_standard_deviation` is that of the plants' levels,
    `within_standard_deviation` that of lots of one plant.
    """

    material: str
    plants: tuple[PlantLevel, ...]
    mean: float | None
    mean_interval: tuple[float, float] | None
    between_standard_deviation: float | None
    within_standard_deviation: float | None
    h_limit: float | None
    least_lots: int
    pairs: tuple[MeterDifference, ...]
    differ: tuple[str, ...]
    not_said: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OverPlants:
    """A supplier or a process at all plants."""

    kind: str  # supplier | process
    name: str
    state: str  # differs | agrees | not_assessed
    reasons: tuple[str, ...]
    groups: tuple[GroupOverPlants, ...]

    @property
    def sites(self) -> int:
        """At how many sites lots were read."""
        return len({plant.site for group in self.groups for plant in group.plants})


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """The checks of one meter on one block at one site, since the meter's last setting there; `also_at` holds copies of them."""

    site: str
    meter: str
    instrument: str | None
    block: str
    company_block: str | None
    probe: str | None
    frequency_khz: float | None
    first_at: datetime
    last_at: datetime
    checks: int
    mean: float
    bias: float
    standard_deviation: float | None
    own_standard_uncertainty: float | None
    also_at: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Travelled:
    """A block or a meter that several sites had, and who disagrees by how much.

    Differences are between sites only: of a block, of the means of meters on it; of a meter, of its bias. `readings` of a meter
    are counted once; `copies` of them lie at a second site, too (site -> how many). What does not fit of its hand-overs makes it
    differ.
    """

    kind: str  # block | meter
    name: str
    state: str  # differs | agrees | not_assessed
    reasons: tuple[str, ...]
    stays: tuple[Stay, ...]
    comparison: MeterComparison | None
    pairs: tuple[MeterDifference, ...]
    readings: int | None = None
    copies: dict[str, int] | None = None
    hand_overs: tuple[HandOver, ...] = ()

    @property
    def sites(self) -> int:
        """At how many sites it was checked."""
        return len({stay.site for stay in self.stays})


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanyMeter:
    """A meter that is not fit, as its site's last package says."""

    meter: str  # site/meter
    state: str
    reason: str
    open_events: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedLot:
    """A lot of the month that its site rejected."""

    lot: str  # site/lot
    supplier: str | None
    reason: str
    last_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanyReview:
    """A month of the company. `revision` names the heads, the company's tables and the program that it follows from."""

    month: str
    revision: str
    sites: tuple[SiteHead, ...]
    program: str
    meters: tuple[CompanyMeter, ...]
    open_events: dict[str, int]
    lots: dict[str, int]
    rejected: tuple[RejectedLot, ...]
    suppliers: tuple[OverPlants, ...]
    blocks: tuple[Travelled, ...]
    travelled_meters: tuple[Travelled, ...]
    at_two_sites: tuple[AtTwoSites, ...]
    hand_overs: tuple[HandOver, ...]  # those of the month, and those before it that do not fit
    unmapped: tuple[Unmapped, ...]
    copies: int  # lots and checks that lay at two sites and count once

    @property
    def waits(self) -> int:
        """How much waits for somebody."""
        odd = sum(site.silent or site.other_version for site in self.sites)
        found = (
            self.meters,
            self.rejected,
            self.suppliers,
            self.blocks,
            self.travelled_meters,
            self.at_two_sites,
            self.unmapped,
        )
        moved = sum(bool(one.differ) for one in self.hand_overs)
        return odd + moved + sum(self.open_events.values()) + sum(map(len, found))


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanyGlance:
    """A supplier, process, block or meter that two sites and more have to do with, in a line."""

    kind: str
    name: str
    state: str  # differs | agrees | not_assessed
    sites: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewGlance:
    """A review that was made, and how much waited for somebody then."""

    month: str
    revision: str
    waits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanyIndex:
    """Everything that a centre has, in a line each."""

    program: str
    sites: tuple[SiteStatus, ...]
    glances: tuple[CompanyGlance, ...]
    reviews: tuple[ReviewGlance, ...]  # the latest month first, of a month the latest revision

    def odd(self, site: SiteStatus) -> bool:
        """Whether a site waits for somebody: held, refused, silent, behind or on another version; a closed one does not."""
        other = site.program not in ("", self.program)
        told = (
            site.silent_h is not None or site.refused or site.gap is not None or other or site.state in ("held", "fork")
        )
        return site.state != "closed" and bool(told)

    @property
    def waits(self) -> int:
        """How much waits for somebody: what is seen here, or what the last review counted, where that is more."""
        seen = sum(map(self.odd, self.sites)) + sum(one.state == "differs" for one in self.glances)
        return max(seen, *(one.waits for one in self.reviews[:1]), 0)


@dataclass(frozen=True, slots=True)
class _Page:
    provenance: Provenance

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        return dict(as_json(self.result))  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class _OfOneThing(_Page):
    result: OverPlants | Travelled

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink(
            result.kind, result.name, result.name, result.state, " ".join(result.reasons[:1]), self.provenance.as_of
        )


@dataclass(frozen=True, slots=True)
class OverPlantsPage(_OfOneThing):
    """Everything that the page of a supplier or a process at all plants shows."""

    result: OverPlants


@dataclass(frozen=True, slots=True)
class TravelledPage(_OfOneThing):
    """Everything that the page of a block or a meter at several sites shows."""

    result: Travelled


@dataclass(frozen=True, slots=True)
class CompanyReviewPage(_Page):
    """A month of the company, and the revisions made before it from other heads."""

    result: CompanyReview
    earlier: tuple[tuple[str, tuple[str, ...]], ...]  # revision, and what changed since

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink("review", f"{result.month}-{result.revision}", result.month, None, "", self.provenance.as_of)


@dataclass(frozen=True, slots=True)
class CompanyIndexPage(_Page):
    """The first page of a centre."""

    result: CompanyIndex

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        return PageLink("index", "", self.provenance.workspace, None, "", self.provenance.as_of)
