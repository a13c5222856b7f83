"""Commands that look give what a rendering kept, and only while that is what they would compute."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from scenario import REFERENCE, Scenario, at
from workspace_files import neutral_csv

from pipeline.cli import run
from pipeline.errors import HistoryBusy
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.kept import answers as kept
from pipeline.kept.answers import altered_answers, answer_before, answer_of
from pipeline.kept.snapshot import publish_snapshot, said_now
from pipeline.load.load import load
from pipeline.pages import render as rendering
from pipeline.pages.due import lot_keys
from pipeline.pages.lots_and_meters import lot_pages
from pipeline.pages.render import render
from pipeline.service.alerts import found_in
from pipeline.workspace.locks import only_one
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

QUESTIONS: list[list[str]] = [
    ["lot", "L1"],
    ["lot", "L2"],
    ["meter", "M1"],
    ["meter", "M2"],
    ["block", "B1"],
    ["process", "bar"],
    ["supplier", "Q"],
    ["trace"],
    ["trace", "--all"],
    ["trace", "--meter", "M1"],
    ["trace", "--meter", "M2"],
    ["trace", "--sensor", "T1"],
    ["study", "report", "R1"],
]
SENSORS = "sensor,correction_c,expanded_uncertainty_c,coverage_factor\nT1,0.1,0.2,2\n"


def gathered(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Render; return the lots whose pages were gathered."""
    asked: list[str] = []

    def noted(workspace: Workspace, found: Assessment, sources: pl.DataFrame, lots: list[str]) -> Any:
        asked.extend(lots)
        return lot_pages(workspace, found, sources, lots)

    with monkeypatch.context() as patch:
        patch.setattr(rendering, "lot_pages", noted)
        pages, found = render(place)
    assert {page.id for page in pages if page.kind == "lot"} == set(found.lots), "all are told of"
    return set(asked)


def days(*numbers: int, bias: float = 0.0) -> Scenario:
    found = Scenario()
    for day in numbers:
        found.check("08:00", day=day).lot("09:00", day=day, lot=f"L{day % 2 + 1}")
        found.check("10:00", bias, day=day).check("10:02", block="B2", day=day, meter="M2")
    return found


def released() -> Scenario:
    """The meter is set and checked after its failure."""
    return Scenario().reading(at("11:00", 1), 58.0, role="setting", block="B1").check("11:30", day=1)


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history with a good day and one whose closing check failed, rendered once."""
    root = tmp_path_factory.mktemp("rendered") / "works"
    assert run(["init", str(root)]) == 0
    for name, text in {**REFERENCE, "sensors": SENSORS}.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    for name, content in (("0.csv", days(0)), ("1.csv", days(1, bias=0.9))):
        (root / "inbox" / name).write_text(neutral_csv(content), encoding="utf-8")
    place = find_workspace(root)
    load(place, sorted((root / "inbox").glob("*.csv")))
    render(place)
    return root


@pytest.fixture
def works(shell: Shell, rendered: Path) -> Shell:
    """A copy of it; times of files are copied, too."""
    shutil.copytree(rendered, shell.root, dirs_exist_ok=True)
    return shell


def said(shell: Shell, words: list[str]) -> tuple[int, Any]:
    """Return code and document of a question; its text is a view of the document."""
    document = shell.json(*words) if "report" not in words else shell(*words, "--json")
    return shell.code, document


def computed(shell: Shell, words: list[str], monkeypatch: pytest.MonkeyPatch) -> tuple[int, Any]:
    """Return the same with nothing kept."""
    with monkeypatch.context() as patch:
        patch.setattr(kept, "answer_of", lambda *_: None)
        return said(shell, words)


def forbid(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let nothing be computed any more."""

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("computed")

    monkeypatch.setattr("pipeline.judge.assess.assess", refuse)


