"""Who is signed in, for how long, and how often somebody may try: kept in memory, so that a restart signs everybody out."""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.history.accounts import Account

__all__ = ["Rates", "Session", "Sessions", "Tries"]

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


_TRIES = 5
_WAIT_S, _LONGEST_WAIT_S = 60.0, 900.0


class Tries:
    """Wrong passwords: after five of an account, or from an address, the next has to wait, each time longer.

    Whether the name is one of an account makes no difference.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wait_s(self, *keys: str) -> int:
        """Return for how many seconds nobody may try; 0 where one may."""
        now = self._clock()
        with self._lock:
            left = [self._wrong.get(key, (0, now))[1] - now for key in keys]
        return max((int(seconds + 1.0) for seconds in left if seconds > 0.0), default=0)

    def wrong(self, *keys: str) -> None:
        """Count a wrong password."""
        now = self._clock()
        with self._lock:
            for key in keys:
                count, until = self._wrong.pop(key, (0, 0.0))
                count = 1 if now - until > _LONGEST_WAIT_S else count + 1  # an old slip counts no more
                pause = min(_WAIT_S * 2.0 ** (count - _TRIES), _LONGEST_WAIT_S) if count >= _TRIES else 0.0
                self._wrong[key] = (count, now + pause)
            while len(self._wrong) > _MOST:
                self._wrong.popitem(last=False)

    def right(self, *keys: str) -> None:
        """Forget wrong passwords once the right one was given."""
        with self._lock:
            for key in keys:
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
