"""`kill -9` at each step while what was found is written, of a load and of the service: what is kept holds, or is judged again.

Each kill falls on its step, which random moments hardly ever do. SIGKILL does not test the loss of power.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from watching import day, settings

from pipeline.custody.verify import verify
from pipeline.history.found import found_path, hash_of_found
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on, everything, vouched
from pipeline.load.load import load
from pipeline.workspace.settings import find_workspace
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment

STEPS = {
    "load": ("five tables put", "committed", "stated", "all done"),
    "service": ("committed",),
}
"""The steps after which it is killed."""
NOBODY_VOUCHES = {"committed", "stated"}
"""After these the file holds what the chain does not state yet: nothing of it is believed. Before, it holds what it held."""


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _dies_after(kind: Any, name: str, *, times: int = 1, event: str | None = None) -> None:
    """Let a function be the last thing that this process does."""
    done, function = [0], getattr(kind, name)

    def call(*given: Any, **more: Any) -> Any:
        said = function(*given, **more)
        done[0] += event is None or event in given
        if done[0] == times:
            _die()
        return said

    setattr(kind, name, call)


def _dies_behind(function: Callable[..., Any]) -> Callable[..., Any]:
    @contextmanager
    def call(*given: Any, **more: Any) -> Iterator[Any]:
        with function(*given, **more) as inside:
            yield inside
        if more.get("keep", True):
            _die()

    return call


def killed(kind: str, root: str, file: str, moment: str) -> None:
    """What is killed. Runs in a forked process."""
    from pipeline.history.found import FoundStore
    from pipeline.load import touched
    from pipeline.service.watch import Watch

    match moment:
        case "five tables put":
            _dies_after(FoundStore, "put", times=5)
        case "committed":
            FoundStore.transaction = _dies_behind(FoundStore.transaction)  # type: ignore[method-assign]
        case "stated":
            _dies_after(History, "append_event", event="verdicts")
        case "all done":
            _dies_after(touched, "keep_said")
    os.chdir(root)
    if kind == "load":
        load(find_workspace(Path(root)), [Path(file)])
    else:
        Watch(Path(root), lambda _: None).run(once=True)
    os._exit(7)  # nothing killed it


def same(one: Assessment, other: Assessment) -> bool:
    names = ("lots", "meters", "events")
    return all(as_json(dict(getattr(one, name))) == as_json(dict(getattr(other, name))) for name in names)


@pytest.mark.parametrize("kind", STEPS)
def test_what_was_found_holds_or_is_judged_again_whenever_it_is_killed(shell: Shell, kind: str) -> None:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["pipeline.load.load", "pipeline.service.watch", "pytest", "watching"])
    shell.make()
    settings(shell, watch_settle_seconds="0.05")
    place, number = find_workspace(shell.root), 0
    load(place, [shell.put("0.csv", day(0))])
    for moment in STEPS[kind]:
        number += 1
        file = shell.put(f"{number}.csv", day(number))
        process = context.Process(target=killed, args=(kind, str(shell.root), str(file), moment))
        process.start()
        process.join()
        assert process.exitcode == -signal.SIGKILL, moment
        with History.open(place.history, snapshot=False) as history:
            anew = assess(history, place.settings, as_of=None)
            holds = carried_on(history, place.settings) is not None
            assert same(everything(history, place.settings, as_of=None), anew), moment
        if kind == "load":
            assert holds is (moment not in NOBODY_VOUCHES), moment
        number += 1
        load(place, [shell.put(f"{number}.csv", day(number))])
        with History.open(place.history, snapshot=False) as history:
            found = carried_on(history, place.settings)
            assert found is not None, moment
            assert same(found, assess(history, place.settings, as_of=None)), moment
            assert history.sources().height == number + 1, moment
            assert vouched(history) == hash_of_found(place.history) != "", moment
        assert not found_path(place.history).with_name("found.duckdb.wal").exists(), moment
    assert verify(place).problems == ()
