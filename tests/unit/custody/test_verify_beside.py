"""What `verify` says beyond the tables: certificates, what is kept beside the history, and what is kept of what was found."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest

from pipeline.custody import verify as module
from pipeline.errors import AnnealogError, EnvironmentProblem, IntegrityProblem

if TYPE_CHECKING:
    from collections.abc import Iterator


def of_certificates(monkeypatch: pytest.MonkeyPatch, tables: Any, lost: tuple[str, ...] = ()) -> list[str]:
    def raw(archive: Any, digest: str, where: str) -> None:
        assert archive == "archive"
        if digest in lost:
            raise IntegrityProblem(f"{where}: {digest[:3]} is gone.")

    def recorded(*_: Any) -> Any:
        if isinstance(tables, Exception):
            raise tables
        return None, tables

    monkeypatch.setattr(module, "raw_file", raw)
    monkeypatch.setattr(module, "recorded", recorded)
    looked: list[None] = []
    monkeypatch.setattr(module.stop, "look", lambda: looked.append(None))
    workspace: Any = SimpleNamespace(archive="archive", settings=None)
    said = list(module._verify_certificates(workspace, SimpleNamespace(reference_texts=dict)))  # type: ignore[arg-type]
    assert len(looked) >= len(said)  # somebody who waits may stop it between two
    return said


def test_certificates_of_tables_lie_in_the_archive_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    a, b = "a" * 64, "b" * 64
    tables = {
        "sensors": pl.DataFrame({"sensor": ["S1"], "certificate_file": [b]}),
        "blocks": pl.DataFrame({"block": ["B1", "B2", "B3"], "certificate_file": [a, None, "A" * 64]}),
        "lots": pl.DataFrame({"lot": ["L1"]}),
    }
    wrong = f"blocks.csv, B3: certificate_file '{'A' * 64}' is no SHA-256, so it names no file of the archive."
    assert of_certificates(monkeypatch, tables) == [wrong]
    said = "It is the certificate; put it back from a backup, or import it again: annealog reference import"
    assert of_certificates(monkeypatch, tables, (a, b)) == [
        f"blocks.csv, B1: aaa is gone. {said}",
        wrong,
        f"sensors.csv, S1: bbb is gone. {said}",
    ]
    longer = {"blocks": pl.DataFrame({"block": ["B1"], "certificate_file": [a + "0"]})}
    assert "is no SHA-256" in of_certificates(monkeypatch, longer)[0]
    assert of_certificates(monkeypatch, AnnealogError("a text was changed")) == []
    many = {f"B{n:02}": f"{n:064x}" for n in range(40)}
    lost = {"blocks": pl.DataFrame({"block": list(many), "certificate_file": list(many.values())})}
    named = [said.partition(":")[0] for said in of_certificates(monkeypatch, lost, tuple(many.values()))]
    assert named == [f"blocks.csv, {block}" for block in many]


@pytest.mark.parametrize(
    ("current", "there", "said"),
    [
        (None, False, []),
        (None, True, ["The snapshot is not the one that was published. {} Take a new one: annealog snapshot"]),
        (True, True, []),
        (False, True, ["A file of the snapshot in folder has changed. {} Take a new one: annealog snapshot"]),
    ],
)
def test_a_snapshot_is_the_one_that_was_published_and_whole_or_said_not_to_be(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, current: bool | None, there: bool, said: list[str]
) -> None:
    snapshot = None if current is None else SimpleNamespace(folder="folder", whole=lambda: current)
    monkeypatch.setattr(module, "Snapshot", SimpleNamespace(current=lambda _: snapshot, there=lambda _: there))
    monkeypatch.setattr(module, "altered_answers", lambda _: [])
    workspace: Any = SimpleNamespace(history=tmp_path, pages=tmp_path)
    anew = "No verdict rests on it, and it is believed no more."
    assert list(module._verify_kept(workspace)) == [one.format(anew) for one in said]


def test_answers_and_pages_that_were_altered_are_named_with_what_writes_them_anew(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for folder in ("b", "a"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / ".written.json").touch()
    monkeypatch.setattr(module, "Snapshot", SimpleNamespace(current=lambda _: None, there=lambda _: False))
    monkeypatch.setattr(module, "altered_answers", lambda _: ["The answer x was altered"])
    monkeypatch.setattr(
        module, "altered_pages", lambda folder: ["lots/L1.html", "papers/3.html"] if folder.name == "a" else ["b.html"]
    )
    workspace: Any = SimpleNamespace(history=tmp_path, pages=tmp_path)
    anew = "No verdict rests on it, and it is believed no more. Write it anew: annealog"
    assert list(module._verify_kept(workspace)) == [
        f"The answer x was altered. {anew} render",
        f"The page {tmp_path / 'a/lots/L1.html'} is not as it was written. {anew} render",
        f"The page {tmp_path / 'a/papers/3.html'} is not as it was written. {anew} test-report --again NUMBER",
        f"The page {tmp_path / 'b/b.html'} is not as it was written. {anew} render",
    ]


def test_a_place_of_the_file_without_any_record_is_told_with_what_to_do() -> None:
    said = module._of_place(Path("h.duckdb"), 10, 20)
    assert said.startswith(
        "Bytes 10 to 20 of h.duckdb do not agree with their checksum. Nothing of the record lies there"
    )
    assert said.endswith("A new file is written by: annealog rebuild")


@pytest.mark.parametrize("note", [True, False])
def test_the_first_sentence_of_each_file_is_kept_and_everything_that_concerns_all(
    monkeypatch: pytest.MonkeyPatch, note: bool
) -> None:
    kept: list[Any] = []
    monkeypatch.setattr(module, "keep_findings", lambda *given, **more: kept.append((*given, more)))
    monkeypatch.setattr(module, "note_verified", lambda *given: kept.append(given))
    found = module._Found()
    for sha, said in (("s1", "first"), ("s1", "second"), (None, "all"), ("s2", "other"), (None, "more")):
        found.about(sha, said)
    assert (found.files, found.everything) == ({"s1": ["first", "second"], "s2": ["other"]}, ["all", "more"])
    workspace: Any = SimpleNamespace(history="h")
    assert module._keep(workspace, found, **({"note": True} if note else {})) == ()
    assert kept[0] == ("h", {"s1": "first", "s2": "other"}, ["all", "more"], {"note": note})
    ((where, when),) = kept[1:]
    assert where == "h"
    assert abs(when - datetime.now(UTC)) < timedelta(minutes=10)


def test_findings_that_cannot_be_written_are_told_and_nothing_is_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise EnvironmentProblem("The disk is full.")

    noted: list[Any] = []
    monkeypatch.setattr(module, "keep_findings", full)
    monkeypatch.setattr(module, "note_verified", lambda *given: noted.append(given))
    workspace: Any = SimpleNamespace(history="h")
    assert module._keep(workspace, module._Found()) == (
        "What was found is not kept, so that nothing follows from it here. The disk is full.",
    )
    assert noted == []


@pytest.mark.parametrize("every", [None, False, True])
def test_a_history_that_cannot_be_read_is_itself_what_is_found(
    monkeypatch: pytest.MonkeyPatch, every: bool | None
) -> None:
    kept: list[Any] = []

    def fail(workspace: Any, found: Any, *, every: bool) -> Any:
        kept.append((workspace, every))
        raise IntegrityProblem("no database")

    monkeypatch.setattr(module, "_verify", fail)
    monkeypatch.setattr(module, "_keep", lambda workspace, found: kept.append((workspace, found)))
    workspace: Any = "workspace"
    with pytest.raises(IntegrityProblem, match="no database"):
        module.verify(workspace, **({} if every is None else {"every": every}))
    assert kept == [("workspace", bool(every)), ("workspace", module._Found(everything=["no database"]))]


# -- all of it -----------------------------------------------------------------------------------------------------


class Looks:
    """Every look of `_verify`, put in place of the real one: what each was asked, and what it says."""

    def __init__(self, patch: pytest.MonkeyPatch, kinds: tuple[str, ...], *, whole: bool, doubt: Any) -> None:
        self.asked = asked = list[Any]()
        rows = pl.DataFrame({"kind": list(kinds)})
        ledger = pl.DataFrame({"readings": [3, 4], "quarantined": [1, 1]})
        self.history = SimpleNamespace(event_rows=lambda: rows, sources=lambda: ledger)
        self.again = SimpleNamespace(name="again")

        @contextmanager
        def opened(path: Path, **how: Any) -> Iterator[Any]:
            asked.append(("open", path.name, how))
            yield self.again if how.get("write") else self.history

        def replay(workspace: Any, history: Any, again: Any, rows: Any, found: Any, papers: Any) -> bool:
            asked.append(("replay", history is self.history, again is self.again, papers))
            if doubt:
                found.about(*doubt)
            found.papers.append("a paper")
            return whole

        def look(name: str, value: Any = None) -> Any:
            def taken(*_: Any, **how: Any) -> Any:
                asked.append((name, how))
                return value

            return taken

        self.papers = SimpleNamespace(compute=look("papers computed"))
        patch.setattr(module, "_Papers", lambda *_: self.papers)
        patch.setattr(module, "History", SimpleNamespace(open=opened))
        patch.setattr(module, "_replay", replay)
        patch.setattr(module, "changed_places", lambda _: [(1, 2), (5, 6)] if doubt else None)
        for name, value in (
            ("_verify_chain", "head"), ("_verify_signatures", None), ("_compare", None), ("_verify_verdicts", None),
            ("_verify_certificates", iter(["a certificate"])), ("_verify_kept", iter(["an answer"])),
            ("verify_computed", iter(["a verdict"])), ("_keep", ("not kept",)), ("content_hash", "content"),
        ):  # fmt: skip
            patch.setattr(module, name, look(name.removeprefix("_"), value))


@pytest.mark.parametrize("every", [True, False])
@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("kinds", [("load", "note"), ("load", module.KIND)])
@pytest.mark.parametrize("doubt", [None, ("sha", "a file"), (None, "all")])
def test_each_look_is_taken_and_what_it_says_stands_in_its_place(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, every: bool, whole: bool, kinds: tuple[str, ...], doubt: Any
) -> None:
    looks = Looks(monkeypatch, kinds, whole=whole, doubt=doubt)
    workspace: Any = SimpleNamespace(
        history=tmp_path / "history.duckdb", settings=SimpleNamespace(busy_wait_seconds=7.5)
    )
    found = module._Found(notes=["before"])
    report = module._verify(workspace, found, every=every)
    issued = module.KIND in kinds
    assert looks.asked == [
        # the record itself and not a snapshot of it, and beside it an empty one to be written
        ("open", "history.duckdb", {"wait_s": 7.5, "snapshot": False}), ("open", "history.duckdb", {"write": True}),
        ("verify_chain", {}), ("verify_signatures", {}), ("replay", True, True, looks.papers if issued else None),
        *([("papers computed", {})] if issued else []),
        ("compare", {"whole": whole}), ("verify_verdicts", {}), ("content_hash", {}), ("verify_certificates", {}), ("verify_kept", {}),
        # what follows from a record in doubt is withheld, so it is not computed
        *([] if doubt else [("verify_computed", {"every": every})]),
        ("keep", {"note": whole}),
    ]  # fmt: skip
    assert report.problems == (*([doubt[1]] if doubt else []), "a certificate", "a paper", "an answer", *([] if doubt else ["a verdict"]))  # fmt: skip
    counts = (report.files, report.events, report.readings, report.quarantined)
    assert (counts, report.chain_head, report.content) == ((2, 2, 7, 2), "head", "content")
    first, form, beside, *rest = report.notes
    assert first == "before"
    assert form.startswith("Not looked at: migration (the form of the tables; ")
    assert beside.startswith("Not looked at beside the history: settings, tables and layouts ")
    sample = "Of the answers that are kept, those on 20 lots and 20 meters were computed again; all: verify --all."
    places = [module._of_place(workspace.history, *place) for place in ((1, 2), (5, 6))]
    assert rest == [*([] if every else [sample]), *(places if doubt else []), "not kept"]
