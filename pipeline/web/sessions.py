"""Who is signed in, for how long, and how often somebody may try: kept in memory, so that a restart signs everybody out."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.history.accounts import Account

__all__ = ["Rates", "Session", "Sessions", "Tries", "network_of"]

IDLE_S, LONGEST_S = 15 * 60.0, 12 * 3600.0
"""A session ends this long after the last request, and this long after signing in at the latest."""
LONGEST_READER_S = 7 * 86400.0
"""A reader decides nothing, and may be the board on a wall, which asks each minute."""
_MOST = 5_000
_MOST_RESULTS = 50


@dataclass
class Session:
    """One visit: nobody's until somebody signs in."""

    token: str
    form_token: str
    began: float
    used: float
    account: str | None = None
    stated_by: int = 0
    """The event that stated the account when it signed in: a new one ends the session."""
    longest_s: float = LONGEST_S
    results: OrderedDict[str, Any] = field(default_factory=OrderedDict)
    """What came of a form by the number it was sent under, so that one sent twice is done once."""

    def sent_from_here(self, form_token: str) -> bool:
        """Whether a form was made for this session."""
        return hmac.compare_digest(self.form_token.encode(), form_token.encode("utf-8", "surrogatepass"))

    def keep(self, number: str, result: Any) -> None:
        """Keep what came of a form."""
        self.results[number] = result
        while len(self.results) > _MOST_RESULTS:
            self.results.popitem(last=False)


class Sessions:
    """All visits."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.RLock()
        self._all: OrderedDict[str, Session] = OrderedDict()

    def start(self, account: Account | None = None, key: str | None = None) -> Session:
        """Begin a visit, under a token that nobody can have guessed or handed on before."""
        now = self._clock()
        session = Session(secrets.token_urlsafe(32), secrets.token_urlsafe(32), now, now)
        if account is not None:
            session.account, session.stated_by = key, account.sequence
            session.longest_s = LONGEST_READER_S if account.role == "reader" else LONGEST_S
        with self._lock:
            self._all[session.token] = session
            while len(self._all) > _MOST:  # those of nobody go first
                oldest = next((one.token for one in self._all.values() if one.account is None), next(iter(self._all)))
                self._all.pop(oldest)
        return session

    def of(self, token: str, *, used: bool = True) -> Session | None:
        """Return the visit of a token, where it has not ended; `used` is whether somebody asked, not a page by itself."""
        session = self._all.get(token)
        now = self._clock()
        if session is None:
            return None
        if now - session.used > IDLE_S or now - session.began > session.longest_s:
            self.end(token)
            return None
        if used or session.longest_s == LONGEST_READER_S:
            session.used = now
        return session

    def end(self, token: str) -> None:
        """End a visit: its token is worth nothing from here on."""
        with self._lock:
            self._all.pop(token, None)


def network_of(address: str) -> str:
    """Return what is counted as one place: of IPv6 the first 64 bits, for whoever has one address has them all (RFC 4291, from memory)."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if found.version == 4 or found.ipv4_mapped is not None:
        return str(found)
    return str(ipaddress.IPv6Network((int(found), 64), strict=False))


_TRIES, _TRIES_OF_ALL = 5, 20
_WAIT_S, _LONGEST_WAIT_S = 60.0, 900.0


class Tries:
    """Wrong passwords: after five of an account at one place the next has to wait there, each time longer.

    So it has after twenty at a place, whatever the names, and after twenty of an account at places where it never signed in:
    guesses stay few however many addresses a stranger has, and none of them keeps the owner out where he is known. Whether the
    name is one of an account makes no difference.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._wrong: OrderedDict[tuple[str, ...], tuple[int, float]] = OrderedDict()
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()

    def _counted(self, account: str, place: str | None) -> dict[tuple[str, ...], int]:
        """Return what a try counts for, and after how many of it the next waits; no place stands for somebody signed in."""
        if place is None:
            return {("signed in", account): _TRIES}
        known = (account, place) in self._known
        counted: dict[tuple[str, ...], int] = {("both", account, place): _TRIES, ("place", place): _TRIES_OF_ALL}
        return counted if known else {**counted, ("account", account): _TRIES_OF_ALL}

    def wait_s(self, account: str, place: str | None) -> int:
        """Return for how many seconds nobody may try; 0 where one may."""
        now = self._clock()
        with self._lock:
            left = [self._wrong.get(key, (0, now))[1] - now for key in self._counted(account, place)]
        return max((int(seconds + 1.0) for seconds in left if seconds > 0.0), default=0)

    def wrong(self, account: str, place: str | None) -> None:
        """Count a wrong password."""
        now = self._clock()
        with self._lock:
            for key, tries in self._counted(account, place).items():
                count, until = self._wrong.pop(key, (0, 0.0))
                count = 1 if now - until > _LONGEST_WAIT_S else count + 1  # an old slip counts no more
                pause = min(_WAIT_S * 2.0 ** (count - tries), _LONGEST_WAIT_S) if count >= tries else 0.0
                self._wrong[key] = (count, now + pause)
            while len(self._wrong) > _MOST:
                self._wrong.popitem(last=False)

    def right(self, account: str, place: str | None) -> None:
        """Forget the wrong passwords of a place once the right one was given there; those of strangers elsewhere count on."""
        with self._lock:
            if place is not None:
                self._known[account, place] = None
                while len(self._known) > _MOST:
                    self._known.popitem(last=False)
            for key in self._counted(account, place):
                self._wrong.pop(key, None)


class Rates:
    """How many requests an address may make: a bucket that fills at a steady rate.

    Parameters
    ----------
    per_s, most
        How fast it fills, and what it holds.
    """

    def __init__(self, per_s: float, most: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._per_s, self._most, self._clock, self._lock = per_s, most, clock, threading.Lock()
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def taken(self, address: str) -> bool:
        """Take one; whether there was one left."""
        now = self._clock()
        with self._lock:
            left, at = self._left.pop(address, (self._most, now))
            left = min(self._most, left + (now - at) * self._per_s)
            self._left[address] = (left - 1.0 if left >= 1.0 else left, now)
            while len(self._left) > _MOST:
                self._left.popitem(last=False)
        return left >= 1.0
