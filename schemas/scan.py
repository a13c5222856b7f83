"""Finding what a folder declares: one file a rule, a pattern or a report, with nothing to register by hand."""

from __future__ import annotations

import importlib
import pkgutil
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

__all__ = ["declared"]

T = TypeVar("T")


def declared(
    package: str, path: Iterable[str], kind: type[T], name: Callable[[T], str], *, leave_out: Callable[[str], bool]
) -> dict[str, T]:
    """Return what the modules of a package declare, by name.

    Parameters
    ----------
    package, path
        Name and path of the package; the declaration is a value named as `kind` in capitals.
    kind
        Type of the declarations.
    name
        What tells two of them apart.
    leave_out
        Which modules, by name, declare nothing.

    Returns
    -------
    dict
        In the order of the module names.

    Raises
    ------
    TypeError
        If a module holds no such value.
    ValueError
        If two modules declare the same name.
    """
    found: dict[str, T] = {}
    attribute = kind.__name__.upper()
    folder = package.rpartition(".")[2]
    for module in pkgutil.iter_modules(path):
        if leave_out(module.name):
            continue
        one = getattr(importlib.import_module(f"{package}.{module.name}"), attribute, None)
        if not isinstance(one, kind):
            raise TypeError(
                f"module {module.name} of the {folder} holds no {attribute}; expected {attribute} = {kind.__name__}(...)"
            )
        if name(one) in found:
            raise ValueError(f"two {folder} have the id {name(one)!r}; the second one is in module {module.name}")
        found[name(one)] = one
    return found
