"""The service publishes after its rounds where the settings say so; a storage that is away costs no round anything."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Any

import pytest
from scenario import Scenario
from watching import day, until, watching
from workspace_files import neutral_csv

from pipeline.cli import run
from pipeline.publish import seal
from pipeline.service.company import Publishing
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

SETTINGS = 'site = "P-1"\npublish_to = "../storage"\npublish_minutes = 0\nwatch_settle_seconds = 0.5\n'


@pytest.fixture
def root(shell: Shell) -> Path:
    assert run(["init", str(shell.root)]) == 0
    for name, text in Scenario().reference.items():
        (shell.root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    (shell.root / "annealog.toml").write_text(SETTINGS, encoding="utf-8")
    seal.make_key(shell.root / "site.key")
    return shell.root


def packages(root: Path) -> int:
    return len(list((root.parent / "storage" / "sites" / "P-1" / "packages").glob("*.json")))


def arrive(root: Path, number: int) -> None:
    (root / "inbox" / f"{number}.csv").write_text(neutral_csv(day(number)), encoding="utf-8")


def test_each_round_is_published_and_what_could_not_be_is_when_storage_is_back(root: Path) -> None:
    arrive(root, 1)
    assert run(["watch", "--once", "--direct", "--workspace", str(root)]) == 0
    assert not (root.parent / "storage").exists(), "the share is away: nothing is made in its place"
    (root.parent / "storage").mkdir()
    arrive(root, 2)
    with watching(root, "--direct") as process:
        until(lambda: packages(root) >= 1, process)
        arrive(root, 3)
        until(lambda: packages(root) >= 2, process)
    assert run(["publish", "status", "--workspace", str(root)]) == 0


def test_once_says_why_nothing_was_published(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arrive(root, 1)
    assert run(["watch", "--once", "--direct", "--json", "--workspace", str(root)]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("{")]
    notes = [note for line in lines for note in json.loads(line)["notes"]]
    assert [note for note in notes if note.startswith("Not published to the company: There is no folder")]
    assert run(["publish", "status", "--workspace", str(root)]) == 7


class Stalled:
    """A publication that hangs, in the place of the process."""

    pid = 2**22  # above every process number
    returncode = 7

    done = False

    def poll(self) -> int | None:
        return self.returncode if self.done else None

    def communicate(self) -> tuple[str, str]:
        return "", "a note\nannealog: Storage is away.\n"


def test_a_look_waits_for_nothing_and_one_publication_runs_at_a_time(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[Stalled] = []

    def begin(*words: Any, **given: Any) -> Stalled:
        begun.append(Stalled())
        return begun[-1]

    arrive(root, 1)
    assert run(["load", str(root / "inbox"), "--direct", "--workspace", str(root)]) in (0, 4)
    monkeypatch.setattr("pipeline.service.company.subprocess.Popen", begin)
    clock = [1000.0]
    monkeypatch.setattr("pipeline.service.company.time.monotonic", lambda: clock[0])
    place, company = find_workspace(root), Publishing()
    began = time.perf_counter()
    for _ in range(20):
        assert company.look(place) == ""
        clock[0] += 3600
    assert len(begun) == 1
    assert time.perf_counter() - began < 60
    begun[0].done = True
    assert company.look(place) == "Storage is away."
    clock[0] += 59.9
    assert (company.look(place), len(begun)) == ("", 1), "a storage that is away is not asked all the time"
    clock[0] += 0.2
    assert (company.look(place), len(begun)) == ("", 2)
    begun[1].done, begun[1].returncode = True, 0
    for _ in range(3):
        clock[0] += 3600
        assert (company.look(place), len(begun)) == ("", 2), "what was published is published once"


def test_without_an_address_nothing_is_begun(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arrive(root, 1)
    assert run(["load", str(root / "inbox"), "--direct", "--workspace", str(root)]) in (0, 4)
    monkeypatch.setattr("pipeline.service.company.subprocess.Popen", None)
    (root / "annealog.toml").write_text('site = "P-1"\n', encoding="utf-8")
    assert Publishing().look(find_workspace(root)) == ""
    (root / "annealog.toml").write_text(SETTINGS, encoding="utf-8")
    with pytest.raises(TypeError):
        Publishing().look(find_workspace(root))
