"""Commands of the served pages: serve, and the accounts of people who decide there."""

from __future__ import annotations

import contextlib
import getpass
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.answers import ANSWERS
from pipeline.cli.options import By, DryRun, Json, Why, WorkspaceOption, workspace_at
from pipeline.errors import UsageError

__all__ = ["add_to"]

account = typer.Typer(help="Accounts: who may decide on the served pages.", no_args_is_help=True)


def serve(
    port: Annotated[int, typer.Option(metavar="PORT", help="Port.")] = 8080,
    address: Annotated[
        str,
        typer.Option(metavar="ADDRESS", help="Address to answer on; another than this computer's own needs accounts."),
    ] = "127.0.0.1",
    certificate: Annotated[Path | None, typer.Option(metavar="FILE", help="Certificate for TLS (PEM).")] = None,
    key: Annotated[Path | None, typer.Option(metavar="FILE", help="Its key (PEM).")] = None,
    behind: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Address of the proxy that speaks TLS and alone may ask.")
    ] = None,
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="HOST", help="Name under which browsers ask for it; may stand several times."),
    ] = None,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Serve the pages, and let people with an account decide there. Ctrl-C ends it.

    Example: annealog serve --port 8080
    """
    from pipeline.web.server import Listen, run

    place = workspace_at(workspace)
    listen = Listen(
        address=address, port=port, certificate=certificate, key=key, proxy=behind, names=tuple(name or ())
    )  # fmt: skip
    listen.check(place.history)
    if dry_run:
        output.would(f"serve {place.pages} at {listen.url(port)}", json=False)
        return
    with listen.socket() as open_socket:
        output.note(f"Pages at {listen.url(open_socket.getsockname()[1])}")
        with contextlib.suppress(KeyboardInterrupt):
            run(place.root, ANSWERS, listen, open_socket)


def _password(name: str) -> str:
    """Ask for a password twice, or read it from standard input where nobody sits there."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass(f"Password of {name}: ")
    if getpass.getpass("Once more: ") != first:
        raise UsageError("The two passwords differ. Nothing was changed.")
    return first


def _recorded(event: Any, *, json: bool) -> None:
    if json:
        output.print_json({"recorded": event is not None} | ({} if event is None else {"sequence": event.sequence}))
    elif event is None:
        output.out().print("Nothing was recorded (dry run).")
    else:
        output.out().print(f"Recorded as event {event.sequence}.")


_Name = Annotated[str, typer.Argument(metavar="NAME", help="As it will stand in what is signed.")]


@account.command("add")
def account_add(
    name: _Name,
    role: Annotated[str, typer.Option(help="technician, metrologist, supervisor or reader.")],
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Open an account. The password is asked for, or read from standard input.

    Example: annealog account add "Ada Lind" --role supervisor --by Ada --why "head of the laboratory"
    """
    from pipeline.decisions.accounts import open_account

    place = workspace_at(workspace)
    _recorded(
        open_account(place, name, role=role, password=_password(name), by=by, why=why, dry_run=dry_run), json=json
    )


@account.command("password")
def account_password(
    name: _Name,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Give an account a new password; who is signed in with it is signed out.

    Example: annealog account password "Ada Lind" --by Ada --why "forgotten"
    """
    from pipeline.decisions.accounts import change_account

    place = workspace_at(workspace)
    _recorded(change_account(place, name, password=_password(name), by=by, why=why, dry_run=dry_run), json=json)


@account.command("close")
def account_close(
    name: _Name,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Close an account; what it signed stays, and stays signed.

    Example: annealog account close "Ada Lind" --by Ben --why "left the works"
    """
    from pipeline.decisions.accounts import change_account

    place = workspace_at(workspace)
    _recorded(change_account(place, name, password=None, by=by, why=why, dry_run=dry_run), json=json)


@account.command("list")
def account_list(workspace: WorkspaceOption = None, json: Json = False) -> None:
    """List the accounts, with their roles and whether they are open.

    Example: annealog account list
    """
    from pipeline.history.accounts import Accounts

    known = sorted(Accounts(workspace_at(workspace).history).now().values(), key=lambda one: one.name)
    if json:
        output.print_json([{"name": one.name, "role": one.role, "open": one.open} for one in known])
        return
    output.table(
        "Accounts", ("name", "role", "state"), ((one.name, one.role, "open" if one.open else "closed") for one in known)
    )


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(help=serve.__doc__)(serve)
    app.add_typer(account, name="account")
