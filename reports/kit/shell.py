"""A whole document: one file with its policy, which lets through nothing but the style sheets and scripts written here, by their hashes."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from typing import TYPE_CHECKING

from reports.kit.links import language
from reports.kit.markup import Html, element, join

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["hashed", "whole"]


def whole(
    title: str,
    styles: Sequence[str],
    *inside: object,
    scripts: Sequence[tuple[str, Html]] = (),
    refresh_s: int | None = None,
    forms: bool = False,
) -> str:
    """Return a document.

    Parameters
    ----------
    title
        Of the window.
    styles
        Style sheets.
    *inside
        What the body holds.
    scripts
        Each with the data that stands before it.
    refresh_s
        After how many seconds a browser fetches it again; None for never.
    forms
        Whether its forms go to where it was served from, and its scripts may ask there; a page in a folder sends nothing.
    """
    allowed = f"script-src {' '.join(hashed(script) for script, _ in scripts)}; " if scripts else ""
    sends = "form-action 'self'; connect-src 'self'" if forms else "form-action 'none'"
    policy = (
        f"default-src 'none'; style-src {' '.join(hashed(style) for style in styles)}; {allowed}img-src data:; "
        f"base-uri 'none'; {sends}"
    )
    top = element(
        "head",
        element("meta", charset="utf-8"),
        # the quotes of the policy must stay, and it holds nothing but our own words and hashes
        Html(f'<meta http-equiv="Content-Security-Policy" content="{policy}">'),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="color-scheme", content="light dark"),
        element("meta", http_equiv="refresh", content=str(refresh_s)) if refresh_s else None,
        element("meta", name="referrer", content="same-origin" if forms else "no-referrer"),
        element("title", title),
        element("link", rel="icon", href="data:,"),
        join(element("style", Html(style)) for style in styles),
    )
    run = join(join([data, Html(f"<script>{script}</script>")]) for script, data in scripts)
    return f"<!doctype html>\n{element('html', top, element('body', *inside, run), lang=language())}\n"


@lru_cache(maxsize=16)
def hashed(source: str) -> str:
    """Return how the policy names a style sheet or script that it lets through."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(source.encode('utf-8')).digest()).decode('ascii')}'"
