"""Commands that ask all sites together: a meter, a block, a supplier, a process, a month, names; and limits given to sites."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.centre import CentreOption, centre_at, opened
from pipeline.cli.options import By, DryRun, Json, Why
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.centre.asked import Asked

__all__ = ["add_to"]

limits = typer.Typer(help="Limits that the company gives to its sites.", no_args_is_help=True)

_STATE = {"differs": "DIFFERS", "agrees": "AGREES", "not_assessed": "NOT ASSESSED"}


@contextmanager
def _asked(folder: Path | None) -> Iterator[Asked]:
    from pipeline.centre.asked import asked_company

    place = centre_at(folder)
    with opened(place) as book:
        yield asked_company(place, book)


def _about(kind: str, name: str, centre: Path | None, *, dry_run: bool, json: bool) -> None:
    with _asked(centre) as asked:
        page = asked.about(kind, name)
        path = None if dry_run else str(asked.write(page))
    document = page.answer
    if json:
        output.print_json({**document, "page": path})
    else:
        console = output.out()
        console.print(output.plain(f"{document['name']}: {_STATE[document['state']]}"))
        for reason in document["reasons"]:
            console.print(output.plain(f"  {reason}"))
        if path:
            console.print(path)
    raise typer.Exit(4 if document["state"] == "differs" else 0)


def meter(
    serial: Annotated[
        str, typer.Argument(metavar="SERIAL", help="Serial number; with its maker where two makers have it.")
    ],
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Say where a meter was, and whether its bias differs between sites; readings that lie at two sites count once.

    Example: annealog centre meter K2-0002
    """
    _about("meter", serial, centre, dry_run=dry_run, json=json)


