"""Files by the browser: laid into the inbox, loaded as by the command, told line by line; what comes in is bounded and stays text."""

from __future__ import annotations

import asyncio
import gc
from collections import Counter
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenario import Scenario
from visiting import Person, apart, application
from workspace_files import neutral_csv

from pipeline.errors import HistoryBusy, UsageError
from pipeline.history.store import History
from pipeline.web import app as app_module
from pipeline.web import bring
from pipeline.web.sent import Sent, read_query, read_sent
from pipeline.workspace.settings import find_workspace
from reports.words import web as words
from reports.words.general import VERDICT

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from pipeline.web.visit import Visit
    from pipeline.workspace.settings import Workspace


@pytest.fixture(scope="module")
def made(made: Path) -> Path:
    (made / "inbox" / "EC-9").mkdir()
    return made


def hand_in(root: Path, name: str, data: bytes, *, who: str = "Cia Ek", **fields: str) -> Person:
    person = Person(application(root)).sign_in(who).get("/bring")
    if person.status != 200:
        return person
    fields = {"form": person.forms()["bring"]["form"], **fields}
    return person._arrived(person.client.post("/bring", data=fields, files={"file": (name, data)}))


NEW = neutral_csv(Scenario().check("08:00", day=9).lot("09:00", lot="L5", day=9).check("10:00", day=9))


def test_a_file_is_loaded_and_each_line_told(root: Path) -> None:
    text = NEW + "no,such,line\n"
    person = hand_in(root, "week-9.csv", text.encode(), folder="EC-9")
    assert person.status == 200, person.text
    assert (root / "inbox" / "EC-9" / "week-9.csv").read_bytes() == text.encode()
    for said in ("accepted", "refused", "no,such,line", "L5"):
        assert said in person.text
    assert any(f"<dd>{word}</dd>" in person.text for word in VERDICT.values())
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert "L5" in history.all_lots()
        (event,) = history.events("brought")
    assert event.by == "Cia Ek"
    assert event.subject["name"] == "inbox/EC-9/week-9.csv"
    assert event.subject["signed"]["how"] == "signed in"
    again = hand_in(root, "week-9.csv", text.encode(), folder="EC-9")
    assert "already loaded" in again.text
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert len(history.events("brought")) == 1


def test_an_unknown_file_is_held_and_a_layout_proposed(root: Path) -> None:
    person = hand_in(root, "new meter.csv", b"Date;Instr;Cond\n2026-03-09 08:00;M1;58.1\n2026-03-09 08:01;M1;58.2\n")
    assert person.status == 200, person.text
    assert "held, nothing was loaded" in person.text
    assert "A layout for this file" in person.text
    assert "temperature_state" in person.text
    assert (root / "inbox" / "new meter.csv").is_file()
    assert not list((root / "layouts").glob("new*"))


@pytest.mark.parametrize(
    ("name", "lies"),
    [
        ("../../evil.csv", "evil.csv"), ("..\\..\\evil.csv", "evil.csv"), ("/etc/evil.csv", "evil.csv"),
        (".hidden.csv", "hidden.csv"), ("a\x00b.csv", "a_b.csv"), ("<b>x</b>.csv", "b_.csv"), ("x" * 300 + ".csv", "x" * 100 + ".csv"),
        ("漢" * 120 + ".csv", "漢" * 63 + ".csv"),  # 255 bytes are the longest name of most disks
    ],
)  # fmt: skip
def test_a_file_lies_in_the_inbox_and_nowhere_else(root: Path, name: str, lies: str) -> None:
    before = {path for path in root.rglob("*") if path.is_file()}
    person = Person(application(root)).sign_in("Cia Ek").get("/bring")
    boundary, token = b"mark", person.forms()["bring"]["form"].encode()
    body = (
        b'--mark\r\nContent-Disposition: form-data; name="form"\r\n\r\n' + token + b"\r\n--mark\r\n"
        b'Content-Disposition: form-data; name="file"; filename="'
        + name.encode()
        + b'"\r\n\r\n'
        + NEW.encode()
        + b"\r\n--mark--\r\n"
    )
    answer = person.client.post(
        "/bring", content=body, headers={"content-type": f"multipart/form-data; boundary={boundary.decode()}"}
    )
    assert answer.status_code == 200, answer.text
    assert "<b>x" not in answer.text
    fresh = {path for path in root.rglob("*") if path.is_file()} - before
    assert root / "inbox" / lies in fresh
    assert all(
        path.is_relative_to(root / part)
        for path in fresh
        for part in [path.relative_to(root).parts[0]]
        if part in ("inbox", "archive", "history")
    )
    assert {path.relative_to(root).parts[0] for path in fresh} <= {"inbox", "archive", "history"}


