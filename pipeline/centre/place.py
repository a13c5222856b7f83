"""The centre's folder and `centre.toml`."""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

from pipeline.errors import SettingsError, UsageError
from pipeline.near import all_of, nearest
from pipeline.workspace.files import write_atomically
from pipeline.workspace.settings import settings_text

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

__all__ = ["CENTRE_FILE", "Centre", "CentreSettings", "find_centre", "make_centre", "read_centre"]

CENTRE_FILE = "centre.toml"


def _setting(default: Any, doc: str, unit: str | None = None) -> Any:
    return field(default=default, metadata={"doc": doc, "unit": unit})


@dataclass(frozen=True, kw_only=True)
class CentreSettings:
    """Everything a centre can decide, each named, documented and defaulted."""

    name: str = _setting("", "Name of the company, printed on its pages.")
    register: str = _setting(
        "register.db",
        "Register: a file of SQLite in this folder, or postgresql+psycopg://NAME@HOST/DATABASE; ${NAME} is taken from the environment.",
    )
    storage: str = _setting("storage", "Where the sites publish to: a folder, or s3://BUCKET/PREFIX.")
    pages: str = _setting("pages", "Folder of the company's pages.")
    silent_after_hours: float = _setting(72.0, "A site that published nothing for so long has fallen silent.", "h")
    gap_after_hours: float = _setting(
        24.0, "Packages that wait so long for the one before them are told as a gap.", "h"
    )
    clock_minutes: float = _setting(
        5.0, "A site's clock further from storage's than this is flagged at its package.", "min"
    )
    pool: str = _setting("annealog", "Prefect's process work pool that takes packages in.")
    batch: int = _setting(50, "Sites in one run of the pool; a run costs ten seconds of processor, whatever it does.")
    round_minutes: float = _setting(
        5.0, "How long `centre run` waits between the beginnings of two rounds, and at most for the runs of one.", "min"
    )


@dataclass(frozen=True, slots=True)
class Centre:
    """A centre's folder with its settings."""

    root: Path
    settings: CentreSettings

    @property
    def register(self) -> str:
        """The address of the register, with the environment's secrets put in.

        Raises
        ------
        SettingsError
            Where the environment lacks one.
        """
        address = _filled(self.settings.register, os.environ)
        return address if "://" in address else f"sqlite:///{self.root / address}"

    @property
    def storage(self) -> str:
        """Where the sites publish to."""
        address = self.settings.storage
        return address if "://" in address else str(self.root / address)

    @property
    def pages(self) -> Path:
        """Folder of the company's pages."""
        return self.root / self.settings.pages

    @property
    def cache(self) -> Path:
        """Pieces by their hash: what is lost here is fetched again."""
        return self.root / "cache"


def _filled(address: str, environment: Mapping[str, str]) -> str:
    def secret(match: re.Match[str]) -> str:
        if match[1] not in environment:
            raise SettingsError(
                f"register names the environment variable {match[1]}, which is not set. Set it for this command or service."
            )
        return environment[match[1]]

    return re.sub(r"\$\{(\w+)\}", secret, address)


_POSITIVE = ("silent_after_hours", "gap_after_hours", "clock_minutes", "batch", "round_minutes")


def read_centre(text: str, where: str = CENTRE_FILE) -> CentreSettings:
    """Read the text of a `centre.toml`.

    Raises
    ------
    SettingsError
        Names the key and what was expected; for an unknown key the nearest known one.
    """
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{where} is no valid TOML: {error}.") from None
    known: dict[str, Any] = {f.name: type(f.default) for f in fields(CentreSettings)}
    wrong: list[str] = []
    values: dict[str, Any] = {}
    for name, value in document.items():
        if name not in known:
            hint = nearest(name, known) or f". Known keys: {', '.join(known)}."
            wrong.append(f"{where}: unknown key {name!r}{hint}")
            continue
        value = float(value) if known[name] is float and type(value) is int else value
        if type(value) is not known[name]:
            wrong.append(f"{where}: {name} = {value!r}: expected {_WORDS[known[name]]}.")
        elif name in _POSITIVE and not 0 < value < float("inf"):
            wrong.append(f"{where}: {name} = {value!r}: expected a number above 0.")
        values[name] = value
    if wrong:
        raise SettingsError(all_of(wrong, where))
    return CentreSettings(**values)


_WORDS: dict[Any, str] = {str: "a text", float: "a number", int: "a whole number"}


def find_centre(start: Path) -> Centre:
    """Return the centre of a folder: itself or the nearest parent that holds `centre.toml`.

    Raises
    ------
    SettingsError
        If there is none, or its settings are wrong.
    EnvironmentProblem
        If the file cannot be read.
    """
    start = start.resolve()
    for folder in (start, *start.parents):
        path = folder / CENTRE_FILE
        if path.is_file():
            return Centre(folder, read_centre(settings_text(path), str(path)))
    raise SettingsError(
        f"No {CENTRE_FILE} in {start} or above. Make a centre with 'annealog centre init {start}' or name one with --centre DIR."
    )


def make_centre(root: Path, **chosen: str) -> Centre:
    """Write a `centre.toml` that states every setting, where there is none yet, and return the centre.

    Raises
    ------
    UsageError
        If there is one that says otherwise.
    """
    root = root.resolve()
    path = root / CENTRE_FILE
    if path.exists():
        found = find_centre(root)
        for name, value in chosen.items():
            if getattr(found.settings, name) != value:
                raise UsageError(f"{path} says {name} = {getattr(found.settings, name)!r} already. Change it there.")
        return found
    settings = CentreSettings(**chosen)  # type: ignore[arg-type]
    lines = []
    for f in fields(CentreSettings):
        lines += [f"# {f.metadata['doc']}", f"{f.name} = {_toml(getattr(settings, f.name))}", ""]
    write_atomically(path, "\n".join(lines).encode())
    return find_centre(root)


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return f"{value}"
