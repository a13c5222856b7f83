"""What axe finds on a page (WCAG 2.2 A and AA, best practice)."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["WCAG", "violations"]

WCAG = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")


@cache
def axe() -> str:
    return files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


def violations(page: Any, tags: tuple[str, ...] = (*WCAG, "best-practice"), *, whole: bool = False) -> list[str]:
    """Return what axe finds, in words; it is run by the debugger, so the policy of the page stays in force.

    Of a page that is not to be left whole, rows and marks beyond the first are taken away: they are made alike, and looking at
    thousands of them takes minutes.
    """
    if not whole:
        page.evaluate(
            "() => document.querySelectorAll('tbody tr:nth-child(n+7), .chart g > :nth-child(n+7)').forEach((e) => e.remove())"
        )
    page.evaluate(axe())
    # what was passed is long, and crosses over to us slowly
    found = page.evaluate(
        "(tags) => axe.run(document, {runOnly: tags, resultTypes: ['violations']}).then((all) => all.violations)",
        [*tags],
    )
    return [
        f"{item['id']}: {item['help']}: {node['html'][:160]} {node.get('failureSummary', '')[:200]}"
        for item in found
        for node in item["nodes"][:3]
    ]
