"""What a load computed is shown without computing it again, as long as the history still says the same."""

from __future__ import annotations

import gc
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from watching import day

from pipeline.history.store import History
from pipeline.judge import assess as assessing
from pipeline.judge.assessment import Assessment
from pipeline.judge.findings import keep_findings
from pipeline.load.load import load
from pipeline.pages.render import render
from pipeline.workspace.settings import Workspace, find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from workspace_files import Shell


def last_of(number: int) -> datetime:
    at: datetime = day(number).rows[-1]["measured_at"]
    return at


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[datetime, int]]:
    """Moments of all assessments, each with how many earlier ones of the same moment or of a past one were whole then."""
    found: list[tuple[datetime, int]] = []
    frames = assessing.assess_frames

    def count(*given: Any, **more: Any) -> Any:
        gc.collect()
        mine = {at for at, _ in found}
        alive = [o for o in gc.get_objects() if isinstance(o, Assessment) and o.as_of in mine and o.readings.height]
        found.append((more["as_of"], len(alive)))
        return frames(*given, **more)

    monkeypatch.setattr(assessing, "assess_frames", count)
    return found


def loaded(shell: Shell, *paths: Path) -> tuple[Workspace, list[Assessment]]:
    place = find_workspace(shell.root)
    found: list[Assessment] = []
    load(place, paths, assessed=found.append)
    return place, found


def verdicts(found: Assessment) -> dict[str, str]:
    return {lot: result.verdict for lot, result in found.lots.items()}


def test_a_load_and_what_it_publishes_judge_nothing_but_what_is_new(
    shell: Shell, asked: list[tuple[datetime, int]]
) -> None:
    shell.make()
    shell("load", "--direct", str(shell.put("31.csv", day(31))))
    shell("snapshot")
    asked.clear()
    shell("load", "--direct", str(shell.put("33.csv", day(33))))
    assert shell.code == 0, shell.err
    assert asked == [], "neither as of the last reading nor as of now"


def test_a_rendering_takes_it_while_the_history_says_the_same(shell: Shell, asked: list[tuple[datetime, int]]) -> None:
    place, (found,) = loaded(shell.make(), shell.put("0.csv", day(0)))
    asked.clear()
    _, shown = render(place, found=found)
    assert shown is found
    assert asked == []
    # as of another moment it says nothing
    _, past = render(place, as_of=last_of(0) - timedelta(hours=1), found=found)
    assert past is not found


@pytest.mark.parametrize("change", ["another file", "a finding", "an exclusion"])
def test_it_is_not_taken_where_the_history_says_something_else(shell: Shell, change: str) -> None:
    place, (found,) = loaded(shell.make(), shell.put("0.csv", day(0)))
    assert verdicts(found) == {"L2": "accept"}

    def decide() -> None:
        line = ("--file", "inbox/0.csv", "--line", "5", "--by", "Ada", "--why", "probe lifted")
        shell("record", "exclusion", *line)
        assert shell.code == 0, shell.err

    changes: dict[str, Callable[[], object]] = {
        "another file": lambda: load(place, [shell.put("1.csv", day(1))]),
        "a finding": lambda: keep_findings(place.history, {}, ["Event 3 was changed."]),
        "an exclusion": decide,
    }
    changes[change]()
    _, shown = render(place, found=found)
    _, again = render(place)
    assert shown is not found
    assert verdicts(shown) == verdicts(again)


def test_what_verify_finds_while_a_load_assesses_is_not_overlooked(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    shell.make()
    place = find_workspace(shell.root)
    put = History.put_verdicts

    def verify_ends_now(self: History, frame: Any) -> None:
        (place.history.parent / "findings.json").write_text(
            '{"files": {}, "everything": ["Event 3 was changed."]}', "utf-8"
        )
        put(self, frame)

    with monkeypatch.context() as patch:
        patch.setattr(History, "put_verdicts", verify_ends_now)
        _, found = loaded(shell, shell.put("0.csv", day(0)))
    assert found == []
    assert verdicts(render(place)[1]) == {"L2": "not_assessed"}


def test_nothing_is_handed_on_where_limits_were_frozen_on_the_way(shell: Shell) -> None:
    """The limits in force come with the load itself, so what it assessed before does not know them."""
    shell.make()
    (shell.root / "annealog.toml").write_text("baseline_checks = 2\n", encoding="utf-8")
    place, found = loaded(shell, shell.put("0.csv", day(0)))
    assert found == []
    with History.open(place.history) as history:
        assert history.baselines().height > 0
    assert len(loaded(shell, shell.put("1.csv", day(1)))[1]) == 1
