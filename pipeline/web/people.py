"""Who is there: who signed in, signing in and out, a password held against an account in bounded tries, and a new one."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets
import threading
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING

from starlette.responses import HTMLResponse, RedirectResponse, Response

from pipeline.decisions.accounts import change_account
from pipeline.errors import UsageError
from pipeline.history.accounts import key_of, password_fits
from pipeline.history.chain import signed
from pipeline.web import pages
from pipeline.web.deciding import signature_of
from pipeline.web.may import leads_to
from pipeline.web.sessions import Sessions, Tries, network_of
from pipeline.web.visit import Refused
from reports.words import web as words

if TYPE_CHECKING:
    from pipeline.history.accounts import Account, Accounts
    from pipeline.web.sessions import Session
    from pipeline.web.visit import Visit

__all__ = ["People"]


def _cookie_name(*, secure: bool) -> str:
    return "__Host-annealog" if secure else "annealog"


class People:
    """Knows who is there.

    Parameters
    ----------
    accounts
        Who has one.
    one
        Held by whoever opens the history's file.
    """

    def __init__(self, accounts: Accounts, one: threading.RLock) -> None:
        self.accounts, self._one = accounts, one
        self.sessions, self.tries = Sessions(), Tries()
        self._hashing = threading.Semaphore(2)
        self._basic: dict[str, tuple[bytes, int]] = {}
        self._basic_key = secrets.token_bytes(32)

    def who(self, visit: Visit, token: str, *, here: bool, used: bool = True) -> bool:
        """Find who asks, `here` at this computer or elsewhere; whether that may read."""
        known = self.accounts.now()
        visit.open_to_all = here and not any(account.open for account in known.values())
        visit.session, visit.account = self.sessions.of(token, used=used), None
        if visit.session is not None and visit.session.account is not None:
            account = known.get(visit.session.account)
            if account is None or not account.open or account.sequence != visit.session.stated_by:
                self.sessions.end(token)  # closed, or given a new password or role since
                visit.session = None
            else:
                visit.account = account
        return visit.open_to_all or visit.account is not None

    @staticmethod
    def token_in(cookies: str, *, secure: bool) -> str:
        """Return what a browser shows of its session; empty where it shows nothing."""
        try:
            found = SimpleCookie(cookies)
        except CookieError:
            return ""
        morsel = found.get(_cookie_name(secure=secure))
        return "" if morsel is None else morsel.value

    def password_of(self, account: Account | None, name: str, password: str, address: str | None = None) -> None:
        """Hold a password against an account, in bounded tries.

        Those of somebody who is signed in, from no address, count for themselves: no stranger who knows a name keeps its
        owner from signing.

        Raises
        ------
        Refused
            If it is wrong, or if somebody has to wait.
        """
        whose = (key_of(name), None if address is None else network_of(address))
        with self._hashing:
            wait_s = self.tries.wait_s(*whose)
            if wait_s:
                raise Refused(429, words.TOLD["wait"].format(seconds=wait_s))
            if not password_fits(account, password):
                self.tries.wrong(*whose)
                raise Refused(403, words.TOLD["wrong"])
            self.tries.right(*whose)

    def sign_in(self, visit: Visit) -> Response:
        """Show the form, or look at name and password and lead back."""
        to = leads_to((visit.sent.fields if visit.method == "POST" else visit.query).get("to", ""))
        session, problem, status = visit.session, None, 200
        if visit.method == "POST":
            name, password = (visit.sent.fields.get(key, "") for key in ("name", "password"))
            if session is None or not session.sent_from_here(visit.sent.fields.get("form", "")):
                problem, status = words.TOLD["stale"], 403
            else:
                key = key_of(name)
                account = self.accounts.now().get(key)
                try:
                    self.password_of(account, name, password, visit.address)
                except Refused as refused:
                    problem, status = refused.said, refused.status
                else:
                    self.sessions.end(session.token)  # nobody knows the next token beforehand
                    response: Response = RedirectResponse(to, 303)
                    self._give(response, visit, self.sessions.start(account, key))
                    return response
        session = session or self.sessions.start()
        response = HTMLResponse(pages.sign_in_page(session.form_token, to, problem), status)
        self._give(response, visit, session)
        return response

    def sign_out(self, visit: Visit, session: Session) -> Response:
        """End a session."""
        self.sessions.end(session.token)
        response = RedirectResponse("/sign-in", 303)
        # a browser lets nobody set a cookie of this name without Secure, not even to end it
        response.delete_cookie(_cookie_name(secure=visit.secure), path="/", secure=visit.secure)
        return response

    @staticmethod
    def _give(response: Response, visit: Visit, session: Session) -> None:
        name = _cookie_name(secure=visit.secure)
        response.set_cookie(name, session.token, path="/", httponly=True, samesite="strict", secure=visit.secure)

    def me(self, visit: Visit, account: Account, session: Session) -> Response:
        """Show somebody his own account, or give it the password that he chose."""
        problem = told = None
        status = 200
        if visit.method == "POST":
            fields = visit.sent.fields
            try:
                self.password_of(account, account.name, fields.get("password", ""))
                self._new_password(visit, account, fields.get("new_password", ""), fields.get("again", ""))
            except (Refused, UsageError) as error:
                problem, status = str(error), getattr(error, "status", 422)
            else:
                self.sessions.end(session.token)
                key = key_of(account.name)
                session = self.sessions.start(self.accounts.now()[key], key)
                told = words.TOLD["password"].format(name=account.name)
        response = HTMLResponse(pages.me_page(account, session.form_token, problem, told), status)
        self._give(response, visit, session)
        return response

    def _new_password(self, visit: Visit, account: Account, password: str, again: str) -> None:
        """Give an account the password that its owner chose, and typed twice.

        Raises
        ------
        UsageError
            If it will not do.
        """
        if password != again:
            raise UsageError(words.TOLD["again"])
        with self._one, signed(signature_of(account, visit.address, seen=self.accounts.last)):
            change_account(
                visit.workspace, account.name, password=password, by=account.name, why=words.BUTTON["password"]
            )

    def by_header(self, visit: Visit, *, here: bool) -> None:
        """Take name and password from the request itself (RFC 7617), for programs; never in the clear over a network.

        Raises
        ------
        Refused
            If nothing fits.
        """
        if not (visit.secure or here):
            raise Refused(403, words.TOLD["gone"])
        kind, _, given = visit.headers.get("authorization", "").partition(" ")
        try:
            name, mark, password = base64.b64decode(given, validate=True).decode("utf-8").partition(":")
        except (binascii.Error, ValueError):
            name, mark, password = "", "", ""
        if kind.casefold() != "basic" or not mark:
            raise Refused(401, words.TOLD["who"])
        key = key_of(name)
        account = self.accounts.now().get(key)
        mark_of = hmac.new(
            self._basic_key, f"{key}\0{password}".encode("utf-8", "surrogatepass"), hashlib.sha256
        ).digest()
        kept = self._basic.get(key)
        same = account is not None and account.open and kept is not None and kept[1] == account.sequence
        if same and kept is not None and hmac.compare_digest(kept[0], mark_of):
            visit.account = account
            return
        self.password_of(account, name, password, visit.address)
        if account is not None:
            self._basic[key] = (mark_of, account.sequence)
        visit.account = account
