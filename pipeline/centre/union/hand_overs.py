"""Meters handed from one site to another: what the giver recorded against what the receiver did, and against what was read.

Each site's events say from when to when it has an instrument. Between hand-over and receipt nobody answers for it; where the receipt
is earlier both do; a reading that no site had it for belongs to nobody. A reading that also lies at the site that had the meter then
is only what the meter still held in its memory.
"""

from __future__ import annotations

import json
from collections import defaultdict
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.centre.union.names import counted_once, named
from pipeline.moves import Move, taken_back
from schemas.digits import counted
from schemas.union import HandOver

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

__all__ = ["MOVES", "READING_CONTENT", "READING_SLOT", "hand_overs", "meters_of", "moves_of"]

READING_SLOT = ("instrument", "measured_at", "sequence", "role", "part", "spot")
READING_CONTENT = ("value", "unit")
_TIME = pl.Datetime("us", "UTC")
MOVES: dict[str, Any] = {
    "site": pl.String, "meter": pl.String, "kind": pl.String, "at": _TIME, "other": pl.String, "sequence": pl.Int64, "instrument": pl.String,
    "mapped": pl.Boolean, "why": pl.String, "stated": pl.String, "wrong": pl.String,
}  # fmt: skip
"""Of an event that cannot be read `wrong` says why, `at` is when it was recorded, and there is no meter."""


