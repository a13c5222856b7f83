"""Commands of the centre of a company with many sites."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import By, DryRun, Json, Why

if TYPE_CHECKING:
    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register
    from pipeline.history.chain import Event

__all__ = ["CentreOption", "add_to", "centre", "centre_at", "opened"]

centre = typer.Typer(help="The centre of a company: what its sites publish, taken in and told.", no_args_is_help=True)
site = typer.Typer(help="The sites of the company: which may publish, and which are held.", no_args_is_help=True)

CentreOption = Annotated[
    Path | None,
    typer.Option("--centre", metavar="DIR", help="The centre; default: this folder or a parent with centre.toml."),
]
_Site = Annotated[str, typer.Argument(metavar="SITE", help="Name of the site, as its annealog.toml states it.")]


def centre_at(folder: Path | None) -> Centre:
    """Return the centre of an option, or of the current folder."""
    from pipeline.centre.place import find_centre

    return find_centre(folder or Path.cwd())


def opened(place: Centre) -> Register:
    """Open the register of a centre; close it by `with`."""
    from pipeline.centre.register import Register

    return Register(place.register)


def _recorded(event: Event, *, json: bool) -> None:
    if json:
        output.print_json({"recorded": True, "sequence": event.sequence})
    else:
        output.out().print(f"Recorded as decision {event.sequence} of the centre.")


@centre.command("init")
def init(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder of the centre.")] = Path(),
    register: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="File of SQLite, or postgresql+psycopg://NAME@HOST/DATABASE."),
    ] = None,
    storage: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Where the sites publish to: a folder, or s3://BUCKET/PREFIX.")
    ] = None,
    dry_run: DryRun = False,
    json: Json = False,
) -> None:
    """Make a centre: its centre.toml, and the tables of its register. What is there already stays.

    Example: annealog centre init company --storage s3://readings/company
    """
    from pipeline.centre.place import make_centre

    if dry_run:
        output.would(f"make a centre in {folder.resolve()}", json=json)
        return
    chosen = {"register": register, "storage": storage}
    place = make_centre(folder, **{name: value for name, value in chosen.items() if value is not None})
    with opened(place) as book:
        book.make()
    if json:
        output.print_json({"centre": str(place.root), "storage": place.storage})
    else:
        console = output.out()
        console.print(output.plain(f"Centre in {place.root}; its sites publish to {place.storage}"))
        console.print("Next: annealog centre site add SITE --key FILE --by NAME --why TEXT")


@site.command("add")
def site_add(
    name: _Site,
    key: Annotated[
        Path, typer.Option("--key", metavar="FILE", help="Public key of the site (annealog publish key, there).")
    ],
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Let a site publish, or give it another key; a site that was held or closed is open again.

    Example: annealog centre site add P-017 --key P-017.pub --by Ada --why "line 17 joins"
    """
    from pipeline.centre.decisions import add_site
    from pipeline.workspace.files import read_bytes

    place = centre_at(centre)
    text = read_bytes(key, 10_000).decode("ascii", "replace").strip()
    if dry_run:
        output.would(f"add site {name}", json=json)
        return
    with opened(place) as book:
        _recorded(add_site(book, name, text, by=by, why=why), json=json)


def _decide_state(name: str, state: str, by: str, why: str, dry_run: bool, centre: Path | None, json: bool) -> None:
    from pipeline.centre.decisions import set_state

    place = centre_at(centre)
    with opened(place) as book:
        if dry_run:
            book.site(name)
            output.would(f"decide that site {name} is {state}", json=json)
            return
        _recorded(set_state(book, name, state, by=by, why=why), json=json)


@site.command("hold")
def site_hold(
    name: _Site, by: By = "", why: Why = "", dry_run: DryRun = False, centre: CentreOption = None, json: Json = False
) -> None:
    """Take nothing in from a site until somebody opens it again; what was taken in stays.

    Example: annealog centre site hold P-017 --by Ada --why "its computer was stolen"
    """
    _decide_state(name, "held", by, why, dry_run, centre, json)


@site.command("open")
def site_open(
    name: _Site, by: By = "", why: Why = "", dry_run: DryRun = False, centre: CentreOption = None, json: Json = False
) -> None:
    """Take in again from a site that was held or closed.

    Example: annealog centre site open P-017 --by Ada --why "the computer is back, the key is a new one"
    """
    _decide_state(name, "open", by, why, dry_run, centre, json)


@site.command("close")
def site_close(
    name: _Site, by: By = "", why: Why = "", dry_run: DryRun = False, centre: CentreOption = None, json: Json = False
) -> None:
    """Close a site: it is no longer expected to publish, and nothing more is taken in; what was stays.

    Example: annealog centre site close P-003 --by Ada --why "the line was shut down"
    """
    _decide_state(name, "closed", by, why, dry_run, centre, json)


@site.command("branch")
def site_branch(
    name: _Site,
    sha256: Annotated[
        str,
        typer.Argument(metavar="HASH", help="Package that the site goes on from, by the first characters of its hash."),
    ],
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Say which of two histories is the site, where a fork was refused: a restored backup ran beside the original.

    Example: annealog centre site branch P-017 4be1c9d0 --by Ada --why "the restored computer is the line now"
    """
    from pipeline.centre.decisions import choose_branch

    place = centre_at(centre)
    with opened(place) as book:
        if dry_run:
            book.site(name)
            output.would(f"go on from package {sha256} at site {name}", json=json)
            return
        _recorded(choose_branch(book, name, sha256, by=by, why=why), json=json)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    centre.add_typer(site, name="site")
    app.add_typer(centre, name="centre")
