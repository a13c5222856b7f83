"""Readings entered by hand in the browser: what is entered, a look at what is far off, and the sheet in the inbox, loaded."""

from __future__ import annotations

import re
import secrets
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from starlette.responses import HTMLResponse, Response

from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.web import entry_pages
from pipeline.web.readings import asked_for, between, far_off, keep_layout, read_sheet, sheet_bytes
from pipeline.web.visit import Refused
from pipeline.workspace.recorded import recorded
from reports.words import web as words

if TYPE_CHECKING:
    import threading
    from collections.abc import Mapping

    from pipeline.history.accounts import Account
    from pipeline.web.bring import Bringing
    from pipeline.web.readings import Sheet
    from pipeline.web.sessions import Session
    from pipeline.web.visit import Visit
    from pipeline.workspace.settings import Workspace

__all__ = ["Entering"]

_NUMBER = re.compile(r"[0-9a-f]{32}")


class Entering:
    """Handles readings that are entered by hand.

    Parameters
    ----------
    one
        Held by whoever opens the history's file.
    bringing
        Loads a file that was handed in.
    """

    def __init__(self, one: threading.RLock, bringing: Bringing) -> None:
        self._one, self._bringing = one, bringing

    def answer(self, visit: Visit, account: Account, session: Session) -> Response:
        """Answer a request about readings by hand."""
        match visit.parts:
            case ["enter"] if visit.method != "POST":
                return HTMLResponse(
                    entry_pages.choose_sheet_page(account, self._offered(visit.workspace), visit.query, None)
                )
            case ["enter", "check" | "lot" as kind]:
                return self._sheet(visit, kind, account, session)
        raise Refused(404, words.TOLD["gone"])

    def _offered(self, workspace: Workspace) -> dict[str, list[str]]:
        """Return names to choose from."""
        if not workspace.history.exists():
            return {"meter": [], "block": [], "lot": []}
        with self._one, History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
            texts, lots = history.reference_texts(), history.all_lots()
        _, tables = recorded(texts, workspace.settings)
        return {
            "meter": sorted(set(tables["meters"]["meter"])), "block": sorted(set(tables["blocks"]["block"])),
            "lot": sorted({*lots, *tables["lots"]["lot"]}),
        }  # fmt: skip

    def _sheet(self, visit: Visit, kind: str, account: Account, session: Session) -> Response:
        sent = visit.sent.fields if visit.method == "POST" else {}
        try:
            sheet = asked_for(kind, {**visit.query, **sent})
        except UsageError as error:
            page = entry_pages.choose_sheet_page(account, self._offered(visit.workspace), visit.query, str(error))
            return HTMLResponse(page, 422)
        number = sent.get("number", "")
        given = {"form": session.form_token, "number": number if _NUMBER.fullmatch(number) else secrets.token_hex(16)}
        step, problem = sent.get("step", ""), None
        if step in ("look", "save"):
            try:
                return self._read(visit, kind, account, sheet, given, step)
            except UsageError as error:
                problem = str(error)
        with self._one:
            span = between(visit.workspace, sheet)
        now = datetime.now(UTC).astimezone(visit.workspace.settings.zone)
        start = {"at": f"{now:%Y-%m-%dT%H:%M}", "temperature_state": "at_metal", **sent}
        return HTMLResponse(
            entry_pages.sheet_page(kind, account, sheet, span, given, start, problem, back=bool(step)),
            422 if problem else 200,
        )

    def _read(
        self, visit: Visit, kind: str, account: Account, sheet: Sheet, given: Mapping[str, str], step: str
    ) -> Response:
        sent = visit.sent.fields
        readings, rest = read_sheet(visit.workspace, sheet, sent)
        if step == "look":
            far = far_off(sheet, readings)
            return HTMLResponse(entry_pages.look_at_sheet_page(kind, account, sheet, given, sent, readings, rest, far))
        data = sheet_bytes(sheet, readings, rest, account.name)
        meter = re.sub(r"[^A-Za-z0-9-]+", "_", sheet.meter)[:40]
        path = visit.workspace.inbox / "by-hand" / f"{rest['date']}-{meter}-{given['number'][:12]}.csv"
        with self._one:
            if path.exists() and path.read_bytes() != data:
                raise UsageError(words.TOLD["sent_before"])
            layout = keep_layout(visit.workspace, sheet.unit)
            return HTMLResponse(self._bringing.taken(visit, account, path, data, layout, given["number"]))
