"""Commands of a site that is one of a company: publish what changed, say what waits, make the key."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import DryRun, Json, WorkspaceOption, workspace_at
from schemas.digits import counted

__all__ = ["add_to"]

publish = typer.Typer(no_args_is_help=False)

To = Annotated[
    str | None,
    typer.Option(
        "--to", metavar="ADDRESS", help="A folder, or s3://BUCKET/PREFIX; default: publish_to of the settings."
    ),
]


@publish.callback(invoke_without_command=True)
def send(
    context: typer.Context,
    to: To = None,
    again: Annotated[
        bool, typer.Option("--again", help="Offer every piece again, also those that storage is thought to have.")
    ] = False,
    follow: Annotated[
        bool,
        typer.Option("--continue", help="Go on behind the last package that is known of this site, whoever sent it."),
    ] = False,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Send what changed since the last package to the company's storage, sealed; what cannot be sent waits in the outbox.

    Tables that the centre gives, such as limits, come back into the folder proposals, once the centre's key lies in centre.pub.

    Example: annealog publish
    """
    if context.invoked_subcommand is not None:
        return
    from pipeline.publish.given import fetch_given
    from pipeline.publish.outbox import Outbox
    from pipeline.publish.storage import Storage

    place = workspace_at(workspace)
    outbox = Outbox(place, to)
    if dry_run:
        output.would(f"send what changed of site {outbox.site} to {outbox.address}", json=json)
        return
    sent = outbox.publish(again=again, follow=follow)
    given = [
        path.relative_to(place.root).as_posix() for path in fetch_given(Storage(outbox.address, place.root), place.root)
    ]
    if json:
        output.print_json({"site": outbox.site, "address": outbox.address, "packages": sent.packages, "pieces": sent.pieces, "bytes": sent.bytes, "proposals": given})  # fmt: skip
        return
    pieces = f"{counted(sent.pieces, 'piece')} that {'was' if sent.pieces == 1 else 'were'} not there, {sent.bytes / 1000:,.0f} kB"
    what = (
        f"package {', '.join(map(str, sent.packages))}" if sent.packages else "nothing changed since the last package"
    )
    output.out().print(output.plain(f"{outbox.site} at {outbox.address}: {what}; {pieces}."))
    for path in given:
        table = path.removesuffix(".csv").rpartition("-")[2]
        output.note(f"The centre gives {path}. To take it over: annealog reference import {path} --table {table}")


@publish.command("status")
def status(to: To = None, workspace: WorkspaceOption = None, json: Json = False) -> None:
    """Say what was sent, what waits and what the centre has confirmed or refused.

    Exit code 6 where the centre refuses or somebody else speaks in its name, 7 where something waits.

    Example: annealog publish status
    """
    from pipeline.publish.given import CENTRE_KEY, centre_key
    from pipeline.publish.outbox import Outbox

    place = workspace_at(workspace)
    found, alone = Outbox(place, to).state(), centre_key(place.root) is None
    waits = found.waiting is not None or bool(found.problem)
    if json:
        output.print_json(
            {
                "site": found.site, "address": found.address, "sent": found.sent, "waiting": found.waiting, "bytes": found.bytes,
                "problem": found.problem, "tried_at": found.tried_at, "refused": found.refused, "unbelieved": found.unbelieved,
                "confirmed": None if found.head is None else found.head.number,
            }
        )  # fmt: skip
    else:
        head = found.head
        lines = [
            f"{found.site} at {found.address}",
            "Sent: nothing yet." if found.sent is None else f"Sent: package {found.sent[0]} ({found.sent[1][:12]}).",
            found.unbelieved
            or (
                f"What the centre says is not read: put its public key (annealog centre key, there) beside annealog.toml as {CENTRE_KEY}."
                if alone
                else "The centre has said nothing of this site yet."
            )
            if head is None
            else f"Confirmed by the centre: package {head.number}, {head.at or 'none yet'}.",
        ]
        if found.refused:
            lines.append(f"Refused by the centre: {found.refused}")
        if found.waiting is not None:
            lines.append(f"Waiting in the outbox: package {found.waiting[0]}, {found.bytes / 1000:,.0f} kB.")
        if found.problem:
            lines.append(f"The last attempt ({found.tried_at or 'now'}): {found.problem}")
        for line in lines:
            output.out().print(output.plain(line))
    raise typer.Exit(6 if found.refused or found.unbelieved else 7 if waits else 0)


@publish.command("key")
def key(dry_run: DryRun = False, workspace: WorkspaceOption = None) -> None:
    """Make the key that packages are sealed with, where there is none yet, and print its public half for the centre.

    It lies in site.key of the workspace, for its owner alone, and is never overwritten; the public half beside it in site.pub.

    Example: annealog publish key
    """
    from pipeline.publish.outbox import KEY, MAKE_KEY
    from pipeline.publish.seal import key_pair

    path = workspace_at(workspace).root / KEY
    if dry_run:
        output.would(f"make a key in {path}, where there is none", json=False)
        return
    print(key_pair(path, MAKE_KEY), end="")  # noqa: T201 - as it is, to be passed on
    output.note(
        f"The key is in {path}; keep it to yourself. The centre needs the public half: {path.with_suffix('.pub')}"
    )


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(publish, name="publish", help=send.__doc__)
