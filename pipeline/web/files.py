"""Pages as the files they are: no listing, nothing hidden, no link, and what thing a page is about."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from pipeline.workspace.files import state_of_file
from reports.kit.address import address, kind_of
from reports.kit.markup import Html, element
from reports.kit.scripts import CHANGED, data_block
from reports.kit.shell import hashed
from reports.words import web as words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

__all__ = ["listening", "page_file", "state_of_page", "thing_of", "with_bar"]

_SHEET = b'<div class="sheet">'


def page_file(folder: Path, parts: list[str]) -> Path | None:
    """Return the file of an address, where it is one of the folder, in whatever spelling, and no link to one elsewhere."""
    if any(
        part in ("", ".", "..") or part.startswith(".") or "/" in part or "\\" in part
        for part in parts
        if parts != [""]
    ):
        return None
    try:
        place = folder.joinpath(*parts)
        place = place / "index.html" if place.is_dir() else place
        inside = place.relative_to(folder).parts
        # a pipe would keep whoever reads it waiting
        plain = place.is_file() and place.resolve() == folder.resolve().joinpath(*inside)
    except (ValueError, OSError):  # a NUL, or a name that is too long
        return None
    return place if plain else None


def with_bar(page: bytes, bar: Html) -> bytes:
    """Return a page with something above its sheet; a page without one, such as the board, is left as it is."""
    return page.replace(_SHEET, bar.encode() + _SHEET, 1)


def state_of_page(page: Path) -> str:
    """Return what tells whether a page was written again; empty where it is not there."""
    return "-".join(str(number) for number in state_of_file(page))


_POLICY = re.compile(rb"""(<meta http-equiv="Content-Security-Policy" content="default-src 'none'; )([^">]*)""")
_REFRESH = re.compile(rb"""<meta http-equiv="refresh" content="([0-9]+)">""")


def listening(page: bytes, shown: str, state: str) -> bytes:
    """Return a page that hears when it was written again; one without a policy of ours is left as it is.

    Its policy lets the one script through and lets it ask where the page came from. A page that fetches itself every few
    seconds does so only where no script runs.

    Parameters
    ----------
    page
        As it lies in the folder.
    shown
        Its address in the folder of pages.
    state
        Of its file, from before it was read.
    """
    policy = _POLICY.search(page)
    if policy is None:
        return page
    rules, script = policy[2], hashed(CHANGED).encode()
    rules = rules.replace(b"script-src ", b"script-src " + script + b" ", 1) if b"script-src " in rules else b"script-src " + script + b"; " + rules  # fmt: skip
    page = page[: policy.start(2)] + b"connect-src 'self'; " + rules + page[policy.end(2) :]
    refresh = _REFRESH.search(page)
    if refresh is not None:
        page = page[: refresh.start()] + b"<noscript>" + refresh[0] + b"</noscript>" + page[refresh.end() :]
    told = {
        "address": f"/changed?{urlencode({'page': shown, 'shown': state})}",
        "after_s": int(refresh[1]) if refresh else 0,
    }
    if refresh is None:
        page = with_bar(page, element("div", id="changed", role="status"))
    run = data_block({**told, **words.CHANGED}, "changed-words") + Html(f"<script>{CHANGED}</script>")
    before, end, after = page.rpartition(b"</body>")
    return before + run.encode() + end + after


def thing_of(page: str, known: Callable[[str], Iterable[str]]) -> tuple[str, str]:
    """Return the kind of a page and the thing that it is about; empty where no known thing has that address.

    Parameters
    ----------
    page
        Address relative to the folder of pages.
    known
        Names of things by kind, for those whose name could not be kept in the address.
    """
    kind = kind_of(page)
    kind = {"checks": "meter", "readings": "lot", "month": "lot"}.get(kind, kind)
    name = page.rpartition("/")[2].removesuffix(".html")
    if kind == "index":
        return kind, ""
    if "~" not in name:
        return kind, name
    return kind, next((one for one in known(kind) if address(kind, one).endswith(f"/{name}.html")), "")
