"""A small workspace on disk, for tests that go through the command line. Invented numbers."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from scenario import REFERENCE, Scenario

from pipeline.cli import run

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

__all__ = ["Shell", "neutral_csv"]

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

    def load(self, *paths: Path, **given: str) -> Any:
        """Load without Prefect; return the JSON document."""
        options = [word for name, value in given.items() for word in (f"--{name.replace('_', '-')}", value) if word]
        return self.json("load", "--direct", *(str(p) for p in paths), "--workspace", str(self.root), *options)
