"""Taking in: what lies in storage behind the last package of a site is looked at, and registered once and in order.

Nothing here trusts what storage holds: a package is a site's when the site's key signed it, its name is its hash and its pieces
are what it says of them. What is not as it should be is refused in words and looked at again in each round, so that it heals
by being mended.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from pipeline.centre.given import tell
from pipeline.centre.pieces import fetch_all, forget, manifest_of, packages_of, remember
from pipeline.centre.register import Refusal, Registered, now
from pipeline.errors import AnnealogError, EnvironmentProblem, IntegrityProblem
from pipeline.publish.seal import signed_by, unsealed
from pipeline.publish.storage import TooLong
from schemas.company import Head, Manifest, moment_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register, SiteState
    from pipeline.publish.storage import Storage, Stored
    from schemas.company import Piece

__all__ = ["Taken", "recent", "strangers", "take_in", "take_in_site", "waiting"]

_NAME = re.compile(r"(\d{8})-([0-9a-f]{64})\.json")
_LOOK_BACK = 20
"""So many packages before the last one are looked for, too: a forked history counts on from a number that is known already."""
_LARGEST_MANIFEST = 64 * 2**20
_AWAY = 3
"""After so many sites in a row whose storage cannot be reached it is away for all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of one site's packages.

    Parameters
    ----------
    registered
        Numbers that were registered now.
    refused
        What is refused now, whether it was before or not.
    waits
        Packages that wait for one before them, or for a decision.
    state
        open, held or closed; ``fork`` where two histories wait for a decision.
    error
        Why the site could not be looked at to the end; empty otherwise.
    """

    site: str
    registered: list[int] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    waits: int = 0
    state: str = "open"
    error: str = ""


class _RefusedPackage(Exception):
    def __init__(self, kind: str, words: str) -> None:
        super().__init__(words)
        self.kind = kind


@dataclass(frozen=True, slots=True)
class _Candidate:
    key: str
    number: int
    sha256: str
    stored_at: datetime


def waiting(register: Register, storage: Storage, site: SiteState) -> list[Stored]:
    """Return a site's packages that are not registered, the last `_LOOK_BACK` numbers before its last one among them: one request."""
    last = site.last.number if site.last is not None else 0
    folder = packages_of(site.name)
    found = storage.stored(folder, after=f"{folder}/{last - _LOOK_BACK:08}" if last > _LOOK_BACK else "")
    known = {package.sha256 for package in recent(register, site)}
    return [one for one in found if (named := _named(one.key)) is None or named[2] not in known]


def recent(register: Register, site: SiteState) -> list[Registered]:
    """Return what is registered from `_LOOK_BACK` numbers before the last package of a site, as it was seen, on: no older one is looked for."""
    return register.packages(site.name, since=(site.last.number if site.last is not None else 0) - _LOOK_BACK)


def _named(key: str) -> re.Match[str] | None:
    return _NAME.fullmatch(key.rpartition("/")[2])


def take_in_site(place: Centre, register: Register, storage: Storage, name: str) -> Taken:
    """Take in what is new of one site, and tell the site in storage.

    Raises
    ------
    UsageError
        If nobody added the site.
    EnvironmentProblem
        If storage or register are away; what was registered until then is registered.
    """
    site = register.site(name)
    registered: list[int] = []
    taken, left = register.branches(name)
    waits, state = 0, site.state
    if state == "open":
        found = _candidates(register, waiting(register, storage, site), name)
        rest = sorted(
            (c for c in found if c.sha256 not in left), key=lambda c: (c.sha256 not in taken, c.number, c.sha256)
        )
        state = "fork" if _forked(register, name, taken) else state
        while rest and state == "open":
            step = _Step(place, register, storage, site, taken)
            package = step.next_of(rest)
            if package is None:
                state = "fork" if _forked(register, name, taken) else state
                break
            registered += [package.number] if step.let_in(package) else []
            rest = [c for c in rest if c.sha256 != package.sha256]
            site = register.site(name)
        waits = len(rest)
    refused = register.refusals(name)
    tell(place, storage, _head(register.site(name), refused, state))
    waits -= len({refusal.sha256 for refusal in refused if refusal.kind not in ("gap", "name")}) if waits else 0
    return Taken(site=name, registered=registered, refused=refused, waits=waits, state=state)


def _candidates(register: Register, stored: Iterable[Stored], site: str) -> list[_Candidate]:
    found = []
    for one in stored:
        if (named := _named(one.key)) is not None:
            found.append(_Candidate(one.key, int(named[1]), named[2], one.modified))
            continue
        words = f"{one.key} has no name that a package has. Nobody but site {site} writes there: see who can."
        sha256 = hashlib.sha256(one.key.encode()).hexdigest()
        register.refuse(Refusal(site=site, number=0, sha256=sha256, kind="name", words=words, at=now()))
    return found


