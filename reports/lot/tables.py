"""The tables of a lot: points of its charts, readings with file and line, support, uncertainty, dispositions."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import polars as pl

from reports.kit.address import address
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten, text
from reports.kit.numbers import as_written, finite, fixed, significant
from reports.kit.page import link, passed, unit_in_words
from reports.kit.states import toned
from reports.kit.tables import Heading, Row, best_order, capped, caption, table
from reports.sections.decided import in_order, signer
from reports.sections.uncertainty import decimals_of_limits
from reports.words import general as words
from reports.words.corrections import COLUMN as CLIMATE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import datetime

    from reports.kit.numbers import Clock
    from schemas.page import Decision
    from schemas.results import LotPage

__all__ = [
    "brackets_table", "checks_table", "decisions_table", "limits_in_words", "parts_table", "places", "readings_table", "run_state",
    "sorted_page", "spots_table",
]  # fmt: skip

MOST_ROWS = 400
_ORDER = {
    "part_values": ("order", "part"),
    "spot_values": ("part_order", "part", "spot"),
    "readings": ("measured_at", "source", "line", "replicate"),
    "brackets": ("meter", "first_at", "last_at"),
    "checks": ("meter", "at", "block"),
}
_C = words.COLUMN


def _id(value: object) -> Html:
    return isolated(words.FRAGMENT["not_stated"] if value is None else value)


def _of(figure: int | None, anchor: str) -> list[tuple[int, str]]:
    return [] if figure is None else [(figure, anchor)]


def sorted_page(page: LotPage) -> LotPage:
    """Return a page with the rows of its frames in the order in which they are shown."""
    frames: dict[str, Any] = {name: best_order(getattr(page, name), keys) for name, keys in _ORDER.items()}
    return replace(page, **frames)


def run_state(value: object) -> str | None:
    """Return how a run of checks ended: passed, failed, or None where it was not judged."""
    return {"true": "passed", "false": "failed"}.get(str(value).lower(), None if value is None else str(value))


def parts_table(page: LotPage, number: int, figure: int | None, *, unit: str, decimals: int) -> Html:
    """Return part means with what their spots do."""
    frame = page.part_values
    frame, _, note = capped(frame, [False] * frame.height, MOST_ROWS)
    columns = [
        Heading(_C["order"], kind="n"), Heading(_C["part"]), Heading(_C["mean"], unit, "n"), Heading(_C["s_spots"], unit, "n"),
        Heading(_C["spots"], kind="n"), Heading(_C["readings"], kind="n"),
    ]  # fmt: skip
    rows = [
        (
            place, _id(row["part"]), fixed(row["mean"], decimals),
            fixed(row["spot_standard_deviation"], decimals + 1), row["spots"], row["readings"],
        )
        for place, row in enumerate(frame.iter_rows(named=True), start=1)
    ]  # fmt: skip
    return table(
        number, "parts", caption(words.TABLE["parts"], note, figures=_of(figure, "parts")), columns, rows, row_heads=2
    )


def spots_table(page: LotPage, number: int, figure: int | None, *, unit: str, decimals: int) -> Html:
    """Return spot means and what the limits say of each."""
    result = page.result
    frame = page.spot_values
    flagged = [within in ("out", "undecided") for within in frame["within"].to_list()] if frame.height else []
    frame, flagged, note = capped(frame, flagged, MOST_ROWS)
    compared = result.limits_unit is not None
    other_unit = compared and result.limits_unit != result.unit
    columns = [
        Heading(_C["part"]), Heading(_C["spot"]), Heading(_C["mean"], unit, "n"), Heading(_C["s_repeats"], unit, "n"),
        Heading(_C["readings"], kind="n"),
    ]  # fmt: skip
    if other_unit:
        columns.append(Heading(_C["in_limits_unit"], unit_in_words(str(result.limits_unit)), "n"))
    if compared:
        columns.append(Heading(_C["of_limits"]))
    rows: list[list[object]] = []
    first = _first_readings(page)
    for row in frame.iter_rows(named=True):
        anchor = first.get((row["part"], row["spot"]))
        cells: list[object] = [
            _id(row["part"]), _id(row["spot"]), fixed(row["mean"], decimals), fixed(row["standard_deviation"], decimals + 1),
            row["readings"] if anchor is None else element("a", row["readings"], href=f"#{anchor}"),
        ]  # fmt: skip
        if other_unit:
            cells.append(fixed(row["mean_in_limits_unit"], decimals_of_limits(result)))
        if compared:
            within, word = row["within"], words.WITHIN.get(row["within"], str(row["within"]))
            cells.append(word if within in (None, "in") else toned(within, word))
        rows.append(cells)
    return table(
        number,
        "spots",
        caption(words.TABLE["spots"], note, figures=_of(figure, "spots")),
        columns,
        rows,
        marked=flagged,
        row_heads=2,
    )


def _flagged_spots(page: LotPage) -> set[tuple[Any, ...]]:
    """Return the spots whose readings are always shown: those out of limits or undecided."""
    if not page.spot_values.height:
        return set()
    frame = page.spot_values
    spots = zip(frame["part"].to_list(), frame["spot"].to_list(), frame["within"].to_list(), strict=True)
    return {(part, spot) for part, spot, within in spots if within in ("out", "undecided")}


def _first_readings(page: LotPage) -> dict[tuple[Any, ...], str]:
    """Return the name of the first reading of each spot, as far as the table of readings shows it."""
    frame = page.readings
    if not frame.height:
        return {}
    all_shown, suspects = frame.height <= MOST_ROWS, _flagged_spots(page)
    spots = zip(frame["part"].to_list(), frame["spot"].to_list(), strict=True)
    first: dict[tuple[Any, ...], str | None] = {}
    for spot, anchor in zip(spots, reading_anchors(frame, places(page)), strict=True):
        if spot not in first:
            first[spot] = anchor if all_shown or spot in suspects else None
    return {spot: anchor for spot, anchor in first.items() if anchor}


_NOTED = ("non_reading", "excluded", "conflict", "clock", "no_reference_reason")


def _notes(readings: pl.DataFrame) -> list[str]:
    """Return what is to be noted of each reading."""
    columns = {name: readings[name].to_list() for name in _NOTED if name in readings.columns}
    plain = {"excluded": False, "conflict": False, "clock": "known"}
    if all(set(column) <= {None, plain.get(name)} for name, column in columns.items()):
        return [""] * readings.height
    return [_note(dict(zip(columns, row, strict=True))) for row in zip(*columns.values(), strict=True)]


def _note(row: Row) -> str:
    said = []
    if row.get("non_reading") is not None:
        said.append(words.NOTE["non_reading"].format(code=shorten(row["non_reading"], 40)))
    if row.get("excluded"):
        said.append(words.NOTE["excluded"])
    if row.get("conflict"):
        said.append(words.NOTE["conflict"])
    if row.get("clock") not in (None, "known"):
        said.append(words.NOTE["clock"])
    if row.get("no_reference_reason") is not None:
        said.append(words.NOTE["no_reference"].format(reason=shorten(row["no_reference_reason"], 160)))
    return "; ".join(said)


def places(page: LotPage) -> Callable[[object], str]:
    """Return how to name a reading's file: its letter in the table of files, or what the reading says."""
    letters: dict[str, list[str]] = {}
    files = best_order(page.provenance.files, ("name", "sha256"))
    for place, row in enumerate(files.iter_rows(named=True), start=1):
        for key in ("sha256", "name"):
            if row.get(key) is not None:
                letters.setdefault(str(row[key]), []).append(f"F{place}")
    either = words.FRAGMENT["or"]
    return cache(lambda source: either.join(letters.get(str(source), ())) or shorten(str(source), 40))


