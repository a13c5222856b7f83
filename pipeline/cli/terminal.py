"""Standard output as sentences are read on it; imported where something is printed in words, for it takes rich with it."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from schemas.digits import typeset

__all__ = ["Terminal"]


class Terminal(Console):
    """A console of our own."""

    def print(self, *objects: Any, **given: Any) -> None:
        """Print sentences as they are read; what is not to be altered comes as :class:`rich.text.Text`."""
        super().print(*(typeset(one) if isinstance(one, str) else one for one in objects), **given)

    def on_broken_pipe(self) -> None:
        """Let the command end as it wants where nobody reads on: rich would call that an error of ours."""
        raise BrokenPipeError
