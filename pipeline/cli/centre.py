"""Commands of the centre of a company with many sites."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import By, Direct, DryRun, Json, Why

if TYPE_CHECKING:
    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register
    from pipeline.centre.take_in import Taken
    from pipeline.centre.verify import Verified
    from pipeline.history.chain import Event

__all__ = ["CentreOption", "a_round", "add_to", "centre", "centre_at", "opened"]

centre = typer.Typer(help="The centre of a company: what its sites publish, taken in and told.", no_args_is_help=True)
site = typer.Typer(help="The sites of the company: which may publish, and which are held.", no_args_is_help=True)
centre.add_typer(site, name="site")

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
    """Make a centre: its centre.toml, its key, and the tables of its register. What is there already stays.

    Example: annealog centre init company --storage s3://readings/company
    """
    from pipeline.centre.given import key_of
    from pipeline.centre.place import make_centre

    if dry_run:
        output.would(f"make a centre in {folder.resolve()}", json=json)
        return
    chosen = {"register": register, "storage": storage}
    place = make_centre(folder, **{name: value for name, value in chosen.items() if value is not None})
    with opened(place) as book:
        book.make()
    key_of(place)
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


@centre.command("take-in")
def take_in(
    site: Annotated[str, typer.Option("--site", metavar="SITE", help="Only this site.")] = "",
    direct: Direct = False,
    dry_run: DryRun = False,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Look at what the sites published since, and register what is as it should be: each package once and in order.

    Example: annealog centre take-in --direct
    """
    from pipeline.centre.given import untold

    place = centre_at(centre)
    with opened(place) as book:
        if dry_run:
            sites = [site] if site else _planned(place, book)
            output.would(f"take in from {len(sites)} sites: {', '.join(sites) or 'nothing is new'}", json=json)
            return
        found = a_round(place, book, [site] if site else None, direct=direct)
    _show_taken(found, untold(place), json=json)


def _planned(place: Centre, register: Register) -> list[str]:
    from pipeline.centre.given import to_tell
    from pipeline.centre.rounds import plan
    from pipeline.publish.storage import Storage

    return sorted({*plan(register, Storage(place.storage)), *to_tell(place)})


def a_round(place: Centre, register: Register, sites: list[str] | None, *, direct: bool) -> list[Taken]:
    """Take in, here or in the pool, and return what became of each site that had news."""
    from datetime import timedelta

    from pipeline.centre import take_in as taking
    from pipeline.centre.rounds import batches
    from pipeline.publish.storage import Storage

    storage = Storage(place.storage)
    if sites is None:
        taking.strangers(register, storage)
        sites = _planned(place, register)
    if direct or not sites:
        return taking.take_in(place, register, storage, sites)
    from pipeline.centre_flows import hand_over

    seen = [register.site(name) for name in sites]
    before = {site.name: {package.sha256 for package in taking.recent(register, site)} for site in seen}
    wait = timedelta(minutes=place.settings.round_minutes)
    parts = batches(sites, place.settings.batch)
    missing = hand_over(place, parts, wait=wait, missing=lambda: _planned(place, register))
    return [
        taking.Taken(
            site=site.name,
            registered=[each.number for each in taking.recent(register, site) if each.sha256 not in before[site.name]],
            refused=register.refusals(site.name),
            waits=int(site.name in missing),
        )
        for site in seen
    ]


def _show_taken(found: list[Taken], unsaid: str, *, json: bool) -> None:
    wrong = bool(unsaid) or any(taken.refused or taken.error for taken in found)
    if json:
        output.print_json(
            {
                "sites": [
                    {
                        "site": taken.site, "registered": taken.registered, "waits": taken.waits, "state": taken.state,
                        "refused": [refusal.words for refusal in taken.refused], "error": taken.error,
                    }
                    for taken in found
                ],
                "untold": unsaid,
            }
        )  # fmt: skip
    else:
        console = output.out()
        for taken in found:
            numbers = ", ".join(map(str, taken.registered))
            said = [f"package {numbers} registered" if numbers else "nothing registered"]
            said += [f"{taken.waits} wait"] if taken.waits else []
            console.print(output.plain(f"{taken.site}: {'; '.join(said)}"))
            for words in (*(refusal.words for refusal in taken.refused), taken.error):
                if words:
                    console.print(output.plain(f"  {words}"))
        count = sum(len(taken.registered) for taken in found)
        console.print(f"{count} packages registered from {sum(bool(taken.registered) for taken in found)} sites.")
        if unsaid:
            console.print(output.plain(unsaid))
    raise typer.Exit(3 if wrong else 0)