_CONSTANT = ("meter", "probe", "operator", "unit", "temperature_state")


def readings_table(page: LotPage, number: int, clock: Clock, *, unit: str, decimals: int) -> Html:
    """Return the readings with file and line; what is the same for all stands once in the caption."""
    reference = f"{page.result.reference_temperature_c:g}"
    frame = page.readings
    notes = _notes(frame)
    if frame.height > MOST_ROWS:
        suspects = _flagged_spots(page)
        spots = zip(frame["part"].to_list(), frame["spot"].to_list(), strict=True)
        keep = [bool(note) or spot in suspects for note, spot in zip(notes, spots, strict=True)]
        frame = frame.with_columns(pl.Series("_note", notes, dtype=pl.String))
        frame, _, capping = capped(frame, keep, MOST_ROWS)
        notes = frame["_note"].to_list()
    else:
        capping = ""
    flagged = [bool(note) for note in notes]
    column = {name: frame[name].to_list() for name in frame.columns}
    same = {name: column[name][0] for name in _CONSTANT if frame.height > 1 and len(set(column[name])) == 1}
    place = places(page)
    as_read = _read_decimals(column["value"])
    unit_of = ("" if "unit" in same else f" {unit_in_words(str(name))}" for name in column["unit"])
    counted = any(count not in (None, 1) for count in column["count"])
    corrected = any(column.get("corrections", ()))

    def named(name: str) -> Iterable[object]:
        return (None if cell is None else isolated(cell, 40) for cell in column[name])

    available: list[tuple[bool, Heading, Iterable[object]]] = [
        (True, Heading(_C["file"], kind="t"), _lines(frame, place)),
        (True, Heading(_C["at"], clock.zone, "t"), map(clock.second, column["measured_at"])),
        *((name not in same, Heading(_C[name]), named(name)) for name in ("meter", "probe", "operator")),
        *((True, Heading(_C[name]), named(name)) for name in ("part", "spot")),
        (
            True,
            Heading(_C["value"], unit_in_words(str(same["unit"])) if "unit" in same else None, "n"),
            ((fixed(value, as_read) + unit).strip() for value, unit in zip(column["value"], unit_of, strict=True)),
        ),
        (counted, Heading(_C["count"], kind="n"), column["count"]),
        (counted, Heading(_C["s_given"], kind="n"), (significant(s, 2) for s in column["standard_deviation"])),
        (True, Heading(_C["temperature"], "°C", "n"), (fixed(degrees, 1) for degrees in column["temperature_c"])),
        (
            "temperature_state" not in same,
            Heading(_C["state"]),
            (words.TEMPERATURE_STATE.get(state, state) for state in column["temperature_state"]),
        ),
        (True, Heading(_C["factor"], kind="n"), (fixed(factor, 5) for factor in column["factor"])),
        (corrected, Heading(CLIMATE["by"]), named("corrections") if corrected else ()),
        (True, Heading(_C["at_reference"], unit, "n"), (fixed(value, decimals) for value in column["value_at_reference"])),
        (any(flagged), Heading(_C["notes"]), notes),
    ]  # fmt: skip
    shown = [(heading, cells) for wanted, heading, cells in available if wanted]
    rows = zip(*(cells for _, cells in shown), strict=True)
    said = caption(words.TABLE["readings"].format(reference=reference), _same(same), capping)
    names = reading_anchors(frame, place)
    return table(number, "readings", said, [heading for heading, _ in shown], rows, marked=flagged, anchors=names)


