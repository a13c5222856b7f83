"""The tutorial of the handbook, typed as it stands: each command does what the page says, up to the verdict."""

from __future__ import annotations

import json
import re
import shlex
from typing import TYPE_CHECKING, Any

from pipeline.cli import run
from pipeline.pages.handbook import handbook_texts

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def keys_of(document: Any) -> set[str]:
    """Return every key of a document, those by which things of the site are named left out."""
    if isinstance(document, list):
        return {key for one in document for key in keys_of(one)}
    if not isinstance(document, dict):
        return set()
    named = {
        "not_computable",
        "left_out",
        "lots",
        "meters",
        "tables",
        "conditions",
        "quality_at",
        "methods",
        "events_open",
    }
    return set(document) | {
        key for name, one in document.items() if name not in named or isinstance(one, list) for key in keys_of(one)
    }


_WITHOUT_FLOWS = {"load", "render"}


def test_the_tutorial_leads_to_a_verdict(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    here = tmp_path
    typed = []
    for place, kind, block in re.findall(
        r"(?:^`([^`\n]+)`\n\n)?^```(bash|csv)\n(.*?)^```", handbook_texts()["tutorial.md"], re.MULTILINE | re.DOTALL
    ):
        if kind == "csv":
            (here / place).write_text(block, encoding="utf-8")
            continue
        for line in block.splitlines():
            for words in (shlex.split(part, comments=True) for part in line.split("&&")):
                if words[0] == "cd":
                    here = here / words[1]
                    monkeypatch.chdir(here)
                    continue
                typed.append(words[1])
                code = run([*words[1:], *(["--direct"] if words[1] in _WITHOUT_FLOWS else [])])
                out = capsys.readouterr()
                assert code == 0, (line, out)
                if words[1] == "lot":
                    assert "ACCEPT" in out.out
    assert typed[0] == "init"
    assert {"load", "lot", "render"} <= set(typed)
    assert (here / "pages" / "index.html").is_file()
    assert 'href="../handbook/method-conformity.html"' in (here / "pages" / "lots" / "L-1.html").read_text("utf-8")
    keys = set(re.findall(r"`([a-z0-9_]+)`", handbook_texts()["reference/json.md"]))
    for words in (
        "lot L-1",
        "meter EC-01",
        "block BL-58",
        "status",
        "trace",
        "trace --meter EC-01",
        "process bar",
        "review 2026-03 --direct",
        "load inbox --direct",
        "verify",
        "config check",
    ):
        run([*words.split(), "--json"])
        found = keys_of(json.loads(capsys.readouterr().out))
        assert len(found) > 1
        assert sorted(found - keys) == [], words
