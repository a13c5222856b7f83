"""Sealing against the worked example of RFC 8032, 7.1; and everything that must not pass."""

from __future__ import annotations

import errno
import json
import os
import stat
import threading
from typing import TYPE_CHECKING

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from pipeline.errors import EnvironmentProblem, IntegrityProblem, UsageError
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


@pytest.fixture(params=[True, False], ids=["links", "no links"])
def links(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Whether the file system has hard links."""

    def none(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    if not request.param:
        monkeypatch.setattr(os, "link", none)
    return bool(request.param)


@pytest.mark.usefixtures("links")
def test_a_key_is_whole_before_it_has_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, there = tmp_path / "site.key", []
    fsync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda file: (there.append(path.exists()), fsync(file)))
    public = seal.make_key(path)
    assert there == [False]
    assert [found.name for found in tmp_path.iterdir()] == ["site.key"]
    assert (stat.S_IMODE(path.stat().st_mode), path.stat().st_nlink) == (0o600, 1)
    with pytest.raises(UsageError, match="not overwritten"):
        seal.make_key(path)
    assert seal.public_half(seal.read_key(path, "")) == public
    assert [found.name for found in tmp_path.iterdir()] == ["site.key"]


def test_of_many_makers_at_once_one_wins_and_nobody_reads_half_a_key(tmp_path: Path, links: bool) -> None:
    path, start, made, read = tmp_path / "site.key", threading.Barrier(12), [], []

    def maker() -> None:
        start.wait()
        try:
            made.append(seal.make_key(path))
        except UsageError:
            read.append(seal.public_half(seal.read_key(path, "")))
        except EnvironmentProblem as error:
            read.append(str(error))

    threads = [threading.Thread(target=maker) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    (public,) = made
    busy = [words for words in read if "somebody makes" in words]
    assert (len(read), {*read} - {*busy} <= {public}, links and busy) == (11, True, links and [])
    assert seal.public_half(seal.read_key(path, "")) == public


def test_without_links_a_claim_that_was_left_is_named_and_nothing_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object) -> None:
        raise OSError(errno.ENOTSUP, "Operation not supported")

    monkeypatch.setattr(os, "link", none)
    claim = tmp_path / ".site.key.claim"
    claim.touch()
    with pytest.raises(EnvironmentProblem, match=r"site\.key\.claim is there: .* remove it"):
        seal.make_key(tmp_path / "site.key")
    assert list(tmp_path.iterdir()) == [claim]
    claim.unlink()
    assert seal.make_key(tmp_path / "site.key")


def test_a_disk_that_takes_no_name_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "link", full)
    with pytest.raises(EnvironmentProblem, match="the disk is full"):
        seal.make_key(tmp_path / "site.key")
    assert list(tmp_path.iterdir()) == []


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
