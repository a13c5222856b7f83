"""What sample pages of all kinds share: a day, hostile texts, provenance, rows in another order. Invented."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from schemas.page import Provenance

__all__ = ["DAY", "HOSTILE", "permuted", "provenance", "text_or_hostile"]

DAY = datetime(2026, 3, 2, tzinfo=UTC)

HOSTILE = (
    "</script><script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "</style><style>*{display:none}</style>",
    "--></title><svg onload=alert(1)>",
    "javascript:alert(1)",
    "../../etc/passwd",
    "{{7*7}} ${7*7} datum.value @x_low",
    "a\u202egnp.exe\u202c\u0000\u0007\u001b[31m\x7f\x85",
    "bell\r\nnew line\ttab\u2028",
    "\u200b\ufeff\u2066isolate",
    "lone \ud800 surrogate",
    "😀🧪 temper é ü ﷽",
    '=HYPERLINK("http://example.invalid")',
    "&lt;b&gt; &amp; &#x3c;",
    "x" * 10_000,
    "CON",
    "",
    " ",
)  # fmt: skip

FILES: dict[str, Any] = {
    "name": pl.String,
    "sha256": pl.String,
    "layout": pl.String,
    "layout_version": pl.Int64,
    "readings": pl.Int64,
}


def permuted(page: Any, seed: int) -> Any:
    """Return the page with the rows of every frame in another order."""
    changed: dict[str, Any] = {}
    for f in dataclasses.fields(page):
        value = getattr(page, f.name)
        if isinstance(value, pl.DataFrame):
            changed[f.name] = value.sample(fraction=1.0, shuffle=True, seed=seed) if value.height else value
        elif isinstance(value, Provenance) or f.name == "of":
            changed[f.name] = permuted(value, seed)
    return dataclasses.replace(page, **changed)


def provenance(
    *, hostile: bool = False, files: int = 2, as_of: datetime | None = None, zone: str = "Europe/Oslo"
) -> Provenance:
    rows = [
        {
            "name": text_or_hostile(hostile, "", i) if hostile else f"bench-{i + 1}-2026-03-02.csv",
            "sha256": f"{i + 10:02x}" * 32,
            "layout": HOSTILE[3] if hostile else "neutral",
            "layout_version": 1,
            "readings": 90,
        }
        for i in range(files)
    ]
    return Provenance(
        software_version="annealog 0.1.0",
        workspace=HOSTILE[0] if hostile else "Example bench",
        as_of=as_of or DAY + timedelta(hours=16),
        zone=zone,
        unit="MS/m",
        reference_temperature_c=20.0,
        files=pl.DataFrame(rows, schema=FILES),
        data_sha256="3fa2" * 16,
    )


def text_or_hostile(hostile: bool, plain: str, place: int) -> str:
    # a frame cannot hold an unpaired surrogate; ids, reasons and decisions can
    return HOSTILE[place % len(HOSTILE)].encode("utf-8", "replace").decode() if hostile else plain
