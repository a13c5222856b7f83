"""Server-sent events of a page: one when it was written again, none else, none for whoever may not read, and an end with the visit."""

from __future__ import annotations

import json
import re
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING

import httpx
import pytest
from visiting import PASSWORD, Person, application, cheap_passwords, people

from pipeline.cli.answers import ANSWERS
from pipeline.decisions.accounts import change_account
from pipeline.history.store import History
from pipeline.web import changes, server
from pipeline.web.changes import Changes
from pipeline.web.files import listening, state_of_page
from pipeline.workspace.settings import find_workspace
from reports.kit.markup import element
from reports.kit.scripts import BOARD_CLOCK, CHANGED, data_block
from reports.kit.shell import hashed, whole
from reports.words import web as words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

CHANGE = ["event: changed", "data:"]


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace with a page; its looks follow each other quickly, and it keeps alive at each one without news."""
    cheap_passwords(monkeypatch)
    monkeypatch.setattr(changes, "_ALIVE_EVERY", 1)
    monkeypatch.setattr(Changes.__init__, "__kwdefaults__", {"most": 3, "most_each": 2, "every_s": 0.05})
    (tmp_path / "annealog.toml").write_text("", encoding="utf-8")
    with History.open(find_workspace(tmp_path).history, write=True):
        pass
    (tmp_path / "pages" / "boards").mkdir(parents=True)
    page(tmp_path).write_text(whole("An index", ["p{}"], element("div", class_="sheet")), encoding="utf-8")
    (tmp_path / "pages" / "boards" / "LINE.html").write_text(
        whole("A board", ["p{}"], scripts=[(BOARD_CLOCK, data_block({}, "board-words"))], refresh_s=15),
        encoding="utf-8",
    )
    (tmp_path / "pages" / "lots.json").write_text("{}", encoding="utf-8")
    return tmp_path


def page(root: Path) -> Path:
    return root / "pages" / "index.html"


@pytest.fixture
def client(root: Path) -> Iterator[httpx.Client]:
    with (
        server.listening(root, ANSWERS, server.Listen(port=0)) as address,
        httpx.Client(base_url=address, follow_redirects=True, timeout=60) as client,
    ):
        yield client


def asked(root: Path, shown: str | None = None) -> dict[str, str]:
    return {"page": "index.html", "shown": state_of_page(page(root)) if shown is None else shown}


def sign_in(client: httpx.Client, name: str) -> None:
    form = re.search(r'name="form" value="([^"]*)"', client.get("/sign-in").text)
    assert form is not None
    sent = {"form": form[1], "to": "/", "name": name, "password": PASSWORD, "step": "sign"}
    assert client.post("/sign-in", data=sent).status_code == 200


def quiet(lines: Iterator[str], looks: int = 4) -> None:
    """Wait for some looks, none of which has news."""
    for _ in range(looks):
        assert next(line for line in lines if line) in (":", "retry: 5000")


def test_an_event_comes_when_the_page_was_written_again_and_none_while_it_was_not(
    root: Path, client: httpx.Client
) -> None:
    with client.stream("GET", "/changed", params=asked(root)) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        lines = answer.iter_lines()
        quiet(lines)
        (root / "pages" / "lots.json").write_text("another file", encoding="utf-8")
        quiet(lines)
        page(root).write_text("written again", encoding="utf-8")
        assert [line for line in lines if line and line != ":"] == CHANGE  # and that is the end of it


def test_what_was_written_before_anybody_listened_is_told_at_once_and_a_page_that_is_not_there_is_not(
    root: Path, client: httpx.Client
) -> None:
    before = asked(root)
    page(root).write_text("written again", encoding="utf-8")
    with client.stream("GET", "/changed", params=before) as answer:
        assert [line for line in answer.iter_lines() if line][-2:] == CHANGE
    with client.stream("GET", "/changed", params=asked(root)) as answer:
        lines = answer.iter_lines()
        page(root).unlink()
        quiet(lines)


def test_too_many_are_refused_in_words_and_a_place_is_given_back(root: Path, client: httpx.Client) -> None:
    with client.stream("GET", "/changed", params=asked(root)) as first:
        heard = [first.iter_lines()]  # kept: a stream that nobody reads any more is closed
        quiet(heard[0], 1)
        with client.stream("GET", "/changed", params=asked(root)) as second:
            heard.append(second.iter_lines())
            quiet(heard[1], 1)
            refused = client.get("/changed", params=asked(root, "another"))
            assert (refused.status_code, words.TOLD["listeners"] in refused.text) == (503, True)
            assert client.get("/").status_code == 200  # pages are served all the same
    for _ in range(100):  # the server hears of it that they went away
        time.sleep(0.1)
        answer = client.get("/changed", params=asked(root, "another"))
        if answer.status_code == 200:
            break
    assert "event: changed" in answer.text


def test_who_listens_too_often_leaves_room_for_others(root: Path, client: httpx.Client) -> None:
    people(root)
    with httpx.Client(base_url=client.base_url, follow_redirects=True, timeout=60) as other, ExitStack() as stack:
        sign_in(client, "Dan Ro")
        sign_in(other, "Cia Ek")
        heard: list[Iterator[str]] = []
        for one in (client, client, other):
            heard.append(stack.enter_context(one.stream("GET", "/changed", params=asked(root))).iter_lines())
            quiet(heard[-1], 1)
            if len(heard) == 2:  # of Dan, who has his two
                assert client.get("/changed", params=asked(root)).status_code == 503


def test_only_who_may_read_hears_and_only_of_pages(root: Path, client: httpx.Client) -> None:
    for lacking in ("lots/none.html", "lots.json", "../annealog.toml", ".answers/x.html"):
        assert client.get("/changed", params={"page": lacking}).status_code == 404
    assert client.post("/changed", params=asked(root), data={"x": "1"}).status_code == 405
    assert client.head("/changed", params=asked(root)).status_code == 404
    people(root)
    refused = client.get("/changed", params=asked(root, "another"))
    assert (refused.status_code, words.TOLD["nobody"] in refused.text) == (403, True)
    sign_in(client, "Dan Ro")
    assert "event: changed" in client.get("/changed", params=asked(root, "another")).text


def test_accounts_that_are_opened_end_what_everybody_heard(root: Path, client: httpx.Client) -> None:
    with client.stream("GET", "/changed", params=asked(root)) as answer:
        lines = answer.iter_lines()
        quiet(lines)
        people(root)
        assert set(lines) <= {"", ":"}


@pytest.mark.parametrize("how", ["signed out", "closed"])
def test_the_stream_ends_with_the_visit(root: Path, client: httpx.Client, how: str) -> None:
    people(root)
    sign_in(client, "Ben Moor")
    with client.stream("GET", "/changed", params=asked(root)) as answer:
        lines = answer.iter_lines()
        quiet(lines)
        if how == "closed":
            change_account(find_workspace(root), "Ben Moor", password=None, by="Eve", why="left the works")
        else:
            token = re.search(r'name="form" value="([^"]*)"', client.get("/me").text)
            assert token is not None
            client.post("/sign-out", data={"form": token[1]})
        page(root).write_text("not for those who left", encoding="utf-8")
        assert set(lines) <= {"", ":"}


def test_a_server_that_ends_waits_for_no_listener(root: Path) -> None:
    with httpx.Client(timeout=60) as client, ExitStack() as stack:
        with server.listening(root, ANSWERS, server.Listen(port=0)) as address:
            answer = stack.enter_context(client.stream("GET", f"{address}changed", params=asked(root)))
            lines = answer.iter_lines()
            quiet(lines)
        assert set(lines) <= {"", ":"}  # the stream ended as streams do, and was not cut off


def test_listening_keeps_nobody_signed_in_who_may_decide(root: Path) -> None:
    people(root)
    app = application(root)
    person = Person(app).sign_in("Ben Moor")
    now = 1_000.0
    session = next(one for one in app.people.sessions._all.values() if one.account)
    app.people.sessions._clock = lambda: now
    session.began = session.used = now
    for _ in range(3):
        now += 400
        person.get("/changed?page=index.html&shown=another")
    assert (person.status, person.get("/").at) == (403, "/sign-in")


# -- the page that listens ---------------------------------------------------------------------------------------


def policy(text: str) -> dict[str, list[str]]:
    found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    assert found is not None
    return {rule.split()[0]: rule.split()[1:] for rule in found[1].split(";")}


def test_a_served_page_lets_one_script_through_and_nothing_else_is_another(root: Path, client: httpx.Client) -> None:
    lying, text = page(root).read_text(encoding="utf-8"), client.get("/").text
    assert policy(text) == {**policy(lying), "script-src": [hashed(CHANGED)], "connect-src": ["'self'"]}
    assert text.count(CHANGED) == 1
    assert text.count('<div id="changed" role="status"></div><div class="sheet">') == 1
    told = re.search(r'id="changed-words">(.*?)</script>', text)
    assert told is not None
    assert json.loads(told[1])["address"] == f"/changed?page=index.html&shown={state_of_page(page(root))}"
    assert page(root).read_text(encoding="utf-8") == lying


def test_a_board_keeps_its_own_script_and_fetches_itself_where_none_runs(root: Path, client: httpx.Client) -> None:
    lying = (root / "pages" / "boards" / "LINE.html").read_text(encoding="utf-8")
    text = client.get("/boards/LINE.html").text
    assert policy(text)["script-src"] == [hashed(CHANGED), *policy(lying)["script-src"]]
    assert text.count('<noscript><meta http-equiv="refresh" content="15"></noscript>') == 1
    assert text.count('http-equiv="refresh"') == 1
    assert '"after_s":15' in text


def test_a_page_without_a_policy_of_ours_gets_no_script() -> None:
    assert listening(b"<body>theirs</body>", "x.html", "1") == b"<body>theirs</body>"
