"""The application just inside and just outside of what may be: roles, methods, hosts, cookies, sizes, rates, answers without a visit."""

from __future__ import annotations

import asyncio
import base64
import json
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import pytest
from starlette.requests import Request
from visiting import PASSWORD, PEOPLE, apart, application, cheap_passwords

from pipeline.errors import AnnealogError, HistoryBusy, UsageError
from pipeline.history.accounts import key_of
from pipeline.web import asked as asked_module
from pipeline.web.app import Application, Place
from pipeline.web.decisions import FORMS
from pipeline.web.visit import Refused

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

BENCH, METROLOGY, RELEASE = (
    {"technician", "metrologist", "supervisor"}, {"metrologist", "supervisor"}, {"supervisor"},
)  # fmt: skip


FORM = "application/x-www-form-urlencoded"


@pytest.fixture
def app(made: Path, monkeypatch: pytest.MonkeyPatch) -> Application:
    """The application of a workspace that no test here writes."""
    cheap_passwords(monkeypatch)
    (made / "pages" / "index.html").write_text('<body><div class="sheet">the index</div></body>', encoding="utf-8")
    return application(made)


def asked(
    app: Application, path: str, *, method: str = "GET", host: str | None = "127.0.0.1", address: str = "127.0.0.1",
    cookie: str = "", body: bytes = b"", query: bytes = b"", receive: Any = None, **headers: str,
) -> tuple[int, dict[str, str], bytes]:  # fmt: skip
    """Return status, headers and body of the answer to a request."""
    given = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    given += [(b"host", host.encode())] if host is not None else []
    given += [(b"cookie", cookie.encode())] if cookie else []
    scope = {
        "type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": query, "headers": given,
        "client": (address, 1), "server": ("127.0.0.1", 80), "scheme": "http",
    }  # fmt: skip
    got: dict[str, Any] = {"body": b""}

    async def whole() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            got["status"] = message["status"]
            got["headers"] = {name.decode(): value.decode() for name, value in message["headers"]}
        else:
            got["body"] += message.get("body", b"")

    apart(lambda: app(scope, receive or whole, send))
    return got["status"], got["headers"], got["body"]


def session_of(app: Application, name: str) -> Any:
    return app.people.sessions.start(app.people.accounts.now()[key_of(name)], key_of(name))


def signed_in(app: Application, name: str) -> str:
    return f"annealog={session_of(app, name).token}"


def test_who_may_sign_what_is_what_the_handbook_says() -> None:
    may = {
        "lot": METROLOGY, "event": METROLOGY, "release": RELEASE, "signal": METROLOGY, "setting": BENCH, "action": BENCH,
        "exclusion": METROLOGY, "inclusion": METROLOGY, "baseline": METROLOGY, "process-baseline": METROLOGY,
        "discard": METROLOGY, "replay": METROLOGY, "held": METROLOGY, "layout": METROLOGY, "hardness": BENCH, "lot-data": BENCH,
    }  # fmt: skip
    roles = {name: set(form.roles) for name, form in FORMS.items()}
    assert {name: roles[name] for name in may} == may
    assert {name for name in roles if name not in may} == {"hand-over", "receipt"}
    assert all("reader" not in one for one in roles.values())
    last = FORMS["release"].fields[-1].choices
    found = FORMS["lot"].fields[-1].choices
    assert last is not None
    assert found is not None
    assert set(last(None)) == {"accepted with evidence", "rejected", "customer told"}  # type: ignore[arg-type]
    assert set(found(None)) == {"re-measured", "sorted", "no effect found"}  # type: ignore[arg-type]


@pytest.mark.parametrize(("who", "role"), PEOPLE.items())
def test_each_address_of_people_opens_to_its_roles_alone(app: Application, who: str, role: str) -> None:
    cookie = signed_in(app, who)
    for path in ("/bring", "/enter"):
        assert asked(app, path, cookie=cookie)[0] == (200 if role in BENCH else 403), path
    for path in ("/", "/me", "/decide"):
        assert asked(app, path, cookie=cookie)[0] == 200, path
    for name in ("release", "exclusion", "action"):
        status, _, said = asked(app, f"/decide/{name}", cookie=cookie)
        assert status == (200 if role in FORMS[name].roles else 403), name
        assert (b"does not sign this" in said) is (role not in FORMS[name].roles)


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "get"])
def test_other_methods_are_none_of_ours(app: Application, method: str) -> None:
    for path in ("/", "/json/status", "/decide/lot", "/sign-in"):
        assert asked(app, path, method=method, cookie=signed_in(app, "Ada Lind"))[0] == 405