def _forked(register: Register, name: str, taken: set[str]) -> bool:
    return any(refusal.kind == "fork" and refusal.sha256 not in taken for refusal in register.refusals(name))


class _Step:
    """One look for the next package of a site."""

    def __init__(self, place: Centre, register: Register, storage: Storage, site: SiteState, taken: set[str]) -> None:
        self.place, self.register, self.storage, self.site, self.taken = place, register, storage, site, taken
        self.manifest: Manifest
        self.replaced: set[str] = set()

    def next_of(self, candidates: list[_Candidate]) -> Registered | None:
        """Return the package to register next, None where there is none; what cannot be taken is refused."""
        last = self.site.last
        number, sha256, generation = (last.number, last.sha256, last.generation) if last else (0, "", 1)
        signed: list[tuple[_Candidate, Manifest]] = []
        for candidate in candidates:
            chosen = candidate.sha256 in self.taken
            if candidate.number > number + 1 and not chosen:
                continue
            try:
                manifest = self._looked_at(candidate)
            except _RefusedPackage as refusal:
                self._refuse(candidate, refusal.kind, str(refusal))
                continue
            if chosen:
                signed = [(candidate, manifest)]
                break
            signed.append((candidate, manifest))
        if not signed:
            self._gap(candidates, number + 1)
            return None
        following = [(c, m) for c, m in signed if c.number == number + 1 and m.before == sha256]
        branches = signed if len(following) > 1 else [pair for pair in signed if pair not in following]
        candidate, manifest = signed[0]
        if branches and candidate.sha256 not in self.taken:
            for candidate, manifest in branches:
                self._refuse(candidate, "fork", self._fork(candidate, manifest, len(branches)))
            return None
        try:
            self._whole(manifest)
        except IntegrityProblem as problem:
            self._refuse(
                candidate, "piece",
                f"Package {candidate.number}: {problem}. It is refused until that is mended: let who runs storage delete what is "
                f"wrong, then at the site: annealog publish --again. Later packages wait.",
            )  # fmt: skip
            return None
        return self._row(candidate, manifest, generation if following else generation + 1)

    def let_in(self, package: Registered) -> bool:
        """Register a package, and forget what it replaces; False where somebody else registered it, or another one."""
        try:
            let_in = self.register.let_in(package)
        except IntegrityProblem:
            return False
        if let_in:
            remember(self.place.cache, self.manifest)
            forget(self.place.cache, self.replaced)
        return let_in

    def _looked_at(self, candidate: _Candidate) -> Manifest:
        """Return the manifest of a candidate, if it is what its name says and signed by its site."""
        number, site = candidate.number, self.site.name
        again = f"Package {number}: %s. Let who runs storage delete {candidate.key}, then at the site: annealog publish --continue"
        try:
            document, signature = unsealed(self.storage.get(candidate.key, largest=_LARGEST_MANIFEST))
            manifest = Manifest.of(document)
        except TooLong as error:
            raise _RefusedPackage(
                "damaged", again % f"its manifest has {error.size:,} bytes, no manifest is so long"
            ) from None
        except FileNotFoundError:
            raise _RefusedPackage(
                "damaged", f"Package {number}: {candidate.key} went while it was looked at."
            ) from None
        except (IntegrityProblem, ValueError, TypeError) as error:
            raise _RefusedPackage("damaged", again % error) from None
        if manifest.site != site:
            raise _RefusedPackage(
                "foreign",
                f"Package {number} says that it is of site {manifest.site}, and lies among those of {site}. Nothing of it is "
                f"taken. See who can write to sites/{site}: each site's credential reaches its own folder alone.",
            )
        if not signed_by(document, signature, self.site.key):
            raise _RefusedPackage(
                "signature",
                f"Package {number} was not signed with the key of {site}, or altered since. If the site has a new key: "
                f"annealog centre site add {site} --key FILE. If not, somebody else can write to sites/{site}.",
            )
        if (manifest.number, manifest.sha256) != (number, candidate.sha256):
            raise _RefusedPackage("damaged", again % "its name is not the number and hash of what it holds")
        return manifest

    def _whole(self, manifest: Manifest) -> None:
        """Fetch and check the pieces that the package before did not have."""
        known: set[Piece] = set()
        self.manifest, last = manifest, self.site.last
        if last is not None:
            with contextlib.suppress(IntegrityProblem):  # else all are looked at
                known = set(manifest_of(self.storage, last, self.place.cache).pieces)
            self.replaced = {last.sha256, *(piece.sha256 for piece in known)} - {p.sha256 for p in manifest.pieces}
        fetch_all(self.storage, self.site.name, set(manifest.pieces) - known, self.place.cache)

    def _row(self, candidate: _Candidate, manifest: Manifest, generation: int) -> Registered:
        stored = candidate.stored_at
        clock = (stored - (moment_of(manifest.made_at) or stored)).total_seconds()
        same = {name: getattr(manifest, name) for name in _SAME}
        return Registered(
            **same, generation=generation, sha256=candidate.sha256, stored_at=stored.isoformat(), clock_s=clock,
            pieces=len(manifest.pieces), bytes=sum(piece.bytes for piece in manifest.pieces), at=now(),
        )  # fmt: skip

    def _fork(self, candidate: _Candidate, manifest: Manifest, several: int) -> str:
        site, last = self.site.name, self.site.last
        if last is not None and candidate.number <= last.number:
            what = f"another package with this number was registered, and {last.number} is the last one"
        elif several > 1:
            what = f"there are {several} packages that could be the next one"
        else:
            what = f"it follows {manifest.before[:16] or 'nothing'}, and the last one registered is " + (
                f"{last.number} ({last.sha256[:16]})" if last else "none"
            )
        return (
            f"Package {candidate.number} ({candidate.sha256[:16]}) is from another history of site {site}: {what}. Probably a restored "
            f"backup or a copy publishes beside the original. Nothing of {site} is taken in until one of them is stopped and a "
            f"person says which is the site: annealog centre site branch {site} HASH --by NAME --why TEXT. The other one may then go on "
            f"behind it: annealog publish --continue"
        )

    def _gap(self, candidates: list[_Candidate], number: int) -> None:
        later = [candidate for candidate in candidates if candidate.number > number]
        if not later or any(candidate.number == number for candidate in candidates):
            return
        since = min(candidate.stored_at for candidate in later)
        hours = self.place.settings.gap_after_hours
        if datetime.now(UTC) - since < timedelta(hours=hours):
            return
        words = (
            f"Package {number} is missing: {len(later)} later ones wait for it, the first since {since:%Y-%m-%d %H:%M} UTC. "
            f"At site {self.site.name}: annealog publish; if nothing waits there: annealog publish --continue"
        )
        self._refuse(_Candidate("", number, "", since), "gap", words)

    def _refuse(self, candidate: _Candidate, kind: str, words: str) -> None:
        refusal = Refusal(
            site=self.site.name, number=candidate.number, sha256=candidate.sha256, kind=kind, words=words, at=now()
        )
        self.register.refuse(refusal)


