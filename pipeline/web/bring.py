"""Files by the browser: laid into the inbox and loaded, with the fate of every line, what it changed, and a layout for an unknown one."""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

import polars as pl
from starlette.responses import HTMLResponse, Response

from pipeline.decisions.record import deciding
from pipeline.errors import AnnealogError, UsageError
from pipeline.history.chain import Signature, signed
from pipeline.load.layout_tools import propose
from pipeline.load.load import load
from pipeline.load.one_file import shown_name
from pipeline.load.refused import listed
from pipeline.web import file_pages
from pipeline.web.visit import Refused
from pipeline.workspace.files import sha256_of, write_atomically
from reports.words import web as words

if TYPE_CHECKING:
    import threading
    from pathlib import Path

    from pipeline.history.accounts import Account, Accounts
    from pipeline.intake.suggest import Suggestion
    from pipeline.web.sessions import Session
    from pipeline.web.visit import Visit
    from pipeline.workspace.settings import Workspace

__all__ = ["BENCH", "Bringing"]

BENCH = frozenset({"technician", "metrologist", "supervisor"})
"""Who may hand a file in."""
_UNSAFE = re.compile(r"[^\w .()+-]+")


class Bringing:
    """Handles files that are handed in.

    Parameters
    ----------
    accounts, one
        As for the forms.
    """

    def __init__(self, accounts: Accounts, one: threading.RLock) -> None:
        self._accounts, self._one = accounts, one

    def answer(self, visit: Visit, account: Account, session: Session) -> Response:
        """Answer a request about files."""
        folders = _folders(visit.workspace)
        if visit.method != "POST":
            return HTMLResponse(file_pages.bring_page(account, session.form_token, folders, None))
        try:
            return HTMLResponse(self._take(visit, account, folders))
        except UsageError as error:
            return HTMLResponse(file_pages.bring_page(account, session.form_token, folders, str(error)), 422)

    def _take(self, visit: Visit, account: Account, folders: list[str]) -> str:
        workspace = visit.workspace
        given, data = visit.sent.files.get("file", ("", b""))
        folder = visit.sent.fields.get("folder", "")
        if not data:
            raise UsageError(words.TOLD["no_file"])
        if folder not in ("", *folders):
            raise UsageError(words.TOLD["choice"].format(field=words.FIELD["folder"], value=folder))
        with self._one:
            return self.taken(visit, account, _place(workspace.inbox / folder, given, data), data)

    def taken(
        self,
        visit: Visit,
        account: Account,
        path: Path,
        data: bytes,
        layout: str | None = None,
        sent_as: str | None = None,
    ) -> str:
        """Lay a file into the inbox, load it, and return the page of what became of it.

        Raises
        ------
        Refused
            If it lies there now, and could not be loaded yet.
        """
        try:
            self._lay(visit, account, path, data)
            report = load(visit.workspace, [path], layout=layout)
            (file,) = report.files
            if file.error is not None:
                raise file.error
        except AnnealogError as error:
            if not path.is_file():
                raise
            said = words.TOLD["lies"].format(name=shown_name(visit.workspace, path), why=error)
            raise Refused(422 if isinstance(error, UsageError) else 503, said) from None
        waiting = listed(visit.workspace) if file.source_id is not None else None
        refused = None if waiting is None else waiting.filter(pl.col("sha256") == file.sha256)
        proposed = _proposed(visit.workspace, path) if file.status == "held" else None
        return file_pages.brought_page(account, file, report, refused, proposed, sent_as)

    def _lay(self, visit: Visit, account: Account, path: Path, data: bytes) -> None:
        """Lay a file into the inbox, and state in the chain who handed it in; that is no decision, and needs no password again.

        The history is held meanwhile: the service may see the file before we load it, but not before this is stated.
        """
        signature = Signature(
            account=account.name, role=account.role, address=visit.address, how="signed in", seen=self._accounts.last,
            stated_by=account.sequence,
        )  # fmt: skip
        with (
            signed(signature),
            deciding(visit.workspace, by=account.name, why=words.TOLD["brought"], dry_run=False) as history,
        ):
            digest = sha256_of(data)
            stated = any(event.subject["sha256"] == digest for event in history.events("brought"))
            if not stated and history.source(digest) is None:
                subject = {"sha256": digest, "name": shown_name(visit.workspace, path)}
                history.append_event("brought", subject, by=account.name, why=words.TOLD["brought"])
            if not path.exists():
                write_atomically(path, data)


def _folders(workspace: Workspace) -> list[str]:
    """Return the folders of the inbox: some sites have one for each meter, and tell layouts by it."""
    if not workspace.inbox.is_dir():
        return []
    found = (path for path in workspace.inbox.rglob("*") if path.is_dir() and not path.is_symlink())
    names = (path.relative_to(workspace.inbox).as_posix() for path in found)
    return sorted(name for name in names if not any(part.startswith(".") for part in name.split("/")))[:500]


def _place(folder: Path, given: str, data: bytes) -> Path:
    """Return where a file is laid down: under its own name as far as that is safe, beside another one of that name.

    Raises
    ------
    UsageError
        If nothing is left of the name.
    """
    name = _UNSAFE.sub("_", PurePosixPath(given.replace("\\", "/")).name).strip(" ._")
    if not name:
        raise UsageError(words.TOLD["no_name"])
    stem, dot, ending = name.rpartition(".")
    stem, ending = (stem, f".{ending[:10]}") if dot and stem else (name, "")
    stem = stem[:100].encode()[:190].decode(errors="ignore")  # a disk counts bytes
    path = folder / f"{stem}{ending}"
    if path.exists() and not (path.is_file() and path.read_bytes() == data):
        path = folder / f"{stem}-{sha256_of(data)[:12]}{ending}"
    return path


def _proposed(workspace: Workspace, path: Path) -> Suggestion | None:
    """Return a layout for a file that none fits, where one can be proposed."""
    try:
        return propose(workspace, path, {})
    except AnnealogError:
        return None
