"""Text that a spreadsheet takes as text: no cell of ours may become a formula on the reader's machine."""

from __future__ import annotations

import re

import polars as pl

__all__ = ["dangerous", "guarded_frame"]

_STARTS = "=+\\-@\\t\\r\\n＝＋－＠"
_DANGEROUS = re.compile(f"^'*[{_STARTS}]")
"""What spreadsheets read as the start of a formula, full-width forms among them (OWASP, CSV Injection; from memory)."""


def dangerous(text: str) -> bool:
    """Whether a spreadsheet could take a text for a formula, apostrophes before it aside."""
    return _DANGEROUS.match(text) is not None


def guarded_frame(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame with an apostrophe before each text that a spreadsheet could take for a formula.

    A text that begins with apostrophes before such a sign gets one more, so that taking one off gives it back.
    """
    return frame.with_columns(
        pl.when(pl.col(name).str.contains(_DANGEROUS.pattern))
        .then(pl.concat_str(pl.lit("'"), pl.col(name)))
        .otherwise(pl.col(name))
        .alias(name)
        for name, dtype in frame.schema.items()
        if dtype == pl.String
    )
