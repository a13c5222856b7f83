"""The application: who asks, from where, and whether that may be; then a page, a form, or an answer as JSON.

Without accounts it reads only, on this computer alone. What harms is refused before anything is looked at: another host's name,
a body that is too large or too slow, too many requests, a form that this session did not get.
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import hashlib
import hmac
import ipaddress
import json
import secrets
import sys
import threading
import time
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote, urlencode
from weakref import WeakValueDictionary

import orjson
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response

from pipeline.errors import AnnealogError, HistoryBusy, UsageError
from pipeline.history.accounts import ROLES, Account, Accounts, password_fits
from pipeline.history.accounts import key_of as key_of_name
from pipeline.history.snapshot import signature
from pipeline.kept.answers import answer_of
from pipeline.web import pages
from pipeline.web.bring import BENCH, Bringing
from pipeline.web.changes import Changes
from pipeline.web.deciding import Deciding
from pipeline.web.decisions import FORMS
from pipeline.web.entering import Entering
from pipeline.web.files import listening, page_file, state_of_page, with_bar
from pipeline.web.sent import Sent, read_query, read_sent
from pipeline.web.sessions import Rates, Session, Sessions, Tries, network_of
from pipeline.web.visit import Refused, Visit
from pipeline.workspace.files import state_of_file
from pipeline.workspace.settings import SETTINGS_FILE, find_workspace
from reports.words import web as words
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from starlette.types import Receive, Scope, Send

    from pipeline.workspace.settings import Workspace

__all__ = ["Application", "Place"]

_BODY_MB, _FORM_MB = 50, 1
_SLOW_S = 30.0
_AT_ONCE, _FILES_AT_ONCE = 20, 2
"""Requests of one person, or of strangers at one place, that are read and answered at once, and files of one person; others wait."""
_KEPT = frozenset({"lot", "meter", "block", "process", "supplier"})
"""Kinds of things of which the last rendering kept the answers."""
_OF_PEOPLE = frozenset({"decide", "done", "bring", "enter", "me", "sign-in", "sign-out"})
"""What there is for people with an account alone."""
_ASKED_AGAIN_S, _MOST_ASKED = 10.0, 500
"""What was computed is answered again for some seconds, while the history is as it was: the clock alone changes little."""
_OURS = {"127.0.0.1", "localhost", "::1"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the application answers.

    Parameters
    ----------
    names
        Names of the host under which it may be asked for, beside those of this computer.
    secure
        Whether it speaks TLS.
    proxy
        Address of the proxy that alone may ask, and says for whom; None where there is none.
    """

    names: frozenset[str] = frozenset()
    secure: bool = False
    proxy: str | None = None