def reading_anchors(readings: pl.DataFrame, place: Callable[[object], str]) -> list[str | None]:
    """Return the stable name of each reading on its page: letter of the file, line and, in a wide line, number."""
    columns = (readings[name].to_list() for name in ("source", "line", "replicate"))
    return [
        None
        if line is None or not _LETTER.fullmatch(letters := place(source).split(" ")[0])
        else f"{letters}-{line}" + (f"-{replicate}" if (replicate or 1) > 1 else "")
        for source, line, replicate in zip(*columns, strict=True)
    ]


_LETTER = re.compile(r"F\d+")


def _same(same: dict[str, Any]) -> str:
    """Say what all readings have in common."""
    facts = []
    for name in _CONSTANT:
        value = same.get(name)
        if value is None or name == "unit":
            continue
        if name == "temperature_state":
            facts.append(words.TEMPERATURE_STATE.get(value, shorten(str(value), 40)))
        else:
            facts.append(f"{_C[name].lower()} {shorten(str(value), 40)}")
    return words.FRAGMENT["same"].format(facts=", ".join(facts)) if facts else ""


def _lines(readings: pl.DataFrame, place: Callable[[object], str]) -> Iterator[Html]:
    """Yield file and line of each reading, and its number where the line holds several."""

    @cache
    def file(source: object) -> Html:
        name = place(source)
        return element("a", name, href=f"#{name}") if _LETTER.fullmatch(name) else text(name)

    columns = (readings[name].to_list() for name in ("source", "line", "replicate"))
    for source, line, replicate in zip(*columns, strict=True):
        number = words.NOTE["number"].format(replicate=replicate) if (replicate or 1) > 1 else None
        yield join([part for part in (file(source), words.NOTE["line"].format(line=line), number) if part], ", ")


