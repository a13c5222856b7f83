"""Alerts: what needs a person now, said once, grouped into one message, with the address of the page.

What was sent is kept in a small file beside the history, so that a restart does not send it again.
"""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import reports
from pipeline.errors import SettingsError
from pipeline.workspace.files import write_atomically
from schemas.conditions import FIRST

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["KINDS", "Alert", "Alerts", "found_in", "send", "targets"]

KINDS = {
    "damage": "Record damaged",
    "suspended": "Meter suspended",
    "out_of_control": "Meter out of control",
    "lot": "Lot on hold",
    "condition": "Lot accepted, but not at once",
    "overdue": "Check overdue",
    "held": "File held",
    "silence": "Nothing arrived",
    "stopped": "Loading stopped",
}
"""What is alerted about."""

_MOST_LINES = 20
_VARIABLE = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")


@dataclass(frozen=True, slots=True)
class Alert:
    """One thing that needs a person: a key that stays the same while it lasts, one plain sentence, the page."""

    key: str
    kind: str
    sentence: str
    page: str = ""


def found_in(document: Mapping[str, Any]) -> list[Alert]:
    """Return what a state of the workspace alerts about.

    A lot that only waits for its closing check is no alert: its check is due, not late. Of events those are told that
    nobody decided on, but for what the state of a meter and its lots tell already: a failed check, a check overdue.

    Parameters
    ----------
    document
        From `questions.status`.
    """
    found = []
    for meter in document["meters"]:
        name, reason = meter["meter"], meter["reasons"][0]
        page = reports.address("meter", name)
        if meter["state"] == "suspended":
            last = meter["last_run_at"] or ""
            found.append(Alert(f"suspended {name} {last}", "suspended", f"Meter {name} is suspended: {reason}", page))
        if meter["state"] == "overdue":
            last = meter["last_run_at"] or ""
            found.append(Alert(f"overdue {name} {last}", "overdue", f"Check meter {name}: {reason}", page))
    for event in document["events_open"]:
        if not event["disposed"] and event["kind"] not in ("failed_check", "check_overdue"):
            sentence = f"{event['title']} ({event['event']}): {event['sentence']} Nobody decided on it yet."
            page = reports.address("event", event["name"])
            found.append(Alert(f"event {event['name']}", "out_of_control", sentence, page))
    for lot in document["waiting"]:
        if lot["disposition"] is None and not (lot["verdict"] == "hold" and lot["support"] == "open"):
            word = "rejected" if lot["verdict"] == "reject" else "on hold"
            sentence = f"Lot {lot['lot']} is {word}: {lot['reasons'][0]}"
            key = f"lot {lot['lot']} {lot['verdict']}"
            found.append(Alert(key, "lot", sentence, reports.address("lot", lot["lot"])))
    for lot in document["accepted_with_conditions"]:
        first = lot["conditions"][0]
        sentence = f"Lot {lot['lot']} is accepted, {FIRST[first]}: {lot['flags'][0].partition(': ')[2]}"
        found.append(Alert(f"lot {lot['lot']} {first}", "condition", sentence, reports.address("lot", lot["lot"])))
    for file in document["files_held"]:
        sentence = f"File {file['name']} was not loaded: {file['sentence']}"
        found.append(Alert(f"held {file['name']} {file['reason']}", "held", sentence, reports.address("index", "")))
    return found


def targets(settings: Settings, environment: Mapping[str, str] = os.environ) -> list[str]:
    """Return the addresses to send to, with the environment's secrets put in.

    Raises
    ------
    SettingsError
        If a variable is not set.
    """

    def value(match: re.Match[str]) -> str:
        name = match[1]
        if name not in environment:
            raise SettingsError(
                f"alert_targets names the environment variable {name}, which is not set. Set it for this command or service."
            )
        return environment[name]

    return [_VARIABLE.sub(value, target) for target in settings.alert_targets]


def send(addresses: Iterable[str], title: str, body: str) -> list[str]:
    """Send a message; return the kinds of the addresses that did not take it, without their secrets.

    Raises
    ------
    SettingsError
        If an address cannot be understood.
    """
    import logging
    import warnings

    failed = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # the library's own, of what it imports when it is used
        from apprise import Apprise, NotifyFormat, NotifyType

        # it would log addresses, and errors reach the caller as a list
        logging.getLogger("apprise").setLevel(logging.CRITICAL)
        for number, address in enumerate(addresses, start=1):
            carrier = Apprise()
            if not carrier.add(address):
                raise SettingsError(f"alert_targets: address {number} is none that Apprise understands.")
            if not carrier.notify(
                title=title, body=body, notify_type=NotifyType.WARNING, body_format=NotifyFormat.TEXT
            ):
                failed.append(f"{number} ({address.partition('://')[0]})")
    return failed


