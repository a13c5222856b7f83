"""Pages served on the loopback address: what is hidden stays hidden in every spelling, and no visitor leaves a trace behind."""

from __future__ import annotations

import http.client
import os
import socket
import ssl
import struct
import time
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from visiting import PASSWORD, cheap_passwords, people

from pipeline.cli.answers import ANSWERS
from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.web import server
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "annealog.toml").write_text("", encoding="utf-8")
    pages = tmp_path / "pages"
    for name in ("index.html", "lots/L1.html", ".written.json", ".answers/mark.json", "lots/.part.tmp"):
        (pages / name).parent.mkdir(parents=True, exist_ok=True)
        (pages / name).write_text(name, encoding="utf-8")
    (tmp_path / "secret.html").write_text("outside", encoding="utf-8")
    (pages / "link.html").symlink_to(tmp_path / "secret.html")
    (pages / "up").symlink_to(tmp_path)
    (pages / "linked").mkdir()
    (pages / "linked" / "index.html").symlink_to(tmp_path / "secret.html")
    os.mkfifo(pages / "pipe.html")
    return pages


@pytest.fixture
def port(folder: Path) -> Iterator[int]:
    with server.listening(folder.parent, ANSWERS, server.Listen(port=0)) as address:
        yield int(address.rstrip("/").rpartition(":")[2])


def fetch(port: int, path: str, **headers: str) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", path, headers={name.replace("_", "-"): value for name, value in headers.items()})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


@pytest.mark.parametrize(
    "path",
    [
        "/.written.json", "/%2ewritten.json", "/%2Ewritten.json", "/lots/../.written.json", "/lots/%2e%2e/%2ewritten.json",
        "//.written.json", "/.answers/mark.json", "/%2eanswers/mark.json", "/.answers%2fmark.json", "/lots/%2epart.tmp",
        "/.written.json?x=1", "/.written.json#x", "/.answers/", "/%2eanswers/",
    ],
)  # fmt: skip
def test_what_is_hidden_is_served_under_no_spelling(port: int, path: str) -> None:
    assert fetch(port, path)[0] == 404


@pytest.mark.parametrize("path", ["/link.html", "/up/secret.html", "/linked/", "/linked/index.html"])
def test_links_are_not_followed(port: int, path: str) -> None:
    status, body = fetch(port, path)
    assert status == 404
    assert b"outside" not in body


@pytest.mark.parametrize(
    "path", ["/%00", "/lots/L1.html%00", "/" + "x" * 5000, "/%ff%fe", "/pipe.html", "/lots/", "/nothing"]
)
def test_an_address_that_names_nothing_is_refused_without_a_word(
    port: int, path: str, capfd: pytest.CaptureFixture[str]
) -> None:
    assert fetch(port, path)[0] == 404
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("path", "body"), [("/", b"index.html"), ("/index.html", b"index.html"), ("/lots/%4c1.html?x", b"lots/L1.html")]
)
def test_pages_are_served(port: int, path: str, body: bytes) -> None:
    assert fetch(port, path) == (200, body)


def test_a_page_written_again_within_a_second_is_sent_again(port: int, folder: Path) -> None:
    page = folder / "index.html"
    os.utime(page, (1_000_000_000.2, 1_000_000_000.2))
    seen = "Sun, 09 Sep 2001 01:46:40 GMT"
    page.write_text("written again", encoding="utf-8")
    os.utime(page, (1_000_000_000.7, 1_000_000_000.7))
    assert fetch(port, "/", If_Modified_Since=seen) == (200, b"written again")


def test_a_connection_that_says_nothing_is_closed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert server.SLOW_S == 30
    monkeypatch.setattr(server, "SLOW_S", 0.1)
    with server.listening(folder.parent, ANSWERS, server.Listen(port=0)) as address:
        place = ("127.0.0.1", int(address.rstrip("/").rpartition(":")[2]))
        with socket.create_connection(place, timeout=20) as idle:
            assert idle.recv(1) == b""
        with socket.create_connection(place, timeout=20) as slow:
            slow.sendall(b"GET / HT")
            assert slow.recv(1) == b""
        with socket.create_connection(place, timeout=20) as second:
            second.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            answer = b""
            while b"index.html" not in answer:
                answer += second.recv(4096)
            second.sendall(b"GET / HT")
            assert second.recv(1) == b""


def test_one_place_has_so_many_connections_at_once_and_a_proxy_as_many_as_there_are(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert 2 * server._AT_ONCE_EACH == server._AT_ONCE
    monkeypatch.setattr(server, "_AT_ONCE_EACH", 2)

    def closed(connection: socket.socket) -> bool:
        """Whether the server closes it without a word; else it answers."""
        connection.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        try:
            return connection.recv(20) == b""
        except ConnectionResetError:
            return True

    for proxy, last in ((None, [True]), ("127.0.0.1", [False])):
        monkeypatch.setattr(server.Listen, "check", lambda *_: None)
        with (
            server.listening(folder.parent, ANSWERS, server.Listen(port=0, proxy=proxy)) as address,
            ExitStack() as stack,
        ):
            place = ("127.0.0.1", int(address.rstrip("/").rpartition(":")[2]))
            three = []
            for expected in ([False], [False], last):
                three.append(stack.enter_context(socket.create_connection(place, timeout=20)))
                assert [closed(three[-1])] == expected
            three[0].close()
            for _ in range(100):  # the server hears of it that a place is free again
                if not closed(stack.enter_context(socket.create_connection(place, timeout=20))):
                    break
                time.sleep(0.05)
            else:
                raise AssertionError("no place is given back")


def test_a_browser_that_goes_away_leaves_no_trace(port: int, folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (folder / "big.html").write_bytes(b"x" * 20_000_000)
    with socket.create_connection(("127.0.0.1", port), timeout=20) as rude:
        rude.sendall(b"GET /big.html HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        rude.recv(10)
        # closing at once, with a reset
        rude.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    assert fetch(port, "/")[0] == 200
    assert capfd.readouterr() == ("", "")


def test_over_tls_a_cookie_goes_nowhere_else(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A certificate of the works, made here; the browser is told to trust it."""
    cheap_passwords(monkeypatch)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "works.example")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem, secret = tmp_path / "works.pem", tmp_path / "works.key"
    pem.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    root = folder.parent
    with History.open(find_workspace(root).history, write=True):
        pass
    with pytest.raises(UsageError, match="only with accounts"):
        server.Listen(address="0.0.0.0", names=("works",), certificate=pem, key=secret).check(
            find_workspace(root).history
        )
    people(root)
    with server.listening(
        root, ANSWERS, server.Listen(address="0.0.0.0", port=0, names=("works",), certificate=pem, key=secret)
    ) as address:
        port = int(address.rstrip("/").rpartition(":")[2])
        assert address.startswith("https://")
        with httpx.Client(
            base_url=f"https://localhost:{port}", verify=ssl.create_default_context(cafile=str(pem))
        ) as client:
            asked = client.get("/")
            assert (asked.status_code, asked.headers["location"]) == (303, "/sign-in?to=%2F")
            given = client.get("/sign-in").headers["set-cookie"]
            assert given.startswith("__Host-annealog=")
            assert {"HttpOnly", "Secure", "SameSite=strict", "Path=/"} <= set(given.split("; ")[1:])
            # a program asks with its password, over TLS
            assert client.get("/json", auth=("Dan Ro", PASSWORD)).status_code == 200
        with pytest.raises(httpx.HTTPError), httpx.Client() as clear:
            clear.get(f"http://localhost:{port}/")
