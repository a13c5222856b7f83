"""What stands in the register of each site, and what is wrong with the centre itself, in words."""

from __future__ import annotations

import importlib.metadata
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from pipeline.centre.given import untold
from pipeline.centre.register import now
from pipeline.centre.take_in import strangers
from pipeline.errors import AnnealogError
from pipeline.publish.storage import Storage
from schemas.company import moment_of
from schemas.union import SiteStatus

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register, SiteState

__all__ = ["problems", "site_statuses"]


def site_statuses(place: Centre, register: Register, *, at: datetime | None = None) -> list[SiteStatus]:
    """Return what the register says of each site, at a moment (now)."""
    moment = at or datetime.now(UTC)
    taken, _ = register.branches()
    refused: dict[str, list[tuple[str, int, str]]] = {}
    forks = set()
    for refusal in register.refusals():
        refused.setdefault(refusal.site, []).append((refusal.kind, refusal.number, refusal.words))
        if refusal.kind == "fork" and refusal.sha256 not in taken:
            forks.add(refusal.site)
    return [
        _status(place, site, refused.get(site.name, []), moment, forked=site.name in forks) for site in register.sites()
    ]


def _status(
    place: Centre, site: SiteState, refused: list[tuple[str, int, str]], at: datetime, *, forked: bool
) -> SiteStatus:
    last = site.last
    since = at - (last.came_at if last else datetime.fromisoformat(site.at))
    silent = since > timedelta(hours=place.settings.silent_after_hours) and site.state != "closed"
    off = last is not None and abs(last.clock_s) > 60 * place.settings.clock_minutes
    return SiteStatus(
        site=site.name,
        state="fork" if forked and site.state == "open" else site.state,
        number=last.number if last else 0,
        sha256=last.sha256 if last else "",
        made_at=moment_of(last.made_at) if last else None,
        last_reading_at=moment_of(last.last_reading_at) if last else None,
        program=last.program if last else "",
        clock_s=last.clock_s if last and off else None,
        silent_h=since / timedelta(hours=1) if silent else None,
        gap=next((number for kind, number, _ in refused if kind == "gap"), None),
        refused=tuple(words for _, _, words in refused),
    )


def problems(place: Centre, register: Register) -> Iterator[str]:
    """Say what is wrong: key, storage, rights, clocks, versions, sites that nobody added, decisions that were changed."""
    if words := untold(place):
        yield words
    try:
        storage = Storage(place.storage)
        probe = "centre/heads/.check"
        storage.replace(probe, now().encode())
        off = (datetime.now(UTC) - storage.modified(probe)).total_seconds()
        if abs(off) > 60 * place.settings.clock_minutes:
            yield f"The clock of storage {place.storage} differs from this computer's by {off:.0f} s: set the wrong one right."
        for name in strangers(register, storage):
            yield f"A site {name!r} publishes that nobody added: annealog centre site add {name} --key FILE"
    except AnnealogError as error:
        yield str(error)
    try:
        register.decisions()
    except AnnealogError as error:
        yield f"{error} Somebody wrote into the register beside this program."
    ours = importlib.metadata.version("annealog")
    for site in site_statuses(place, register):
        if site.program and site.program != ours:
            yield f"Site {site.site} runs {site.program}, the centre {ours}: verify cannot compare byte for byte."
        if site.clock_s is not None:
            yield _clock(site)
        if site.silent_h is not None:
            yield f"Site {site.site} has published nothing for {site.silent_h:.0f} h."
        yield from site.refused


def _clock(site: SiteStatus) -> str:
    minutes = (site.clock_s or 0) / 60
    if minutes < 0:
        return f"Package {site.number} of {site.site} was stored {-minutes:.0f} min before it says it was made: its clock is fast."
    return (
        f"Package {site.number} of {site.site} came {minutes:.0f} min after it says it was made: its clock is slow, or the package "
        f"waited in its outbox."
    )
