"""The application: who asks, from where, and whether that may be; then a page, a form, or an answer as JSON.

Without accounts it reads only, on this computer alone. What harms is refused before anything is looked at: another host's name,
a body that is too large or too slow, too many requests, a form that this session did not get.
"""

from __future__ import annotations

import asyncio
import sys
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote
from weakref import WeakValueDictionary

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response

from pipeline.errors import AnnealogError, HistoryBusy, UsageError
from pipeline.history.accounts import ROLES, Accounts
from pipeline.web import may, pages
from pipeline.web.asked import Asked
from pipeline.web.bring import BENCH, Bringing
from pipeline.web.changes import Changes
from pipeline.web.deciding import Deciding
from pipeline.web.decisions import FORMS
from pipeline.web.entering import Entering
from pipeline.web.files import listening, page_file, state_of_page, with_bar
from pipeline.web.people import People
from pipeline.web.sent import Sent, read_query, read_sent
from pipeline.web.sessions import Rates, network_of
from pipeline.web.visit import Refused, Visit
from pipeline.workspace.files import state_of_file
from pipeline.workspace.settings import SETTINGS_FILE, find_workspace
from reports.words import web as words

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
_ROLES: dict[tuple[str, ...], frozenset[str]] = {
    ("bring",): BENCH,
    ("enter",): BENCH,
    **{("decide", name): form.roles for name, form in FORMS.items()},
}
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
        self._root, self.place = root, place or Place()
        self._settled: tuple[list[int], Workspace] | None = None
        self._one = threading.RLock()
        """Whoever opens the history's file: threads of one process would share what processes keep apart."""
        accounts = Accounts(self._workspace().history)
        self.people = People(accounts, self._one)
        self._rates = Rates(per_s=20.0, most=400.0)
        self._posts = Rates(per_s=1.0, most=60.0)
        self.changes = Changes()
        self.ending: Callable[[], bool] = lambda: False
        """Whether the server is about to end, which no stream keeps waiting."""
        self._turns: WeakValueDictionary[tuple[str, bool], asyncio.Semaphore] = WeakValueDictionary()
        self._asked = Asked(answers, self._one)
        self._bringing = Bringing(accounts, self._one)
        self._entering = Entering(self._one, self._bringing)
        self._deciding = Deciding(accounts, self._one, self.people.password_of)

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
        response = self._at_hand(visit)
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
            told = (request.headers.getlist(f"x-forwarded-{name}") for name in ("for", "proto"))
            address, secure = may.told_by_proxy(*told), True
        if may.host_of(request.headers.get("host", "")) not in _OURS | self.place.names:
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
        tls = self.place.secure or self.place.proxy is not None
        token = self.people.token_in(request.headers.get("cookie", ""), secure=tls)
        used = parts[0] not in ("boards", "changed")
        self.people.who(visit, token, here=self._here(visit.address), used=used)
        return visit

    def _workspace(self) -> Workspace:
        """Return the workspace with its settings as they stand in the file."""
        state = state_of_file(self._root / SETTINGS_FILE)
        if self._settled is None or self._settled[0] != state:
            self._settled = (state, find_workspace(self._root))
        return self._settled[1]

    def _here(self, address: str) -> bool:
        return self.place.proxy is None and address in ("127.0.0.1", "::1")

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

    def _at_hand(self, visit: Visit) -> Response | None:
        """Answer what needs no more than the headers, so that no body is read of whoever may not send it there.

        A page or a kept answer is so little work that twenty threads would only wait for each other.

        Raises
        ------
        Refused
            If nobody may, or not in this role.
        """
        if may.refuse(visit, _ROLES):
            return RedirectResponse(may.sign_in_first(visit), 303)
        if not may.at_hand(visit):
            return None
        return self._page(visit) if visit.parts[0] != "json" else self._asked.kept(visit.workspace, *visit.parts[1:])

    def _answer(self, visit: Visit) -> Response:
        match visit.parts:
            case ["json", *rest]:
                if visit.account is None and not visit.open_to_all:
                    self.people.by_header(visit, here=self._here(visit.address))
                return self._asked.answer(visit.workspace, rest)
            case ["changed"]:
                return self._changed(visit)
            case ["sign-in"] if not visit.open_to_all:
                return self.people.sign_in(visit)
        account, session = visit.account, visit.session
        if account is None or session is None:  # nobody comes so far
            raise Refused(403, words.TOLD["nobody"])
        if visit.method == "POST" and not session.sent_from_here(visit.sent.fields.get("form", "")):
            raise Refused(403, words.TOLD["stale"])
        match visit.parts:
            case ["sign-out"] if visit.method == "POST":
                return self.people.sign_out(visit, session)
            case ["me"]:
                return self.people.me(visit, account, session)
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

        def still() -> bool:
            here = self._here(visit.address)
            return not self.ending() and self.people.who(visit, token, here=here, used=False) and visit.account == who

        return self.changes.stream(path, visit.query.get("shown", ""), still, "" if who is None else who.name)


_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Content-Security-Policy": "frame-ancestors 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Beside the policy that each page states itself; what is shown to one person is kept for no other."""


def _refusal(status: int, said: str, *, as_data: bool) -> Response:
    headers = {"WWW-Authenticate": 'Basic realm="annealog", charset="UTF-8"'} if status == 401 else {}
    if as_data:
        return JSONResponse({"error": said}, status, headers)
    return HTMLResponse(pages.said_page(words.PAGE["refused"], said), status, headers)
