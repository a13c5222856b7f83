"""The texts of another language: one TOML file of the workspace, with every key that English has."""

from __future__ import annotations

import json
import re
import tomllib
from itertools import groupby
from typing import TYPE_CHECKING

import reports
from pipeline.errors import SettingsError, UsageError
from pipeline.workspace.files import read_bytes, write_atomically

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.workspace.settings import Workspace

__all__ = ["check_texts", "texts_of", "write_texts"]

_LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*")
"""A language as BCP 47 writes it, as far as pages need it."""
_NAMED = 5


def _file(workspace: Workspace, language: str) -> Path:
    if not _LANGUAGE.fullmatch(language):
        raise UsageError(f"{language!r} is no language; expected such as no, de or pt-BR.")
    return workspace.root / "texts" / f"{language}.toml"


def _read(path: Path) -> dict[str, str]:
    if not path.exists():
        raise SettingsError(
            f"There is no {path}. Write it with: annealog texts {path.stem}, translate it, and render again."
        )
    try:
        found = tomllib.loads(read_bytes(path).decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise SettingsError(f"{path}: {error}") from None
    texts: dict[str, str] = {}
    for table, values in found.items():
        if not isinstance(values, dict) or not all(isinstance(text, str) for text in values.values()):
            raise SettingsError(f"{path}: [{table}]: expected a table of texts.")
        texts |= {f"{table}.{key}": text for key, text in values.items()}
    return texts


def texts_of(workspace: Workspace) -> dict[str, str] | None:
    """Return the texts of the workspace's language; None for English.

    Raises
    ------
    SettingsError
        If the file is missing, or no whole language.
    """
    language = workspace.settings.language
    if language == reports.ENGLISH:
        return None
    path = _file(workspace, language)
    texts = _read(path)
    lacking = reports.complaints(texts)
    if lacking:
        more = f" and {len(lacking) - _NAMED} more" if len(lacking) > _NAMED else ""
        raise SettingsError(
            f"{path} is no whole language yet: {'; '.join(lacking[:_NAMED])}{more}. annealog texts {language} lists all."
        )
    return texts


def check_texts(workspace: Workspace, language: str) -> list[str]:
    """Return what the file of a language lacks, as sentences."""
    path = _file(workspace, language)
    return reports.complaints(_read(path)) if path.is_file() else []


def write_texts(workspace: Workspace, language: str, *, dry_run: bool = False) -> Path:
    """Write every text in English for a translator; a file that exists is left alone. Return its path."""
    path = _file(workspace, language)
    if path.exists() or dry_run:
        return path
    lines = ["# Texts of the pages. Braces name what is put in; keep each of them."]
    for table, texts in groupby(reports.catalogue().items(), key=lambda pair: pair[0].split(".")[:2]):
        lines += ["", f'["{".".join(table)}"]']
        lines += [f"{json.dumps(key.split('.', 2)[2])} = {json.dumps(text, ensure_ascii=False)}" for key, text in texts]
    write_atomically(path, ("\n".join(lines) + "\n").encode())
    return path
