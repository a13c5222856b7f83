"""The texts of a workspace that decide verdicts: its reference tables and its settings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, ReferenceTableError
from pipeline.settings import SETTINGS_FILE

if TYPE_CHECKING:
    from pipeline.settings import Workspace

__all__ = ["SETTINGS_TEXT", "read_reference"]

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
                texts[path.stem] = path.read_bytes().decode("utf-8-sig")
            except UnicodeDecodeError as error:
                raise ReferenceTableError(
                    f"reference/{path.name}: byte {error.start} is not UTF-8. Save the table as UTF-8."
                ) from None
        texts[SETTINGS_TEXT] = (workspace.root / SETTINGS_FILE).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise EnvironmentProblem(f"Cannot read {error.filename}: {error.strerror}.") from None
    return texts