def block(
    certificate: Annotated[
        str, typer.Argument(metavar="CERTIFICATE", help="Name of the block in the company, by its certificate.")
    ],
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Say what all sites found on a block, and which meters disagree by how much.

    Example: annealog centre block "Norvale K-77"
    """
    _about("block", certificate, centre, dry_run=dry_run, json=json)


def supplier(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Supplier, as the company writes it.")],
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Say at which level all plants see a supplier, and which plant differs.

    Example: annealog centre supplier "Ostrovald Copper"
    """
    _about("supplier", name, centre, dry_run=dry_run, json=json)


def process(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Product, as the company writes it.")],
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Say at which level all plants make a product, and which plant differs.

    Example: annealog centre process "copper bar"
    """
    _about("process", name, centre, dry_run=dry_run, json=json)


def review(
    month: Annotated[str, typer.Argument(metavar="YYYY-MM", help="Month, in UTC.")],
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Write the review of the company: each site's head, what fell silent, what waits. Late data makes a revision beside it.

    Example: annealog centre review 2026-06
    """
    with _asked(centre) as asked:
        found, path = asked.review(month, dry_run=dry_run)
    page = None if dry_run else str(path)
    if json:
        output.print_json({**found, "page": page})
    else:
        _show_review(found, page)
    raise typer.Exit(4 if found["waits"] else 0)


def overview(dry_run: DryRun = False, centre: CentreOption = None, json: Json = False) -> None:
    """Write the first page of the centre: each site, what is held, and the pages of suppliers, processes, blocks, meters, reviews.

    Example: annealog centre overview
    """
    with _asked(centre) as asked:
        found, path = asked.overview(dry_run=dry_run)
    page = None if dry_run else str(path)
    if json:
        output.print_json({**as_json(found), "waits": found.waits, "page": page})
    else:
        output.out().print(f"{found.waits} waiting at {len(found.sites)} sites")
        for one in found.glances:
            if one.state == "differs":
                output.out().print(output.plain(f"  {one.kind} {one.name}: {one.reason}"))
        if page:
            output.out().print(page)
    raise typer.Exit(4 if found.waits else 0)


def _show_review(found: dict[str, Any], page: str | None) -> None:
    console = output.out()
    console.print(
        output.plain(f"The company in {found['month']}: {found['waits']} waiting (revision {found['revision']})")
    )
    for site in found["sites"]:
        odd = [
            word for word, is_so in (("silent", site["silent"]), ("another version", site["other_version"])) if is_so
        ]
        what = (
            f"package {site['number']} ({site['sha256'][:12]}), last reading {(site['last_reading_at'] or 'none')[:16]}"
        )
        console.print(output.plain(f"  {site['site']}: {', '.join([what, *odd])}"))
    for one in found["meters"]:
        console.print(output.plain(f"  {one['meter']}: {one['state']}; {one['reason']}"))
    for one in found["rejected"]:
        console.print(output.plain(f"  {one['lot']}: rejected; {one['reason']}"))
    for one in (*found["suppliers"], *found["blocks"], *found["travelled_meters"]):
        console.print(output.plain(f"  {one['kind']} {one['name']}: {one['reasons'][0]}"))
    for one in found["at_two_sites"]:
        console.print(output.plain(f"  {one['instrument']} stands at {one['first']} and {one['second']} at once"))
    for one in found["hand_overs"]:
        for words in one["differ"]:
            way = f"{one['instrument']} from {one['giver']} to {one['receiver']}: " if one["instrument"] else ""
            console.print(output.plain(f"  {way}{words}"))
    if found["unmapped"]:
        console.print(f"  {len(found['unmapped'])} names are not mapped: annealog centre names --unmapped")
    if page:
        console.print(page)


def names(
    unmapped: Annotated[bool, typer.Option("--unmapped", help="Names of sites that no table explains.")] = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Say what the company's tables of names hold, or which names of sites they do not explain.

    Example: annealog centre names --unmapped
    """
    from pipeline.centre.asked import NAMES
    from pipeline.centre.union.names import unmapped as without
    from schemas.company_names import NAME_TABLES

    with _asked(centre) as asked:
        company = asked.company
    if unmapped:
        found = without({"checks": company.checks, "lots": company.lots, "meters": company.meters}, company.names)
        if json:
            output.print_json({"unmapped": found})
        else:
            output.table(
                "Not mapped",
                ("table", "site", "name", "the site states"),
                ((o.kind, o.site, o.name, o.stated) for o in found),
            )
        return
    held = {name: table.height for name, table in company.names.items()}
    if json:
        output.print_json({"names": held})
        return
    rows = ((f"{NAMES}/{name}.csv", rows, ",".join(NAME_TABLES[name].names)) for name, rows in held.items())
    output.table("Tables of names, in the centre's folder", ("table", "rows", "header"), rows)


@limits.command("give")
def limits_give(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="specifications.csv or materials.csv, as a site has it.")
    ],
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Give limits to all sites, signed. They find them by 'annealog publish', and a person there takes them over, or not.

    Example: annealog centre limits give specifications.csv --by Ada --why "bar limits of the new contract"
    """
    from pipeline.centre.given import give

    place = centre_at(centre)
    with opened(place) as book:
        given = give(place, book, file, by=by, why=why, dry_run=dry_run)
    if json:
        output.print_json({"given": not dry_run, "number": given.number, "table": given.table, "sha256": given.sha256})
    else:
        output.out().print(
            f"{'Would give' if dry_run else 'Gave'} {given.table} as number {given.number} ({given.sha256[:12]}…)"
        )


def key(centre: CentreOption = None, json: Json = False) -> None:
    """Print the centre's public key, made where there is none: each site keeps it as centre.pub beside annealog.toml.

    By it a site believes what the centre confirms, refuses and gives. Pass it on by another way than the storage.

    Example: annealog centre key
    """
    from pipeline.centre.given import key_of

    public = key_of(centre_at(centre))
    if json:
        output.print_json({"key": public})
    else:
        output.out().print(output.literal(public.strip()))


def add_to(centre: typer.Typer) -> None:
    """Add the commands to those of the centre."""
    for command in (overview, meter, block, supplier, process, review, names, key):
        centre.command(help=command.__doc__)(command)
    centre.add_typer(limits, name="limits")
