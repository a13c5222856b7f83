"""The command that shows a company of many sites on one computer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli import output
from pipeline.cli.centre import a_round, opened
from pipeline.cli.company import review
from pipeline.cli.options import DryRun, Json
from pipeline.errors import UsageError

__all__ = ["add_to"]

_DEMO_MONTH = "2026-08"


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to build the company.")] = Path("company"),
    dry_run: DryRun = False,
    json: Json = False,
) -> None:
    """Build a company of three invented sites and its centre on this computer, take in what they publish, and show its review.

    Example: annealog centre demo company
    """
    from pipeline.cli.company_demo import build_company

    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty. Name a new folder: annealog centre demo DIR")
    if dry_run:
        output.would(f"build a company of three sites in {folder}", json=json)
        return
    place = build_company(folder.resolve(), output.note)
    with opened(place) as book:
        taken = a_round(place, book, None, direct=True)
    for each in taken:
        output.note(f"{each.site}: {len(each.registered)} package registered at the centre")
    try:
        review(_DEMO_MONTH, centre=place.root, json=json)
    except typer.Exit:  # what waits in the demo waits on purpose
        output.note(f"Ask on in {place.root}: annealog centre status, annealog centre verify, annealog centre names")


def add_to(centre: typer.Typer) -> None:
    """Add the command to those of the centre."""
    centre.command("demo", help=demo.__doc__)(demo)
