"""The workspace: one TOML file, read once into a frozen model. An unknown key is an error with the nearest match."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, overload

from pipeline.errors import EnvironmentProblem, SettingsError
from pipeline.near import all_of, nearest
from pipeline.workspace.admitted import contradictions, typed
from pipeline.workspace.declared import Settings

if TYPE_CHECKING:
    from pathlib import Path

__all__ = [
    "SETTINGS_FILE",
    "Settings",
    "Workspace",
    "find_folder",
    "find_workspace",
    "read_settings",
    "settings_text",
]

SETTINGS_FILE = "annealog.toml"


@dataclass(frozen=True)
class Workspace:
    """A folder with its settings, and where its parts live."""

    root: Path
    settings: Settings

    @property
    def reference(self) -> Path:
        """Reference tables (CSV)."""
        return self.root / "reference"

    @property
    def layouts(self) -> Path:
        """Layouts of exports (TOML)."""
        return self.root / "layouts"

    @property
    def inbox(self) -> Path:
        """Where exports arrive."""
        return self.root / "inbox"

    @property
    def archive(self) -> Path:
        """Raw files as they came, by hash."""
        return self.root / "archive"

    @property
    def history(self) -> Path:
        """The history's file."""
        return self.root / "history" / "annealog.duckdb"

    @property
    def pages(self) -> Path:
        """The reports."""
        return self.root / "pages"

    @property
    def flow_home(self) -> Path:
        """Home of the embedded flow server."""
        return self.root / ".flows"


def read_settings(text: str, where: str = SETTINGS_FILE) -> Settings:
    """Read the text of an `annealog.toml`.

    Parameters
    ----------
    text
        TOML.
    where
        Name for messages.

    Raises
    ------
    SettingsError
        Names the file, the key and what was expected; for an unknown key the nearest known one.
    """
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{where} is no valid TOML: {error}.") from None
    known = [f.name for f in fields(Settings)]
    values: dict[str, Any] = {}
    defaults = Settings()
    wrong: list[tuple[str, str]] = []
    for name, value in document.items():
        if name not in known:
            hint = nearest(name, known) or f". Known keys: {', '.join(known)}."
            wrong.append((name, f"unknown key {name!r}{hint}"))
            continue
        try:
            values[name] = typed(name, value, getattr(defaults, name))
        except SettingsError as error:
            wrong.append((name, str(error)))
    settings = Settings(**values)
    wrong += [(re.split(r"\W", text)[0], text) for text in contradictions(settings)]
    if wrong:
        raise SettingsError(all_of([f"{where}{_line_of(name, text)}: {what}" for name, what in wrong], where))
    return settings


def _line_of(name: str, text: str) -> str:
    """Say in which line of a TOML text a key or table stands, as it is usually written; else nothing."""
    written = re.compile(rf"\s*\[?\s*{re.escape(name)}\s*[=.\]]")
    return next((f", line {n}" for n, line in enumerate(text.split("\n"), start=1) if written.match(line)), "")


@overload
def find_folder(start: Path) -> Path: ...
@overload
def find_folder(start: Path, *, needed: bool) -> Path | None: ...
def find_folder(start: Path, *, needed: bool = True) -> Path | None:
    """Return the folder of a workspace: a folder itself or the nearest parent that holds `annealog.toml`.

    Parameters
    ----------
    start
        Where to begin.
    needed
        There must be one.

    Raises
    ------
    SettingsError
        If there is none and one is needed.
    """
    start = start.resolve()
    for folder in (start, *start.parents):
        if (folder / SETTINGS_FILE).is_file():
            return folder
    if not needed:
        return None
    raise SettingsError(
        f"No {SETTINGS_FILE} in {start} or above. Make a workspace with 'annealog init {start}' "
        "or name one with --workspace DIR."
    )


def find_workspace(start: Path) -> Workspace:
    """Return the workspace of a folder: itself or the nearest parent that holds `annealog.toml`.

    Raises
    ------
    SettingsError
        If there is none, or its settings are wrong.
    EnvironmentProblem
        If the file cannot be read.
    """
    folder = find_folder(start)
    path = folder / SETTINGS_FILE
    return Workspace(folder, read_settings(settings_text(path), str(path)))


def settings_text(path: Path) -> str:
    """Return the text of a file of settings.

    Raises
    ------
    EnvironmentProblem, SettingsError
        If it cannot be read, or is not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise EnvironmentProblem(f"Cannot read {path}: {error.strerror}.") from None
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path} is not UTF-8: byte {error.start}.") from None
