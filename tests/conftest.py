"""Fixtures for all tests."""

from __future__ import annotations

import gc
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import hypothesis
import pytest
from needed import lacking

if TYPE_CHECKING:
    from collections.abc import Iterator

    from postgres import Cluster
    from workspace_files import Shell

ROOT = Path(__file__).resolve().parent.parent

# how long an example takes depends on who else uses the machine
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")


# hundreds of processes of the tests would each compile the program, and each worker the tests, where the environment forbids to keep
# it: 0.8 and 15 s of processor. Children have it from here, workers of xdist, too
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# what tests write lies in memory where there is room and nobody named a place: a rendering waits half a second for a disk to
# confirm each page, and no test cuts the power
_MEMORY, _ROOM = Path("/dev/shm"), 6 * 1024**3
if "TMPDIR" not in os.environ and os.access(_MEMORY, os.W_OK) and shutil.disk_usage(_MEMORY).free > _ROOM:
    os.environ["TMPDIR"] = str(_MEMORY)
    tempfile.tempdir = None

# the workers of a run share the processor: frames of a few rows cost a fifth less where polars hands nothing to other threads
os.environ.setdefault("POLARS_MAX_THREADS", "1")


def pytest_collection_finish() -> None:
    """What was collected stays to the end: a round of the service looks for garbage, and took a third of a second to look through it."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """`-n auto` is a process more than cores: tests that wait for a browser, a service or a clock leave theirs to the others."""
    return len(os.sched_getaffinity(0)) + 1


@pytest.fixture(scope="session")
def reference_data() -> Path:
    """Folder of the published data sets, which are kept beside the checkout and not in it."""
    folder = Path(os.environ.get("ANNEALOG_REFERENCE_DATA") or ROOT.parent / "shared" / "reference" / "data")
    if not folder.is_dir():
        lacking(f"no published data at {folder}; set ANNEALOG_REFERENCE_DATA to the folder that holds them")
    return folder


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    """A workspace folder that is the current folder, and a way to run commands in it."""
    from workspace_files import Shell  # the whole program: tests of pure rooms go without

    root = tmp_path / "works"
    root.mkdir()
    monkeypatch.chdir(root)
    return Shell(root, capsys)


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL that belongs to this run of the tests."""
    from postgres import running

    # a folder that its unprivileged user can reach, which those of pytest are not
    folder = Path(tempfile.mkdtemp(prefix="annealog-postgres-", dir="/tmp"))
    folder.chmod(0o755)
    try:
        with running(folder / "cluster") as found:
            yield found
    finally:
        shutil.rmtree(folder, ignore_errors=True)
