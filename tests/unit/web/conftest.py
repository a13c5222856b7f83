"""A workspace with people who have accounts, for each test its own copy; a module may make another one (`made`)."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest
from visiting import application, cheap_passwords, decided_works, people
from workspace_files import full_workspace

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.web.app import Application


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = full_workspace(tmp_path_factory.mktemp("works"))
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        people(root)
    (root / "pages").mkdir(exist_ok=True)
    return root


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace in which everything can be decided, for a module whose `made` is this one."""
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        root = decided_works(tmp_path_factory.mktemp("works"))
    (root / "pages").mkdir(exist_ok=True)
    return root


@pytest.fixture
def root(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cheap_passwords(monkeypatch)
    return shutil.copytree(made, tmp_path / "works")


@pytest.fixture
def app(root: Path) -> Application:
    return application(root)