class Application:
    """The ASGI application of a workspace.

    Parameters
    ----------
    root
        The workspace.
    answers
        What answers a question as JSON, by the first part of its address; called with the workspace and the name asked for.
    place
        Where it answers.
    """

    def __init__(
        self, root: Path, answers: Mapping[str, Callable[[Workspace, str], Any]], place: Place | None = None
    ) -> None:
        self._root, self._answers, self.place = root, answers, place or Place()
        self._settled: tuple[list[int], Workspace] | None = None
        self._accounts = Accounts(self._workspace().history)
        self.sessions, self.tries = Sessions(), Tries()
        self._rates = Rates(per_s=20.0, most=400.0)
        self._posts = Rates(per_s=1.0, most=60.0)
        self._one = threading.RLock()
        """Whoever opens the history's file: threads of one process would share what processes keep apart."""
        self.changes = Changes()
        self.ending: Callable[[], bool] = lambda: False
        """Whether the server is about to end, which no stream keeps waiting."""
        self._hashing = threading.Semaphore(2)
        self._turns: WeakValueDictionary[tuple[str, bool], asyncio.Semaphore] = WeakValueDictionary()
        self._asked: dict[tuple[str, str], tuple[Any, bytes]] = {}
        self._basic: dict[str, tuple[bytes, int]] = {}
        self._basic_key = secrets.token_bytes(32)
        self._bringing = Bringing(self._accounts, self._one)
        self._entering = Entering(self._one, self._bringing)
        self._deciding = Deciding(self._accounts, self._one, self.password_of)

    # -- from the wire --------------------------------------------------------------------------------------------

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        request = Request(scope, receive)
        as_data = scope["path"].startswith("/json")
        try:
            visit = self._visit(request)
            response = await self._in_turn(request, visit)
        except ClientDisconnect:
            return
        except Refused as refused:
            response = _refusal(refused.status, refused.said, as_data=as_data)
        except HistoryBusy:
            response = _refusal(503, words.TOLD["busy"], as_data=as_data)
            response.headers["Retry-After"] = "5"
        except UsageError as error:
            response = _refusal(404 if as_data else 422, str(error), as_data=as_data)
        except AnnealogError as error:
            response = _refusal(503, str(error), as_data=as_data)
        except Exception as error:
            print(f"annealog serve: internal error: {type(error).__name__}: {error}", file=sys.stderr)  # noqa: T201
            response = _refusal(500, words.TOLD["internal"], as_data=as_data)
        for name, value in _HEADERS.items():
            response.headers.setdefault(name, value)
        await response(scope, receive, send)

    async def _in_turn(self, request: Request, visit: Visit) -> Response:
        """Answer from the headers alone, or else read the body and answer, a bounded number for one person at once."""
        response = self._from_headers(visit) or self._at_hand(visit)
        if response is not None:
            return response
        whose = network_of(visit.address) if visit.account is None else visit.account.name
        file = visit.method == "POST" and visit.parts == ["bring"]
        turns = self._turns.setdefault((whose, file), asyncio.Semaphore(_FILES_AT_ONCE if file else _AT_ONCE))
        async with turns:
            if visit.method == "POST" and visit.session is not None:  # a form of no visit is none
                visit.sent = await self._body(request, visit)
            return await run_in_threadpool(self._answer, visit)

    def _visit(self, request: Request) -> Visit:
        """Return who asks and for what.

        Raises
        ------
        Refused
            If that may not be, whatever is asked for.
        """
        peer = request.client.host if request.client is not None else "?"
        address, secure = peer, self.place.secure
        if self.place.proxy is not None:
            if peer != self.place.proxy:
                raise Refused(403, words.TOLD["gone"])
            address, secure = _said_by_proxy(request)
        if _host(request.headers.get("host", "")) not in _OURS | self.place.names:
            raise Refused(403, words.TOLD["gone"])
        if request.method not in ("GET", "HEAD", "POST"):
            raise Refused(405, words.TOLD["gone"])
        place = network_of(address)
        if not self._rates.taken(place) or (request.method == "POST" and not self._posts.taken(place)):
            raise Refused(429, words.TOLD["fast"])
        raw = request.scope.get("raw_path") or b"/"
        parts = [unquote(part, errors="replace") for part in raw.decode("ascii", "replace").strip("/").split("/")]
        visit = Visit(
            workspace=self._workspace(), method=request.method, parts=parts, address=address, secure=secure,
            query=read_query(request.scope.get("query_string", b"").decode("ascii", "replace")), headers=request.headers,
        )  # fmt: skip
        self._who(visit, self._cookie(request), used=parts[0] not in ("boards", "changed"))
        return visit

    def _workspace(self) -> Workspace:
        """Return the workspace with its settings as they stand in the file."""
        state = state_of_file(self._root / SETTINGS_FILE)
        if self._settled is None or self._settled[0] != state:
            self._settled = (state, find_workspace(self._root))
        return self._settled[1]

    def _who(self, visit: Visit, token: str, *, used: bool) -> bool:
        """Find who asks; whether that may read."""
        known = self._accounts.now()
        visit.open_to_all = not any(account.open for account in known.values()) and self._here(visit.address)
        visit.session, visit.account = self.sessions.of(token, used=used), None
        if visit.session is not None and visit.session.account is not None:
            account = known.get(visit.session.account)
            if account is None or not account.open or account.sequence != visit.session.stated_by:
                self.sessions.end(token)  # closed, or given a new password or role since
                visit.session = None
            else:
                visit.account = account
        return visit.open_to_all or visit.account is not None

    def _here(self, address: str) -> bool:
        return self.place.proxy is None and address in ("127.0.0.1", "::1")

    def _cookie_name(self, *, secure: bool) -> str:
        return "__Host-annealog" if secure else "annealog"

    def _cookie(self, request: Request) -> str:
        try:
            found = SimpleCookie(request.headers.get("cookie", ""))
        except CookieError:
            return ""
        morsel = found.get(self._cookie_name(secure=self.place.secure or self.place.proxy is not None))
        return "" if morsel is None else morsel.value

    async def _body(self, request: Request, visit: Visit) -> Sent:
        """Read what was sent, up to a size and within a time.

        Raises
        ------
        Refused
            If it is larger, or slower.
        """
        if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            raise Refused(403, words.TOLD["stale"])
        most_mb = _BODY_MB if visit.parts == ["bring"] else _FORM_MB
        body = bytearray()
        try:
            async with asyncio.timeout(_SLOW_S * (1 if most_mb == _FORM_MB else 10)):
                async for piece in request.stream():
                    body += piece
                    if len(body) > most_mb * 1_000_000:
                        raise Refused(413, words.TOLD["large"].format(most=most_mb))
        except TimeoutError:
            raise Refused(408, words.TOLD["stale"]) from None
        return read_sent(request.headers.get("content-type", ""), bytes(body))

    # -- what is answered -----------------------------------------------------------------------------------------

    @staticmethod
    def _from_headers(visit: Visit) -> Response | None:
        """Answer what needs no more than the headers, so that no body is read of whoever may not send it there.

        Raises
        ------
        Refused
            If nobody may, or not in this role.
        """
        first, post = visit.parts[0], visit.method == "POST"
        if post and first in ("json", "changed"):
            raise Refused(405, words.TOLD["gone"])
        if first in ("json", "changed") or (first == "sign-in" and not visit.open_to_all):
            return None
        if visit.open_to_all:
            if post or first in _OF_PEOPLE:
                raise Refused(403, words.TOLD["accounts"])
            return None
        if visit.account is None or visit.session is None:
            there = "/" + "/".join(quote(part) for part in visit.parts)
            there += f"?{urlencode(visit.query)}" if visit.query else ""
            return RedirectResponse(f"/sign-in?{urlencode({'to': there})}", 303)
        if post and first not in _OF_PEOPLE:
            raise Refused(405, words.TOLD["gone"])
        match visit.parts:
            case ["bring" | "enter", *_]:
                roles = BENCH
            case ["decide", name] if name in FORMS:
                roles = FORMS[name].roles
            case _:
                return None
        if visit.account.role not in roles:
            named = ", ".join(words.ROLE[role] for role in sorted(roles))
            raise Refused(403, words.TOLD["role"].format(role=words.ROLE[visit.account.role], roles=named))
        return None

    def _answer(self, visit: Visit) -> Response:
        match visit.parts:
            case ["json", *rest]:
                return self._json(visit, rest)
            case ["changed"]:
                return self._changed(visit)
            case ["sign-in"] if not visit.open_to_all:
                return self._sign_in(visit)
        account, session = visit.account, visit.session
        if account is None or session is None:  # nobody comes so far
            raise Refused(403, words.TOLD["nobody"])
        if visit.method == "POST" and not session.sent_from_here(visit.sent.fields.get("form", "")):
            raise Refused(403, words.TOLD["stale"])
        match visit.parts:
            case ["sign-out"] if visit.method == "POST":
                self.sessions.end(session.token)
                response = RedirectResponse("/sign-in", 303)
                # a browser lets nobody set a cookie of this name without Secure, not even to end it
                response.delete_cookie(self._cookie_name(secure=visit.secure), path="/", secure=visit.secure)
                return response
            case ["me"]:
                return self._me(visit, account, session)
            case ["bring"]:
                return self._bringing.answer(visit, account, session)
            case ["enter", *_]:
                return self._entering.answer(visit, account, session)
            case ["decide" | "done", *_]:
                return self._deciding.answer(visit, account, session)
        return self._page(visit)

    def _page(self, visit: Visit) -> Response:
        """Return a page as the file it is, listening for changes; to people who may decide, with the way to do so above it."""
        path = page_file(visit.workspace.pages, visit.parts)
        if path is None:
            raise Refused(404, words.TOLD["gone"])
        if path.suffix != ".html":
            return FileResponse(path, headers={"Cache-Control": "no-cache"})
        shown, state = path.relative_to(visit.workspace.pages).as_posix(), state_of_page(path)
        page = listening(path.read_bytes(), shown, state)
        if visit.account is not None and visit.account.role != ROLES[0]:
            page = with_bar(page, pages.bar(visit.account, f"/decide?page={quote(shown)}"))
        return HTMLResponse(page)

    def _changed(self, visit: Visit) -> Response:
        """Return the stream of events of a page: that it was written again.

        Raises
        ------
        Refused
            If there is no such page, or nobody signed in.
        """
        if not visit.open_to_all and visit.account is None:
            raise Refused(403, words.TOLD["nobody"])
        path = page_file(visit.workspace.pages, visit.query.get("page", "").split("/"))
        if visit.method != "GET" or path is None or path.suffix != ".html":
            raise Refused(404, words.TOLD["gone"])
        token, who = "" if visit.session is None else visit.session.token, visit.account

        def may() -> bool:
            return not self.ending() and self._who(visit, token, used=False) and visit.account == who

        return self.changes.stream(path, visit.query.get("shown", ""), may, "" if who is None else who.name)

    # -- who is there ---------------------------------------------------------------------------------------------

    def password_of(self, account: Account | None, name: str, password: str, address: str | None = None) -> None:
        """Hold a password against an account, in bounded tries.

        Those of somebody who is signed in, from no address, count for themselves: no stranger who knows a name keeps its
        owner from signing.

        Raises
        ------
        Refused
            If it is wrong, or if somebody has to wait.
        """
        whose = (key_of_name(name), None if address is None else network_of(address))
        with self._hashing:
            wait_s = self.tries.wait_s(*whose)
            if wait_s:
                raise Refused(429, words.TOLD["wait"].format(seconds=wait_s))
            if not password_fits(account, password):
                self.tries.wrong(*whose)
                raise Refused(403, words.TOLD["wrong"])
            self.tries.right(*whose)

    def _sign_in(self, visit: Visit) -> Response:
        to = visit.query.get("to", "") if visit.method != "POST" else visit.sent.fields.get("to", "")
        to = (
            to if to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable() and to.isascii() else "/"
        )
        session, problem, status = visit.session, None, 200
        if visit.method == "POST":
            name, password = (visit.sent.fields.get(key, "") for key in ("name", "password"))
            if session is None or not session.sent_from_here(visit.sent.fields.get("form", "")):
                problem, status = words.TOLD["stale"], 403
            else:
                key = key_of_name(name)
                account = self._accounts.now().get(key)
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

    def _give(self, response: Response, visit: Visit, session: Session) -> None:
        name = self._cookie_name(secure=visit.secure)
        response.set_cookie(name, session.token, path="/", httponly=True, samesite="strict", secure=visit.secure)

    def _me(self, visit: Visit, account: Account, session: Session) -> Response:
        problem = told = None
        status = 200
        if visit.method == "POST":
            fields = visit.sent.fields
            new = fields.get("new_password", "")
            try:
                self.password_of(account, account.name, fields.get("password", ""))
                self._deciding.new_password(visit, account, new, fields.get("again", ""))
            except (Refused, UsageError) as error:
                problem, status = str(error), getattr(error, "status", 422)
            else:
                self.sessions.end(session.token)
                session = self.sessions.start(
                    self._accounts.now()[key_of_name(account.name)], key_of_name(account.name)
                )
                told = words.TOLD["password"].format(name=account.name)
        response = HTMLResponse(pages.me_page(account, session.form_token, problem, told), status)
        self._give(response, visit, session)
        return response

    # -- answers as JSON ------------------------------------------------------------------------------------------

    def _json(self, visit: Visit, rest: list[str]) -> Response:
        if visit.account is None and not visit.open_to_all:
            self._by_header(visit)
        if rest in ([], [""]):
            addresses = [f"/json/{kind}" for kind in self._answers]
            return _as_json({"addresses": addresses})
        answer = self._answers.get(rest[0])
        if answer is None or len(rest) > 2:
            raise Refused(404, words.TOLD["gone"])
        kind, name = rest[0], rest[1] if len(rest) == 2 else ""
        kept = self._kept(visit.workspace, kind, name)
        if kept is not None:
            return kept
        state = (signature(visit.workspace.history), int(time.monotonic() / _ASKED_AGAIN_S))
        with self._one:
            asked = self._asked.get((kind, name))
            if asked is None or asked[0] != state:
                if len(self._asked) >= _MOST_ASKED:
                    self._asked.clear()
                asked = self._asked[kind, name] = (state, _json_bytes(as_json(answer(visit.workspace, name))))
        return Response(asked[1], media_type=_JSON)

    def _at_hand(self, visit: Visit) -> Response | None:
        """Return a page or a kept answer to somebody known: so little work that twenty threads would only wait for each other."""
        if visit.method == "POST" or not (visit.account is not None or visit.open_to_all):
            return None
        match visit.parts:
            case ["json", kind, name]:
                return self._kept(visit.workspace, kind, name)
            case ["json" | "changed", *_]:
                return None
            case [first, *_] if first in _OF_PEOPLE:
                return None
        return self._page(visit)

    @staticmethod
    def _kept(workspace: Workspace, kind: str, name: str) -> Response | None:
        """Return the answer that the last rendering kept, where it holds; it needs no history, and keeps nobody waiting."""
        kept = answer_of(workspace, kind, name) if kind in _KEPT and name else None
        return None if kept is None else _as_json({**kept.document, "page": None})

    def _by_header(self, visit: Visit) -> None:
        """Take name and password from the request itself (RFC 7617), for programs; never in the clear over a network.

        Raises
        ------
        Refused
            If nothing fits.
        """
        if not (visit.secure or self._here(visit.address)):
            raise Refused(403, words.TOLD["gone"])
        kind, _, given = visit.headers.get("authorization", "").partition(" ")
        try:
            name, mark, password = base64.b64decode(given, validate=True).decode("utf-8").partition(":")
        except (binascii.Error, ValueError):
            name, mark, password = "", "", ""
        if kind.casefold() != "basic" or not mark:
            raise Refused(401, words.TOLD["wrong"])
        key = key_of_name(name)
        account = self._accounts.now().get(key)
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


