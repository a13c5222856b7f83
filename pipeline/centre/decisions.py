"""What a person decides at the centre about a site: added, held, opened again, closed; which branch of a fork is the site."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors import UsageError
from pipeline.publish.seal import public_key
from schemas.company import is_site_name

if TYPE_CHECKING:
    from pipeline.centre.register import Register
    from pipeline.history.chain import Event

__all__ = ["add_site", "choose_branch", "set_state"]


def add_site(register: Register, name: str, key: str, *, by: str, why: str) -> Event:
    """Add a site with its public key, or give it another key; a site that was held or closed is open then.

    Raises
    ------
    UsageError
        If the name cannot be one, the key is none, or nothing would change.
    """
    public_key(key)
    if not is_site_name(name):
        raise UsageError(
            f"{name!r} cannot name a site: letters, digits and . _ - alone, at most 64, the first a letter or a digit."
        )
    known = register.sites(only=name)
    if known and known[0].key == key and known[0].state == "open":
        raise UsageError(f"Site {name} is there already, with this key. Nothing was changed.")
    other = next((site.name for site in register.sites() if site.key == key and site.name != name), None)
    if other is not None:
        raise UsageError(f"This key is that of site {other}. Each site has its own: annealog publish key, at {name}.")
    return register.decide("site", {"site": name, "key": key}, by=by, why=why, site=name, state="open", key=key)


def set_state(register: Register, name: str, state: str, *, by: str, why: str) -> Event:
    """Hold a site (nothing is taken in), open it again, or close it.

    Raises
    ------
    UsageError
        If there is no such site, or it is so already.
    """
    site = register.site(name)
    if site.state == state:
        raise UsageError(f"Site {name} is {state} already: {site.why} ({site.at[:16]}). Nothing was changed.")
    return register.decide(state, {"site": name}, by=by, why=why, site=name, state=state)


def choose_branch(register: Register, name: str, sha256: str, *, by: str, why: str) -> Event:
    """Say which package of a forked history the site goes on from; every other one that is refused now is left for good.

    Parameters
    ----------
    sha256
        Of the package, or its first characters: one that is refused, or the one that was registered last.

    Raises
    ------
    UsageError
        If nothing of the site is refused as a fork, or the hash names none of these packages, or several.
    """
    site = register.site(name)
    refused = [refusal for refusal in register.refusals(name) if refusal.sha256]
    if not any(refusal.kind == "fork" for refusal in refused):
        raise UsageError(f"Nothing of site {name} is refused as a fork: there is nothing to decide.")
    forks = {refusal.sha256: refusal.number for refusal in refused if refusal.kind == "fork"}
    if site.last is not None:
        forks[site.last.sha256] = site.last.number
    named = [known for known in forks if known.startswith(sha256)] if sha256 else []
    if len(named) != 1:
        choice = "; ".join(f"{known[:16]} (number {number})" for known, number in sorted(forks.items()))
        raise UsageError(
            f"{sha256!r} names {len(named)} packages of site {name} that it could go on from. There are: {choice}."
        )
    subject = {"site": name, "taken": named[0], "left": sorted({refusal.sha256 for refusal in refused} - set(named))}
    return register.decide("branch", subject, by=by, why=why, site=name)
