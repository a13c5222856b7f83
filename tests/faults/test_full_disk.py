"""A full disk, and the n-th write that fails, in loading, the checkpoint, the archive and rendering (faults, row 6).

Three mechanisms, because no one of them reaches everything: a small file system of its own where mounting is allowed; a
limit on the size of files in a child process, which also stops the database's own writes and needs no rights; and a writer
that fails at its n-th call, for the first, a middle and the last n of every place in the program that writes.
"""

from __future__ import annotations

import errno
import os
import resource
import shutil
import signal
import subprocess
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from scenario import REFERENCE, Scenario

from pipeline.history.store import History
from pipeline.pages import render
from pipeline.workspace import files

if TYPE_CHECKING:
    from collections.abc import Callable

    from workspace_files import Shell

ROOT = Path(__file__).resolve().parents[2]


def put(shell: Shell, days: int = 3) -> None:
    for day in range(days):
        lot = "L1" if day % 2 else "L2"
        shell.put(
            f"{day}.csv", Scenario().check("08:00", day=day).lot("09:00", lot=lot, day=day).check("10:00", day=day)
        )


def annealog(root: Path, *words: str, before: Callable[[], None] | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *words],
        cwd=root, capture_output=True, text=True, check=False, preexec_fn=before,
        # bytecode that no longer fits is kept cut off, for whoever starts next
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip


def whole(root: Path) -> int:
    """Check that files are fully in or out and that nothing half written lies about; return how many are in."""
    assert [p for p in (root / "pages").rglob("*.html") if not p.read_bytes().endswith(b"</html>\n")] == []
    assert list((root / "pages").rglob("*.tmp")) == []
    assert list((root / "archive").rglob("*.tmp")) == []
    place = root / "history" / "annealog.duckdb"
    if not place.exists():
        return 0
    with History.open(place, write=True, snapshot=False) as history:
        sources, counts = history.sources(), history.table("reading")["source_id"].value_counts()
    assert sources["readings"].to_list() == [9] * sources.height
    assert counts["count"].to_list() == [9] * sources.height
    return sources.height


def test_a_limit_on_file_size_at_many_points(shell: Shell) -> None:
    """The limit lies at ever other points of database, log, archive and pages; each time exit 7 or all done."""
    shell.make()
    put(shell)
    clean = shell.root.parent / "clean"
    shutil.copytree(shell.root, clean)
    codes = []
    for limit in (100, 13_000, 300_000, 1_400_000):
        root = shell.root.parent / f"limit-{limit}"
        shutil.copytree(clean, root)

        def narrow(size: int = limit) -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

        done = annealog(root, "load", "--direct", "inbox", before=narrow)
        assert "Traceback" not in done.stderr
        codes.append(done.returncode)
        assert done.returncode in (0, 7), (limit, done.stderr)
        if done.returncode == 7:
            assert "full" in done.stderr or "too large" in done.stderr.lower(), done.stderr
        whole(root)
        shell("load", "--direct", str(root / "inbox"), "--workspace", str(root))
        assert shell.code == 0, (limit, shell.err)
        assert whole(root) == 3
        shutil.rmtree(root)
    assert codes.count(7) >= 2, codes


def written_at() -> tuple[Any, ...]:
    """Return the place in the program that writes, with all that called it."""
    stack = traceback.extract_stack()
    return tuple((one.filename, one.lineno) for one in stack if one.filename.startswith(str(ROOT / "pipeline")))