_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Content-Security-Policy": "frame-ancestors 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Beside the policy that each page states itself; what is shown to one person is kept for no other."""


def _host(header: str) -> str:
    name = header.rpartition(":")[0] if header.rpartition(":")[2].isdigit() else header
    return name.strip("[]").casefold()


def _said_by_proxy(request: Request) -> tuple[str, bool]:
    """Return for whom a proxy asks, and whether they came to it by TLS: the last address, which it added itself.

    Raises
    ------
    Refused
        If it does not say, or they came in the clear.
    """

    def last(name: str) -> str:
        # a proxy may add a line of its own below the one that a stranger sent
        return ",".join(request.headers.getlist(name)).rpartition(",")[2].strip()

    try:
        address = str(ipaddress.ip_address(last("x-forwarded-for")))
    except ValueError:
        raise Refused(403, words.TOLD["gone"]) from None
    if last("x-forwarded-proto").casefold() != "https":
        raise Refused(403, words.TOLD["gone"])
    return address, True


_JSON = "application/json"


def _as_json(document: Any) -> Response:
    return Response(_json_bytes(document), media_type=_JSON)


def _json_bytes(document: Any) -> bytes:
    """Return plain values as the text of a document."""
    try:
        return orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)
    except orjson.JSONEncodeError:  # half a character in a name that was no valid text where it came from
        return json.dumps(document, allow_nan=False, indent=2).encode("ascii") + b"\n"


def _refusal(status: int, said: str, *, as_data: bool) -> Response:
    headers = {"WWW-Authenticate": 'Basic realm="annealog", charset="UTF-8"'} if status == 401 else {}
    if as_data:
        return JSONResponse({"error": said}, status, headers)
    return HTMLResponse(pages.said_page(words.PAGE["refused"], said), status, headers)
