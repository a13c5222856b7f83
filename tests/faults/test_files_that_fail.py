"""One file or folder that cannot be taken costs itself alone: it is named, tried again, and what lies beside it is loaded."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from watching import PATIENCE_S, day, loaded, settings, watching

from pipeline.errors import AnnealogError, EnvironmentProblem, UsageError
from pipeline.history.store import History
from pipeline.load import one_file, touched
from pipeline.pages import render as rendering
from pipeline.service.arrivals import Arrivals
from pipeline.service.watch import Watch
from pipeline.workspace.files import collect, walk
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from workspace_files import Shell

    Deep = Callable[[Path, int, str], None]


def names(shell: Shell) -> list[str]:
    with History.open(shell.root / "history" / "annealog.duckdb", snapshot=False) as history:
        return sorted(history.sources()["name"].to_list())


def quick(shell: Shell, said: list[Any] | None = None) -> Watch:
    return Watch(find_workspace(shell.root).root, (lambda _: None) if said is None else said.append)


def spoil(monkeypatch: pytest.MonkeyPatch, how: BaseException) -> None:
    """Make the second file end with an error on its way in."""
    read = one_file.read_export

    def fails(data: bytes, *, name: str, **more: Any) -> Any:
        if name.endswith("2.csv"):
            raise how
        return read(data, name=name, **more)

    monkeypatch.setattr(one_file, "read_export", fails)


@pytest.fixture
def pageless(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write no pages, for tests that ask about files alone: a rendering is half of a round."""
    monkeypatch.setattr(rendering, "write_pages", lambda *_, **__: [])


@pytest.mark.usefixtures("pageless")
@pytest.mark.parametrize("how", [OverflowError("date value out of range"), MemoryError()])
def test_any_exception_of_one_file_costs_that_file_and_no_other(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, how: Exception
) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0")
    for number in (1, 2, 3):
        shell.put(f"{number}.csv", day(number))
    said: list[Any] = []
    with monkeypatch.context() as patch:
        spoil(patch, how)
        with pytest.raises(AnnealogError, match=r"inbox/2\.csv"):  # `--once` ends with it, when the others are loaded
            quick(shell, said).run(once=True)
        assert names(shell) == ["inbox/1.csv", "inbox/3.csv"]
        files = {file.name: file for one in said if one.report for file in one.report.files}
        assert files["inbox/2.csv"].status == "failed"
        why = "no memory" if isinstance(how, MemoryError) else type(how).__name__
        assert why in files["inbox/2.csv"].sentence
    quick(shell).run(once=True)  # as after a restart: it was not noted as dealt with
    assert names(shell) == ["inbox/1.csv", "inbox/2.csv", "inbox/3.csv"]