class Alerts:
    """Which alerts stand, and when they were sent."""

    def __init__(self, workspace: Workspace, sender: Callable[[str, str], list[str]] | None = None) -> None:
        self._workspace = workspace
        self._path = workspace.history.parent / "alerts.json"
        self._sender = sender
        try:
            kept = json.loads(self._path.read_text(encoding="utf-8"))
            self._sent = {str(key): datetime.fromisoformat(at) for key, at in kept["sent"].items()}
            self._messages = [datetime.fromisoformat(at) for at in kept["messages"]]
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            self._sent, self._messages = {}, []

    def due(self, standing: Iterable[Alert], now: datetime) -> list[Alert]:
        """Return what is to be sent now: what is new, and what still stands after the time to repeat."""
        settings = self._workspace.settings
        repeat = timedelta(hours=settings.alert_repeat_hours)
        found = []
        for alert in standing:
            sent = self._sent.get(alert.key)
            if sent is None or (repeat and not sent <= now < sent + repeat):
                found.append(alert)
        return found

    def tell(self, standing: Iterable[Alert], *, now: datetime | None = None) -> tuple[list[Alert], list[str]]:
        """Send what is due as one message and remember it.

        Parameters
        ----------
        standing
            Everything that is wrong now; what no longer stands is forgotten, so that it is told when it comes back.
        now
            Time.

        Returns
        -------
        (list of Alert, list of str)
            What was sent, and which addresses did not take it; what no address took is sent again with the next call.
        """
        moment = now or datetime.now(UTC)
        standing = list(standing)
        keys = {alert.key for alert in standing}
        before = (dict(self._sent), list(self._messages))
        self._sent = {key: at for key, at in self._sent.items() if key in keys}
        due = self.due(standing, moment)
        addresses = targets(self._workspace.settings)
        self._messages = [at for at in self._messages if moment - timedelta(hours=1) < at <= moment]
        failed: list[str] = []
        sent: list[Alert] = []
        if due and addresses and len(self._messages) < max(self._workspace.settings.alert_most_per_hour, 1):
            title, body = message(self._workspace, due)
            failed = self._sender(title, body) if self._sender is not None else send(addresses, title, body)
            if len(failed) < len(addresses):
                sent = due
                self._sent |= {alert.key: moment for alert in due}
                self._messages.append(moment)
        if (self._sent, self._messages) != before:
            kept = {
                "sent": {key: at.isoformat() for key, at in sorted(self._sent.items())},
                "messages": [at.isoformat() for at in self._messages],
            }
            write_atomically(self._path, json.dumps(kept, indent=0).encode())
        return sent, failed


def message(workspace: Workspace, alerts: list[Alert]) -> tuple[str, str]:
    """Return title and text of one message: a line for each alert, the page below it."""
    settings = workspace.settings
    name = _plain(settings.name or workspace.root.name)
    base = settings.pages_address.rstrip("/") if settings.pages_address else workspace.pages.resolve().as_uri()
    kinds = [KINDS[kind] for kind in KINDS if any(alert.kind == kind for alert in alerts)]
    title = f"{name}: {kinds[0].lower() if len(alerts) == 1 else f'{len(alerts)} things need you'}"
    order = list(KINDS)
    ranked = sorted(alerts, key=lambda alert: order.index(alert.kind))
    lines = []
    for alert in ranked[:_MOST_LINES]:
        lines.append(_plain(alert.sentence))
        if alert.page:
            lines.append(f"  {base}/{alert.page}")
    if len(ranked) > _MOST_LINES:
        lines.append(f"and {len(ranked) - _MOST_LINES} more: {base}/{reports.address('index', '')}")
    return title, "\n".join(lines)


def _plain(text: str) -> str:
    """Return a text from a file as one line of at most 300 characters that steers nothing."""
    flat = "".join(character if character.isprintable() else " " for character in text)
    return flat if len(flat) <= 300 else flat[:299] + "…"
