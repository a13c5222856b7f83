"""What happens to a form: shown, read and looked at, signed, carried out once, and the result shown."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode

from starlette.responses import HTMLResponse, RedirectResponse, Response

import reports
from pipeline.errors import AnnealogError, HistoryBusy, UsageError
from pipeline.history.chain import Signature, signed
from pipeline.history.store import History
from pipeline.web import pages
from pipeline.web.decisions import FORMS
from pipeline.web.files import thing_of
from pipeline.web.forms import Outcome, read_values
from pipeline.web.visit import Refused
from reports.words import web as words

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Iterable

    from pipeline.history.accounts import Account, Accounts
    from pipeline.web.forms import Form
    from pipeline.web.sessions import Session
    from pipeline.web.visit import Visit
    from pipeline.workspace.settings import Workspace

__all__ = ["Deciding", "signature_of"]

HOW = "password at the moment of signing"
"""Two components, name and password, where a session is not one continuous sitting: 21 CFR 11.200 (a) (1) (from memory)."""


def signature_of(account: Account, address: str, *, seen: int) -> Signature:
    """Return what somebody signs with who gave the password from an address, having seen the history up to an event."""
    return Signature(
        account=account.name, role=account.role, address=address, how=HOW, seen=seen, stated_by=account.sequence
    )


class Deciding:
    """Handles every form.

    Parameters
    ----------
    accounts
        Who may sign.
    one
        Held by whoever opens the history's file.
    password_of
        Refuses a password that is wrong, or tried too often.
    """

    def __init__(
        self, accounts: Accounts, one: threading.RLock, password_of: Callable[[Account, str, str], None]
    ) -> None:  # fmt: skip
        self._accounts, self._one, self._password_of = accounts, one, password_of

    def answer(self, visit: Visit, account: Account, session: Session) -> Response:
        """Answer a request about decisions."""
        match visit.parts:
            case ["decide"] if visit.method != "POST":
                return HTMLResponse(self._choose(visit, account))
            case ["decide", name] if name in FORMS:
                return self._form(visit, FORMS[name], account, session)
            case ["done", number] if number in session.results:
                outcome: Outcome = session.results[number]
                return HTMLResponse(pages.done_page(account, outcome, _pages_of(visit.workspace, outcome)))
        raise Refused(404, words.TOLD["gone"])

    def _choose(self, visit: Visit, account: Account) -> str:
        page = visit.query.get("page", "")
        kind, name = thing_of(page, lambda of: self._names(visit.workspace, of)) if page else ("", "")
        offered = []
        for form in FORMS.values():
            if account.role in form.roles and (not page or kind in form.of):
                fill = form.of.get(kind)
                offered.append(
                    (form, f"/decide/{form.name}" + (f"?{urlencode({fill: name})}" if fill and name else ""))
                )
        return pages.choose_page(account, offered, name)

    def _names(self, workspace: Workspace, kind: str) -> Iterable[str]:
        with self._one, History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
            return {"lot": history.all_lots, "meter": history.all_meters}.get(kind, list)()

    def _form(self, visit: Visit, form: Form, account: Account, session: Session) -> Response:
        sent = visit.sent.fields if visit.method == "POST" else visit.query
        step = sent.get("step", "") if visit.method == "POST" else ""
        number = sent.get("number", "") if step else ""
        if not (len(number) == 32 and number.isalnum()):
            number = secrets.token_hex(16)
        seen = sent.get("seen", "") if step else ""
        last = self._accounts.last
        if not (seen.isascii() and seen.isdigit() and len(seen) < 12 and int(seen) <= last):
            seen = str(last)
        given = {"form": session.form_token, "number": number, "seen": seen}
        with self._one:
            if number in session.results:  # sent twice, done once
                return RedirectResponse(f"/done/{number}", 303)
            if step not in ("look", "sign"):
                return HTMLResponse(pages.form_page(form, visit.workspace, account, given, sent, None))
            try:
                fields = form.asked(visit.workspace, sent)
                values = read_values(fields, visit.workspace, sent)
                who = {"by": account.name, "why": values["why"]}
                told = form.do(visit.workspace, values, **who, dry_run=True) if step == "look" else ()
            except UsageError as error:
                return HTMLResponse(pages.form_page(form, visit.workspace, account, given, sent, str(error)), 422)
        if step == "look":
            return HTMLResponse(pages.look_page(form, fields, account, visit.address, given, sent, told, None))
        try:
            self._password_of(account, account.name, sent.get("password", ""))
            with self._one:
                if number not in session.results:
                    signature = signature_of(account, visit.address, seen=int(seen))
                    with signed(signature):
                        done = self._do(form, visit.workspace, values, who, signature)
                    session.keep(number, Outcome(form.name, done, tuple(signature.events)))
            return RedirectResponse(f"/done/{number}", 303)
        except HistoryBusy:
            problem, status = words.TOLD["busy"], 503
        except AnnealogError as error:
            problem, status = str(error), 422
        except Refused as refused:
            problem, status = refused.said, refused.status
        return HTMLResponse(pages.look_page(form, fields, account, visit.address, given, sent, (), problem), status)

    @staticmethod
    def _do(
        form: Form, workspace: Workspace, values: dict[str, Any], who: dict[str, str], signature: Signature
    ) -> tuple[str, ...]:
        """Carry a form out; what fails once something of it is recorded is told beside that, never as if nothing were."""
        try:
            return tuple(form.do(workspace, values, **who, dry_run=False))
        except Exception as error:
            written = {event.hash for event in signature.events}
            if written:
                with History.open(
                    workspace.history, wait_s=workspace.settings.busy_wait_seconds, snapshot=False
                ) as history:
                    written &= {event.hash for event in history.events()}
            if not written:
                raise
            signature.events[:] = [event for event in signature.events if event.hash in written]
            said = str(error) if isinstance(error, AnnealogError) else f"{type(error).__name__}: {error}"
            return (words.TOLD["recorded"], said)


def _pages_of(workspace: Workspace, outcome: Outcome) -> list[tuple[str, str]]:
    """Return the pages of what was decided on: name and address, of those that lie there."""
    found: dict[str, str] = {}
    for event in outcome.events:
        for kind in ("event", "lot", "meter", "block"):
            name = event.subject.get(kind)
            if isinstance(name, str) and (workspace.pages / reports.address(kind, name)).is_file():
                found[name] = "/" + quote(reports.address(kind, name))
    return list(found.items())
