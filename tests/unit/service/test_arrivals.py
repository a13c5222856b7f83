"""What counts as arrived: size and time hold still, links are not followed, a share that goes and comes reloads nothing."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from pipeline.service.arrivals import Arrivals

if TYPE_CHECKING:
    from pathlib import Path


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return folder


def arrivals(tmp_path: Path, clock: Clock) -> Arrivals:
    return Arrivals(tmp_path / "register.json", 3.0, clock)


def test_a_file_being_copied_is_not_taken(tmp_path: Path, inbox: Path, clock: Clock) -> None:
    watch, path = arrivals(tmp_path, clock), inbox / "a.csv"
    for step in range(5):
        path.write_text("x" * (step + 1), encoding="utf-8")
        assert watch.look([inbox]).ready == ()
        clock.now += 2.9
    clock.now += 0.2
    assert watch.look([inbox]).ready == (path,)
    # same size, another time: it was written again
    os.utime(path, ns=(1, 1))
    look = watch.look([inbox])
    assert (look.ready, look.settling) == ((), 1)


def test_dealt_with_until_it_changes(tmp_path: Path, inbox: Path, clock: Clock) -> None:
    watch, path = arrivals(tmp_path, clock), inbox / "a.csv"
    path.write_text("x", encoding="utf-8")
    watch.look([inbox])
    clock.now += 3.0
    watch.look([inbox])
    watch.done(path)
    assert watch.look([inbox]).ready == ()
    path.write_text("xy", encoding="utf-8")
    watch.look([inbox])
    clock.now += 3.0
    assert watch.look([inbox]).ready == (path,)


def test_links_hidden_and_unfinished_files_are_left(tmp_path: Path, inbox: Path, clock: Clock) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.csv").write_text("x", encoding="utf-8")
    (inbox / "link.csv").symlink_to(outside / "secret.csv")
    (inbox / "folder").symlink_to(outside, target_is_directory=True)
    for name in (".hidden.csv", "~$hand.xlsx", "a.csv.part", "b.TMP"):
        (inbox / name).write_text("x", encoding="utf-8")
    os.mkfifo(inbox / "pipe.csv")
    (inbox / "below").mkdir()
    (inbox / "below" / "c.csv").write_text("x", encoding="utf-8")
    watch = arrivals(tmp_path, clock)
    assert watch.look([inbox]).present == 1
    clock.now += 3.0
    assert watch.look([inbox]).ready == (inbox / "below" / "c.csv",)


def test_a_share_that_goes_and_comes_back(
    tmp_path: Path, inbox: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch, path = arrivals(tmp_path, clock), inbox / "a.csv"
    path.write_text("x", encoding="utf-8")
    watch.look([inbox])
    clock.now += 3.0
    watch.look([inbox])
    watch.done(path)
    watch.keep("h1")
    away = tmp_path / "away"
    inbox.rename(away)
    look = watch.look([inbox])
    assert (look.ready, look.missing) == ((), (inbox,))
    away.rename(inbox)
    clock.now += 60.0
    assert watch.look([inbox]).ready == ()
    # after a restart, too; another history starts anew
    again = arrivals(tmp_path, clock)
    again.recall("h1")
    again.look([inbox])
    clock.now += 3.0
    assert again.look([inbox]).ready == ()
    other = arrivals(tmp_path, clock)
    other.recall("h2")
    other.look([inbox])
    clock.now += 3.0
    assert other.look([inbox]).ready == (path,)


def test_a_bare_mount_point_is_a_missing_share(
    tmp_path: Path, inbox: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = arrivals(tmp_path, clock)
    mounted = True
    monkeypatch.setattr(type(inbox), "is_mount", lambda self: mounted and self == inbox)
    assert watch.look([inbox]).missing == ()
    mounted = False
    assert watch.look([inbox]).missing == (inbox,)


def test_a_damaged_register_costs_one_reading(tmp_path: Path, clock: Clock) -> None:
    for text in (
        "",
        "{",
        "[]",
        '{"history": "h1", "files": []}',
        '{"history": "h1", "files": {"a": []}, "mounts": []}',
    ):
        (tmp_path / "register.json").write_text(text, encoding="utf-8")
        watch = arrivals(tmp_path, clock)
        watch.recall("h1")
        assert watch.dealt == {}
