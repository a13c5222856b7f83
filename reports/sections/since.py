"""What later came to light of the meters that read a lot, as it stands under the verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.links import linked
from reports.kit.markup import Html, element, join, shorten
from reports.kit.numbers import Clock, finite, fixed
from reports.words.event import SINCE

if TYPE_CHECKING:
    from schemas.look_back import CameToLight

__all__ = ["came_to_light"]


def came_to_light(here: str, found: tuple[CameToLight, ...], clock: Clock, unit: str, decimals: int) -> Html | None:
    """Return the heading and a paragraph a meter; None where nothing came to light.

    Parameters
    ----------
    here
        Address of the page.
    found
        In the unit of the page.
    clock
        Of the page.
    unit, decimals
        As values are written on the page.
    """
    if not found:
        return None
    return join([element("h2", SINCE["heading"]), *(_of_meter(here, one, clock, unit, decimals) for one in found)])


def _of_meter(here: str, one: CameToLight, clock: Clock, unit: str, decimals: int) -> Html:
    meter = linked(here, "meter", one.meter)
    said: list[object] = [_with_meter("suspended", meter), " "] if one.suspended else []
    bias, tolerance = finite(one.bias), finite(one.tolerance)
    if bias is None or tolerance is None or one.checked_at is None:
        said.append(_with_meter("no_figure", meter))
    else:
        said.append(
            SINCE["figure"].format(
                meter=shorten(one.meter, 40), bias=fixed(bias, decimals, sign=True), unit=unit, block=shorten(str(one.block), 40),
                at=f"{clock.minute(one.checked_at)} {clock.zone}", tolerance=fixed(tolerance, decimals),
                state=SINCE["inside" if abs(bias) <= tolerance else "beyond"],
            )
        )  # fmt: skip
    for event in one.events:
        said += [
            element("br"), SINCE[event.doubt], linked(here, "event", event.name, event.title), f". {shorten(event.sentence, 200)}",
            SINCE["settled"] if event.settled else None,
        ]  # fmt: skip
    return element("p", *said)


def _with_meter(name: str, meter: Html) -> Html:
    before, _, after = SINCE[name].partition("{meter}")
    return join([before, meter, after])
