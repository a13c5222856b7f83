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


def full_workspace(root: Path) -> Path:
    """Make a workspace with rows in every table: duplicates, conflicts, refused lines, decisions, frozen limits, a held file."""

    class Silent:
        def readouterr(self) -> tuple[str, str]:
            return "", ""

    shell: Any = Shell(root, Silent())  # type: ignore[arg-type]
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
    return root