def of_each(places: list[Any]) -> list[int]:
    """Return the first, a middle and the last number of each place: a loop that writes many files alike does so each time."""
    numbers: dict[Any, list[int]] = {}
    for number, place in enumerate(places, start=1):
        numbers.setdefault(place, []).append(number)
    return sorted({all_of[n] for all_of in numbers.values() for n in (0, len(all_of) // 2, -1)})


@pytest.mark.parametrize("kind", ["load", "render", "snapshot"])
def test_the_nth_write_fails_wherever_something_is_written(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    # each page is written alike: one lot and one block have pages of every kind
    days = 1 if kind == "render" else 2
    shell.make(blocks="".join(REFERENCE["blocks"].splitlines(keepends=True)[:2]))
    put(shell, days)
    words = {
        "load": ("load", "--direct", "inbox"),
        "render": ("render", "--direct", "--all"),
        "snapshot": ("snapshot",),
    }
    again = {**words, "render": ("render", "--direct")}  # which has to see by itself what is still to be written
    if kind != "load":
        shell("load", "--direct", "inbox")
    clean = shell.root.parent / "clean"
    shutil.copytree(shell.root, clean)
    # the handbook has as many as all others together
    book = render.handbook_pages
    monkeypatch.setattr(render, "handbook_pages", lambda place: book(place)[:1])
    places: list[tuple[Any, ...]] = []
    limit = 0
    sync, rename = os.fsync, Path.replace

    def spoilt() -> bool:
        places.append(written_at())
        return len(places) == limit

    def fsync(descriptor: int) -> None:
        if spoilt():
            raise OSError(errno.ENOSPC, "No space left on device")
        sync(descriptor)

    def replace(self: Path, target: Any) -> Path:
        if spoilt():
            raise OSError(errno.ENOSPC, "No space left on device")
        return rename(self, target)

    def work() -> None:
        shutil.rmtree(shell.root)
        shutil.copytree(clean, shell.root)
        os.chdir(shell.root)
        places.clear()
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", fsync)
            patch.setattr(Path, "replace", replace)
            shell(*words[kind])

    work()
    assert shell.code == 0, shell.err
    points = of_each(places)
    assert len(set(places)) >= 4, "there are writes that can fail"
    for failed, limit in enumerate(points):
        work()
        assert len(places) >= limit
        assert shell.code == 7, (limit, len(places), shell.code, shell.out, shell.err)
        assert "space" in shell.err or "full" in shell.err
        whole(shell.root)
        shell(*again[kind])
        assert shell.code == 0, (limit, shell.err)
        assert whole(shell.root) == days
        if failed % 4 == 0:
            shell("verify")
            assert shell.code == 0, (limit, shell.out)


def test_a_small_file_system(shell: Shell) -> None:
    """Where mounting is allowed a real one of a few megabytes; elsewhere a limit of file size stands for it."""
    shell.make()
    put(shell)
    small = shell.root.parent / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(small)], capture_output=True, check=False
    )
    root = small / "works"
    try:
        shutil.copytree(shell.root, root)
        if mounted.returncode == 0:
            (root / "ballast").write_bytes(b"x" * 2_000_000)
            narrow = None
        else:

            def narrow() -> None:
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))

        done = annealog(root, "load", "--direct", "inbox", before=narrow)
        assert done.returncode == 7, done.stderr
        assert "full" in done.stderr
        assert "Traceback" not in done.stderr
        whole_before = whole(root) if mounted.returncode != 0 else None
        (root / "ballast").unlink(missing_ok=True)
        assert whole(root) in (0, 1, 2, 3)
        assert whole_before in (None, 0, 1, 2, 3)
        if mounted.returncode == 0:
            subprocess.run(["mount", "-o", "remount,size=64m", str(small)], check=True)
        shell("load", "--direct", str(root / "inbox"), "--workspace", str(root))
        assert shell.code == 0, shell.err
        assert whole(root) == 3
        if mounted.returncode == 0:
            subprocess.run(["mount", "-o", "remount,size=8m", str(small)], check=True)
            free = shutil.disk_usage(small).free
            (root / "ballast").write_bytes(b"x" * max(free - 30_000, 0))
            done = annealog(root, "render", "--direct")
            assert done.returncode == 7, done.stderr
            whole(root)
            (root / "ballast").unlink()
            shell("render", "--direct", "--workspace", str(root))
            assert shell.code == 0, shell.err
            whole(root)
    finally:
        if mounted.returncode == 0:
            subprocess.run(["umount", "-l", str(small)], check=True)


def test_the_words_for_a_full_disk() -> None:
    error = files.cannot("write", Path("x"), OSError(errno.ENOSPC, "No space left on device"))
    assert "the disk is full" in str(error)
    assert "the disk is full" in str(files.cannot("write", Path("x"), OSError(errno.EFBIG, "File too large")))
