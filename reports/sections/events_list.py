"""The look-back events of a meter or a lot, as links."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.links import linked
from reports.kit.markup import Html, element, join, shorten
from reports.kit.numbers import typeset

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock
    from schemas.page import PageLink

__all__ = ["events_list"]


def events_list(here: str, events: Sequence[PageLink], clock: Clock) -> Html:
    """Return one line an event: its name as a link, when, and what fired.

    Parameters
    ----------
    here
        Address of this page.
    events
        In the order to be shown.
    clock
        The zone.
    """
    return element(
        "ul",
        *(
            element(
                "li",
                join(
                    [
                        linked(here, event.kind, event.identifier, event.title, 100),
                        f"{clock.minute(event.at)} {clock.zone}",
                        shorten(typeset(event.sentence), 200),
                    ],
                    " · ",
                ),
            )
            for event in events
        ),
    )