@pytest.mark.parametrize(
    ("name", "data", "fields"), [("x.csv", b"", {}), ("...", b"x", {}), ("x.csv", b"x", {"folder": "../archive"})]
)
def test_what_is_no_file_or_no_place_is_refused_in_words(
    root: Path, name: str, data: bytes, fields: dict[str, str]
) -> None:
    before = sorted((root / "inbox").rglob("*"))
    person = hand_in(root, name, data, **fields)
    assert person.status == 422
    assert 'role="alert"' in person.text
    assert sorted((root / "inbox").rglob("*")) == before


def test_another_file_of_the_same_name_lies_beside_the_first(root: Path) -> None:
    before = (root / "inbox" / "40.csv").read_bytes()
    assert hand_in(root, "40.csv", NEW.encode()).status == 200
    assert (root / "inbox" / "40.csv").read_bytes() == before
    assert len(list((root / "inbox").glob("40-*.csv"))) == 1


def test_a_file_named_like_a_folder_lies_beside_it(root: Path) -> None:
    assert hand_in(root, "EC-9", NEW.encode()).status == 200
    (lies,) = root.glob("inbox/EC-9-*")
    assert lies.read_bytes() == NEW.encode()


def test_a_reader_hands_in_nothing(root: Path) -> None:
    assert hand_in(root, "x.csv", NEW.encode(), who="Dan Ro").status == 403


@pytest.mark.parametrize(
    ("who", "path", "status"),
    [("", "/bring", 303), ("", "/sign-in", 403), ("", "/json/status", 405), ("", "/lots/L1.html", 303), ("Dan Ro", "/bring", 403),
     ("Dan Ro", "/enter/check", 403), ("Dan Ro", "/decide/lot", 403), ("Cia Ek", "/decide/lot", 403), ("Cia Ek", "/index.html", 405)],
)  # fmt: skip
def test_nothing_is_read_of_whoever_may_not_send_it(root: Path, who: str, path: str, status: int) -> None:
    app, read = application(root), []
    person = Person(app).sign_in(who) if who else Person(app)

    async def body() -> AsyncIterator[bytes]:
        read.append(1)
        yield b"x"

    kind = {"content-type": "application/x-www-form-urlencoded"}
    answer = person.client.post(path, content=body(), headers=kind, follow_redirects=False)
    assert (answer.status_code, read) == (status, [])
    assert person.client.post("/me", content=body(), headers=kind, follow_redirects=False).status_code in (303, 403)
    assert bool(read) is bool(who)  # what somebody may send is read


