"""What the company's pages share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.tables import Heading, Numbered, table
from reports.words.company import COLUMN, STEP, TABLE, TEXT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock
    from schemas.blocks import MeterDifference
    from schemas.union import HandOver, OverPlants, Travelled

__all__ = ["MOST_PAIRS", "MOST_REASONS", "counted_sites", "furthest", "hand_overs_table", "next_steps", "told", "tone"]

MOST_PAIRS, MOST_REASONS = 100, 6

_TONE = {"differs": "open", "agrees": "passed", "not_assessed": "not_assessed"}


def tone(state: str) -> str:
    """Return the state whose shape a result of the company has: what differs waits for a look, and rejects nothing."""
    return _TONE[state]


def counted_sites(number: int) -> str:
    """Return how many sites in words."""
    return TEXT["one_site"] if number == 1 else TEXT["sites"].format(n=number)


def next_steps(result: OverPlants | Travelled) -> list[str]:
    """Return what to do next."""
    if result.state == "differs":
        return [STEP[result.kind]]
    return [STEP["none" if result.state == "agrees" else "more"]]


def told(reasons: Sequence[str]) -> list[str]:
    """Return the first reasons, and how many more there are."""
    return [
        *reasons[:MOST_REASONS],
        *([TEXT["more"].format(n=len(reasons) - MOST_REASONS)] if len(reasons) > MOST_REASONS else []),
    ]


def hand_overs_table(hand_overs: Sequence[HandOver], numbered: Numbered, clock: Clock) -> Html:
    """Return who gave which meter to whom, and what does not fit."""
    columns = [
        Heading(COLUMN["instrument"]), Heading(COLUMN["giver"]), Heading(COLUMN["receiver"]), Heading(COLUMN["handed"], kind="t"),
        Heading(COLUMN["received"], kind="t"), Heading(COLUMN["why"]), Heading(COLUMN["differ"]),
    ]  # fmt: skip
    rows = [
        (
            isolated(one.instrument, 60), isolated(one.giver, 80), isolated(one.receiver, 80), clock.minute(one.handed_at), clock.minute(one.received_at),
            join((element("p", isolated(why, 200)) for why in one.why), " "), join((element("p", shorten(words, 300)) for words in one.differ), " "),
        )
        for one in hand_overs
    ]  # fmt: skip
    return table(
        numbered.table(), "hand-overs", TABLE["hand_overs"], columns, rows, marked=[bool(o.differ) for o in hand_overs]
    )


def furthest(pairs: Sequence[MeterDifference], said: str) -> tuple[list[MeterDifference], str]:
    """Return the pairs furthest apart, and the caption that says so where some are left out."""
    if len(pairs) <= MOST_PAIRS:
        return list(pairs), said
    shown = sorted(pairs, key=lambda one: -abs(one.e_n or 0.0))[:MOST_PAIRS]
    return shown, f"{said} {TEXT['pairs'].format(shown=MOST_PAIRS, total=len(pairs))}"