_SAME = ("site", "number", "before", "made_at", "program", "as_of", "history_state", "head", "last_reading_at")
"""What the register takes from the manifest as it stands there."""


def _head(site: SiteState, refusals: list[Refusal], state: str) -> Head:
    """Return what a site may know of itself."""
    words = [refusal.words for refusal in refusals]
    if state in ("held", "closed"):
        words.insert(0, f"The centre takes nothing from this site ({state}): {site.why}")
    last = site.last
    return Head(
        site=site.name, number=last.number if last else 0, sha256=last.sha256 if last else "", at=last.at if last else "",
        refused="\n".join(words),
    )  # fmt: skip


def take_in(
    place: Centre,
    register: Register,
    storage: Storage,
    sites: Iterable[str],
    *,
    progress: Callable[[Taken], None] | None = None,
) -> list[Taken]:
    """Take in what is new of some sites; what is wrong with one costs no other.

    Raises
    ------
    EnvironmentProblem
        If storage or register are away for several sites in a row.
    """
    found, away = [], 0
    for name in sites:
        try:
            taken, away = take_in_site(place, register, storage, name), 0
        except EnvironmentProblem as error:
            away += 1
            if away == _AWAY:
                raise
            taken = Taken(site=name, error=str(error))
        except AnnealogError as error:
            taken = Taken(site=name, error=str(error))
        found.append(taken)
        if progress is not None:
            progress(taken)
    return found


def strangers(register: Register, storage: Storage) -> list[str]:
    """Return the sites that publish and that nobody added; each is refused in the register until somebody does."""
    known = {site.name for site in register.sites()}
    found = [name for name in storage.folders("sites") if name not in known]
    for name in found:
        words = (
            f"A site {name!r} publishes that nobody added: nothing of it is taken. Compare its key with the site, then: "
            f"annealog centre site add {name} --key FILE --by NAME --why TEXT"
        )
        register.refuse(Refusal(site=name, number=0, sha256="", kind="unknown", words=words, at=now()))
    return found
