"""The outbox of a site: a package is written here whole before anything of it is sent, and sent again until storage has it.

At most one package waits: each is the whole state, so whatever comes while storage is away goes with the next one. Pieces are put
first, the manifest last, each only if it is absent: whoever reads the storage sees whole packages alone. An address has an
outbox, a count and a chain of its own.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pipeline.errors import AnnealogError, EnvironmentProblem, IntegrityProblem, UsageError
from pipeline.history.store import History
from pipeline.judge.carry_on import everything
from pipeline.judge.findings import state_of
from pipeline.publish.given import CENTRE_KEY, believed, centre_key
from pipeline.publish.package import pieces_of
from pipeline.publish.seal import read_key, sealed, unsealed
from pipeline.publish.storage import Storage
from pipeline.workspace.files import read_bytes, sha256_of, write_atomically
from pipeline.workspace.locks import only_one
from pipeline.workspace.program import program, software_version
from schemas.company import Head, Manifest, Piece, is_site_name

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["KEY", "MAKE_KEY", "Outbox", "Published", "State"]

KEY = "site.key"
"""Name of the file in the workspace; its public half lies beside it."""
MAKE_KEY = "annealog publish key"


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """What was sent: packages by number, none where storage had everything already; pieces that were not there, and their bytes."""

    packages: tuple[int, ...]
    pieces: int
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What the outbox holds, and what the centre has said.

    Parameters
    ----------
    sent, waiting
        Number and hash of the last package that storage has, and of the one that waits.
    bytes
        Of the pieces that wait.
    problem, tried_at
        Why the last attempt failed, in words; and when it was made.
    head
        What the centre wrote of this site; None where it wrote nothing yet, or cannot be believed.
    unbelieved
        Why what lies there in the centre's name is not believed, in words; else empty.
    """

    site: str
    address: str
    sent: tuple[int, str] | None
    waiting: tuple[int, str] | None
    bytes: int
    problem: str
    tried_at: str
    head: Head | None
    unbelieved: str

    @property
    def refused(self) -> str:
        """Why the centre does not take in what was sent, in words; empty where it does, or has not looked yet."""
        if self.head is None:
            return ""
        number, sha256 = self.sent or (0, "")
        if self.head.number > number or (self.head.number == number and self.head.sha256 != sha256):
            return (
                f"The centre has a package {self.head.number} of {self.site} that was not sent from here: a second workspace sends "
                "under this name, or this one was restored or moved. Settle which one is the site's; to go on from here: annealog "
                f"publish --continue. {self.head.refused}"
            ).strip()
        return self.head.refused


def _stamp() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


