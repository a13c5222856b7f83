"""Sealing: a document signed with an Ed25519 key (RFC 8032) over its canonical bytes, so that who keeps it cannot forge it."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from pipeline.errors import EnvironmentProblem, IntegrityProblem, UsageError
from pipeline.workspace.files import cannot, read_bytes, write_atomically
from schemas.company import canonical

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["key_pair", "make_key", "public_half", "public_key", "read_key", "sealed", "signed_by", "unsealed"]

_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS)
"""What file systems without hard links say, such as FAT and some shares."""


def make_key(path: Path) -> str:
    """Make a key, for its owner alone to read; return its public half. Of several at once one wins, and nobody sees half a key.

    Raises
    ------
    UsageError
        If there is a file already: what was signed with it could not be followed by anything else.
    EnvironmentProblem
        If it cannot be written.
    """
    key = Ed25519PrivateKey.generate()
    form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    whole = None
    try:
        descriptor, whole = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")  # 0600
        with os.fdopen(descriptor, "wb") as file:
            file.write(key.private_bytes(*form))
            file.flush()
            os.fsync(file.fileno())
        _put_if_absent(Path(whole), path)
    except FileExistsError:
        raise UsageError(
            f"There is a key already: {path}. It is not overwritten. Its public half: {path.with_suffix('.pub')}"
        ) from None
    except OSError as error:
        raise cannot("write", path, error) from None
    finally:
        if whole is not None:
            Path(whole).unlink(missing_ok=True)
    return public_half(key)


def _put_if_absent(whole: Path, path: Path) -> None:
    """Give a file its name, unless there is one of this name: a hard link does both in one step.

    Where the file system has none, whoever could make a claim beside it looks and renames.
    """
    try:
        os.link(whole, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        claim = path.with_name(f".{path.name}.claim")
        try:
            os.close(os.open(claim, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            raise EnvironmentProblem(
                f"{claim} is there: somebody makes {path} just now, or was stopped while he did. If nobody does, remove it; "
                "then ask again."
            ) from None
        try:
            if path.exists():
                raise FileExistsError(path) from None
            whole.rename(path)
        finally:
            claim.unlink()


def key_pair(path: Path, make: str) -> str:
    """Return the public half of a key, which lies beside it; either is made where it is lacking, also by whoever was killed between the two.

    Parameters and errors as for :func:`read_key`; what is there is never overwritten, but a public half that is of another key.
    """
    if not path.exists():
        with contextlib.suppress(UsageError):  # somebody else made it meanwhile
            make_key(path)
    half, public = public_half(read_key(path, make)), path.with_suffix(".pub")
    if not (public.is_file() and public.read_bytes() == half.encode()):
        write_atomically(public, half.encode())
    return half


def public_half(key: Ed25519PrivateKey) -> str:
    """Return the public half of a key, as PEM."""
    form = serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    return key.public_key().public_bytes(*form).decode()


def read_key(path: Path, make: str) -> Ed25519PrivateKey:
    """Return a key.

    Parameters
    ----------
    path
        Its file.
    make
        The command that makes one.

    Raises
    ------
    UsageError
        If there is none, it is no Ed25519 key, or others can read it.
    """
    try:
        others = path.stat().st_mode & 0o077
    except FileNotFoundError:
        raise UsageError(f"There is no key {path} to sign with. Make one: {make}") from None
    except OSError as error:
        raise cannot("read", path, error) from None
    if others:
        raise UsageError(f"The key {path} can be read by others, who could sign with it. Narrow it: chmod 600 {path}")
    try:
        key = serialization.load_pem_private_key(read_bytes(path), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise UsageError(
            f"{path} is no Ed25519 key in PEM without a password. Put the right one back; for a new one move it away: {make}"
        )
    return key


def sealed(document: Mapping[str, Any], key: Ed25519PrivateKey) -> bytes:
    """Return a document with its signature, as it lies in storage. The same document and key give the same bytes."""
    return canonical({"manifest": document, "signature": key.sign(canonical(document)).hex()})


def unsealed(data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return the document and the signature of sealed bytes, neither looked at yet.

    Raises
    ------
    IntegrityProblem
        If they are no sealed document.
    """
    try:
        found = json.loads(data)
        document, signature = found["manifest"], bytes.fromhex(found["signature"])
        canonical(document)  # NaN and lone surrogates have no form that could be signed
    except (ValueError, KeyError, TypeError, RecursionError):
        document = signature = None
    if not isinstance(document, dict) or signature is None or set(found) != {"manifest", "signature"}:
        raise IntegrityProblem("it is no sealed document: expected a manifest and its signature as JSON")
    return document, signature


def public_key(public: str) -> Ed25519PublicKey:
    """Return a public key of its PEM.

    Raises
    ------
    UsageError
        If that is no Ed25519 key.
    """
    try:
        key = serialization.load_pem_public_key(public.encode())
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise UsageError("This is no public Ed25519 key in PEM, as 'annealog publish key' prints it.")
    return key


def signed_by(document: Mapping[str, Any], signature: bytes, public: str) -> bool:
    """Whether a document was signed by the owner of a public key; errors as for :func:`public_key`."""
    try:
        public_key(public).verify(signature, canonical(document))
    except InvalidSignature:
        return False
    return True
