"""Whatever is asked, in whatever way: an answer, never a fault of the program; and nothing is recorded that was not signed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from visiting import PASSWORD, Person, apart, application, cheap_passwords, people
from workspace_files import full_workspace

from pipeline.cli.answers import ANSWERS
from pipeline.history.accounts import Accounts
from pipeline.web.decisions import FORMS
from pipeline.web.sessions import Rates
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Person, str]]:
    root = full_workspace(tmp_path_factory.mktemp("works"))
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        people(root)
        (root / "pages" / "lots").mkdir(parents=True)
        (root / "pages" / "index.html").write_text("index", encoding="utf-8")
        app = application(root)
        app._rates = app._posts = Rates(1e6, 1e6)
        person = Person(app).sign_in("Ada Lind")
        yield root, person, person.get("/me").forms()["out"]["form"]


ADDRESSES = ["", "index.html", "lots", "sign-in", "changed", "me", "decide", "done", "enter", "enter/check", "enter/lot", "bring", "json", *(f"decide/{form}" for form in FORMS),
             *(f"json/{kind}" for kind in ANSWERS), *(f"json/{kind}/L1" for kind in ANSWERS)]  # fmt: skip
PIECES = st.sampled_from(
    ["..", "%2e%2e", "%00", "%ff", "%2F", "\\", "a" * 300, ".answers", "L1", "~", "*", "con", "%E2%80%AE", "'", '"']
)
VALUES = st.one_of(
    st.text(max_size=20), st.sampled_from(["L1", "M1", "B1", "sorted", "rejected", "cleaned", "9" * 30, "-1", "nan", "1e400", "2026-03-02T10:00", "0001-01-01", "inbox/40.csv", "\x00"]),
)  # fmt: skip
FIELDS = sorted(
    {field.name for form in FORMS.values() for field in form.fields}
    | {"why", "number", "seen", "to", "page", "name", "folder", "unit", "parts", "spots", "v-1-1", "temperature_state"}
)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    address=st.sampled_from(ADDRESSES), more=st.lists(PIECES, max_size=3), post=st.booleans(), token=st.booleans(),
    step=st.sampled_from(["", "look", "change", "x"]), fields=st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=8),
    query=st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=4),
)  # fmt: skip
def test_no_request_is_a_fault_and_none_without_a_signature_records(
    works: tuple[Path, Person, str],
    address: str,
    more: list[str],
    post: bool,
    token: bool,
    step: str,
    fields: dict[str, str],
    query: dict[str, str],
) -> None:
    root, person, form = works
    last = Accounts(find_workspace(root).history).last
    path = "/".join(["", address, *more])
    given_fields = {**fields, "step": step, **({"form": form} if token else {})}
    try:
        answer = person.client.request(
            "POST" if post else "GET", path, params=query, **({"data": given_fields} if post else {})
        )
    except httpx.InvalidURL:  # the browser does not send it
        return
    assert answer.status_code < 500, (path, given_fields, answer.text[-600:])
    assert Accounts(find_workspace(root).history).last == last
    if address == "sign-out":
        raise AssertionError("not among the addresses: it ends the visit")


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(form=st.sampled_from(sorted(FORMS)), fields=st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=10))
def test_whatever_is_signed_is_recorded_or_refused_in_words(
    works: tuple[Path, Person, str], form: str, fields: dict[str, str]
) -> None:
    _, person, token = works
    sent = {**fields, "form": token, "step": "sign", "password": PASSWORD}
    answer = person.client.post(f"/decide/{form}", data=sent)
    assert answer.status_code in (200, 403, 422), answer.text[-600:]
    assert answer.status_code == 200 or 'role="alert"' in answer.text


def raw(app: Any, **given: Any) -> tuple[int, dict[bytes, bytes]]:
    """Ask the application itself, past everything that a client tidies up."""
    scope = {
        "type": "http", "method": "GET", "path": "/", "raw_path": b"/", "query_string": b"", "headers": [(b"host", b"127.0.0.1")],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 80), "scheme": "http", "http_version": "1.1", **given,
    }  # fmt: skip
    said: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"\xff" * 10, "more_body": False}

    async def send(message: Any) -> None:
        said.append(message)

    apart(lambda: app(scope, receive, send))
    return said[0]["status"], dict(said[0]["headers"])


@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    method=st.sampled_from(["GET", "POST", "PUT", "DELETE", "TRACE", "OPTIONS", "HEAD", "X"]), path=st.binary(max_size=60),
    query=st.binary(max_size=60), cookie=st.binary(max_size=60), kind=st.binary(max_size=60), auth=st.binary(max_size=60),
    client=st.sampled_from([("127.0.0.1", 1), ("10.0.0.1", 2), None]),
)  # fmt: skip
def test_no_bytes_are_a_fault(
    works: tuple[Path, Person, str],
    method: str,
    path: bytes,
    query: bytes,
    cookie: bytes,
    kind: bytes,
    auth: bytes,
    client: Any,
) -> None:
    app = application(works[0])
    headers = [
        (b"host", b"127.0.0.1"),
        (b"cookie", cookie),
        (b"content-type", kind),
        (b"authorization", b"Basic " + auth),
    ]
    for start in (b"/", b"/json/lot/", b"/decide/", b"/sign-in"):
        given_path = {"raw_path": start + path, "path": (start + path).decode("utf-8", "replace")}
        status, answered = raw(app, method=method, query_string=query, headers=headers, client=client, **given_path)
        assert status < 500
        assert answered[b"x-content-type-options"] == b"nosniff"
        assert b"frame-ancestors 'none'" in answered[b"content-security-policy"]
