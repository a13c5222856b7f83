"""The letter to a supplier: what was found, since when, what is asked; plain text, to be edited before it is sent."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import polars as pl

from reports.kit.markup import shorten, visible
from reports.kit.numbers import Clock, compact, decimals_for, fixed
from reports.kit.page import unit_in_words
from reports.kit.tables import best_order
from reports.words import general
from reports.words import letter as words

if TYPE_CHECKING:
    from schemas.suppliers import SupplierMaterial, SupplierPage

__all__ = ["letter"]

_WIDTH = 78
_MOST = 12
"""Lots that are named in one sentence; the reports name all."""


def letter(page: SupplierPage, works: str, address: str) -> str:
    """Return the letter that goes with a supplier's report.

    Parameters
    ----------
    page
        The supplier with its lots.
    works, address
        Who writes.

    Returns
    -------
    str
        Text in lines of at most 78 characters, names longer than that aside.
    """
    result, clock, frame = page.result, Clock(page.provenance.zone), words.FRAME
    lots = best_order(page.lots, ("material", "first_at", "lot"))
    found: list[str] = []
    asked: list[str] = []
    for place, material in enumerate(result.materials):
        own = lots.filter(pl.col("material") == place) if lots.height else lots
        _of_material(material, own, clock, unit_in_words(result.unit), found, asked)
    span = (
        frame["span"].format(first=clock.day(result.first_at), last=clock.day(result.last_at))
        if result.first_at is not None
        else ""
    )
    opening = frame["opening"].format(
        lots=general.counted(result.lots, "lot"), reference=f"{result.reference_temperature_c:g}", accepted=result.accepted,
        held=result.held, rejected=result.rejected, not_assessed=result.not_assessed,
    )  # fmt: skip
    head = frame["head"].format(
        works=_name(works or general.FRAGMENT["unnamed"]),
        address=_name(address),
        supplier=_name(result.supplier),
        span=span,
    )
    blocks = [
        head,
        _filled(f"{opening} {_ours(lots, page.points)}".strip()),
        f"{frame['found']}\n" + _list(found or [words.FOUND["nothing"]]),
        f"{frame['asked']}\n" + _list(list(dict.fromkeys(asked)) or [words.ASKED["nothing"]]),
        _filled(frame["attached"]),
        _filled(frame["decides"]),
        frame["end"].format(works=_name(works or general.FRAGMENT["unnamed"])),
    ]
    return "\n\n".join(block.strip("\n") for block in blocks) + "\n"


def _name(name: str) -> str:
    return visible(shorten(name, 80))


def _filled(sentence: str, indent: str = "") -> str:
    return textwrap.fill(
        visible(sentence),
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=" " * len(indent),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _list(sentences: list[str]) -> str:
    return "\n".join(_filled(sentence, "- ") for sentence in sentences)


def _ours(lots: pl.DataFrame, points: pl.DataFrame) -> str:
    """Say whether our meters speak for what is said: a meter that drifts is no supplier's shift."""
    if not lots.height:
        return ""
    drifting = set(points.filter(pl.col("suspended") != "")["subgroup"]) if points.height else set()
    doubtful = [
        shorten(lot, 40)
        for lot, support in lots.select("lot", "support").rows()
        if support != "supported" or lot in drifting
    ]
    if not doubtful:
        return words.FRAME["ours_good"]
    counted = general.counted(len(doubtful), "lot")
    return words.FRAME["ours_open"].format(lots=counted, names=general.listed(doubtful, _MOST))


def _of_material(
    material: SupplierMaterial, lots: pl.DataFrame, clock: Clock, unit: str, found: list[str], asked: list[str]
) -> None:
    """Add what was found of a material, and what is asked about it."""
    say, ask, name, stream = words.FOUND, words.ASKED, shorten(material.material, 40), material.stream
    if stream.state == "not_assessed":
        found.append(say["few"].format(material=name))
    if stream.since is not None:
        day = clock.day(stream.since)
        found.append(say["since"].format(material=name, day=day, lot=shorten(str(stream.since_subgroup), 40)))
        asked.append(ask["since"].format(material=name, day=day))
    for change in stream.level_changes:
        day = clock.day(change.at)
        found.append(
            say["changed"].format(
                material=name, shift=fixed(change.shift, decimals_for(abs(change.shift)), sign=True), unit=unit, day=day,
                before=shorten(change.previous_subgroup, 40), before_day=clock.day(change.previous_at), after=shorten(change.subgroup, 40),
            )
        )  # fmt: skip
        asked.append(ask["since"].format(material=name, day=day))
    pair = material.slope_interval
    if material.slope_per_30_days is not None and pair is not None and pair[0] * pair[1] > 0:
        places = decimals_for((pair[1] - pair[0]) / 2)
        slope, low, high = (fixed(value, places, sign=True) for value in (material.slope_per_30_days, *pair))
        found.append(say["drift"].format(material=name, slope=slope, unit=unit, low=low, high=high))
    _not_accepted(name, lots, found, asked)
    if material.capability == "not_capable" and material.level.ppk_interval is not None:
        low, high = (fixed(bound, 2) for bound in material.level.ppk_interval)
        figures = {"ppk": fixed(material.level.ppk, 2), "low": low, "high": high, "asked": compact(material.ppk_asked)}
        found.append(say["capability"].format(material=name, **figures))
        asked.append(ask["capability"].format(material=name))
    _certificates(material, name, unit, found, asked)


def _not_accepted(name: str, lots: pl.DataFrame, found: list[str], asked: list[str]) -> None:
    """Name the lots on hold and those rejected."""
    if not lots.height:
        return
    of = {
        verdict: [shorten(lot, 40) for lot in lots.filter(pl.col("verdict") == verdict)["lot"]]
        for verdict in ("reject", "hold")
    }
    told = [
        words.FOUND["named"].format(lot=lot, verdict=general.VERDICT[verdict].lower())
        for verdict, names in of.items()
        for lot in names
    ]
    if told:
        counted = general.counted(len(told), "lot")
        found.append(words.FOUND["lots"].format(material=name, lots=counted, names=general.listed(told, _MOST)))
    if of["reject"]:
        asked.append(words.ASKED["rejected"].format(names=general.listed(of["reject"], _MOST)))
    if of["hold"]:
        asked.append(words.ASKED["held"].format(material=name, names=general.listed(of["hold"], _MOST)))


def _certificates(material: SupplierMaterial, name: str, unit: str, found: list[str], asked: list[str]) -> None:
    """Say how the mill's certificates agree, where they do not."""
    agreed, pair = material.certificates, material.certificates.mean_difference_interval
    doubtful = False
    if agreed.mean_difference is not None and pair is not None and pair[0] * pair[1] > 0:
        places = decimals_for((pair[1] - pair[0]) / 2)
        difference, low, high = (fixed(value, places, sign=True) for value in (agreed.mean_difference, *pair))
        found.append(
            words.FOUND["certificates"].format(
                material=name,
                difference=difference,
                unit=unit,
                low=low,
                high=high,
                pairs=general.counted(agreed.pairs, "lot"),
            )
        )
        doubtful = True
    if agreed.beyond:
        names = general.listed([shorten(lot, 40) for lot in agreed.beyond], _MOST)
        found.append(words.FOUND["beyond"].format(material=name, names=names))
        doubtful = True
    if doubtful:
        asked.append(words.ASKED["certificates"])
