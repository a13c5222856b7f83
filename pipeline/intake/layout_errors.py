"""What is wrong with a layout file, all of it at once: file, line, key, what was found, expected and nearest."""

from __future__ import annotations

import difflib
import re
import tomllib
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from pipeline.errors import LayoutError
from pipeline.near import MOST_SAID, nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["Wrong", "nearest", "read_toml", "refused"]

_IN_WORDS = {
    "string_type": "a text",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "tuple_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "greater_than_equal": "{ge} or more",
    "string_too_short": "at least one character",
}


class Wrong(ValueError):
    """Says of keys, relative to the table where it is raised, what is wrong with them."""

    def __init__(self, *problems: tuple[str, str] | str) -> None:
        self.problems = [("", one) if isinstance(one, str) else one for one in problems]
        super().__init__("; ".join(text for _, text in self.problems))


def read_toml(text: str, where: str) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises
    ------
    errors.LayoutError
        If it is none.
    """
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise LayoutError(f"{where}: not a TOML file: {error}") from error


def refused(error: ValueError, model: type[BaseModel], text: str, where: str) -> LayoutError:
    """Return the error that says everything that is wrong with a file.

    Parameters
    ----------
    error
        What the model said.
    model
        Of the whole file, for the nearest known key.
    text
        Content of the file, for the numbers of its lines.
    where
        Name of the file.

    Returns
    -------
    errors.LayoutError
        One line for each of the first 20 errors.
    """
    if not isinstance(error, ValidationError):
        raise error
    lines = dict(_lines(text))
    said = []
    for path, what in dict.fromkeys(found for one in error.errors() for found in _said(one, model)):
        number = _line_of(path, lines)
        said.append((number, f"{where}, {f'line {number}, ' if number else ''}key {path or '(file)'}: {what}"))
    said.sort(key=lambda entry: entry[0])
    more = [f"{where}: and {len(said) - MOST_SAID} more"] if len(said) > MOST_SAID else []
    return LayoutError("\n".join([text for _, text in said[:MOST_SAID]] + more))


def _said(error: Any, model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """Key and sentence of one error of the model."""
    place, kind, found, more = error["loc"], error["type"], error.get("input"), error.get("ctx", {})
    path = _path(place)
    if kind == "value_error" and isinstance(more["error"], Wrong):
        for below, what in more["error"].problems:
            yield ".".join(part for part in (path, below) if part), what
    elif kind == "extra_forbidden":
        yield path, f"unknown key{_advice(place, model)}"
    elif kind == "missing":
        yield path, f"missing; {_declared(place[:-1], model)[place[-1]][0]}"
    elif kind == "literal_error":
        words = re.findall(r"'((?:[^'\\]|\\.)*)'", more["expected"])
        yield path, f"found {found!r}, expected one of {', '.join(map(repr, words))}{nearest(str(found), words)}"
    elif kind in ("too_short", "too_long"):
        many = more.get("min_length", more.get("max_length"))
        yield path, f"found {len(found or ()) or 'none'}, expected {many}"
    else:
        expected = _IN_WORDS.get(kind, error["msg"]).format(**more)
        yield path, f"found {found!r}, expected {expected}"


def _path(place: Sequence[str | int]) -> str:
    path = ""
    for part in place:
        path += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if path else part
    return path


def _declared(place: Sequence[str | int], model: type[BaseModel]) -> dict[str, tuple[str, type[BaseModel] | None]]:
    """Keys of the table at a place: what each is, and the table that it holds, if any."""
    for part in place:
        if isinstance(part, str):
            inner = _declared((), model)[part][1]
            if inner is None:
                return {}
            model = inner
    return {
        field.alias or name: (field.description or "", _table_in(field.annotation))
        for name, field in model.model_fields.items()
    }


def _table_in(annotation: Any) -> type[BaseModel] | None:
    """Return the table that a key holds, alone or in a list."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in getattr(annotation, "__args__", ()) if (found := _table_in(part))), None)


def _tables(model: type[BaseModel], path: str, name: str) -> Iterator[tuple[str, str, list[str]]]:
    """Path, name and keys of every table of a file."""
    keys = _declared((), model)
    yield path, name, list(keys)
    for key, (_, inner) in keys.items():
        if inner is not None:
            yield from _tables(inner, f"{path}{key}.", key)


def _advice(place: Sequence[str | int], model: type[BaseModel]) -> str:
    """Return the table where the key belongs, else the nearest key of this table, else of any, else all keys."""
    name, here = str(place[-1]), list(_declared(place[:-1], model))
    everywhere = list(_tables(model, "", "layout"))
    if elsewhere := dict.fromkeys(table for _, table, keys in everywhere if name in keys):
        return f"; it belongs to {' or '.join(elsewhere)}"
    if near := nearest(name, here):
        return near
    paths = {key: f"{path}{key}" for path, _, keys in reversed(everywhere) for key in keys}
    close = difflib.get_close_matches(name, paths, n=1, cutoff=0.75)
    return f"; did you mean '{paths[close[0]]}'?" if close else f", expected one of {', '.join(here)}"


_HEADING = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?")
_KEY = re.compile(r"""\s*([A-Za-z0-9_.-]+|"[^"]*"|'[^']*')\s*=""")


def _lines(text: str) -> Iterator[tuple[str, int]]:
    """Path and line of the headings and keys of a TOML text, as it is usually written; what stands inline is not looked into."""
    counts: dict[str, int] = {}
    table, quoted = "", ""
    for number, line in enumerate(text.split("\n"), start=1):
        if quoted:  # inside a text of several lines
            quoted = "" if quoted in line else quoted
            continue
        if heading := _HEADING.match(line):
            name = re.sub(r"\s*\.\s*", ".", heading[2]).replace('"', "")
            head, _, last = name.rpartition(".")
            if counts.get(head):
                name = f"{head}[{counts[head]}].{last}"
            if heading[1] == "[[":
                counts[name] = counts.get(name, 0) + 1
                name = f"{name}[{counts[name]}]"
            table = name
            yield table, number
        elif key := _KEY.match(line):
            yield ".".join(part for part in (table, key[1].strip("\"'")) if part), number
            quoted = next((mark for mark in ('"""', "'''") if line.count(mark) == 1), "")


def _line_of(path: str, lines: dict[str, int]) -> int:
    """Return the line of a key, else that of the table or key that holds it, else 0."""
    while path:
        if path in lines:
            return lines[path]
        path = re.sub(r"(?:\.[^.\[]*|\[\d+\]|^[^.\[]+)$", "", path)
    return 0
