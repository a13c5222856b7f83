"""The standing round: what is missing is seen in storage and the register, never in what an engine believes that it did."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from pipeline.centre.take_in import waiting

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.centre.register import Register, SiteState
    from pipeline.publish.storage import Storage

__all__ = ["batches", "plan"]

_AT_ONCE = 8


def plan(register: Register, storage: Storage) -> list[str]:
    """Return the open sites that have something in storage which is neither registered nor left; not those that a fork holds.

    Raises
    ------
    EnvironmentProblem
        If storage or the register are away.
    """
    taken, left = register.branches()
    forked = {r.site for r in register.refusals() if r.kind == "fork" and r.sha256 not in taken}
    sites = [site for site in register.sites() if site.state == "open" and site.name not in forked]

    def has_news(site: SiteState) -> bool:
        return any(
            one.key.rpartition("-")[2].removesuffix(".json") not in left for one in waiting(register, storage, site)
        )

    with ThreadPoolExecutor(_AT_ONCE) as pool:
        return [site.name for site, news in zip(sites, pool.map(has_news, sites), strict=True) if news]


def batches(sites: Sequence[str], size: int) -> list[list[str]]:
    """Cut sites into batches of at most `size`, as even as can be: a run costs ten seconds, whatever it does."""
    count = -(-len(sites) // size)
    return [list(sites[number::count]) for number in range(count)]
