"""The list of lots, as the index and its months show it."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

from reports.kit.address import address
from reports.kit.lead_unit import result_in_lead_unit
from reports.kit.links import linked, linked_to
from reports.kit.markup import Html, isolated, shorten
from reports.kit.numbers import finite, fixed, significant, typeset
from reports.kit.page import shown_state, unit_in_words, verdict_in_words
from reports.kit.states import toned
from reports.kit.tables import Heading, table
from reports.sections.uncertainty import decimals_of
from reports.words import general as words
from reports.words import index as say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from reports.kit.numbers import Clock
    from schemas.results import LotResult

__all__ = ["link_of", "lots_table"]

_C = words.COLUMN


def link_of(here: str, name: str, there: str | None) -> Html:
    """Return a link to a page at an address, or the name where it has none."""
    if there is None:
        return isolated(name)
    # an address is relative and ours; quoted, it cannot name another place even if it was not made by us
    return linked_to(here, quote(there, safe="/._-~"), isolated(name))


def lots_table(
    here: str,
    lots: Sequence[LotResult],
    number: int,
    clock: Clock,
    said: str,
    addresses: Mapping[str, str] | None = None,
) -> Html:
    """Return one row a lot, in the order given: verdict and reason first.

    Parameters
    ----------
    here
        Address of this page.
    lots
        What to list.
    number
        Of the table.
    clock
        The zone.
    said
        Its caption.
    addresses
        Of the pages of lots; None for the usual ones.
    """
    columns = [
        Heading(_C["lot"]), Heading(say.COLUMN["verdict"], kind="t", name="verdict"), Heading(_C["reason"]), Heading(_C["support"], kind="t"),
        Heading(_C["mean"], kind="n"), Heading(_C["ppk"], kind="n"), Heading(_C["parts"], kind="n"), Heading(_C["material"], name="material"),
        Heading(_C["supplier"], name="supplier"), Heading(_C["meters"], name="meter"), Heading(_C["last"], clock.zone, "t"),
    ]  # fmt: skip
    rows = []
    for lot in (one.whole for one in lots):
        shown, state = result_in_lead_unit(lot), shown_state(lot)
        known = finite(lot.mean) is not None
        there = address("lot", lot.lot) if addresses is None else addresses.get(lot.lot)
        support = words.SUPPORT.get(lot.support, lot.support)
        plain = state == "accept"
        rows.append(
            (
                link_of(here, lot.lot, there), toned(state, words.VERDICT.get(lot.verdict, lot.verdict)),
                None if plain else verdict_in_words(lot) if lot.conditions else shorten(typeset(" ".join(lot.reasons[:1])), 100),
                support if lot.support == "supported" else toned(lot.support, support),
                f"{fixed(shown.mean, decimals_of(shown))} {unit_in_words(shown.unit)}" if known else "", "" if lot.verdict == "reject" else significant(lot.ppk, 3), lot.parts,
                None if lot.material is None else shorten(lot.material, 40), linked(here, "supplier", lot.supplier, length=40),
                ", ".join(shorten(meter, 30) for meter in lot.meters), clock.minute(lot.last_at),
            )
        )  # fmt: skip
    return table(number, "lots", said, columns, rows)
