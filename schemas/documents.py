"""Results as JSON values. It stands alone, so that what only prints a document need not import the results."""

from __future__ import annotations

import dataclasses
import importlib
import json
import sys
import types
import typing
from datetime import UTC, date, datetime
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar, Union

import orjson

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["as_bytes", "as_json", "from_json"]

_MODULES = (
    "results",
    "bias",
    "blocks",
    "corrections",
    "drift",
    "evidence",
    "look_back",
    "lot_detail",
    "page",
    "papers",
    "uncertainty",
)
"""Where the results and all that is in them are declared."""


def as_json(value: Any) -> Any:
    """Turn a result into plain JSON values: times as ISO 8601 in UTC, tuples as lists, frames left out.

    Parameters
    ----------
    value
        A result, or anything inside one.

    Returns
    -------
    dict, list, str, float, int, bool or None
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
        return {name: as_json(item) for name, item in fields.items() if not _is_frame(item)}
    if isinstance(value, dict):
        return {str(key): as_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [as_json(item) for item in value]
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    return value


def as_bytes(value: Any) -> bytes:
    """Return a result as JSON text, twenty times faster than by :func:`as_json`; frames inside it are null.

    Raises
    ------
    TypeError
        If something inside it is neither a result nor a plain value.
    """
    try:
        return orjson.dumps(value, default=_null, option=orjson.OPT_SORT_KEYS | orjson.OPT_SERIALIZE_NUMPY)
    except orjson.JSONEncodeError as error:
        if "surrogates" not in str(error):
            raise
        # a name that was no valid text where it came from
        return json.dumps(as_json(value), sort_keys=True, allow_nan=False).encode("ascii")


def _null(value: object) -> None:
    if not _is_frame(value):
        raise TypeError(f"{type(value).__name__} is no value of a result")


def _is_frame(value: object) -> bool:
    """Whether a value is a frame; the library is not imported to find out, which takes a tenth of a second."""
    polars = sys.modules.get("polars")
    return polars is not None and isinstance(value, polars.DataFrame)


Result = TypeVar("Result")


@cache
def _declared() -> dict[str, Any]:
    """Return every name that the declarations of results use."""
    names: dict[str, Any] = {"datetime": datetime, "date": date, "Any": Any}
    for module in _MODULES:
        names |= {
            name: value
            for name, value in vars(importlib.import_module(f"schemas.{module}")).items()
            if isinstance(value, type)
        }
    return names


@cache
def _fields(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind, localns=_declared())


def from_json(kind: type[Result], value: Any) -> Result:
    """Turn JSON values back into the result they were made from: the inverse of :func:`as_json` for results without frames.

    Parameters
    ----------
    kind
        Type of the result.
    value
        Its JSON values.

    Returns
    -------
    Result

    Raises
    ------
    KeyError
        If a field is missing.
    """
    revive = _reviver(typing.cast("typing.Hashable", kind))
    found: Result = value if revive is None or value is None else revive(value)
    return found


@cache
def _reviver(kind: Any) -> Callable[[Any], Any] | None:
    """Return what makes a value of some kind from its JSON, found once for each kind; None where both are the same."""
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if origin in (Union, types.UnionType):
        (kind,) = [one for one in inside if one is not type(None)]
        return _reviver(kind)
    if origin is tuple:
        if inside[-1] is Ellipsis:
            each = _reviver(inside[0])
            return (
                tuple if each is None else lambda items: tuple(None if item is None else each(item) for item in items)
            )
        several = [_reviver(one) or _same for one in inside]
        return lambda items: tuple(
            None if item is None else one(item) for one, item in zip(several, items, strict=True)
        )
    if origin is dict:
        value = _reviver(inside[1])
        return (
            None
            if value is None
            else lambda items: {n: None if one is None else value(one) for n, one in items.items()}
        )
    if dataclasses.is_dataclass(kind):
        hints = _fields(typing.cast("type", kind))
        fields = [(field.name, _reviver(hints[field.name])) for field in dataclasses.fields(kind)]
        plain = [name for name, revive in fields if revive is None]
        others = [(name, revive) for name, revive in fields if revive is not None]

        def made(item: dict[str, Any]) -> Any:
            given = {name: item[name] for name in plain}
            for name, revive in others:
                value = item[name]
                given[name] = None if value is None else revive(value)
            return kind(**given)  # type: ignore[operator]

        return made
    return kind.fromisoformat if kind in (datetime, date) else None


def _same(value: Any) -> Any:
    return value