@pytest.mark.usefixtures("pageless")
def test_a_panic_of_a_library_costs_one_file(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Such an error is no Exception to Python; an order to stop is none either, and is obeyed."""
    from polars.exceptions import PanicException

    shell.make()
    settings(shell, watch_settle_seconds="0")
    for number in (1, 2):
        shell.put(f"{number}.csv", day(number))
    with monkeypatch.context() as patch:
        spoil(patch, PanicException("called `Option::unwrap()` on a `None` value"))
        with pytest.raises(AnnealogError, match="PanicException"):
            quick(shell).run(once=True)
    assert names(shell) == ["inbox/1.csv"]
    with monkeypatch.context() as patch:
        spoil(patch, KeyboardInterrupt())
        with pytest.raises(KeyboardInterrupt):
            quick(shell).run(once=True)


@pytest.mark.usefixtures("pageless")
def test_a_file_that_cannot_be_archived_is_loaded_when_it_can_be(shell: Shell) -> None:
    """Its folder of the archive is not writable; it was noted as seen and lost, also after a restart."""
    shell.make()
    settings(shell, watch_settle_seconds="0")
    bad, good = shell.put("1.csv", day(1)), shell.put("2.csv", day(2))
    in_the_way = shell.root / "archive" / hashlib.sha256(bad.read_bytes()).hexdigest()[:2]
    in_the_way.parent.mkdir(exist_ok=True)
    in_the_way.write_text("", encoding="utf-8")
    with pytest.raises(EnvironmentProblem, match="archive"):
        quick(shell).run(once=True)
    assert names(shell) == [f"inbox/{good.name}"]
    document = shell.load(shell.root / "inbox")
    assert shell.code == 7
    assert [file["status"] for file in document["files"]] == ["failed", "already_loaded"]
    assert "archive" in shell.err
    in_the_way.unlink()
    quick(shell).run(once=True)
    assert names(shell) == ["inbox/1.csv", "inbox/2.csv"]


@pytest.mark.usefixtures("pageless")
def test_a_file_over_the_cap_is_taken_when_the_cap_is_raised(shell: Shell) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0", size_cap_mb="1")
    shell.put("1.csv", day(1))
    large = shell.put("2.csv", b"x" * 1_000_001)
    with pytest.raises(UsageError, match="size_cap_mb"):
        quick(shell).run(once=True)
    assert names(shell) == ["inbox/1.csv"]
    large.write_bytes(b"x" * 1_000_000)
    os.utime(large, ns=(1, 1))
    said: list[Any] = []
    quick(shell, said).run(once=True)
    assert [f.status for one in said if one.report for f in one.report.files] == ["held"]


def test_a_failed_file_is_tried_again_after_a_while_and_at_once_when_it_changes(tmp_path: Path) -> None:
    now = [100.0]
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    path = inbox / "1.csv"
    path.write_text("x", encoding="utf-8")
    watch = Arrivals(tmp_path / "register.json", 3.0, lambda: now[0])
    watch.look([inbox])
    now[0] += 3.0
    for wait in (15.0, 30.0, 60.0):
        assert watch.look([inbox]).ready == (path,)
        watch.failed(path)
        look = watch.look([inbox])
        assert (look.ready, look.settling) == ((), 0), "nobody waits for it"
        now[0] += wait - 0.1
        assert watch.look([inbox]).ready == ()
        now[0] += 0.1
    for _ in range(20):
        watch.failed(path)
    now[0] += 3600.0
    assert watch.look([inbox]).ready == (path,), "an hour at most"
    watch.failed(path)
    path.write_text("xy", encoding="utf-8")
    assert watch.look([inbox]).settling == 1
    now[0] += 3.0
    assert watch.look([inbox]).ready == (path,)
    watch.done(path)
    assert watch.look([inbox]).ready == ()


@pytest.fixture
def deep() -> Iterator[Callable[[Path, int, str], None]]:
    """Make nested folders with a file in each; taken away again, which Python's own tools cannot do so deep."""
    made: list[Path] = []

    def make(folder: Path, levels: int, name: str) -> None:
        made.append(folder / name)
        back = os.open(".", os.O_RDONLY)
        try:
            os.chdir(folder)
            for _ in range(levels):
                Path(name).mkdir()
                os.chdir(name)
                Path("x.csv").write_text("x", encoding="utf-8")
        finally:
            os.fchdir(back)
            os.close(back)

    yield make
    for path in made:
        subprocess.run(["rm", "-rf", str(path)], check=True)


def test_folders_nested_1100_deep_are_looked_through(shell: Shell, deep: Deep) -> None:
    shell.make()
    deep(shell.root / "inbox", 1100, "d")
    shell.put("1.csv", day(1))
    assert len(walk(shell.root / "inbox").files) == 1101
    files, passed = collect([shell.root / "inbox"])
    assert (len(files), passed) == (1101, [])


@pytest.mark.usefixtures("pageless")
def test_a_folder_that_cannot_be_read_costs_itself_alone_and_is_told(shell: Shell, deep: Deep) -> None:
    """Its path is longer than the system takes: unreadable for root, too."""
    shell.make()
    settings(shell, watch_settle_seconds="0")
    shell.put("1.csv", day(1))
    (shell.root / "inbox" / "EC-01").mkdir()
    deep(shell.root / "inbox" / "EC-01", 20, "d" * 200)
    found = walk(shell.root / "inbox")
    assert len(found.unread) == 1
    assert "too long" in next(iter(found.unread.values()))
    said: list[Any] = []
    service = quick(shell, said)
    with pytest.raises(EnvironmentProblem, match=r"Cannot read .*too long.*What lies beside it is taken"):
        service.run(once=True)
    assert "inbox/1.csv" in names(shell) or "inbox/1.csv" in [f.name for o in said if o.report for f in o.report.files]
    notes = [note for one in said for note in one.notes]
    assert len([note for note in notes if "too long" in note]) == 1
    assert not [note for note in notes if "is not there" in note]
    document = shell.load(shell.root / "inbox")
    assert shell.code == 7
    statuses = {file["name"].rpartition("/")[2]: file["status"] for file in document["files"]}
    assert statuses["1.csv"] == "already_loaded"
    assert "failed" in statuses.values()


NAMES = [b"a\xff.csv", b"a\nnote: all is well.csv", b"a\x1b[2J.csv", "a\u202e.csv".encode()]


def test_names_that_cannot_be_printed_are_loaded_and_shown_as_escapes(shell: Shell) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0")
    inbox = shell.root / "inbox"
    for number, name in enumerate(NAMES):
        shell.put("1.csv", day(number)).rename(inbox / os.fsdecode(name))
    shell("watch", "--once", "--direct")
    assert shell.code == 0, shell.err
    lines = [line for line in shell.out.splitlines() if "loaded 9 readings" in line]
    assert len(lines) == len(NAMES)
    assert all("inbox/a\\" in line for line in lines)
    assert "\nnote" not in shell.out
    kept = names(shell)
    assert len(set(kept)) == len(NAMES)
    assert all(name.isprintable() and name.isascii() for name in kept)
    document = shell.load(shell.root / "inbox")
    assert [file["status"] for file in document["files"]] == ["already_loaded"] * len(NAMES)
    shell("verify")
    assert shell.code == 0, shell.out
    held = [inbox / os.fsdecode(b"h" + name) for name in NAMES]
    for number, path in enumerate(held):
        path.write_bytes(b"no;table\n" * (number + 1))
    said: list[Any] = []
    service = quick(shell, said)
    service.run(once=True)
    assert set(held) <= set(service._held()), "a layout that comes later finds them again"
    shell("backup", str(shell.root.parent / "kept.zip"))
    assert shell.code == 0, shell.err
    assert not list(shell.root.parent.glob(".kept*"))
    shell("restore", str(shell.root.parent / "kept.zip"), str(shell.root.parent / "again"))
    assert shell.code == 0, shell.err
    again = (shell.root.parent / "again" / "inbox").iterdir()
    assert sorted(os.fsencode(path.name) for path in again) == sorted([*NAMES, *(b"h" + name for name in NAMES)])


def test_a_poisoned_round_does_not_end_the_service(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A judgement that fails is told and tried again; the files that were loaded stay loaded, and are judged then."""
    shell.make()
    settings(shell, watch_settle_seconds="0")
    shell.put("1.csv", day(1))
    stored: list[int] = []
    carried_on = touched.carried_on

    def fails(history: History, *given: Any, **more: Any) -> Any:
        stored.append(history.sources().height)
        if len(stored) == 1:
            raise OverflowError("date value out of range")
        return carried_on(history, *given, **more)

    from pipeline.service import watch

    monkeypatch.setattr(touched, "carried_on", fails)
    monkeypatch.setattr(watch, "_TRY_AGAIN_S", 0.1)
    said: list[watch.Round] = []

    def say(done: watch.Round) -> None:
        said.append(done)
        if loaded(shell.root):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Watch(find_workspace(shell.root).root, say).run()
    assert stored[:2] == [1, 1], "the file was in when it failed, and is not loaded again"
    assert len([note for done in said for note in done.notes if "OverflowError" in note]) == 1
    with History.open(shell.root / "history" / "annealog.duckdb", snapshot=False) as history:
        assert history.sources()["name"].to_list() == ["inbox/1.csv"]
        assert [event.kind for event in history.events()].count("verdicts") == 1


def test_pipes_are_refused_by_name_and_nothing_waits(shell: Shell) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0")
    pipe = shell.root / "inbox" / "pipe.csv"
    os.mkfifo(pipe)
    shell.put("1.csv", day(1))
    for words in (
        ("load", "--direct", str(pipe)),
        ("layout", "check", str(pipe)),
        ("layout", "check", str(shell.root / "inbox" / "1.csv"), "--layout-file", str(pipe)),
        ("layout", "suggest", str(pipe)),
        ("restore", str(pipe), str(shell.root.parent / "again")),
    ):
        shell(*words)
        assert shell.code == 2, (words, shell.err)
        assert "pipe.csv is no regular file" in shell.err
    document = shell.load(shell.root / "inbox")
    assert [file["status"] for file in document["files"]] == ["loaded"]
    assert document["passed_over"] == [f"{pipe}: no regular file"]
    shell("backup", str(shell.root.parent / "kept.zip"))
    assert shell.code == 0, shell.err
    for folder, name in (
        ("reference", "pipe.csv"),
        ("reference", "meters.csv"),
        ("layouts", "pipe.toml"),
        ("texts", "xx.toml"),
    ):
        (shell.root / folder).mkdir(exist_ok=True)
        place = shell.root / folder / name
        place.unlink(missing_ok=True)
        os.mkfifo(place)
        if folder == "texts":
            settings(shell, language='"xx"')
        for words in (
            ("status",),
            ("load", "--direct", str(shell.root / "inbox")),
            ("config", "check"),
            ("render", "--direct"),
        ):
            shell(*words)
            assert shell.code in (0, 2), (words, shell.err)
            if shell.code == 2:
                assert f"{name} is no regular file" in shell.err, (words, shell.err)
        place.unlink()


def test_a_pipe_in_the_place_of_a_raw_file_is_found_by_verify(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("1.csv", day(1)))
    (raw,) = [path for path in (shell.root / "archive").rglob("*") if path.is_file()]
    raw.unlink()
    os.mkfifo(raw)
    for words in (("verify",), ("rebuild",)):
        shell(*words)
        assert shell.code == 6, (words, shell.out, shell.err)
        assert "is no regular file" in shell.out + shell.err


def test_a_service_beside_a_pipe_among_layouts_says_so_and_can_be_stopped(shell: Shell) -> None:
    shell.make()
    settings(shell)
    os.mkfifo(shell.root / "layouts" / "pipe.toml")
    with watching(shell.root, "--direct") as process:
        assert process.stdout is not None
        assert "pipe.toml is no regular file" in process.stdout.readline()
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0


def test_an_argument_that_is_no_utf_8_is_refused_in_words(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("1.csv", day(1)))
    for words in (
        ("lot", "L\udcff"),
        ("meter", "\udcff"),
        ("trace", "--meter", "M\udcff"),
        ("record", "disposition", "--lot", "L1", "--decision", "re-measured", "--by", "\udcff", "--why", "x"),
    ):
        shell(*words)
        assert shell.code == 2, shell.err
        assert "internal error" not in shell.err
