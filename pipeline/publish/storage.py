"""The storage that sites and centre share: a folder, or a bucket of any store that speaks the S3 protocol.

Nothing is written over but the heads that the centre keeps, and nothing is ever deleted: whoever publishes needs no right to do so.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import obstore
from obstore import exceptions
from obstore.store import LocalStore, S3Store

from pipeline.errors import DiskFull, EnvironmentProblem, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from obstore.store import ClientConfig

__all__ = ["Storage", "Stored", "TooLong"]

_CREDENTIALS = ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY")
_LONGEST_S, _CONNECT_S, _AGAIN_S = 120, 5, 20
"""A piece has at most a few megabytes; a slow line has two minutes for it, a store that is away is given up soon."""


@dataclass(frozen=True, slots=True, order=True)
class Stored:
    """An object by its key, and when it was stored, by the clock of the storage."""

    key: str
    modified: datetime


class TooLong(Exception):
    """An object that has more bytes than were asked for; nothing of it was read."""

    def __init__(self, size: int) -> None:
        super().__init__(size)
        self.size = size


class Storage:
    """Objects by key, at an address.

    Parameters
    ----------
    address
        A folder that is there, or ``s3://bucket/prefix``. The credentials of a bucket come from the environment alone
        (``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY``, ``AWS_ENDPOINT_URL``, ``AWS_REGION``).
    base
        What a folder is relative to.

    Raises
    ------
    UsageError
        If the address names no storage.
    EnvironmentProblem
        If the folder is not there, or the credentials are lacking.
    """

    def __init__(self, address: str, base: Path | None = None) -> None:
        self.address = address if "://" in address else str((base or Path.cwd()) / Path(address).expanduser())
        if "://" not in address:
            if not address.strip():
                raise UsageError("The address of the storage is empty: name a folder, or s3://BUCKET/PREFIX.")
            if not Path(
                self.address
            ).is_dir():  # making it would publish onto the disk below a share that is not mounted
                raise EnvironmentProblem(
                    f"There is no folder {self.address}. Is its disk or share there? Make it once."
                )
            self._store: LocalStore | S3Store = LocalStore(self.address)
            return
        parts = urlsplit(address)
        if parts.scheme != "s3" or not parts.hostname or "@" in parts.netloc or parts.query:
            raise UsageError(
                f"{parts.scheme}://... names no storage: expected a folder, or s3://BUCKET/PREFIX without a key."
            )
        if lacking := [name for name in _CREDENTIALS if not os.environ.get(name)]:
            raise EnvironmentProblem(f"Storage {address} needs {' and '.join(lacking)} in the environment.")
        client: ClientConfig = {"timeout": f"{_LONGEST_S}s", "connect_timeout": f"{_CONNECT_S}s"}
        if urlsplit(os.environ.get("AWS_ENDPOINT_URL", "")).hostname in ("127.0.0.1", "::1", "localhost"):
            client["allow_http"] = True  # elsewhere readings and credentials travel over TLS
        self._store = S3Store(
            parts.netloc,
            prefix=parts.path.strip("/") or None,
            client_options=client,
            retry_config={"max_retries": 2, "retry_timeout": timedelta(seconds=_AGAIN_S)},
        )

    @contextmanager
    def _told(self, action: str, key: str) -> Iterator[None]:
        try:
            yield
        except (exceptions.PermissionDeniedError, exceptions.UnauthenticatedError, PermissionError):
            raise EnvironmentProblem(
                f"Storage {self.address} does not let us {action} {key}: check credentials and rights."
            ) from None
        except exceptions.BaseError as error:
            text = str(error).splitlines()[0]
            if "No space left" in text or "os error 28" in text:
                raise DiskFull(f"Cannot {action} {key}: the disk of {self.address} is full.") from None
            raise EnvironmentProblem(f"Storage {self.address} cannot {action} {key}: {text[:300]}") from None
        except OSError as error:
            if isinstance(error, FileNotFoundError) and action == "read":
                raise FileNotFoundError(f"{self.address} has no {key}") from None
            raise EnvironmentProblem(
                f"Storage {self.address} cannot {action} {key}: {str(error).splitlines()[0][:300]}"
            ) from None

    def put_if_absent(self, key: str, data: bytes) -> bool:
        """Store an object unless there is one of this key; whether it was stored. Of several at once one wins.

        Raises
        ------
        EnvironmentProblem
            If storage cannot be reached or refuses.
        """
        with self._told("write", key):
            try:
                obstore.put(self._store, key, data, mode="create", use_multipart=False)
            except (exceptions.AlreadyExistsError, exceptions.PreconditionError, FileExistsError):
                return False
        return True

    def replace(self, key: str, data: bytes) -> None:
        """Store an object in the place of the one before: for heads alone."""
        with self._told("write", key):
            obstore.put(self._store, key, data, mode="overwrite", use_multipart=False)

    def get(self, key: str, *, largest: int | None = None) -> bytes:
        """Return an object, in one request.

        Raises
        ------
        FileNotFoundError
            If there is none of this key.
        TooLong
            If it has more bytes than `largest`.
        EnvironmentProblem
            If storage cannot be reached or refuses.
        """
        with self._told("read", key):
            found = obstore.get(self._store, key)
            if largest is not None and found.meta["size"] > largest:
                raise TooLong(found.meta["size"])
            return bytes(found.bytes())

    def size(self, key: str) -> int | None:
        """Return the bytes of an object; None where there is none."""
        try:
            with self._told("read", key):
                return int(obstore.head(self._store, key)["size"])
        except FileNotFoundError:
            return None

    def modified(self, key: str) -> datetime:
        """Return when an object was stored, by the clock of the storage."""
        with self._told("read", key):
            return obstore.head(self._store, key)["last_modified"].astimezone(UTC)

    def stored(self, prefix: str, after: str = "") -> list[Stored]:
        """Return what lies below a prefix (whole segments) and sorts behind a key, in order."""
        with self._told("list", prefix):
            found = obstore.list(self._store, prefix, offset=after or None).collect()
        return sorted(Stored(item["path"], item["last_modified"].astimezone(UTC)) for item in found)

    def keys(self, prefix: str) -> list[str]:
        """Return the keys below a prefix, in order."""
        return [one.key for one in self.stored(prefix)]

    def folders(self, prefix: str) -> list[str]:
        """Return the names of the folders right below a prefix, in order, whatever lies in them."""
        with self._told("list", prefix):
            found = obstore.list_with_delimiter(self._store, prefix)["common_prefixes"]
        return sorted(path.rstrip("/").rpartition("/")[2] for path in found)