@pytest.mark.parametrize("words", QUESTIONS, ids=" ".join)
def test_a_kept_answer_is_the_computed_one(works: Shell, words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    fresh, in_words = computed(works, words, monkeypatch), None
    if words[-1] in ("L1", "M1", "B1", "trace"):
        with monkeypatch.context() as patch:
            patch.setattr(kept, "answer_of", lambda *_: None)
            in_words = works(*words)
    if words != ["study", "report", "R1"]:  # there is no study, which is not kept but said anew
        assert fresh[0] in (0, 4), works.err
        forbid(monkeypatch)
    assert said(works, words) == fresh
    if in_words is not None:
        assert works(*words) == in_words


LIGHT = """
import json, sys
from pipeline.cli import run
for words in json.loads(sys.argv[1]):
    code = run(words)
    assert code in (0, 4), (words, code)
    heavy = sorted({"polars", "duckdb", "numpy", "scipy", "altair", "pandera"} & set(sys.modules))
    assert not heavy, (words, heavy)
"""


def test_a_kept_answer_needs_nothing_that_computes(works: Shell) -> None:
    """The libraries that compute take seconds to import; a command that only looks up does without."""
    works("snapshot")
    done = subprocess.run(
        [sys.executable, "-c", LIGHT, json.dumps([["status"], *QUESTIONS[:-1]])],
        cwd=works.root, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


COMPUTED = """
import json, shutil, sys
from pipeline.cli import run
shutil.rmtree("pages/.answers")
for words in json.loads(sys.argv[1]):
    code = run([*words, "--json", "--dry-run"])
    assert code in (0, 4), (words, code)
    heavy = {"pandera", "altair", "prefect", "sqlalchemy", "apprise", "rich", "scipy.stats"}
    heavy |= {f"pipeline.judge.{name}" for name in ("assess", "lots.lots", "meters.meters", "look_back.event_lots")}
    assert "polars" in sys.modules, "it is computed"
    assert not heavy & set(sys.modules), (words, sorted(heavy & set(sys.modules)))
"""


def test_what_is_computed_from_kept_results_needs_nothing_that_judges(works: Shell) -> None:
    """Nor what draws, checks contracts, runs flows or prints in words: to import it all takes longer than to answer."""
    done = subprocess.run(
        [sys.executable, "-c", COMPUTED, json.dumps([["meter", "M1"], ["block", "B1"], ["process", "bar"], ["supplier", "Q"], ["lot", "L1"]])],
        cwd=works.root, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_every_event_is_answered(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    events = [event["event"] for event in works.json("trace", "--all")["events"]]
    assert events
    for event in events:
        fresh = computed(works, ["trace", "--event", event], monkeypatch)
        with monkeypatch.context() as patch:
            forbid(patch)
            assert said(works, ["trace", "--event", event]) == fresh


def test_what_is_loaded_since_is_seen(works: Shell) -> None:
    before = works.json("lot", "L1")
    works.load(works.put("2.csv", days(2)))
    assert answer_of(find_workspace(works.root), "lot", "L1") is None
    assert works.json("lot", "L1")["readings"] == before["readings"] + 3


def test_a_decision_recorded_since_is_seen(works: Shell) -> None:
    assert works.json("lot", "L2")["dispositions"] == []
    works("record", "disposition", "--lot", "L2", "--decision", "rejected", "--by", "Ada", "--why", "check failed")
    assert works.code == 0, works.err
    assert [one["decision"] for one in works.json("lot", "L2")["dispositions"]] == ["rejected"]


@pytest.mark.parametrize(("day", "left"), [(3, {"L1"}), (4, set())], ids=["later", "earlier"])
def test_pages_of_lots_that_were_not_looked_at_keep_their_answers(
    works: Shell, monkeypatch: pytest.MonkeyPatch, day: int, left: set[str]
) -> None:
    """A rendering gathers only what was touched; all answers then hold for the new history.

    Behind the details of a lot stand the lots before it, so that a late reading of an earlier lot touches the later one.
    """
    place = find_workspace(works.root)
    works.load(
        works.put("fit.csv", released())
    )  # else its meter would come back with the readings, and every lot says so
    render(place)
    works.load(works.put("late.csv", days(day)))
    assert answer_of(place, "lot", "L1") is None
    assert {"L1", "L2"} - gathered(place, monkeypatch) == left
    for words in QUESTIONS[:-1]:
        fresh = computed(works, words, monkeypatch)
        with monkeypatch.context() as patch:
            forbid(patch)
            assert said(works, words) == fresh, words


def test_a_meter_that_comes_back_touches_every_lot_that_named_it_suspended(
    works: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = find_workspace(works.root)
    assert works.json("lot", "L1")["came_to_light"][0]["suspended"]
    works.load(works.put("fit.csv", released()))
    assert gathered(place, monkeypatch) == {"L1", "L2"}
    assert works.json("lot", "L1")["came_to_light"] == []
    # the event of the failed check stays open, whoever released the meter
    (left,) = works.json("lot", "L2")["came_to_light"]
    assert (left["suspended"], [event["kind"] for event in left["events"]]) == (False, ["failed_check"])


def test_a_check_of_one_meter_moves_nothing_of_another(works: Shell) -> None:
    """Runs are counted within a meter: a page says the same whatever other meters were checked meanwhile."""
    place = find_workspace(works.root)
    other = Scenario().check("04:00", block="B2", meter="M2").lot("05:00", lot="L3", meter="M2")
    works.load(works.put("fit.csv", released()))
    works.load(works.put("m2.csv", other.check("06:00", block="B2", meter="M2")))

    def looked_at() -> tuple[dict[str, str], dict[str, str]]:
        with History.open(place.history) as history:
            found, sources = assess(history, place.settings, as_of=None), history.sources()
        pages = lot_pages(place, found, sources)
        return lot_keys(found), {page.result.lot: page.provenance.data_sha256 for page in pages}

    before, pages = looked_at()
    works.load(
        works.put("m1.csv", Scenario().check("03:00", day=2).lot("03:30", day=2, lot="L2").check("03:50", day=2))
    )
    after, again = looked_at()
    assert {name for name in pages if again[name] != pages[name]} == {"L2"}
    assert {name for name in before if after[name] != before[name]} == {"L2"}


def test_status_lists_what_a_person_can_read(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first lots that wait, whether the snapshot keeps them with the others or apart; all of them where asked."""
    place = find_workspace(works.root)
    publish_snapshot(place)
    before = works.json("status")
    assert [lot["lot"] for lot in before["waiting"]] == ["L2"]
    monkeypatch.setattr("pipeline.kept.snapshot.FIRST_WAITING", 0)
    for again in (False, True):
        if again:
            shutil.rmtree(works.root / "snapshot")
            made = publish_snapshot(place)
            assert (made.document("status")["status"]["waiting"], len(made.document("waiting"))) == ([], 1)
        with monkeypatch.context() as patch:
            forbid(patch)
            assert "... and 1 more; all of them: annealog status --all" in works("status")
            assert works.code == 4
            assert "... and" not in works("status", "--all")
            assert "L2" in works.out
            assert {**works.json("status"), "as_of": None} == {**before, "as_of": None}
    assert "lot" in [alert.kind for alert in found_in(said_now(made)["status"])]


@pytest.mark.parametrize("of", ["lot", "block"])
def test_readings_left_out_touch_what_shows_them(works: Shell, monkeypatch: pytest.MonkeyPatch, of: str) -> None:
    """Later lots stand on an earlier one; a check that vanishes from a run changes the page of the lot beside it."""
    place = find_workspace(works.root)
    with History.open(place.history) as history:
        rows = history.readings(lots=["L1"]) if of == "lot" else history.readings(meters=["M2"], roles=["block"])
        file = history.sources()["name"][0]
    for line in rows.filter(pl.col("source_id") == 1)["line"].to_list()[:3]:
        works("record", "exclusion", "--file", file, "--line", str(line), "--by", "Ada", "--why", "slipped")
        assert works.code == 0, works.err
    render(place)
    for words in QUESTIONS[:2]:
        assert said(works, words) == computed(works, words, monkeypatch), words


def test_a_rendering_that_did_not_end_vouches_for_what_it_did_not_touch_alone(
    works: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = find_workspace(works.root)
    render(place)  # the workspace is a copy, of whose files nobody knows who touched them
    assert gathered(place, monkeypatch) == set()
    (place.pages / "lots" / "L1.html").unlink()
    with History.open(place.history, write=True) as history:
        history.append_event("account", {"name": "Ada"}, by="Ada", why="joins")
    assert answer_of(place, "lot", "L2") is None, "the history went on"
    meanwhile: list[Any] = []

    def killed(*_: object, **__: object) -> None:
        meanwhile.append(answer_of(place, "lot", "L2"))
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("pipeline.pages.render.write_pages", killed)
        with pytest.raises(KeyboardInterrupt):
            render(place)
    (said,) = meanwhile
    assert said is not None, "while others are written, and their number does not matter"
    assert answer_of(place, "lot", "L2") == said
    assert answer_before(place, "lot", "L1") is None
    assert answer_before(place, "meter", "M1") is None
    assert gathered(place, monkeypatch) == {"L1"}
    assert answer_of(place, "lot", "L2") == said
    for kind, name in (("lot", "L1"), ("meter", "M1")):
        assert answer_of(place, kind, name) is not None
    assert not altered_answers(place)


@pytest.mark.parametrize(
    "harm", ["altered", "altered in silence", "gone", "touched", "keys", "no keys", "look", "setting", "table"]
)
def test_what_a_page_was_written_for_must_still_hold(works: Shell, monkeypatch: pytest.MonkeyPatch, harm: str) -> None:
    """Both lots are of one series, so that neither stands alone where what is shared changes."""
    place, page = find_workspace(works.root), works.root / "pages" / "lots" / "L1.html"
    render(place)
    assert gathered(place, monkeypatch) == set()
    whole, times = page.read_bytes(), page.stat()
    if harm == "altered":
        page.write_bytes(whole + b" ")
    elif harm == "altered in silence":
        page.write_bytes(whole[:-2] + b"x" + whole[-1:])
        os.utime(page, ns=(times.st_atime_ns, times.st_mtime_ns))
    elif harm == "gone":
        page.unlink()
    elif harm == "touched":
        os.utime(page, (1, 1))
    elif harm == "keys":
        (works.root / "pages" / ".keys.json").write_text("[", encoding="utf-8")
    elif harm == "no keys":
        (works.root / "pages" / ".keys.json").unlink()
    elif harm == "look":
        monkeypatch.setattr("reports.LOOK", "another")
    elif harm == "setting":
        with (works.root / "annealog.toml").open("a", encoding="utf-8") as settings:
            settings.write("subgroup_size = 3\n")
        place = find_workspace(works.root)
        load(place, [])
    else:
        with (works.root / "reference" / "materials.csv").open("a", encoding="utf-8") as table:
            table.write("brass,,,\n")
        load(place, [])
    of_one = ("altered", "altered in silence", "gone", "touched")
    assert gathered(place, monkeypatch) == ({"L1"} if harm in of_one else {"L1", "L2"})
    if harm in (*of_one, "keys", "no keys"):
        assert page.read_bytes() == whole
    assert gathered(place, monkeypatch) == set()


def test_one_rendering_at_a_time(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    place = find_workspace(works.root)
    patient = dataclasses.replace(place, settings=dataclasses.replace(place.settings, busy_wait_seconds=0.3))
    with only_one(place.pages / ".answers" / "rendering.lock", "rendering", lambda _: None):
        with pytest.raises(HistoryBusy, match="rendering of this workspace runs already"):
            render(patient)
        render(patient, alone=True)  # pages of another folder
    render(patient)


def test_without_a_known_clock_nothing_is_kept(shell: Shell) -> None:
    """The moment shown is then that of asking."""
    shell.make()
    shell.load(shell.put("0.csv", "measured_at,meter,role,lot,part,value,unit,temperature_c,temperature_state\n"
                         "1970-01-01T00:00:05+00:00,M1,part,L1,1,58.5,MS/m,20.0,at_metal\n"))  # fmt: skip
    place = find_workspace(shell.root)
    with History.open(place.history) as history:
        assert history.last_measured_at() is None
        assert history.counts()["reading"] == 1
    render(place)
    assert answer_of(place, "lot", "L1") is None


def test_a_page_that_is_gone_or_was_changed_is_written_again(works: Shell) -> None:
    path = works.root / "pages" / "lots" / "L1.html"
    whole = path.read_bytes()
    path.unlink()
    works("lot", "L1")
    assert path.read_bytes() == whole
    path.write_bytes(whole + b"<!-- changed -->")
    assert answer_of(find_workspace(works.root), "lot", "L1") is None


def test_a_question_about_another_moment_or_period_is_computed(works: Shell) -> None:
    assert works.json("lot", "L1", "--as-of", "2026-03-02T09:30")["support"] == "open"
    assert works.json("lot", "L1")["support"] == "supported"
    assert works.json("supplier", "Q", "--from", "2026-03-03")["lots"] == 1
    assert works.json("supplier", "Q")["lots"] == 2
    assert works.json("trace", "--meter", "M1", "--since", "2026-03-02T00:00")["lots"]


@pytest.mark.parametrize("name", ["mark", "answer"])
def test_a_flipped_byte_is_never_shown(works: Shell, name: str) -> None:
    place = find_workspace(works.root)
    folder = place.pages / ".answers"
    path = folder / (kept._MARK if name == "mark" else kept._name("lot", "L1"))
    data = bytearray(path.read_bytes())
    for offset in (0, len(data) // 2, len(data) - 1):
        damaged = bytearray(data)
        damaged[offset] ^= 1
        path.write_bytes(damaged)
        assert answer_of(place, "lot", "L1") is None
    path.write_bytes(data)
    assert answer_of(place, "lot", "L1") is not None


def test_another_program_or_language_does_not_give_old_answers(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    place = find_workspace(works.root)
    with monkeypatch.context() as patch:
        patch.setattr(kept, "program", lambda: "another")
        assert answer_of(place, "lot", "L1") is None
    with (works.root / "annealog.toml").open("a", encoding="utf-8") as file:
        file.write('\nlanguage = "no"\n')
    assert answer_of(find_workspace(works.root), "lot", "L1") is None


def test_an_edited_table_is_named_and_decides_nothing(works: Shell) -> None:
    table = works.root / "reference" / "specifications.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("57,60", "40,41"), encoding="utf-8")
    assert answer_of(find_workspace(works.root), "lot", "L1") is not None
    assert works.json("lot", "L1")["lower"] == 57.0
    assert "reference/specifications.csv was changed since the last load" in works.err


def test_answers_of_what_is_not_known_any_more_are_taken_away(works: Shell) -> None:
    """Readings that turn out to belong to a study are no lot's."""
    place = find_workspace(works.root)
    folder = place.pages / ".answers"
    gone = folder / kept._name("lot", "GONE")
    gone.write_bytes((folder / kept._name("lot", "L1")).read_bytes())
    assert answer_of(place, "lot", "GONE") is None, "no rendering wrote it"
    render(place)
    assert not gone.exists()
    assert answer_of(place, "lot", "L1") is not None


def test_a_dry_run_names_no_page_and_a_single_page_is_written(works: Shell) -> None:
    assert works.json("lot", "L1", "--dry-run")["page"] is None
    assert "single" in works.json("lot", "L1", "--single-file")["page"]


def test_nothing_is_kept_of_a_moment_asked_for_or_of_pages_that_travel_alone(works: Shell) -> None:
    place = find_workspace(works.root)
    folder = place.pages / ".answers"
    state = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    with History.open(place.history) as history:
        last = history.last_measured_at()
    render(place, as_of=last)
    render(place, alone=True)
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == state
    shutil.rmtree(folder)
    render(place, alone=True)
    assert not folder.exists()


def test_an_answer_needs_no_frames(works: Shell, tmp_path: Path) -> None:
    """What takes long to import is not imported; of scipy nothing is until it computes."""
    code = (
        "import sys; from pipeline.cli import run; code = run(['lot', 'L1', '--json']);"
        "heavy = {'polars', 'duckdb', 'scipy', 'numpy', 'altair', 'prefect', 'pandera'} & set(sys.modules);"
        "import pipeline.judge.carry_on, pipeline.pages.lots_and_meters, pipeline.questions.over_time.suppliers;"
        "heavy |= {'scipy.special', 'scipy.optimize', 'scipy.linalg'} & set(sys.modules);"
        "print(sorted(heavy), file=sys.stderr); sys.exit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=works.root, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr.strip() == "[]"
    assert run(["lot", "L1"]) == 0