def test_what_is_sent_is_taken_where_something_is_sent_to(app: Application) -> None:
    cookie = signed_in(app, "Ada Lind")
    for path in ("/", "/index.html", "/json", "/json/status", "/changed"):
        assert asked(app, path, method="POST", cookie=cookie)[0] == 405, path
    for path in ("/decide/lot", "/me", "/sign-out", "/bring", "/enter", "/done/x"):
        assert asked(app, path, method="POST", cookie=cookie, content_type=FORM)[0] == 403, path  # no token of a form
    assert asked(app, "/sign-out", cookie=cookie)[0] == 404, "a link signs nobody out"
    assert asked(app, "/me", cookie=cookie)[0] == 200
    assert asked(app, "/decide/nothing", cookie=cookie)[0] == 404
    assert asked(app, "/done/" + "0" * 32, cookie=cookie)[0] == 404


@pytest.mark.parametrize(
    ("site", "taken"), [("same-origin", True), ("none", True), ("same-site", False), ("cross-site", False)]
)
def test_a_form_comes_from_here_or_from_nobody(app: Application, site: str, taken: bool) -> None:
    session = session_of(app, "Dan Ro")
    body = f"form={session.form_token}".encode()
    kind = {"content_type": FORM, "sec_fetch_site": site}
    answer = asked(app, "/sign-out", method="POST", cookie=f"annealog={session.token}", body=body, **kind)
    assert answer[0] == (303 if taken else 403)
    assert (app.people.sessions.of(session.token) is None) is taken


@pytest.mark.parametrize(("size", "status"), [(1_000_000, 403), (1_000_001, 413)])
def test_a_form_has_at_most_a_million_bytes(app: Application, size: int, status: int) -> None:
    assert (
        asked(app, "/me", method="POST", cookie=signed_in(app, "Dan Ro"), body=b"x" * size, content_type=FORM)[0]
        == status
    )


def test_a_cookie_of_the_clear_is_none_over_tls_and_the_other_way_round(made: Path, app: Application) -> None:
    tls = application(made, Place(names=frozenset({"works"}), secure=True))
    for one, fits in ((app, "annealog"), (tls, "__Host-annealog")):
        token = session_of(one, "Ada Lind").token
        for name in ("annealog", "__Host-annealog", "annealog2"):
            assert asked(one, "/me", cookie=f"{name}={token}")[0] == (200 if name == fits else 303), name
    assert asked(tls, "/sign-in", host="works")[0] == 200
    assert asked(tls, "/sign-in", host="works2")[0] == 403
    assert asked(app, "/sign-in", host=None)[0] == 403
    assert asked(app, "/me", cookie="annealog=x; \x7f=;;=")[0] == 303


def visit(app: Application, *, method: str = "GET", address: str = "127.0.0.1") -> None:
    headers = [(b"host", b"127.0.0.1")]
    scope = {"type": "http", "method": method, "path": "/", "raw_path": b"/", "query_string": b"", "headers": headers, "client": (address, 1)}  # fmt: skip
    app._visit(Request(scope))


@pytest.mark.parametrize(("method", "most", "per_s"), [("GET", 400, 20), ("POST", 60, 1)])
def test_so_many_requests_of_one_place_and_no_more(app: Application, method: str, most: int, per_s: int) -> None:
    now = [0.0]
    app._rates._clock = app._posts._clock = lambda: now[0]

    def refused() -> bool:
        try:
            visit(app, method=method)
        except Refused as error:
            return error.status == 429
        return False

    assert not any(refused() for _ in range(most))
    assert refused()
    visit(app, method=method, address="10.0.0.9")  # from elsewhere, as before
    now[0] += 0.99 / per_s
    assert refused()
    now[0] += 1.0 / per_s
    assert not refused()
    assert refused()