def _read_decimals(values: Sequence[float | None]) -> int:
    """Return the decimals of the values as they were written, at most six."""
    known = [value for value in map(finite, values) if value is not None]
    return min(max((len(f"{value:.12g}".partition(".")[2].partition("e")[0]) for value in known), default=0), 6)


def brackets_table(page: LotPage, number: int, figure: int | None, clock: Clock, here: str) -> Html:
    """Return the brackets: readings between two runs of checks."""
    frame = page.brackets
    flagged = [support != "supported" for support in frame["support"].to_list()]
    frame, flagged, note = capped(frame, flagged, MOST_ROWS)
    columns = [
        Heading(_C["meter"]), Heading(_C["before"], clock.zone), Heading(_C["first"], clock.zone), Heading(_C["last"], clock.zone),
        Heading(_C["after"], clock.zone), Heading(_C["readings"], kind="n"), Heading(_C["support"]),
    ]  # fmt: skip
    explained = "reason" in frame.columns
    if explained:
        columns.append(Heading(_C["why"]))

    def moment(at: datetime | None) -> Html:
        return join((element("span", part, class_="t") for part in clock.second(at).split(" ")), " ")

    def run(at: datetime | None, state: object) -> object:
        if at is None:
            return words.FIGURE_OF["no_run"]
        how = run_state(state)
        return join([toned(how, how) if how == "failed" else how or words.PASSES[None], moment(at)], " ")

    rows = [
        (
            words.FRAGMENT["not_stated"] if row["meter"] is None else link(here, address("meter", row["meter"]), row["meter"]),
            run(row["before_at"], row["before_state"]), moment(row["first_at"]), moment(row["last_at"]),
            run(row["after_at"], row["after_state"]), row["readings"],
            toned(row["support"], words.SUPPORT.get(row["support"], str(row["support"]))),
            *([shorten(row["reason"] or "", 200)] if explained else []),
        )
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    return table(
        number, "brackets", caption(words.TABLE["brackets"], note, figures=_of(figure, "brackets")), columns, rows
    )


def checks_table(page: LotPage, number: int, clock: Clock, *, unit: str, decimals: int) -> Html:
    """Return the checks of the bracketing runs."""
    frame = page.checks
    frame, flagged, note = capped(frame, [passes is False for passes in frame["passes"].to_list()], MOST_ROWS)
    columns = [
        Heading(_C["meter"]), Heading(_C["block"]), Heading(_C["at"], clock.zone, "t"), Heading(_C["mean"], unit, "n"),
        Heading(_C["bias"], unit, "n"), Heading(_C["tolerance"], unit, "n"), Heading(_C["result"]),
    ]  # fmt: skip
    here = address("lot", page.result.lot)
    rows = [
        (
            linked(here, "meter", row["meter"]), linked(here, "block", row["block"]), clock.second(row["at"]), fixed(row["mean"], decimals),
            fixed(row["bias"], decimals, sign=True), "" if row["tolerance"] is None else f"±{fixed(row['tolerance'], decimals)}",
            passed(row["passes"]),
        )
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    return table(number, "checks", caption(words.TABLE["checks"], note), columns, rows, marked=flagged, row_heads=2)


def decisions_table(decisions: Sequence[Decision], number: int, clock: Clock) -> Html:
    """Return the dispositions, oldest first."""
    columns = [Heading(_C["at"], clock.zone, "t"), Heading(_C["decision"]), Heading(_C["by"]), Heading(_C["why"])]
    rows = [
        (clock.second(d.at), shorten(d.decision, 80), isolated(signer(d), 90), shorten(d.why, 400))
        for d in in_order(decisions)
    ]
    note = words.FRAGMENT["signature"] if any(d.signed for d in decisions) else ""
    return table(number, "dispositions", caption(words.TABLE["dispositions"], note), columns, rows)


def limits_in_words(lower: float | None, upper: float | None, unit: str) -> str:
    """Return limits as a reader says them."""
    low, high = as_written(lower), as_written(upper)
    if low and high:
        return words.FRAGMENT["between"].format(lower=low, upper=high, unit=unit)
    if low:
        return words.FRAGMENT["at_least"].format(lower=low, unit=unit)
    return words.FRAGMENT["at_most"].format(upper=high, unit=unit) if high else words.FRAGMENT["no_limits"]
