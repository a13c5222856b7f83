"""A small workspace on disk, for tests that go through the command line. Invented numbers."""

from __future__ import annotations

import contextlib
import json
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import once  # noqa: F401 - what many tests ask alike is answered once
from scenario import REFERENCE, Scenario

from pipeline.cli import run

if TYPE_CHECKING:
    from collections.abc import Callable

    import pytest

__all__ = ["Shell", "full_workspace", "loaded_once", "made_once", "neutral_csv", "silent_shell"]

COLUMNS = [
    "measured_at",
    "meter",
    "role",
    "lot",
    "part",
    "spot",
    "block",
    "value",
    "unit",
    "temperature_c",
    "temperature_state",
]


def neutral_csv(scenario: Scenario) -> str:
    """Return a scenario as a neutral export."""
    lines = [",".join(COLUMNS)]
    for row in scenario.rows:
        cells = {**row, "measured_at": row["measured_at"].isoformat(), "value": f"{row['value']:.4f}"}
        lines.append(",".join("" if cells.get(name) is None else str(cells[name]) for name in COLUMNS))
    return "\n".join(lines) + "\n"


class Shell:
    """Runs commands in a workspace, in this process, and keeps what they print."""

    def __init__(self, root: Path, capture: pytest.CaptureFixture[str]) -> None:
        self.root = root
        self.capture = capture
        self.code = 0
        self.out = ""
        self.err = ""

    def __call__(self, *words: str) -> str:
        self.capture.readouterr()
        self.code = run([str(word) for word in words])
        self.out, self.err = self.capture.readouterr()
        return self.out

    def json(self, *words: str) -> Any:
        return json.loads(self(*words, "--json"))

    def make(self, **reference: str) -> Shell:
        """Make the workspace with the reference tables of `scenario.REFERENCE`, changed as given."""
        self("init", str(self.root))
        assert self.code == 0, self.err
        for name, text in {**REFERENCE, **reference}.items():
            (self.root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
        return self

    def put(self, name: str, content: Scenario | str | bytes) -> Path:
        """Write an export into the inbox."""
        path = self.root / "inbox" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        data = neutral_csv(content) if isinstance(content, Scenario) else content
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return path

    def become(self, other: Path) -> Shell:
        """Let the workspace be a copy of another, with the times of its files."""
        shutil.copytree(other, self.root, dirs_exist_ok=True)
        return self

    def load(self, *paths: Path, **given: str) -> Any:
        """Load without Prefect; return the JSON document."""
        options = [word for name, value in given.items() for word in (f"--{name.replace('_', '-')}", value) if word]
        return self.json("load", "--direct", *(str(p) for p in paths), "--workspace", str(self.root), *options)


class _Nothing:
    def readouterr(self) -> tuple[str, str]:
        return "", ""


def silent_shell(root: Path) -> Shell:
    """Return what runs commands in a workspace that many tests share, outside each of them."""
    return Shell(root, _Nothing())  # type: ignore[arg-type]


_KEPT = TemporaryDirectory(prefix="annealog-tests-")


def made_once(key: object, make: Callable[[Path], object]) -> Path:
    """Return a workspace that is made when this process first asks for it; it is there to be copied."""
    if key not in _MADE:
        root = Path(_KEPT.name) / str(len(_MADE)) / "works"
        make(root)
        _MADE[key] = root
    return _MADE[key]


_MADE: dict[object, Path] = {}


def loaded_once(files: dict[str, Scenario], *then: tuple[str, ...]) -> Path:
    """Return a workspace that was made once, whose exports were loaded, and in which commands were run then."""

    def make(root: Path) -> None:
        shell = silent_shell(root).make()
        for name, content in files.items():
            shell.put(name, content)
        with contextlib.chdir(root):
            for words in (("load", "--direct", "inbox"), *then):
                shell(*words)
                assert shell.code in (0, 3, 4), words

    return made_once((*((name, neutral_csv(content)) for name, content in files.items()), then), make)


def full_workspace(root: Path) -> Path:
    """Make a workspace with rows in every table: duplicates, conflicts, refused lines, decisions, frozen limits, a held file."""
    return shutil.copytree(made_once(_fill, _fill), root, dirs_exist_ok=True)


def _fill(root: Path) -> None:
    shell: Any = silent_shell(root)
    shell.make()
    words = ("--workspace", str(root))
    (root / "annealog.toml").write_text("baseline_checks = 3\n", encoding="utf-8")
    for day in range(3):
        shell.put(f"{day:02}.csv", Scenario().check("08:00", 0.01 * (day % 5), day=day))
    good = shell.put("40.csv", Scenario().lot("09:00", lot="L1").check("10:00"))
    shell("load", "--direct", str(root / "inbox"), *words)
    text = good.read_text(encoding="utf-8")
    shell.put("41.csv", text.replace("58.5000", "58.7000") + "no,such,line\n2026-03-02T09:00:00Z,,,,,,,,,,\n")
    shell.put("42.csv", "nobody knows this\n")
    shell("load", "--direct", str(root / "inbox"), *words)
    shell("quarantine", "discard", "1", "--by", "Ada", "--why", "not a reading", *words)
    assert shell.code == 0
    shell("record", "baseline", "--meter", "M1", "--block", "B1", "--by", "Ada", "--why", "a test", *words)
    assert shell.code == 0
