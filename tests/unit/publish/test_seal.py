"""Sealing against the worked example of RFC 8032, 7.1; and everything that must not pass."""

from __future__ import annotations

import json
import stat
from typing import TYPE_CHECKING

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from pipeline.errors import IntegrityProblem, UsageError
from pipeline.publish import seal

if TYPE_CHECKING:
    from pathlib import Path

DOCUMENT = {"site": "P-1", "number": 1, "words": "Straße"}


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.key"
    seal.make_key(path)
    return path


def test_the_signature_is_that_of_rfc_8032() -> None:
    """RFC 8032, 7.1, TEST 3: secret key, message of two bytes and signature, read through the same library calls."""
    secret = bytes.fromhex("c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7")
    expected = (
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
        "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"
    )
    assert Ed25519PrivateKey.from_private_bytes(secret).sign(bytes.fromhex("af82")).hex() == expected


def test_sealed_and_opened_again(key_file: Path) -> None:
    key = seal.read_key(key_file, "make")
    data = seal.sealed(DOCUMENT, key)
    assert data == seal.sealed(DOCUMENT, key), "sending again sends the same bytes"
    document, signature = seal.unsealed(data)
    assert document == DOCUMENT
    assert seal.signed_by(document, signature, seal.public_half(key))


def test_a_changed_document_or_another_key_does_not_pass(key_file: Path, tmp_path: Path) -> None:
    key = seal.read_key(key_file, "make")
    document, signature = seal.unsealed(seal.sealed(DOCUMENT, key))
    assert not seal.signed_by({**document, "number": 2}, signature, seal.public_half(key))
    assert not seal.signed_by(document, signature[:-1] + bytes([signature[-1] ^ 1]), seal.public_half(key))
    assert not seal.signed_by(document, signature, seal.make_key(tmp_path / "other.key"))


def test_the_key_is_for_its_owner_alone_and_never_overwritten(key_file: Path) -> None:
    before = key_file.read_bytes()
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600
    with pytest.raises(UsageError, match="not overwritten"):
        seal.make_key(key_file)
    assert key_file.read_bytes() == before


def test_a_key_that_is_not_there_or_is_none(key_file: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="Make one: annealog publish key"):
        seal.read_key(tmp_path / "none.key", "annealog publish key")
    key_file.chmod(0o640)
    with pytest.raises(UsageError, match="chmod 600"):
        seal.read_key(key_file, "make")
    key_file.chmod(0o600)
    key_file.write_text("no key")
    with pytest.raises(UsageError, match="no Ed25519 key"):
        seal.read_key(key_file, "make")
    with pytest.raises(UsageError, match="no public Ed25519 key"):
        seal.signed_by(DOCUMENT, b"", "no key")


@pytest.mark.parametrize(
    "data",
    [
        b"", b"\xff", b"[]", b"{}", b'{"manifest": {}}', b'{"manifest": [], "signature": ""}',
        b'{"manifest": {}, "signature": "zz"}', b'{"manifest": {}, "signature": "", "more": 1}',
        b'{"manifest": {"a": NaN}, "signature": ""}', b'{"manifest": {"a": "\\ud800"}, "signature": ""}',
        json.dumps({"manifest": None, "signature": "00"}).encode(), b"[" * 100_000,
    ],
)  # fmt: skip
def test_what_is_no_sealed_document(data: bytes) -> None:
    with pytest.raises(IntegrityProblem, match="no sealed document"):
        seal.unsealed(data)
