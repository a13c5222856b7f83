"""Accounts, sessions, tries: who is let in, for how long, and what a thief of a cookie, a form or a password has of it."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

import pytest
from visiting import PASSWORD, Person, application

from pipeline.decisions.accounts import change_account, open_account
from pipeline.errors import IntegrityProblem, UsageError
from pipeline.history import accounts
from pipeline.history.accounts import Account, Accounts
from pipeline.web import sessions
from pipeline.web.app import Place
from pipeline.web.server import Listen
from pipeline.workspace.settings import find_workspace
from reports.words import web as words

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.web.app import Application

WHO = {"by": "Eve", "why": "a test"}


@pytest.fixture(scope="module")
def made(made: Path) -> Path:
    (made / "pages" / "lots").mkdir(parents=True, exist_ok=True)
    (made / "pages" / "index.html").write_text('<body><div class="sheet">the index</div></body>', encoding="utf-8")
    (made / "pages" / "lots" / "L1.html").write_text('<body><div class="sheet">a lot</div></body>', encoding="utf-8")
    return made


class Clock:
    now = 1_000.0

    def __call__(self) -> float:
        return self.now


def with_clock(app: Application) -> Clock:
    clock = Clock()
    app.people.sessions, app.people.tries = sessions.Sessions(clock), sessions.Tries(clock)
    return clock


# -- being let in ------------------------------------------------------------------------------------------------


def test_nothing_is_shown_to_whoever_has_not_signed_in(app: Application) -> None:
    for path in ("/", "/lots/L1.html", "/decide", "/decide/lot", "/me", "/done/x"):
        person = Person(app).get(path)
        assert person.at == "/sign-in"
        assert "the index" not in person.text
    person = Person(app).get("/json/status")
    assert person.status == 401
    assert "name and password of an account" in person.text, "none was given, so none is wrong"


def test_after_signing_in_one_is_where_one_wanted_to_be(app: Application) -> None:
    person = Person(app).get("/lots/L1.html").send("sign", name="Ben Moor", password=PASSWORD)
    assert person.at == "/lots/L1.html"
    assert "a lot" in person.text
    assert 'href="/decide?page=lots/L1.html"' in person.text
    assert "/decide/lot?lot=L1" in person.get("/decide?page=lots/L1.html").text


@pytest.mark.parametrize(
    "to", ["//evil.example/", "https://evil.example/", "/\\evil.example", "javascript:alert(1)", "/\nx"]
)
def test_signing_in_leads_nowhere_else(app: Application, to: str) -> None:
    person = Person(app).get("/sign-in").send("sign", name="Ben Moor", password=PASSWORD, to=to)
    assert (person.status, person.at) == (200, "/")


def test_a_reader_reads_and_is_offered_nothing(app: Application) -> None:
    person = Person(app).sign_in("Dan Ro")
    assert "the index" in person.text
    assert "/decide" not in person.text
    assert words.TOLD["nothing_here"] in person.get("/decide").text


def test_a_name_is_known_however_it_is_spelled_and_a_password_only_as_it_is(app: Application) -> None:
    assert Person(app).sign_in("  ben MOOR ").at == "/"
    assert Person(app).sign_in("Ben Moor", PASSWORD.upper()).status == 403


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(root: Path) -> None:
    given = Person(application(root)).get("/sign-in").headers["set-cookie"]
    assert "HttpOnly" in given
    assert "SameSite=strict" in given
    assert "Secure" not in given  # there is no TLS to this computer itself
    app = application(root, Place(names=frozenset({"works"}), secure=True))
    given = Person(app, "10.0.0.9", "https://works").get("/sign-in").headers["set-cookie"]
    assert given.startswith("__Host-annealog=")
    assert "Secure" in given
    assert "Domain" not in given


# -- thieves -----------------------------------------------------------------------------------------------------


def cookie_of(person: Person) -> dict[str, str]:
    return dict(person.client.cookies)


def thief(app: Application, cookie: dict[str, str]) -> Person:
    person = Person(app)
    for name, value in cookie.items():
        person.client.cookies.set(name, value)
    return person


def test_a_cookie_is_worth_nothing_after_signing_out(app: Application) -> None:
    person = Person(app).sign_in("Ben Moor")
    cookie = cookie_of(person)
    assert thief(app, cookie).get("/me").at == "/me"
    person.get("/me").send("out")
    assert person.at == "/sign-in"
    assert thief(app, cookie).get("/me").at == "/sign-in"


def test_the_token_before_signing_in_is_not_the_one_after(app: Application) -> None:
    person = Person(app).get("/sign-in")
    before = cookie_of(person)
    person.send("sign", name="Ben Moor", password=PASSWORD)
    assert cookie_of(person) != before
    assert thief(app, before).get("/me").at == "/sign-in"


def test_a_session_ends_when_nobody_does_anything_and_at_the_latest(app: Application) -> None:
    clock = with_clock(app)
    person = Person(app).sign_in("Ben Moor")
    clock.now += sessions.IDLE_S
    assert person.get("/me").at == "/me"
    clock.now += sessions.IDLE_S + 1
    assert person.get("/me").at == "/sign-in"
    person.sign_in("Ben Moor")
    began = clock.now
    while clock.now + 600 <= began + sessions.LONGEST_S:
        clock.now += 600
        assert person.get("/me").at == "/me"
    clock.now = began + sessions.LONGEST_S + 1
    assert person.get("/me").at == "/sign-in"


def test_a_board_that_refreshes_itself_keeps_nobody_signed_in_who_may_decide(app: Application) -> None:
    clock = with_clock(app)
    person = Person(app).sign_in("Ben Moor")
    for _ in range(3):
        clock.now += 400
        person.get("/boards/LINE.html")
    assert person.at == "/sign-in"


def test_a_board_on_a_wall_goes_on_for_days_as_a_reader(app: Application) -> None:
    clock = with_clock(app)
    person = Person(app).sign_in("Dan Ro")
    for _ in range(200):
        clock.now += 600
        person.get("/")
    assert person.at == "/"
    clock.now += sessions.IDLE_S + 1
    assert person.get("/").at == "/sign-in"


@pytest.mark.parametrize("token", ["", "forged", "A" * 43, "\u00e9", "other"])
def test_a_form_without_the_token_of_this_session_does_nothing(app: Application, root: Path, token: str) -> None:
    person = Person(app).sign_in("Ben Moor")
    if token == "other":
        token = Person(app).sign_in("Ben Moor").get("/me").forms()["out"]["form"]
    last = Accounts(find_workspace(root).history).last
    data = {"form": token, "step": "sign", "lot": "L1", "decision": "sorted", "why": "x", "password": PASSWORD}
    answers = [person.client.post("/decide/lot", data=data), person.client.post("/sign-out", data=data)]
    data.pop("form")
    answers.append(person.client.post("/decide/lot", data=data))
    assert [answer.status_code for answer in answers] == [403, 403, 403]
    assert Accounts(find_workspace(root).history).last == last
    assert person.get("/me").at == "/me"  # still signed in


def test_a_form_that_another_site_sends_is_refused(app: Application) -> None:
    person = Person(app).sign_in("Ben Moor").get("/me")
    token = person.forms()["out"]["form"]
    answer = person.client.post("/sign-out", data={"form": token}, headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403
    assert person.get("/me").at == "/me"


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "", "works:80", "localhost.evil.example:8080"]
)
def test_another_name_of_the_host_is_refused(app: Application, host: str) -> None:
    assert Person(app).get("/sign-in", Host=host).status == 403


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8080", "localhost", "LOCALHOST:1", "[::1]", "[::1]:8080"])
def test_this_computer_is_known_by_its_names(app: Application, host: str) -> None:
    assert Person(app).get("/sign-in", Host=host).status == 200


# -- passwords ---------------------------------------------------------------------------------------------------


def wrong(app: Application, address: str, name: str = "Ben Moor", times: int = 5) -> set[int]:
    return {Person(app, address).sign_in(name, "wrong wrong wrong").status for _ in range(times)}


def test_after_five_wrong_passwords_the_right_one_waits_too_there_and_nowhere_else(app: Application) -> None:
    clock = with_clock(app)
    assert wrong(app, "10.0.0.9") == {403}
    person = Person(app, "10.0.0.9").sign_in("Ben Moor")
    assert person.status == 429
    assert "Wait 60 seconds" in person.text or "Wait 61 seconds" in person.text
    # no stranger keeps the owner out elsewhere, nor his own slips the people beside him
    assert Person(app).sign_in("Ben Moor").at == "/"
    assert Person(app, "10.0.0.9").sign_in("Ada Lind").at == "/"
    # and that the owner is let in gives the stranger no further tries
    assert Person(app, "10.0.0.9").sign_in("Ben Moor").status == 429
    clock.now += 62
    assert Person(app, "10.0.0.9").sign_in("Ben Moor").at == "/"


def test_twenty_wrong_passwords_from_anywhere_keep_out_whoever_is_not_known_where_he_asks(app: Application) -> None:
    clock = with_clock(app)
    Person(app, "10.0.1.1").sign_in("Ben Moor")
    for place in range(4):
        assert wrong(app, f"10.0.0.{place}") == {403}
    assert wrong(app, "10.0.0.4", times=2) == {429}  # a fifth place of the same stranger
    assert Person(app, "10.0.0.5").sign_in("Ben Moor").status == 429
    assert Person(app, "10.0.1.1").sign_in("Ben Moor").at == "/"
    assert Person(app, "10.0.0.5").sign_in("Ada Lind").at == "/"
    clock.now += 62
    assert wrong(app, "10.0.0.6", times=1) == {403}  # one more guess, whatever the place, and a longer wait
    clock.now += 62
    assert wrong(app, "10.0.0.7", times=1) == {429}


def test_twenty_wrong_passwords_of_one_place_keep_out_everybody_there(app: Application) -> None:
    with_clock(app)
    for name in ("Ben Moor", "Cia Ek", "Dan Ro", "Nobody Here"):
        assert wrong(app, "10.0.0.9", name) == {403}
    assert Person(app, "10.0.0.9").sign_in("Ada Lind").status == 429
    assert Person(app, "10.0.0.8").sign_in("Ada Lind").at == "/"


def test_four_wrong_passwords_wait_for_nothing_and_the_right_one_clears_them(app: Application) -> None:
    with_clock(app)
    for _ in range(3):
        for _ in range(4):
            Person(app).sign_in("Ben Moor", "wrong wrong wrong")
        assert Person(app).sign_in("Ben Moor").at == "/"


def test_each_further_wrong_try_waits_longer_up_to_a_quarter_of_an_hour() -> None:
    clock = Clock()
    tries = sessions.Tries(clock)
    waits = []
    for _ in range(12):
        tries.wrong("x", None)
        waits.append(tries.wait_s("x", None))
        clock.now += waits[-1]
    assert waits[:4] == [0, 0, 0, 0]
    assert [round(wait, -1) for wait in waits[4:]] == [60, 120, 240, 480, 900, 900, 900, 900]


def test_a_name_that_nobody_has_is_answered_as_one_that_somebody_has(
    app: Application, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_clock(app)
    costs = []
    scrypt = accounts._scrypt
    monkeypatch.setattr(accounts, "_scrypt", lambda p, s, cost: costs.append(cost) or scrypt(p, s, cost))
    seen = {}
    for name in ("Ben Moor", "Nobody Here"):
        for _ in range(6):
            seen.setdefault(name, []).append(
                Person(app, f"10.0.0.{len(name)}").sign_in(name, "wrong wrong wrong").status
            )
    assert seen["Ben Moor"] == seen["Nobody Here"] == [403] * 5 + [429]
    assert costs == [10] * 10


def test_a_name_too_long_for_a_name_costs_no_more_than_one(app: Application) -> None:
    with_clock(app)
    # putting marks into canonical order takes time with the square of their number: this many take a minute
    name = "a" + "\u0301\u0327" * 80_000
    person = Person(app).get("/sign-in").send("sign", name=name, password=PASSWORD)
    assert person.status == 403
    assert max(len("".join(key)) for key in app.people.tries._wrong) < 400
    assert accounts.key_of(name) == accounts.key_of(name[:200])


def test_a_stranger_who_knows_a_name_keeps_nobody_from_signing(app: Application) -> None:
    with_clock(app)
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", lot="L1", decision="sorted", why="x")
    for address in ("10.0.0.9", "127.0.0.1"):
        for _ in range(5):
            Person(app, address).sign_in("Ben Moor", "wrong wrong wrong")
        assert Person(app, address).sign_in("Ben Moor").status == 429
    assert person.send("sign", password=PASSWORD).at.startswith("/done/")


def test_wrong_signatures_count_as_wrong_passwords(app: Application) -> None:
    with_clock(app)
    person = Person(app).sign_in("Ben Moor").get("/decide/lot").send("look", lot="L1", decision="sorted", why="x")
    statuses = [person.send("sign", password="wrong wrong wrong").status for _ in range(6)]
    assert statuses == [403] * 5 + [429]


def test_a_closed_account_is_signed_out_at_once_and_lets_nobody_in(app: Application, root: Path) -> None:
    person = Person(app).sign_in("Ben Moor")
    change_account(find_workspace(root), "Ben Moor", password=None, **WHO)
    assert person.get("/me").at == "/sign-in"
    assert Person(app).sign_in("Ben Moor").status == 403


def test_a_new_password_signs_everybody_else_out(app: Application) -> None:
    person, other = Person(app).sign_in("Ben Moor"), Person(app).sign_in("Ben Moor")
    new = {"new_password": "nine brass weights", "again": "nine brass weights"}
    body = {**new, "form": person.get("/me").forms()["out"]["form"], "step": "sign"}
    for wrong in (
        {"password": "no"},
        {"password": PASSWORD, "again": "other"},
        {"password": PASSWORD, "new_password": "short", "again": "short"},
    ):
        assert person.client.post("/me", data={**body, **wrong}).status_code in (403, 422)
    answer = person.client.post("/me", data={**body, "password": PASSWORD})
    assert "was changed" in answer.text
    assert person.get("/me").at == "/me"
    assert other.get("/me").at == "/sign-in"
    assert Person(app).sign_in("Ben Moor").status == 403
    assert Person(app).sign_in("Ben Moor", "nine brass weights").at == "/"


@pytest.mark.parametrize(
    ("name", "role", "password", "said"),
    [
        ("A", "reader", PASSWORD, "is no name"), ("x" * 61, "reader", PASSWORD, "is no name"),
        ("<b>Ada</b>", "reader", PASSWORD, "is no name"), ("Ada\u202e", "reader", PASSWORD, "is no name"),
        ("load", "reader", PASSWORD, "the program names itself"), ("Eva Ny", "chief", PASSWORD, "Role 'chief'"),
        ("Eva Ny", "reader", "eleven char", "12 to 200"), ("Eva Ny", "reader", "aaaaaaaaaaaaaaaa", "guessed at once"),
        ("Evangelina Ny", "reader", "evangelina ny", "guessed at once"), ("BEN MOOR", "reader", PASSWORD, "is open, as metrologist"),
    ],
)  # fmt: skip
def test_what_is_no_account_is_refused(root: Path, name: str, role: str, password: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        open_account(find_workspace(root), name, role=role, password=password, **WHO)


def test_a_changed_event_lets_nobody_in(app: Application, root: Path) -> None:
    journal = root / "history" / "journal.jsonl"
    text = journal.read_text(encoding="utf-8").replace('\\"role\\": \\"reader\\"', '\\"role\\": \\"supervisor\\"')
    journal.write_text(text, encoding="utf-8")
    with pytest.raises(IntegrityProblem, match="was changed"):
        Accounts(find_workspace(root).history).now()
    person = Person(app).get("/sign-in")
    assert person.status == 503


def test_a_hash_is_of_this_password_alone_and_costs_what_it_should() -> None:
    from pipeline.history.accounts import hashed, password_fits

    digest = hashed(PASSWORD)
    assert digest != hashed(PASSWORD)
    assert digest.startswith("scrypt$15$")
    account = Account(name="Ada", role="reader", open=True, password=digest)
    assert password_fits(account, PASSWORD)
    assert not password_fits(account, PASSWORD + " ")
    assert not password_fits(None, PASSWORD)
    shut = Account(name="Ada", role="reader", open=False, password=digest)
    assert not password_fits(shut, PASSWORD)


def test_the_hash_is_scrypt_as_rfc_7914_has_it() -> None:
    """RFC 7914, section 12, the third vector, with its p = 1 taken as our p: none of ours, so the library is held to it."""
    import hashlib

    found = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, maxmem=1 << 26, dklen=64)
    assert found.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")


# -- answers as JSON ---------------------------------------------------------------------------------------------


def basic(name: str, password: str = PASSWORD) -> str:
    return "Basic " + base64.b64encode(f"{name}:{password}".encode()).decode()


def test_programs_ask_with_name_and_password(app: Application) -> None:
    person = Person(app).get("/json/lot/L1", Authorization=basic("Dan Ro"))
    assert person.status == 200
    assert '"lot": "L1"' in person.text
    assert person.get("/json/lot/L1", Authorization=basic("Dan Ro", "wrong wrong wrong")).status == 403
    assert "do not fit" in person.text
    for wrong in ("Basic !!!", "Bearer x", "Basic " + base64.b64encode(b"nobody").decode()):
        assert Person(app).get("/json/lot/L1", Authorization=wrong).status == 401


def test_a_password_goes_over_no_network_in_the_clear(app: Application) -> None:
    assert Person(app, "10.0.0.9").get("/json/status", Authorization=basic("Dan Ro")).status == 403


# -- from where --------------------------------------------------------------------------------------------------


def test_behind_a_proxy_it_alone_may_ask_and_says_for_whom(root: Path) -> None:
    app = application(root, Place(names=frozenset({"works"}), proxy="10.0.0.2"))
    told = {"X-Forwarded-For": "6.6.6.6, 10.0.0.77", "X-Forwarded-Proto": "https"}
    person = Person(app, "10.0.0.2", "https://works")
    assert person.get("/sign-in", **told).status == 200
    assert Person(app, "10.0.0.3", "https://works").get("/sign-in", **told).status == 403
    assert Person(app, "127.0.0.1", "http://127.0.0.1").get("/sign-in").status == 403
    assert person.get("/sign-in", **{**told, "X-Forwarded-Proto": "http"}).status == 403
    # a proxy that adds a line of its own is believed, not the line of a stranger above it
    forged = [("X-Forwarded-For", "6.6.6.6"), ("X-Forwarded-For", "10.0.0.78"), ("X-Forwarded-Proto", "https")]
    seen: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(app._rates, "taken", lambda address: seen.append(address) or True)
        assert person.client.get("/sign-in", headers=forged).status_code == 200
    assert seen == ["10.0.0.78"]
    assert person.client.get("/sign-in", headers=[*forged, ("X-Forwarded-Proto", "http")]).status_code == 403
    assert person.get("/sign-in", **{**told, "X-Forwarded-For": "me"}).status == 403


def test_from_elsewhere_only_with_tls_and_accounts(root: Path, tmp_path: Path) -> None:
    history, none = find_workspace(root).history, tmp_path / "nothing" / "annealog.duckdb"
    Listen().check(none)
    Listen(proxy="10.0.0.2").check(history)
    for listen, of, said in (
        (Listen(address="0.0.0.0"), history, "under which name"),
        (Listen(address="10.0.0.1"), history, "in the clear"),
        (Listen(address="10.0.0.1", proxy="10.0.0.2"), none, "only with accounts"),
        (Listen(proxy="10.0.0.2"), none, "only with accounts"),
        (Listen(certificate=tmp_path / "a.pem"), history, "belong together"),
        (Listen(certificate=tmp_path / "a.pem", key=tmp_path / "b.pem"), history, "do not serve for TLS"),
    ):
        with pytest.raises(UsageError, match=said):
            listen.check(of)


def test_what_was_computed_is_answered_again_while_the_history_is_as_it_was(app: Application, root: Path) -> None:
    asked: list[str] = []
    whole = app._asked.answers["lot"]
    app._asked.answers = {"lot": lambda place, name: asked.append(name) or whole(place, name)}
    person = Person(app).sign_in("Dan Ro")
    texts = [person.get(f"/json/lot/{name}").text for name in ("L1", "L1")]
    assert texts[0] == texts[1]
    assert len(asked) <= 2  # twice only where ten seconds ended between the two
    asked.clear()
    change_account(find_workspace(root), "Cia Ek", password=None, **WHO)
    assert person.get("/json/lot/L1").text == texts[0]
    assert asked == ["L1"]