def test_of_one_person_two_files_are_read_at_once_and_others_wait_for_nobody(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = application(root)
    people = {name: Person(app).sign_in(name) for name in ("Cia Ek", "Ben Moor")}
    under_way: Counter[str] = Counter()
    most: Counter[str] = Counter()
    both = []

    async def body(_: object, __: object, visit: Visit) -> Sent:
        assert visit.account is not None
        under_way[visit.account.name] += 1
        most[visit.account.name] = max(most[visit.account.name], under_way[visit.account.name])
        both.append(sum(under_way.values()))
        await asyncio.sleep(0)
        await asyncio.sleep(0.05)
        under_way[visit.account.name] -= 1
        return Sent()

    async def everybody() -> None:
        await asyncio.gather(*(one.client._client.post("/bring") for one in people.values() for _ in range(6)))

    monkeypatch.setattr(app_module.Application, "_body", body)
    apart(everybody)
    assert most == {"Cia Ek": 2, "Ben Moor": 2}
    assert max(both) == 4
    gc.collect()
    assert not app._turns  # nothing is kept of who sent something


def test_who_handed_it_in_is_stated_before_the_service_can_load_it(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The service may load the file first, and hold the history meanwhile: the person is told, and stated once."""
    place, load = find_workspace(root), bring.load

    def busy(workspace: Workspace, paths: list[Path], **_: object) -> None:
        load(workspace, paths)  # by the service
        raise HistoryBusy("The history is used by somebody else.")

    with monkeypatch.context() as patch:
        patch.setattr(bring, "load", busy)
        person = hand_in(root, "week-9.csv", NEW.encode())
    assert person.status == 503
    assert "The file lies in the inbox as inbox/week-9.csv" in person.text
    assert words.PAGE["nothing"] not in person.text
    assert "already loaded" in hand_in(root, "week-9.csv", NEW.encode()).text
    with History.open(place.history, snapshot=False) as history:
        kinds = [event.kind for event in history.events() if event.kind in ("brought", "load")]
        assert kinds[-2:] == ["brought", "load"]
        assert [event.by for event in history.events("brought")] == ["Cia Ek"]


def test_what_is_busy_before_the_file_lies_there_leaves_nothing(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(*_: object, **__: object) -> None:
        raise HistoryBusy("The history is used by somebody else.")

    monkeypatch.setattr(bring, "deciding", busy)
    assert hand_in(root, "week-9.csv", NEW.encode()).status == 503
    assert not (root / "inbox" / "week-9.csv").exists()


def test_what_is_too_large_is_refused_before_it_is_read(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app_module, "_BODY_MB", 0.001)
    assert hand_in(root, "x.csv", b"x" * 1_400).status == 413
    monkeypatch.setattr(app_module, "_BODY_MB", 1)
    assert hand_in(root, "x.csv", NEW.encode()).status == 200
    person = Person(application(root)).get("/sign-in")
    assert person.client.post("/sign-in", content=b"x" * 1_000_001).status_code == 413


# -- how a body is read (RFC 7578) -------------------------------------------------------------------------------


@given(st.dictionaries(st.text("abcxyz", min_size=1, max_size=5), st.binary(max_size=300), max_size=4))
def test_a_body_of_parts_is_read_as_it_was_written(parts: dict[str, bytes]) -> None:
    mark = b"b0undary-5a17"
    body = b"".join(
        b"--" + mark + b'\r\nContent-Disposition: form-data; name="' + name.encode() + b'"; filename="f"\r\n\r\n' + data + b"\r\n"
        for name, data in parts.items()
    ) + (b"--" + mark + b"--\r\n")  # fmt: skip
    if parts:
        found = read_sent(f"multipart/form-data; boundary={mark.decode()}", body)
        assert {name: data for name, (_, data) in found.files.items()} == parts


@given(
    st.binary(max_size=400),
    st.sampled_from(
        [
            "multipart/form-data; boundary=x",
            "multipart/form-data",
            "text/plain",
            "",
            "application/x-www-form-urlencoded",
        ]
    ),
)
def test_a_body_of_any_bytes_is_read_or_refused_in_words(body: bytes, kind: str) -> None:
    try:
        found = read_sent(kind, body)
    except UsageError:
        return
    assert all(isinstance(value, str) for value in found.fields.values())


def test_of_a_field_sent_twice_the_first_counts() -> None:
    assert read_query("a=1&a=2&b=3") == {"a": "1", "b": "3"}
    with pytest.raises(UsageError, match="More fields"):
        read_query("&".join(f"a{n}=1" for n in range(300)))
