"""A layout is completed on the page: what the command would ask is asked, what it would refuse is refused, and nothing is assumed."""

from __future__ import annotations

import tomllib
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import Mock

import pytest
from visiting import DECISIONS, UNKNOWN, Person, application
from workspace_files import Shell

from pipeline.decisions.layouts import asked, complete_layout, name_of
from pipeline.decisions.record import deciding
from pipeline.errors import EnvironmentProblem, UsageError
from pipeline.history.store import History
from pipeline.load.layout_tools import propose
from pipeline.load.load import load_files
from pipeline.load.refused import held
from pipeline.workspace.files import sha256_of
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.history.chain import Event

FILE = "inbox/43.csv"
ANSWERS = {name: text for name, text in DECISIONS["layout"][1].items() if name.startswith("answer-")}


@pytest.fixture(scope="module")
def made(decided: Path) -> Path:
    return decided


def last(root: Path) -> list[Event]:
    with History.open(find_workspace(root).history, snapshot=False) as history:
        return [event for event in history.events() if event.kind in ("layout", "load")][-2:]


def waiting(root: Path) -> list[str]:
    return [str(row["file"]) for row in held(find_workspace(root))]


def test_what_the_command_asks_is_asked_and_the_file_is_loaded(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(root)
    works = Shell(root, capsys)
    proposed = works.json("layout", "suggest", str(root / FILE))
    person = Person(application(root)).sign_in("Ben Moor").get(f"/decide/layout?file={FILE}")
    for question in proposed["questions"]:
        assert f'name="{name_of(question["key"])}"' in person.text
        assert question["key"] in person.text
    person.send("look", why="as its handbook says", layout_name="new_meter", **ANSWERS)
    assert person.status == 200, person.text
    assert "tried on the whole file: 3 readings; lines: header 1, accepted 3." in person.text
    assert "58.1" in person.text
    assert "Ohm.cm" not in person.text
    assert not (root / "layouts" / "new_meter.toml").exists()
    assert FILE in waiting(root)
    person.send("sign", password="seven copper kettles")
    assert person.at.startswith("/done/"), person.text
    assert "loaded 3 readings from 3 lines" in person.text
    text = (root / "layouts" / "new_meter.toml").read_bytes()
    assert tomllib.loads(text.decode())["name"] == "new_meter"
    assert FILE not in waiting(root)
    stated, loaded = last(root)
    assert [stated.kind, loaded.kind] == ["layout", "load"]
    assert (stated.by, stated.why, loaded.by) == ("Ben Moor", "as its handbook says", "load")
    digest = sha256_of(UNKNOWN.encode())
    assert {**stated.subject, "signed": ""} == {
        "layout": "new_meter 1", "layout_sha256": sha256_of(text), "name": FILE, "sha256": digest, "signed": "",
    }  # fmt: skip
    assert loaded.subject["layout"] == "new_meter 1"
    assert loaded.subject["layout_sha256"] == sha256_of(text)
    works("verify")
    assert works.code == 0, works.out
    # the next export like it needs nobody
    (root / "inbox" / "44.csv").write_text(UNKNOWN.replace("03-29", "03-30"), encoding="utf-8")
    works("load", str(root / "inbox" / "44.csv"), "--direct")
    assert "44.csv: loaded 3 readings" in works.out


def test_what_is_open_is_refused_line_by_line_and_nothing_is_kept(root: Path) -> None:
    person = Person(application(root)).sign_in("Ada Lind").get(f"/decide/layout?file={FILE}")
    person.send("look", why="a guess", **{**ANSWERS, name_of("unit"): "", name_of("zone"): " "})
    assert person.status == 422
    assert person.text.count(": fill this in.") == 2
    assert f'value="{ANSWERS[name_of("role")]}"' in person.text, "what was answered stays"
    place = find_workspace(root)
    given = {**ANSWERS, name_of("unit"): ""}
    with pytest.raises(UsageError, match=r"^Open: unit: In which unit is column 'Reading'") as refused:
        complete_layout(place, file=FILE, given=given, by="Ada", why="x")
    assert "\n" not in str(refused.value)
    assert not list((root / "layouts").glob("*.toml"))
    assert FILE in waiting(root)


@pytest.mark.parametrize(
    ("changed", "name", "said"),
    [
        ({"unit": "furlong"}, None, "unit"), ({"zone": "Atlantis/Deep"}, None, "Atlantis/Deep"), ({"role": "part"}, None, "lot"),
        ({}, "../../evil", "expected letters, digits, - and _"), ({}, 'a"\nzone = "x', "expected letters, digits, - and _"),
        ({}, "neutral", "There is a layout named 'neutral' already"), ({}, "kept", "There is a layout named 'kept' already"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_the_words_of_the_command(
    root: Path, changed: dict[str, str], name: str | None, said: str
) -> None:
    place = find_workspace(root)
    (root / "layouts" / "kept.toml").write_text("an unfinished one", encoding="utf-8")
    before = {path for path in root.rglob("*") if path.suffix == ".toml"}
    given = {**ANSWERS, **{name_of(key): value for key, value in changed.items()}}
    for dry_run in (True, False):
        with pytest.raises(UsageError) as refused:
            complete_layout(place, file=FILE, given=given, name=name, by="Ben", why="x", dry_run=dry_run)
        assert said in str(refused.value)
    assert {path for path in root.rglob("*") if path.suffix == ".toml"} == before
    assert [event.kind for event in last(root)].count("layout") == 0
    assert asked(place, FILE, given).questions, "what was asked is still shown"


def test_only_a_held_file_with_a_table_is_asked_about(root: Path) -> None:
    place = find_workspace(root)
    for file in ("inbox/40.csv", "inbox/404.csv", "../annealog.toml"):
        with pytest.raises(UsageError, match="is held no more"):
            asked(place, file, {})
        person = Person(application(root)).sign_in("Ben Moor").get(f"/decide/layout?file={file}")
        assert person.status == 200
        assert "answer-" not in person.text
        assert person.send("look", why="x").status == 422
    no_table = Person(application(root)).sign_in("Ben Moor").get("/decide/layout?file=inbox/42.csv")
    assert no_table.status == 422
    assert "No table was found" in no_table.text


def test_a_file_that_lies_there_no_more_is_loaded_from_the_archive(root: Path) -> None:
    (root / FILE).unlink()
    _, name, report = complete_layout(find_workspace(root), file=FILE, given=ANSWERS, by="Ben", why="its handbook")
    assert report is not None
    assert (name, report.status, report.readings) == ("43", "loaded", 3)
    assert (root / FILE).read_text(encoding="utf-8") == UNKNOWN
    assert FILE not in waiting(root)


@pytest.mark.parametrize("folder", ["inbox", "inbox/EC-31"])
def test_an_export_that_lies_in_its_place_by_now_stays(root: Path, folder: str) -> None:
    """The meter wrote the next one under the same name, or another meter's has it in the inbox."""
    place, newer = find_workspace(root), UNKNOWN.replace("58.1", "58.9").encode()
    if folder != "inbox":
        (root / folder).mkdir()
        (root / folder / "50.csv").write_text(UNKNOWN.replace("58.1", "58.6"), encoding="utf-8")
        load_files(place, [root / folder / "50.csv"], now=datetime.now(UTC))
        (root / folder / "50.csv").unlink()
    file = FILE if folder == "inbox" else f"{folder}/50.csv"
    in_the_way = root / "inbox" / Path(file).name
    in_the_way.write_bytes(newer)
    _, _, report = complete_layout(place, file=file, given=ANSWERS, by="Ben", why="its handbook")
    assert report is not None
    assert (report.status, report.readings) == ("loaded", 3)
    assert in_the_way.read_bytes() == newer
    assert file not in waiting(root)


def test_a_large_file_is_left_to_the_command(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    size = len(UNKNOWN.encode())
    for most, kept in ((size / 1e6, True), ((size - 1) / 1e6, False)):
        monkeypatch.setattr("pipeline.decisions.layouts._MOST_MB", most)
        if kept:
            assert asked(find_workspace(root), FILE, {}).questions
        else:
            with pytest.raises(UsageError, match=r"annealog layout suggest FILE --ask --to layouts/NAME\.toml"):
                asked(find_workspace(root), FILE, {})


def test_a_held_file_that_the_archive_lacks_is_told(root: Path) -> None:
    place = find_workspace(root)
    for path in place.archive.rglob("*"):
        if path.is_file():
            path.unlink()
    with pytest.raises(EnvironmentProblem, match="Cannot read"):
        asked(place, FILE, {})


def test_what_is_not_recorded_leaves_no_layout(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    @contextmanager
    def full(*given: Any, **more: Any) -> Iterator[History]:
        with deciding(*given, **more) as history:
            yield history
            assert (root / "layouts" / "43.toml").exists()
            raise EnvironmentProblem("The disk is full.")

    monkeypatch.setattr("pipeline.decisions.layouts.deciding", full)
    with pytest.raises(EnvironmentProblem):
        complete_layout(find_workspace(root), file=FILE, given=ANSWERS, by="Ben", why="its handbook")
    assert not (root / "layouts" / "43.toml").exists()
    assert "layout" not in [event.kind for event in last(root)]
    monkeypatch.undo()
    _, name, _ = complete_layout(find_workspace(root), file=FILE, given=ANSWERS, by="Ben", why="its handbook")
    assert name == "43"


def test_each_step_of_the_form_reads_the_file_once(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place, read = find_workspace(root), Mock(wraps=propose)
    monkeypatch.setattr("pipeline.decisions.layouts.propose", read)
    monkeypatch.setattr("pipeline.decisions.layouts._TRIED", {})
    first = asked(place, FILE, ANSWERS)
    times = read.call_count
    assert asked(place, FILE, ANSWERS) == first
    assert read.call_count == times
    asked(place, FILE, {**ANSWERS, name_of("unit"): "%IACS"})
    assert read.call_count > times


def test_of_two_people_who_complete_it_at_once_the_second_is_told(root: Path) -> None:
    app = application(root)
    typed = {"why": "its handbook", "layout_name": "one", **ANSWERS}
    people = [
        Person(app).sign_in(name).get(f"/decide/layout?file={FILE}").send("look", **typed)
        for name in ("Ada Lind", "Ben Moor")
    ]
    assert [person.send("sign", password="seven copper kettles").status for person in people] == [200, 422]
    assert "is not one of those that are offered" in people[1].text
    assert [event.by for event in last(root) if event.kind == "layout"] == ["Ada Lind"]


def test_whoever_hands_in_an_unknown_file_is_led_there_if_he_may_complete_it(root: Path) -> None:
    for who, led in (("Cia Ek", False), ("Ben Moor", True)):
        person = Person(application(root)).sign_in(who).get("/bring")
        fields = {"form": person.forms()["bring"]["form"]}
        text = UNKNOWN.replace("58.1", "58.3" if led else "58.4").encode()
        person._arrived(person.client.post("/bring", data=fields, files={"file": (f"{who} 1&2.csv", text)}))
        assert "held, nothing was loaded" in person.text
        assert ("/decide/layout?file=inbox%2FBen+Moor+1_2.csv" in person.text) is led
        assert person.get(f"/decide/layout?file=inbox/{who}+1_2.csv").status == (200 if led else 403)
