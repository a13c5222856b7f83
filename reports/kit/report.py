"""What a report is: a name, the type of page it takes, and how it is rendered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Report"]


@dataclass(frozen=True, slots=True)
class Report:
    """One kind of page.

    Parameters
    ----------
    name
        Name of the report, the same as its module's.
    page
        Type of the result it shows.
    render
        Pure function from that result to a whole HTML document.
    """

    name: str
    page: type
    render: Callable[[Any], str]
