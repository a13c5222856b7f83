"""One request, read and held against what may be; and an answer instead of what was asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.web.sent import Sent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.history.accounts import Account
    from pipeline.web.sessions import Session
    from pipeline.workspace.settings import Workspace

__all__ = ["Refused", "Visit"]


class Refused(Exception):
    """An answer instead of what was asked for."""

    def __init__(self, status: int, said: str) -> None:
        super().__init__(said)
        self.status, self.said = status, said


@dataclass(kw_only=True)
class Visit:
    """One request, read and held against what may be."""

    workspace: Workspace
    method: str
    parts: list[str]
    query: dict[str, str]
    address: str
    secure: bool
    sent: Sent = field(default_factory=Sent)
    session: Session | None = None
    account: Account | None = None
    open_to_all: bool = False
    """Whether there are no accounts, so that everybody on this computer reads and nobody decides."""
    headers: Mapping[str, str] = field(default_factory=dict)
