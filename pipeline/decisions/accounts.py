"""Accounts of people who may sign: opened, given a new password, closed. Each is a decision, and an event of the chain."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.decisions.record import deciding
from pipeline.errors import UsageError
from pipeline.history.accounts import KIND, ROLES, Account, account_of, hashed, key_of, named_right, strong_enough
from pipeline.near import nearest

if TYPE_CHECKING:
    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.workspace.settings import Workspace

__all__ = ["change_account", "open_account"]


def _known(history: History) -> dict[str, Account]:
    found = (account_of(event.subject, event.sequence) for event in history.events(KIND))
    return {key_of(account.name): account for account in found}


def open_account(
    workspace: Workspace, name: str, *, role: str, password: str, by: str, why: str, dry_run: bool = False
) -> Event | None:
    """Open an account, or one again that was closed.

    Raises
    ------
    UsageError
        If it is open, or name, role or password will not do.
    """
    name = named_right(name)
    if role not in ROLES:
        raise UsageError(f"Role {role!r} is not known. Expected one of: {', '.join(ROLES)}{nearest(role, ROLES)}")
    strong_enough(password, name)
    account = Account(name=name, role=role, open=True, password=hashed(password))
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        before = _known(history).get(key_of(name))
        if before is not None and before.open:
            raise UsageError(
                f"The account {before.name!r} is open, as {before.role}. To change it, close it first: annealog account close"
            )
        return None if dry_run else history.append_event(KIND, account.stated(), by=by, why=why)


def change_account(
    workspace: Workspace, name: str, *, password: str | None, by: str, why: str, dry_run: bool = False
) -> Event | None:
    """Give an account a new password, or close it where there is none. Who is signed in with it is so no more.

    Raises
    ------
    UsageError
        If no such account is open, or the password will not do.
    """
    if password is not None:
        strong_enough(password, name)
    digest = None if password is None else hashed(password)
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        known = _known(history)
        account = known.get(key_of(name))
        if account is None or not account.open:
            names = [one.name for one in known.values() if one.open]
            hint = nearest(name, names) or f". Open: {', '.join(names) or 'none'}."
            raise UsageError(f"No account {name!r} is open{hint}")
        after = replace(account, open=False) if digest is None else replace(account, password=digest)
        return None if dry_run else history.append_event(KIND, after.stated(), by=by, why=why)