@centre.command("status")
def status(centre: CentreOption = None, json: Json = False) -> None:
    """Say of each site: last package and reading, what is missing or refused, program, clock, and whether it fell silent.

    Example: annealog centre status
    """
    from dataclasses import asdict

    from pipeline.centre.given import untold
    from pipeline.centre.status import site_statuses

    place = centre_at(centre)
    with opened(place) as book:
        found, unsaid = site_statuses(place, book), untold(place)
    if json:
        output.print_json({"sites": [asdict(site) for site in found], "untold": unsaid})
        return
    rows = [
        (
            site.site, site.state, site.number or "none", f"{site.last_reading_at:%Y-%m-%d %H:%M}" if site.last_reading_at else "", site.program,
            "" if site.gap is None else site.gap, len(site.refused) or "",
            "" if site.clock_s is None else f"{site.clock_s / 60:+.0f} min",
            "" if site.silent_h is None else f"{site.silent_h:.0f} h",
        )
        for site in found
    ]  # fmt: skip
    columns = ("site", "state", "package", "last reading", "program", "gap", "refused", "clock", "silent")
    output.table("Sites", columns, rows)
    for site in found:
        for words in site.refused:
            output.out().print(output.plain(f"{site.site}: {words}"))
    if unsaid:
        output.out().print(output.plain(unsaid))


@centre.command("check")
def check(direct: Direct = False, centre: CentreOption = None, json: Json = False) -> None:
    """Say what is wrong with the centre: settings, key, register, rights, storage, clocks, versions, Prefect's server and workers.

    Example: annealog centre check --direct
    """
    from pipeline.centre.status import problems

    place = centre_at(centre)
    with opened(place) as book:
        found = list(problems(place, book))
    if not direct:
        from pipeline.centre_flows import troubles
        from pipeline.errors import EnvironmentProblem

        try:
            found += troubles(place)
        except EnvironmentProblem as error:
            found.append(str(error))
    if json:
        output.print_json({"problems": found})
    else:
        for words in found or ["Everything is as it should be."]:
            output.out().print(output.plain(words))
    raise typer.Exit(3 if found else 0)


@centre.command("run")
def run(
    once: Annotated[bool, typer.Option("--once", help="One round, then end.")] = False,
    direct: Direct = False,
    centre: CentreOption = None,
) -> None:
    """Take in what is new, round after round, until Ctrl-C: what is missing is planned anew each time, stuck runs are closed.

    Example: annealog centre run
    """
    import time

    from pipeline.centre.given import untold
    from pipeline.errors import AnnealogError

    place = centre_at(centre)
    while True:
        begun = time.monotonic()
        try:
            with opened(place) as book:
                found = a_round(place, book, None, direct=direct)
            for taken in found:
                numbers = ", ".join(map(str, taken.registered)) or "nothing"
                output.note(
                    f"{taken.site}: {numbers} registered, {taken.waits} wait, {len(taken.refused)} refused {taken.error}"
                )
            if words := untold(place):
                output.note(words)
        except AnnealogError as error:
            if once:
                raise
            # storage, register or engine are away: the next round takes everything in
            output.note(str(error))
        if once:
            return
        time.sleep(max(1.0, 60 * place.settings.round_minutes - (time.monotonic() - begun)))


@centre.command("verify")
def verify(
    site: Annotated[
        str, typer.Option("--site", metavar="SITE", help="Only this site; default: all that published.")
    ] = "",
    sample: Annotated[
        int, typer.Option("--sample", metavar="N", min=0, help="Only so many sites, drawn at random; 0: all.")
    ] = 0,
    lots: Annotated[
        int, typer.Option("--lots", metavar="N", min=0, help="Only so many lots of each site, drawn at random; 0: all.")
    ] = 0,
    centre: CentreOption = None,
    json: Json = False,
) -> None:
    """Compute again from the raw readings of a site what it computed itself, and compare byte for byte.

    Lots that are drawn are computed alone, equal to the last bit; what other lots are to them is taken as the site says it.

    Example: annealog centre verify --sample 5 --lots 20
    """
    import random
    from dataclasses import asdict

    from pipeline.centre.verify import verify_site
    from pipeline.errors import IntegrityProblem
    from pipeline.publish.storage import Storage

    def some(known: list[str]) -> list[str]:
        return random.sample(known, min(lots, len(known)))

    place = centre_at(centre)
    console = output.out()
    documents, wrong = [], False
    with opened(place) as book:
        storage = Storage(place.storage)
        sites = [site] if site else [each.name for each in book.sites() if each.last is not None]
        for name in random.sample(sites, sample) if 0 < sample < len(sites) else sites:
            try:
                found = verify_site(place, book, storage, name, draw=some if lots else None)
            except IntegrityProblem as problem:
                wrong = True
                documents.append({"site": name, "problem": str(problem)})
                if not json:
                    console.print(output.plain(f"{name}: {problem}"))
                continue
            documents.append(asdict(found))
            wrong = wrong or bool(found.broken) or (found.same_program and bool(found.differs))
            if not json:
                _show_verified(found)
    if json:
        output.print_json({"sites": documents})
    raise typer.Exit(6 if wrong else 0)


def _show_verified(found: Verified) -> None:
    counts = f"{found.readings} readings, {found.lots} lots{f', {found.meters} meters' if found.meters else ''} computed again"
    equal = f"package {found.number} is equal byte for byte" if not found.differs else "not equal"
    console = output.out()
    console.print(output.plain(f"{found.site}: {counts}: {equal}."))
    for words in (*found.broken, *found.differs):
        console.print(output.plain(f"  {words}"))
    if found.differs and not found.same_program:
        console.print(
            output.plain(f"  The site ran {found.program}, another version: what differs may be the version's doing.")
        )


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(centre, name="centre")
