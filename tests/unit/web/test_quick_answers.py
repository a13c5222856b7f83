"""Pages and kept answers are given at once: no thread, no history, a mark read once; and what was changed behind the back is not given."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest
from visiting import PASSWORD, Person

from pipeline.cli import answers as kept_questions
from pipeline.cli import kept
from pipeline.history.found import forget
from pipeline.history.journal import Journal
from pipeline.history.store import History
from pipeline.judge import carry_on
from pipeline.kept import answers
from pipeline.kept.answers import answer_of, withdraw
from pipeline.kept.snapshot import publish_snapshot
from pipeline.load.touched import assess_touched
from pipeline.pages.render import render
from pipeline.web import app as served
from pipeline.web import asked
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.web.app import Application


@pytest.fixture
def reader(root: Path, app: Application) -> Person:
    """Somebody signed in, once pages and answers are written."""
    render(find_workspace(root))
    return Person(app).sign_in("Dan Ro")


def test_pages_and_kept_answers_need_no_thread_and_no_history(
    reader: Person, app: Application, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = answer_of(find_workspace(root), "lot", "L1")
    assert said is not None

    async def none(*_: object) -> None:
        raise AssertionError("a thread")

    monkeypatch.setattr(served, "run_in_threadpool", none)
    with app._one:
        for _ in range(2):
            assert json.loads(reader.get("/json/lot/L1").text) == {**said.document, "page": None}
        assert "L1" in reader.get("/lots/L1.html").text
        assert reader.status == 200
        assert reader.get("/nothing.html").status == 404
    for path in ("/decide/lot", "/me", "/json/status", "/changed?page=index.html", "/json/lot/L404"):
        assert reader.get(path).status in (403, 500), path  # asked of a thread, or refused before
    Person(app).get("/json/lot/L1")
    assert Person(app).get("/json/lot/L1").status == 500, "whether somebody may is asked in a thread"


def test_a_kept_answer_is_for_whoever_may_read(reader: Person, app: Application) -> None:
    assert reader.get("/json/lot/L1").status == 200
    stranger = Person(app).get("/json/lot/L1")
    assert stranger.status == 401
    assert "verdict" not in stranger.text
    assert Person(app).get("/lots/L1.html").at == "/sign-in"
    answer = stranger.client.get("/json/lot/L1", auth=("Dan Ro", PASSWORD))
    assert answer.json()["lot"] == "L1"
    assert stranger.client.get("/json/lot/L1", auth=("Dan Ro", "another password")).status_code == 403


def test_the_mark_is_vouched_for_once_in_each_state_of_its_file(
    reader: Person, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, looked = find_workspace(root), []
    vouches = Journal.vouches

    def counted(journal: Journal, digest: str) -> bool:
        looked.append(digest)
        return vouches(journal, digest)

    monkeypatch.setattr(Journal, "vouches", counted)
    monkeypatch.setattr(answers, "_vouched", {})
    for kind, name in (("lot", "L1"), ("meter", "M1"), ("lot", "L1")):
        assert answer_of(place, kind, name) is not None
    assert len(looked) == 1
    mark = place.pages / ".answers" / "mark.json"
    data = mark.read_bytes()
    mark.write_bytes(data + b" ")
    assert answer_of(place, "lot", "L1") is None
    assert answer_of(place, "lot", "L1") is None
    assert len(looked) == 3, "what nobody vouches for is not remembered"
    mark.write_bytes(data)
    assert answer_of(place, "lot", "L1") is not None
    assert len(looked) == 4
    mark.unlink()
    assert answer_of(place, "lot", "L1") is None


def test_an_answer_that_was_changed_is_not_given(reader: Person, root: Path) -> None:
    place = find_workspace(root)
    before = reader.get("/json/lot/L1").text
    for path in (place.pages / ".answers").glob("*.json"):
        data = path.read_text(encoding="utf-8")
        if path.name != "mark.json":
            path.write_text(data.replace('"hold"', '"accept"'), encoding="utf-8")
    assert answer_of(place, "lot", "L1") is None
    assert json.loads(reader.get("/json/lot/L1").text)["verdict"] == json.loads(before)["verdict"]


def test_settings_are_read_again_when_their_file_was_written(app: Application, root: Path) -> None:
    first = app._workspace()
    assert app._workspace() is first
    path = root / "annealog.toml"
    path.write_text(path.read_text(encoding="utf-8") + 'name = "Works two"\n', encoding="utf-8")
    assert app._workspace().settings.name == "Works two"
    path.write_text("name = 3 =\n", encoding="utf-8")
    assert Person(app).get("/").status == 422
    path.unlink()
    assert Person(app).get("/").status == 422


def test_what_was_found_is_asked_again_until_the_history_is_another(
    reader: Person, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, times = find_workspace(root), []
    assess_touched(place, [], now=datetime.now(UTC), refresh=True)
    whole = carry_on.everything

    def counted(*given: Any, **more: Any) -> Any:
        times.append(given)
        return whole(*given, **more)

    monkeypatch.setattr(carry_on, "everything", counted)
    monkeypatch.setattr(kept_questions, "_FOUND", {})
    shutil.rmtree(place.pages / ".answers")  # as while a rendering goes on
    lot, meter = (reader.get(f"/json/{name}").text for name in ("lot/L1", "meter/M1"))
    assert json.loads(lot)["verdict"] == kept_questions.ANSWERS["lot"](place, "L1")["verdict"]
    assert json.loads(meter)["state"] == kept_questions.ANSWERS["meter"](place, "M1")["state"]
    assert len(times) == 1
    with History.open(place.history, write=True) as history:
        history.append_event("report", {"lot": "L1"}, by="Ada", why="seen")
    kept_questions.ANSWERS["lot"](place, "L1")
    assert len(times) == 2
    monkeypatch.setattr(kept, "_MOST_QUESTIONS", 3)
    for name in ("L1", "L2", "L1"):
        kept_questions.ANSWERS["lot"](place, name)
    assert len(times) == 3, "what questions fetched stays with what was found, so not for ever"
    forget(place.history)
    for name in ("L1", "L1"):
        assert kept_questions.ANSWERS["lot"](place, name) == json.loads(lot)
    assert len(times) == 5, "what was made from nothing holds every reading, and is not held on to"


def test_over_http_nobody_is_told_of_edits_so_none_is_looked_for(reader: Person, root: Path) -> None:
    shutil.rmtree(root / "pages" / ".answers")
    before = reader.get("/json/lot/L1").text
    (root / "reference" / "lots.csv").write_bytes(b"lot\n\xff\n")
    assert kept_questions.ANSWERS["lot"](find_workspace(root), "L1") == json.loads(before)


@contextlib.contextmanager
def being_written(history: Path) -> Iterator[None]:
    program = "import sys; from pathlib import Path; from pipeline.history.store import History\n"
    program += "with History.open(Path(sys.argv[1]), write=True): print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", program, str(history)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        yield
        holder.communicate()


def test_while_somebody_writes_it_is_told_what_was_published_and_when_or_to_ask_again(
    reader: Person, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, began = find_workspace(root), datetime.now(UTC)
    kept_before = {name: json.loads(reader.get(f"/json/{name}").text) for name in ("lot/L1", "meter/M1")}
    publish_snapshot(place)
    with History.open(place.history, write=True) as history:
        history.append_event("disposition", {"lot": "L1", "decision": "re-measured"}, by="Ada", why="seen")

    def none(*_: object, **__: object) -> None:
        raise AssertionError("judged from nothing")

    with being_written(place.history), monkeypatch.context() as patch:
        patch.setattr(carry_on, "everything", none)
        for name, before in kept_before.items():
            told = json.loads(reader.get(f"/json/{name}").text)
            assert datetime.fromisoformat(told.pop("published_at")) <= began
            assert told == before
        for name in ("lot/L404", "events"):  # nothing was kept of these
            assert reader.get(f"/json/{name}").status == 503
            assert reader.headers["retry-after"] == "5"
        withdraw(place)
        assert reader.get("/json/lot/L1").status == 503, "a rendering that did not end vouches for nothing"
    now = json.loads(reader.get("/json/lot/L1").text)
    assert "published_at" not in now
    assert "re-measured" in json.dumps(now)


def test_whoever_can_be_told_of_before_does_not_wait_long_for_others(
    reader: Person, app: Application, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked, "_PATIENCE_S", 0.05)
    with History.open(find_workspace(root).history, write=True) as history:
        history.append_event("report", {"lot": "L1"}, by="Ada", why="seen")
    free, held = threading.Event(), threading.Event()

    def hold() -> None:
        with app._one:
            held.set()
            free.wait(60)

    other = threading.Thread(target=hold)
    other.start()
    held.wait(60)
    assert "published_at" in json.loads(reader.get("/json/lot/L1").text)
    free.set()
    other.join()
    assert "published_at" not in json.loads(reader.get("/json/lot/L1").text)


@pytest.mark.parametrize("value", [{"lot": "L\ud800"}, {"lot": "Ü<b>", "mean": 58.1, "none": None, "list": [1, True]}])
def test_a_document_reads_back_as_it_was(value: dict[str, Any]) -> None:
    text = asked.as_document(value)
    assert json.loads(text) == value
    assert text.endswith(b"}\n")