def test_without_accounts_this_computer_reads_and_nobody_decides(
    app: Application, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(app.people.accounts, "now", dict)
    assert asked(app, "/")[0] == 200
    assert json.loads(asked(app, "/json")[2])["addresses"]
    for path in ("decide", "decide/lot", "done/x", "bring", "enter", "me", "sign-in", "sign-out"):
        assert asked(app, f"/{path}")[0] == 403, path
    assert asked(app, "/", method="POST")[0] == 403
    for address in ("10.0.0.9", "127.0.0.2"):
        assert asked(app, "/", address=address)[0] == 303
        assert asked(app, "/json/status", address=address)[0] == 403
    proxied = application(app._root, Place(proxy="127.0.0.1"))
    monkeypatch.setattr(proxied.people.accounts, "now", dict)
    told = {"x_forwarded_for": "127.0.0.1", "x_forwarded_proto": "https"}
    assert asked(proxied, "/", **told)[0] == 303, "who comes through a proxy is not this computer"


def test_json_has_addresses_and_says_in_json_what_is_wrong(app: Application) -> None:
    cookie = signed_in(app, "Dan Ro")
    for path, status in (("/json", 200), ("/json/", 200), ("/json/nothing", 404), ("/json/lot/L1/more", 404), ("/json/lot", 404), ("/json/status/x", 404)):  # fmt: skip
        answer = asked(app, path, cookie=cookie)
        assert answer[0] == status, path
        assert answer[1]["content-type"] == "application/json"
        assert (set(json.loads(answer[2])) == {"error"}) is (status != 200)
    for path in ("/json", "/json/lot/L1", "/json/nothing"):
        status, headers, said = asked(app, path)
        assert status == 401, path
        assert headers["www-authenticate"].startswith("Basic ")
        assert set(json.loads(said)) == {"error"}


def test_a_remembered_password_is_worth_nothing_once_the_account_is_stated_anew(
    app: Application, monkeypatch: pytest.MonkeyPatch
) -> None:
    def basic(password: str) -> int:
        return asked(app, "/json", authorization="Basic " + base64.b64encode(f"Dan Ro:{password}".encode()).decode())[0]

    assert [basic(PASSWORD), basic(PASSWORD), basic(PASSWORD[:-1])] == [200, 200, 403]
    held: list[str] = []
    monkeypatch.setattr(app.people, "password_of", lambda *given: held.append(given[1]))
    assert basic(PASSWORD) == 200
    assert held == [], "remembered"
    account = app.people.accounts.now()[key_of("Dan Ro")]
    for changed in ({"sequence": account.sequence + 1}, {"open": False}):
        stated = type(account)(**{**{name: getattr(account, name) for name in account.__slots__}, **changed})
        monkeypatch.setattr(
            app.people.accounts, "now", lambda stated=stated: {key_of("Dan Ro"): stated, "ada": account}
        )
        held.clear()
        basic(PASSWORD)
        assert held == ["Dan Ro"], "held against the hash again"


@pytest.mark.parametrize(
    ("error", "page", "data"),
    [
        (lambda: UsageError("Say which."), 422, 404), (lambda: HistoryBusy("busy"), 503, 503),
        (lambda: AnnealogError("The disk is full."), 503, 503), (lambda: ValueError("secret"), 500, 500),
    ],
)  # fmt: skip
def test_what_fails_is_told_as_what_it_is_and_a_fault_without_its_words(
    app: Application, error: Callable[[], Exception], page: int, data: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise error()

    monkeypatch.setattr(app, "_at_hand", fail)
    for path, expected in (("/", page), ("/json/lot/L1", data)):
        status, headers, said = asked(app, path, cookie=signed_in(app, "Dan Ro"))
        assert status == expected
        assert b"secret" not in said
        assert headers.get("retry-after") == ("5" if isinstance(error(), HistoryBusy) else None)


def test_every_answer_is_kept_by_nobody_and_framed_nowhere(app: Application) -> None:
    for path in ("/", "/sign-in", "/json/status", "/nothing"):
        headers = asked(app, path, cookie=signed_in(app, "Dan Ro") if path == "/" else "")[1]
        assert headers["cache-control"] == "no-store", path
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["content-security-policy"] == "frame-ancestors 'none'"
        assert headers["cross-origin-resource-policy"] == headers["cross-origin-opener-policy"] == "same-origin"


async def never() -> dict[str, Any]:
    """Wait for what somebody sends who sends nothing more."""
    await asyncio.Event().wait()
    raise AssertionError


def test_what_is_no_page_is_asked_about_each_time_and_bears_no_bar(app: Application, made: Path) -> None:
    (made / "pages" / "table.csv").write_text('<body><div class="sheet">a table</div></body>', encoding="utf-8")
    for name, bar in (("table.csv", False), ("index.html", True)):
        status, headers, said = asked(app, f"/{name}", cookie=signed_in(app, "Ada Lind"), receive=never)
        assert status == 200
        assert headers["cache-control"] == ("no-store" if bar else "no-cache"), name
        assert (b"/decide" in said) is bar, name


def test_whoever_sends_too_slowly_is_sent_away_and_a_file_has_ten_times_as_long(
    app: Application, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing more comes after the headers; the time that is given runs out at once."""
    given: list[float] = []
    timeout = asyncio.timeout
    monkeypatch.setattr(asyncio, "timeout", lambda seconds: given.append(seconds) or timeout(0))

    for path in ("/me", "/bring"):
        answer = asked(app, path, method="POST", cookie=signed_in(app, "Ada Lind"), content_type=FORM, receive=never)
        assert answer[0] == 408, path
    assert given == [30.0, 300.0]


def test_so_many_answers_are_remembered_and_then_all_are_forgotten(
    app: Application, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert asked_module._MOST_ASKED == 500
    monkeypatch.setattr(asked_module, "_MOST_ASKED", 2)
    app._asked.answers = {"trace": lambda _, name: {"name": name}}
    kept = []
    for name in ("a", "b", "b", "c"):
        assert json.loads(asked(app, f"/json/trace/{name}", cookie=signed_in(app, "Dan Ro"))[2]) == {"name": name}
        kept.append({name for _, name in app._asked._before})
    assert kept == [{"a"}, {"a", "b"}, {"a", "b"}, {"c"}]


@pytest.mark.parametrize(("whose", "status"), [("own", 303), ("another's", 403), ("none", 403)])
def test_a_name_and_a_password_are_looked_at_in_a_form_of_this_visit_alone(
    app: Application, whose: str, status: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, other = app.people.sessions.start(), app.people.sessions.start()
    cookie = "" if whose == "none" else f"annealog={own.token}"
    body = urlencode(
        {"form": (other if whose == "another's" else own).form_token, "name": "Dan Ro", "password": PASSWORD}
    ).encode()
    held: list[str] = []
    password_of = app.people.password_of
    monkeypatch.setattr(app.people, "password_of", lambda *given: held.append(given[1]) or password_of(*given))
    answer = asked(app, "/sign-in", method="POST", cookie=cookie, body=body, content_type=FORM)
    assert answer[0] == status
    assert held == (["Dan Ro"] if status == 303 else [])


def test_signing_in_leads_back_with_what_was_asked(app: Application) -> None:
    for query, to in ((b"", "%2Fdecide%2Flot"), (b"lot=L+1%26", "%2Fdecide%2Flot%3Flot%3DL%2B1%2526")):
        status, headers, _ = asked(app, "/decide/lot", query=query)
        assert (status, headers["location"]) == (303, f"/sign-in?to={to}")


@pytest.mark.parametrize(
    ("kind", "given", "status"),
    [
        ("Basic", f"Dan Ro:{PASSWORD}", 200), ("bASIC", f"Dan Ro:{PASSWORD}", 200), ("Basics", f"Dan Ro:{PASSWORD}", 401),
        ("Basic", "Dan Ro", 401), ("Basic", "Dan Ro:", 403), ("Basic", f"Dan Ro::{PASSWORD}", 403),
    ],
)  # fmt: skip
def test_a_program_says_its_name_as_the_standard_has_it(app: Application, kind: str, given: str, status: int) -> None:
    """RFC 7617: the scheme in any case, and a name up to the first colon (from memory)."""
    said = f"{kind} {base64.b64encode(given.encode()).decode()}"
    assert asked(app, "/json", authorization=said)[0] == status
