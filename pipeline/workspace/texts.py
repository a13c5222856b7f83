"""The texts of a workspace that decide verdicts: its reference tables and its settings."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, ReferenceTableError
from pipeline.workspace.files import named, read_bytes
from pipeline.workspace.settings import SETTINGS_FILE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.history.store import History
    from pipeline.workspace.settings import Workspace

__all__ = ["SETTINGS_TEXT", "changed_texts", "hashes", "hashes_of_texts", "not_taken_over", "read_reference"]

SETTINGS_TEXT = "settings"
"""Name under which the text of `annealog.toml` is kept beside the tables: a tolerance decides verdicts, too."""


def read_reference(workspace: Workspace) -> dict[str, str]:
    """Return the texts of the reference tables and the settings of a workspace, by name.

    Raises
    ------
    ReferenceTableError
        If a file is not UTF-8.
    EnvironmentProblem
        If one cannot be read.
    """
    texts: dict[str, str] = {}
    try:
        for path in sorted(workspace.reference.glob("*.csv")):
            if path.name.startswith("."):
                continue
            try:
                texts[path.stem] = read_bytes(path).decode("utf-8-sig")
            except UnicodeDecodeError as error:
                raise ReferenceTableError(
                    f"reference/{named(path.name)}: byte {error.start} is not UTF-8. Save the table as UTF-8."
                ) from None
        texts[SETTINGS_TEXT] = (workspace.root / SETTINGS_FILE).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise EnvironmentProblem(f"Cannot read {error.filename}: {error.strerror}.") from None
    return texts


def hashes(texts: Mapping[str, str]) -> dict[str, str]:
    """Return the SHA-256 of each text, by name."""
    return {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}


def hashes_of_texts(workspace: Workspace) -> dict[str, str]:
    """Return the hashes of the texts as they lie in the workspace."""
    return hashes(read_reference(workspace))


def changed_texts(now: Mapping[str, str], taken_over: Mapping[str, str]) -> list[str]:
    """Return the files of texts whose hash is another one than when they were taken over; an empty text is as good as none."""
    nothing = hashlib.sha256(b"").hexdigest()
    return [
        SETTINGS_FILE if name == SETTINGS_TEXT else f"reference/{name}.csv"
        for name in sorted({*now, *taken_over})
        if now.get(name, nothing) != taken_over.get(name, nothing)
    ]


def not_taken_over(workspace: Workspace, history: History) -> list[str]:
    """Return the files of reference tables and settings that differ from what the history took over."""
    return changed_texts(hashes_of_texts(workspace), hashes(history.reference_texts()))