class Outbox:
    """What a workspace sends to one address.

    Parameters
    ----------
    workspace
        With `site` in its settings.
    address
        Of the storage; None takes `publish_to`.

    Raises
    ------
    UsageError
        If the settings name no site or no address.
    """

    def __init__(self, workspace: Workspace, address: str | None = None) -> None:
        settings = workspace.settings
        self.workspace, self.site = workspace, settings.site
        self.address = address or settings.publish_to
        if not is_site_name(self.site):
            raise UsageError('The site has no name to publish under. Set site = "P-017" in annealog.toml.')
        if not self.address:
            raise UsageError(
                'There is nowhere to publish to. Set publish_to = "..." in annealog.toml, or give --to ADDRESS.'
            )
        self._place, self._said = f"sites/{self.site}", f"centre/heads/{self.site}.json"
        top = workspace.root / "outbox"
        self._folder = top / hashlib.sha256(f"{self.site} {self.address}".encode()).hexdigest()[:16]
        self._blobs = self._folder / "blobs"
        self._put_pieces = self._put_bytes = 0

    # -- sending ------------------------------------------------------------------------------------------------

    def publish(self, *, again: bool = False, follow: bool = False) -> Published:
        """Send what changed since the last package, and what waits from before.

        Parameters
        ----------
        again
            Offer every piece again, also those that storage is thought to have; a package that waits is made anew.
        follow
            Go on behind the last package that the centre knows of this site, or storage has, whatever was sent from here.

        Raises
        ------
        UsageError
            If there is no key, storage has packages of this site that were not sent from here, or `follow` cannot know what the centre has.
        HistoryBusy
            If another process publishes, or holds the history.
        EnvironmentProblem
            If storage is away or refuses; what was made waits.
        IntegrityProblem
            If what waits was altered.
        """
        key = read_key(self.workspace.root / KEY, MAKE_KEY)
        self._blobs.mkdir(parents=True, exist_ok=True)
        with only_one(self._folder / "lock", "publication", lambda _: None):
            problem = "It was stopped before it was done."
            try:
                storage = Storage(self.address, self.workspace.root)
                if again or follow:
                    self._withdraw(storage)
                sent = self._send(storage)
                self._make(self._last_known(storage, follow=follow), key, again=again)
                sent += self._send(storage)
                problem = ""
            except AnnealogError as error:
                problem = str(error)
                raise
            finally:
                self._keep({"problem": problem, "tried_at": _stamp()})
        return Published(packages=tuple(sent), pieces=self._put_pieces, bytes=self._put_bytes)

    def _send(self, storage: Storage) -> list[int]:
        """Put what waits, pieces first and the manifest last; return the number of the package, where there was one."""
        for path in sorted(self._blobs.iterdir()):
            if path.name.startswith("."):  # half of one, of a process that was killed
                path.unlink()
                continue
            data = read_bytes(path)
            if sha256_of(data) != path.name:
                raise IntegrityProblem(f"{path} is not what its name says. Remove it and run: annealog publish --again")
            if self._put(storage, f"{self._place}/blobs/{path.name}", data):
                self._put_pieces, self._put_bytes = self._put_pieces + 1, self._put_bytes + len(data)
            path.unlink()
        waiting = self._package("waiting")
        if waiting is None:
            return []
        self._put(storage, f"{self._place}/packages/{waiting.name}", (self._folder / "waiting.json").read_bytes())
        (self._folder / "waiting.json").replace(self._folder / "sent.json")
        return [waiting.number]

    def _put(self, storage: Storage, key: str, data: bytes) -> bool:
        """Put something, unless it is there whole; whether it was not."""
        if storage.put_if_absent(key, data):
            return True
        if (size := storage.size(key)) != len(data):
            raise EnvironmentProblem(
                f"Storage {self.address} has {key} with {size} bytes, not {len(data)}: it was cut short or altered there. Whoever "
                "keeps the storage removes it; then run: annealog publish --again"
            )
        return False

    def _withdraw(self, storage: Storage) -> None:
        """Take back what waits, unless storage has it: then it was sent."""
        waiting = self._package("waiting")
        if waiting is not None:
            there = storage.size(f"{self._place}/packages/{waiting.name}") is not None
            path = self._folder / "waiting.json"
            path.replace(self._folder / "sent.json") if there else path.unlink()

    def _last_known(self, storage: Storage, *, follow: bool) -> tuple[int, str, tuple[Piece, ...]]:
        """Return number, hash and pieces of the package that the next one goes behind."""
        sent = self._package("sent")
        if sent is not None and not follow:
            return sent.number, sent.sha256, sent.pieces
        names = [key.rpartition("/")[2] for key in storage.keys(f"{self._place}/packages")]
        if names and not follow:
            raise UsageError(
                f"{self.address} has {len(names)} packages of site {self.site}, none of them sent from here. If another workspace "
                "bears this name, give one of them another (site in annealog.toml). If this one took its place, was restored or "
                "moved, go on behind them: annealog publish --continue"
            )
        if centre_key(self.workspace.root) is None and follow and storage.size(self._said) is not None:
            raise UsageError(
                f"Which package of {self.site} the centre has stands in storage, and is believed by the centre's key alone. Put what "
                f"'annealog centre key' prints at the centre, had by another way than the storage, into {CENTRE_KEY} beside annealog.toml; "
                "then: annealog publish --continue"
            )
        head = self._head(storage)
        if head is not None and head.number:
            return head.number, head.sha256, ()
        number, _, rest = names[-1].partition("-") if names else ("0", "", "")
        return int(number), rest.removesuffix(".json"), ()

    # -- making -------------------------------------------------------------------------------------------------

    def _make(self, behind: tuple[int, str, tuple[Piece, ...]], key: Ed25519PrivateKey, *, again: bool) -> None:
        """Write a package into the outbox, unless nothing changed."""
        number, before, there = behind
        has = {} if again else {piece.sha256: piece for piece in there}
        kept = self._kept()
        with History.open(self.workspace.history, wait_s=self.workspace.settings.busy_wait_seconds) as history:
            seen = [state_of(history), program()]
            if kept.get("seen") == [before, *seen] and not again:
                return
            known = {mark: has[sha256] for mark, sha256 in kept.get("marks", {}).items() if sha256 in has}
            found = everything(history, self.workspace.settings, as_of=None)

            def put(piece: Piece, data: bytes) -> None:
                if piece.sha256 not in has:
                    write_atomically(self._blobs / piece.sha256, data)

            pieces, marks = pieces_of(history, found, known, put)
            manifest = self._manifest(history, found, number + 1, before, pieces)
        if pieces != there:
            write_atomically(self._folder / "waiting.json", sealed(manifest.document, key))
            before = manifest.sha256
        self._keep({"seen": [before, *seen], "marks": {mark: piece.sha256 for mark, piece in marks.items()}})

    def _manifest(
        self, history: History, found: Assessment, number: int, before: str, pieces: tuple[Piece, ...]
    ) -> Manifest:
        chain, last = history.event_rows(), history.last_measured_at()

        def text(moment: datetime | None) -> str:
            return "" if moment is None else moment.astimezone(UTC).isoformat().replace("+00:00", "Z")

        return Manifest(
            site=self.site,
            number=number,
            before=before,
            made_at=_stamp(),
            program=software_version(),
            as_of=text(found.as_of),
            history_state=history.state(),
            head=str(chain["hash"][-1]) if chain.height else "",
            last_reading_at=text(last),
            pieces=pieces,
        )

    # -- looking ------------------------------------------------------------------------------------------------

    def state(self) -> State:
        """Say what was sent, what waits and what the centre said of it; a storage that is away is told, not raised."""
        sent, waiting = self._package("sent"), self._package("waiting")
        kept = self._kept()
        head, unbelieved, problem = None, "", str(kept.get("problem", ""))
        try:
            head = self._head(Storage(self.address, self.workspace.root))
        except (EnvironmentProblem, UsageError) as error:
            problem = problem or str(error)
        except IntegrityProblem as error:
            unbelieved = str(error)
        return State(
            site=self.site,
            address=self.address,
            sent=None if sent is None else (sent.number, sent.sha256),
            waiting=None if waiting is None else (waiting.number, waiting.sha256),
            bytes=sum(path.stat().st_size for path in self._blobs.glob("*")) if waiting else 0,
            problem=problem,
            tried_at=str(kept.get("tried_at", "")),
            head=head,
            unbelieved=unbelieved,
        )

    def _head(self, storage: Storage) -> Head | None:
        """Return what the centre wrote of this site; None where it wrote nothing, or its key is not here."""
        what, key = f"What lies in storage as the centre's word on {self.site}", centre_key(self.workspace.root)
        try:
            data = storage.get(self._said)
        except FileNotFoundError:
            return None
        if key is None:
            return None
        try:
            head = Head.of(believed(data, key, what))
        except ValueError as error:
            raise IntegrityProblem(f"{what} cannot be read: {error}.") from None
        if head.site != self.site:
            raise IntegrityProblem(
                f"{what} is about {head.site}: somebody put it there. Ask the centre, and who can write to it."
            )
        return head

    def _package(self, name: str) -> Manifest | None:
        path = self._folder / f"{name}.json"
        if not path.exists():
            return None
        try:
            return Manifest.of(unsealed(read_bytes(path))[0])
        except (IntegrityProblem, ValueError) as error:
            raise IntegrityProblem(
                f"{path} was altered: {error}. Remove it and run: annealog publish --continue"
            ) from None

    def _kept(self) -> dict[str, Any]:
        """Return what spares work and tells of the last attempt; losing it loses nothing else."""
        with contextlib.suppress(OSError, ValueError):
            found = json.loads((self._folder / "kept.json").read_bytes())
            if isinstance(found, dict):
                return found
        return {}

    def _keep(self, more: dict[str, Any]) -> None:
        write_atomically(self._folder / "kept.json", json.dumps({**self._kept(), **more}).encode())
