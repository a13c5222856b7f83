"""What a request may ask for, told from its headers, its address and who asks: no file is read for it, and no body."""

from __future__ import annotations

import ipaddress
from typing import TYPE_CHECKING
from urllib.parse import quote, urlencode

from pipeline.web.visit import Refused
from reports.words import web as words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.web.visit import Visit

__all__ = ["at_hand", "host_of", "leads_to", "refuse", "sign_in_first", "told_by_proxy"]

_OF_PEOPLE = frozenset({"decide", "done", "bring", "enter", "me", "sign-in", "sign-out"})
"""What there is for people with an account alone."""


def host_of(header: str) -> str:
    """Return the name of the host that a request is for, without its port."""
    name = header.rpartition(":")[0] if header.rpartition(":")[2].isdigit() else header
    return name.strip("[]").casefold()


def told_by_proxy(address: Sequence[str], scheme: Sequence[str]) -> str:
    """Return for whom a proxy asks: the last address, which it added itself.

    Parameters
    ----------
    address, scheme
        What stands in each line of `X-Forwarded-For` and of `X-Forwarded-Proto`.

    Raises
    ------
    Refused
        If it does not say, or they came to it in the clear.
    """

    def last(lines: Sequence[str]) -> str:
        # a proxy may add a line of its own below the one that a stranger sent
        return ",".join(lines).rpartition(",")[2].strip()

    if last(scheme).casefold() != "https":
        raise Refused(403, words.TOLD["gone"])
    try:
        return str(ipaddress.ip_address(last(address)))
    except ValueError:
        raise Refused(403, words.TOLD["gone"]) from None


def leads_to(given: str) -> str:
    """Return where to go after signing in: an address here, whatever somebody wrote into the link."""
    here = given.startswith("/") and not given.startswith(("//", "/\\"))
    return given if here and given.isprintable() and given.isascii() else "/"


def sign_in_first(visit: Visit) -> str:
    """Return the address at which somebody signs in who then comes back here."""
    there = "/" + "/".join(quote(part) for part in visit.parts)
    there += f"?{urlencode(visit.query)}" if visit.query else ""
    return f"/sign-in?{urlencode({'to': there})}"


def refuse(visit: Visit, roles: Mapping[tuple[str, ...], frozenset[str]]) -> bool:
    """Refuse what nobody may ask for, or not in this role; say whether somebody has to sign in first.

    Parameters
    ----------
    visit
        Who asks is looked up, what is sent is not read yet.
    roles
        Who may be at an address and all below it, by its parts.

    Raises
    ------
    Refused
        Says why.
    """
    first, post = visit.parts[0], visit.method == "POST"
    if post and first in ("json", "changed"):
        raise Refused(405, words.TOLD["gone"])
    if first in ("json", "changed") or (first == "sign-in" and not visit.open_to_all):
        return False
    if visit.open_to_all:
        if post or first in _OF_PEOPLE:
            raise Refused(403, words.TOLD["accounts"])
        return False
    if visit.account is None or visit.session is None:
        return True
    if post and first not in _OF_PEOPLE:
        raise Refused(405, words.TOLD["gone"])
    asked = tuple(visit.parts)
    may = roles.get(asked, roles.get(asked[:1]))
    if may is not None and visit.account.role not in may:
        named = ", ".join(words.ROLE[role] for role in sorted(may))
        raise Refused(403, words.TOLD["role"].format(role=words.ROLE[visit.account.role], roles=named))
    return False


def at_hand(visit: Visit) -> bool:
    """Whether a page, or an answer that may be kept, is asked for by somebody known: nothing that anybody has to wait for."""
    if visit.method == "POST" or not (visit.account is not None or visit.open_to_all):
        return False
    match visit.parts:
        case ["json", _, _]:
            return True
        case ["json" | "changed", *_]:
            return False
    return visit.parts[0] not in _OF_PEOPLE