def moves_of(events: pl.DataFrame, names: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return hand-overs and receipts, site by site as they were recorded, with the instrument by the company's table.

    What was taken back is left out.

    Parameters
    ----------
    events
        Of kind hand_over and receipt, with their site.
    names
        The company's tables. Where they have no row, the instrument is the one that the site states.
    """
    rows = [_read(event) for event in events.sort("site", "sequence").iter_rows(named=True)]
    stated = [row for row in rows if row["wrong"] is None]
    gone = taken_back(
        ((row["site"], row["sequence"]), (row["site"], row["meter"]), Move(row["kind"], row["at"], row["other"]))
        for row in stated
    )
    rows = [row for row in rows if (row["site"], row["sequence"]) not in gone]
    schema = {**MOVES, "_asked": _TIME}
    frame = pl.DataFrame(rows, schema={name: schema[name] for name in schema if name not in ("instrument", "mapped")})
    frame = named(frame, names, at="_asked").with_columns(
        pl.col("instrument").is_not_null().alias("mapped"), pl.coalesce("instrument", "stated").alias("instrument")
    )
    return frame.select(*MOVES)


def _read(event: Mapping[str, Any]) -> dict[str, Any]:
    """Return what an event states: one site that wrote it otherwise does not keep all others from being asked."""
    row = {name: event[name] for name in ("site", "kind", "sequence", "why")}
    gone = event["kind"] == "hand_over"
    needed = ("meter", "at", "to" if gone else "from", "maker", "serial_number")
    try:
        subject = json.loads(event["subject"] or "{}")
        lacks = [name for name in needed if not (isinstance(subject, dict) and isinstance(subject.get(name), str))]
        if lacks:
            raise ValueError(f"it states no {', '.join(lacks)}")  # noqa: TRY301 - one kind of fault
        "".join(subject[name] for name in needed).encode()  # JSON lets half a character through
        move = Move.of(event["kind"], subject)
        # the giver's row ends where the meter goes
        asked = move.at - timedelta(microseconds=1) if gone else move.at
    except (ValueError, OverflowError, RecursionError) as error:
        return {**row, "at": event["at"], "wrong": str(error)}
    stated = f"{subject['maker']} {subject['serial_number']}"
    return {
        **row,
        "meter": subject["meter"],
        "at": move.at,
        "other": move.other,
        "stated": stated,
        "_asked": asked,
        "wrong": None,
    }


def meters_of(moves: pl.DataFrame, names: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return under which names (site, meter) the sites have the instruments that moved, also before or after they moved."""
    instrument = pl.concat_str("maker", "serial_number", separator=" ")
    listed = names["meters"].filter(instrument.is_in(moves["instrument"].implode()))
    return pl.concat([moves.select("site", "meter"), listed.select("site", "meter")]).drop_nulls().unique()


def hand_overs(
    moves: pl.DataFrame,
    readings: pl.DataFrame,
    names: Mapping[str, pl.DataFrame],
    heads: pl.DataFrame,
    meters: pl.DataFrame,
    *,
    on_the_way: timedelta,
) -> tuple[HandOver, ...]:
    """Hold what givers and receivers recorded against one another, in the order of time.

    Parameters
    ----------
    moves
        From :func:`moves_of`.
    readings
        Raw readings of :func:`meters_of` these moves, with their site.
    names, heads, meters
        The company's tables; one row a site; one row a meter of a site, as its last package says.
    on_the_way
        How long a meter may be on its way, and the other site silent about it by the latest package of all, before that is told.
    """
    unread, moves = moves.filter(pl.col("wrong").is_not_null()), moves.filter(pl.col("wrong").is_null())
    told = pl.min_horizontal("made_at", "came_at")  # by a clock that is fast it was made after it came
    sites = {site: (made, closed) for site, made, closed in heads.select("site", told, "closed").iter_rows()}
    nobody = _read_by_nobody(moves, readings, names, meters)
    holds = named(moves.select("site", "meter", "at", pl.col("instrument").alias("moved")), names, at="at")
    still = set(holds.filter(pl.col("instrument") == pl.col("moved")).select("site", "meter", "at").iter_rows())
    found = []
    for given, got in _pairs(moves.to_dicts(), on_the_way):
        said = [
            *_of_times(given, got, sites, on_the_way),
            *_of_table(given, got, still),
            *(_outside(given, nobody, moves) if given else ()),
            *(_outside(got, nobody, moves) if got else ()),
        ]
        one = given or got or {}
        found.append(
            HandOver(
                instrument=one["instrument"],
                giver=f"{given['site']}/{given['meter']}" if given else one["other"],
                receiver=f"{got['site']}/{got['meter']}" if got else one["other"],
                handed_at=given["at"] if given else None, received_at=got["at"] if got else None,
                why=tuple(move["why"] for move in (given, got) if move), differ=tuple(said),
            )
        )  # fmt: skip
    found.sort(key=lambda one: (one.handed_at or one.received_at, one.instrument, one.giver))
    return (*found, *map(_unread, unread.iter_rows(named=True)))


def _unread(event: Mapping[str, Any]) -> HandOver:
    said = f"event {event['sequence']} of {event['site']} ({event['kind']}) is left out: {event['wrong']}"
    ends = (
        {"giver": event["site"], "receiver": ""}
        if event["kind"] == "hand_over"
        else {"giver": "", "receiver": event["site"]}
    )
    return HandOver(instrument="", **ends, handed_at=None, received_at=None, why=(event["why"],), differ=(said,))


Row = dict[str, Any]


def _pairs(moves: Iterable[Row], most: timedelta) -> list[tuple[Row | None, Row | None]]:
    """Give each receipt the hand-over to it that is nearest in time, first where the way is one that may be; others stand alone."""
    between: dict[tuple[str, str, str], tuple[list[Row], list[Row]]] = defaultdict(lambda: ([], []))
    for move in sorted(moves, key=lambda one: one["at"]):
        ends = (move["site"], move["other"]) if move["kind"] == "hand_over" else (move["other"], move["site"])
        between[(move["instrument"], *ends)][move["kind"] == "receipt"].append(move)
    found: list[tuple[Row | None, Row | None]] = []
    for given, got in between.values():
        ways = sorted(
            ((not timedelta(0) <= there["at"] - here["at"] <= most, abs(there["at"] - here["at"]), n, m)
             for n, here in enumerate(given) for m, there in enumerate(got))
        )  # fmt: skip
        receipt_of: dict[int, int] = {}
        for *_, n, m in ways:
            if n not in receipt_of and m not in receipt_of.values():
                receipt_of[n] = m
        found += [(move, got[receipt_of[n]] if n in receipt_of else None) for n, move in enumerate(given)]
        found += [(None, move) for m, move in enumerate(got) if m not in receipt_of.values()]
    return found


def _told(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"


def _of_times(
    given: Row | None, got: Row | None, sites: Mapping[str, tuple[datetime, bool]], most: timedelta
) -> list[str]:
    if given is not None and got is not None:
        way = got["at"] - given["at"]
        if way < timedelta(0):
            return [
                f"both sites had it from {_told(got['at'])} to {_told(given['at'])}: the receipt is earlier than the hand-over"
            ]
        hours = f"{way / timedelta(hours=1):.0f} h"
        return (
            [f"on the way for {hours}: nobody answers for it from {_told(given['at'])} to {_told(got['at'])}"]
            if way > most
            else []
        )
    one = given or got or {}
    lacks, other = "receipt" if given is not None else "hand-over", one["other"]
    if other not in sites:
        return [f"{other}, which should have recorded the {lacks}, has published nothing"]
    made, closed = sites[other]
    if closed:
        return [f"{other}, which is closed, recorded no {lacks} of it"]
    if made - one["at"] > most:
        return [f"{other} recorded no {lacks} of it: annealog record {lacks}, there"]
    if max(sites.values())[0] - one["at"] > most:
        return [f"{other} has published nothing since {_told(made)}: whether it recorded the {lacks} is not known"]
    return []


def _of_table(given: Row | None, got: Row | None, still: set[tuple[str, str, datetime]]) -> list[str]:
    said = [
        f"no row of the company's meters.csv names {move['site']}/{move['meter']} on {_told(move['at'])}"
        for move in (given, got)
        if move is not None and not move["mapped"]
    ]
    if given is not None and (given["site"], given["meter"], given["at"]) in still:
        said.append(
            f"the company's meters.csv still has it at {given['site']}/{given['meter']} after that: valid_to {given['at'].isoformat()}"
        )
    return said


def _read_by_nobody(
    moves: pl.DataFrame, readings: pl.DataFrame, names: Mapping[str, pl.DataFrame], meters: pl.DataFrame
) -> pl.DataFrame:
    """Return the readings of meters that moved which no site of those that have them had the meter for: site, meter, instrument, at."""
    now = pl.concat_str("maker", "serial_number", separator=" ").alias("now")
    same = (pl.col("now") == pl.col("stated")).fill_null(value=True)
    moved = (
        moves.join(meters.select("site", "meter", now), on=["site", "meter"], how="left")
        .select(
            "site",
            "meter",
            "at",
            pl.col("instrument").alias("_moved"),
            pl.when(same).then("instrument").alias("_still"),
        )
        .sort("at")
    )
    move: Any = {"left_on": "measured_at", "right_on": "at", "by": ["site", "meter"], "check_sortedness": False}
    believed = readings.filter(pl.col("clock") == "known")  # another clock says nothing of when
    own = (
        named(believed, names, at="measured_at")
        .sort("measured_at")
        .join_asof(moved, **move)
        .join_asof(moved, strategy="forward", suffix="_next", **move)
        # where no row of the company's table holds, a meter is what it was when it moved last, unless the site has another one under
        # its name now, or what it is when it moves next
        .with_columns(pl.coalesce("instrument", "_still", "_moved_next").alias("instrument"))
        .filter(pl.col("instrument").is_in(moves["instrument"].implode()))
    )
    once = counted_once(own, READING_SLOT, READING_CONTENT).with_row_index("_row")
    at_sites = once.select(
        "_row", "instrument", "measured_at", pl.concat_list("site", "also_at").list.eval(pl.element()).alias("site")
    ).explode("site")
    order = ["instrument", "site"]
    ends = (
        moves.sort(*order, "at", "sequence")
        .select(
            *order,
            pl.when(kind := pl.col("kind") == "receipt").then("at").alias("since"),
            pl.when(kind).then(pl.col("at").shift(-1).over(order)).otherwise("at").alias("until"),
            (kind | (pl.int_range(pl.len()).over(order) == 0)).alias("_had"),
        )
        .filter("_had")
    )
    # a site that recorded nothing had it wherever the company's table says so
    had = at_sites.join(ends, on=order, how="left").filter(
        (pl.col("since").is_null() | (pl.col("measured_at") >= pl.col("since")))
        & (pl.col("until").is_null() | (pl.col("measured_at") <= pl.col("until")))
    )["_row"]
    return once.filter(~pl.col("_row").is_in(had.implode())).select(
        "site", "meter", "instrument", pl.col("measured_at").alias("at")
    )


def _outside(move: Row, nobody: pl.DataFrame, moves: pl.DataFrame) -> list[str]:
    """Say what the giver read after it, or the receiver before it, up to the next or from the last move there."""
    own = moves.filter((pl.col("site") == move["site"]) & (pl.col("instrument") == move["instrument"]))
    gone = move["kind"] == "hand_over"
    at = pl.col("at")
    beyond = own.filter(at > move["at"] if gone else at < move["at"])["at"]
    edge: Any = beyond.min() if gone else beyond.max()
    rows = nobody.filter((pl.col("site") == move["site"]) & (pl.col("instrument") == move["instrument"])).filter(
        (at > move["at"]) if gone else (at < move["at"])
    )
    if edge is not None:
        rows = rows.filter(at <= edge if gone else at >= edge)
    if not rows.height:
        return []
    times: Any = (rows["at"].min(), rows["at"].max())
    when = "after it was handed over" if gone else "before it was received"
    return [
        f"{counted(rows.height, 'reading')} at {move['site']}/{move['meter']} {when}, from {_told(times[0])} to {_told(times[1])}"
    ]
