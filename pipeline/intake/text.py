"""The grammar of numbers and times: text becomes a number or a time only where it matches what was declared.

Nothing is inferred. Every function takes a whole column and gives null where a cell does not match; the reason for a
null is worked out afterwards for the few cells concerned.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, timedelta
from functools import cache

import polars as pl

from schemas.declare import UTC_TIME as _UTC_TIME
from schemas.terms import END_OF_TIME, START_OF_TIME

__all__ = [
    "MomentGrammar",
    "NumberGrammar",
    "has_offset",
    "has_year",
    "moment_failures",
    "moment_grammar",
    "parse_integers",
    "parse_moments",
    "parse_numbers",
]

_SPACES = " \u00a0\u202f\u2009"  # a declared space also stands for the spaces that typesetters put between digits


@dataclass(frozen=True, slots=True)
class NumberGrammar:
    """How numbers are written: decimal mark, mark between groups of three, exponent or not."""

    decimal_char: str = "."
    group_char: str | None = None
    exponent: bool = False

    @property
    def group_class(self) -> str:
        """The group mark as a class of a regular expression; empty where there is none."""
        if self.group_char is None:
            return ""
        return f"[{re.escape(_SPACES if self.group_char in _SPACES else self.group_char)}]"

    @property
    def whole(self) -> str:
        """Regular expression for digits before the decimal mark; a group mark never follows a leading zero."""
        return f"(?:[1-9][0-9]{{0,2}}(?:{self.group_class}[0-9]{{3}})+|[0-9]+)"

    @property
    def pattern(self) -> str:
        """Regular expression for the whole of a number."""
        mark = re.escape(self.decimal_char)
        power = "(?:[eE][+-]?[0-9]{1,3})?" if self.exponent else ""
        return f"^[+-]?(?:{self.whole}(?:{mark}[0-9]+)?|{mark}[0-9]+){power}$"

    @property
    def opposite(self) -> str:
        """Regular expression for a number written with the other decimal mark, or with marks this grammar has not."""
        other = re.escape("," if self.decimal_char == "." else ".")
        any_mark = f"[.,'’{_SPACES}]"
        return (
            f"^[+-]?(?:[0-9]*{other}[0-9]+"
            f"|[0-9]{{1,3}}(?:{any_mark}[0-9]{{3}})+[.,][0-9]+"
            f"|[0-9]{{1,3}}(?:{any_mark}[0-9]{{3}}){{2,}}"
            f"|[0-9]{{1,3}}['’{_SPACES}][0-9]{{3}})$"
        )


def parse_numbers(cells: pl.Series, grammar: NumberGrammar) -> pl.Series:
    """Turn a column of text into numbers.

    Parameters
    ----------
    cells
        Text; null stays null.
    grammar
        Declared marks.

    Returns
    -------
    polars.Series
        Float64, null where a cell does not match the grammar or is too large for a double. Never NaN or infinite.
    """
    number = pl.col("cells")
    fits = number.str.contains(grammar.pattern)
    if grammar.group_char is not None:
        number = number.str.replace_all(grammar.group_class, "")
    if grammar.decimal_char != ".":
        number = number.str.replace(grammar.decimal_char, ".", literal=True)
    number = number.cast(pl.Float64, strict=False)
    return (
        pl.DataFrame({"cells": cells})
        .select(pl.when(fits & number.is_finite()).then(number).alias(cells.name))
        .to_series()
    )


def parse_integers(cells: pl.Series, grammar: NumberGrammar) -> pl.Series:
    """Turn a column of text into whole numbers (Int64); null where a cell is none."""
    number = pl.col("cells")
    fits = number.str.contains(f"^[+-]?{grammar.whole}$")
    if grammar.group_char is not None:
        number = number.str.replace_all(grammar.group_class, "")
    return (
        pl.DataFrame({"cells": cells})
        .select(pl.when(fits).then(number.cast(pl.Int64, strict=False)).alias(cells.name))
        .to_series()
    )


# strftime word -> (regular expression, the word that the parser of polars knows)
_WORDS: dict[str, tuple[str, str]] = {
    "%Y": ("[0-9]{4}", "%Y"),
    "%y": ("[0-9]{2}", "%y"),
    "%m": ("[0-9]{2}", "%m"),
    "%-m": ("[0-9]{1,2}", "%m"),
    "%d": ("[0-9]{2}", "%d"),
    "%-d": ("[0-9]{1,2}", "%d"),
    "%H": ("[0-9]{2}", "%H"),
    "%-H": ("[0-9]{1,2}", "%H"),
    "%I": ("[0-9]{2}", "%I"),
    "%-I": ("[0-9]{1,2}", "%I"),
    "%M": ("[0-9]{2}", "%M"),
    "%-M": ("[0-9]{1,2}", "%M"),
    "%S": ("[0-5][0-9]", "%S"),
    "%-S": ("[0-5]?[0-9]", "%S"),
    "%f": ("[0-9]{1,9}", "%f"),
    "%b": ("[A-Za-z]{3}", "%b"),
    "%B": ("[A-Za-z]+", "%B"),
    "%p": ("(?:[AaPp][Mm])", "%p"),
    "%z": ("(?:[+-][0-9]{2}:?[0-9]{2})", "%z"),
    "%s": ("[0-9]{9,10}", "%s"),
    "%%": ("%", "%%"),
}
_DATE_WORDS = {"%Y", "%y", "%m", "%-m", "%d", "%-d", "%b", "%B"}
_TIME_WORDS = {"%H", "%-H", "%I", "%-I", "%M", "%-M", "%S", "%-S", "%f", "%p", "%z"}
_DEFAULTS = {"date": "%Y-%m-%d", "time": "%H:%M:%S"}
_ISO = (
    r"^([0-9]{4}-[0-9]{2}-[0-9]{2})[T ]([0-9]{2}:[0-9]{2})(?:(:[0-5][0-9])(?:[.,]([0-9]{1,9}))?)?"
    r"(?:Z|([+-](?:0[0-9]|1[0-4])):?([0-5][0-9]))$"
)
_ISO_PLAIN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-5][0-9](?:Z|[+-](?:0[0-9]|1[0-4]):[0-5][0-9])$"


@dataclass(frozen=True, slots=True)
class MomentGrammar:
    """How a time is written. `words` is empty for ISO 8601 with offset."""

    words: tuple[str, ...]
    month_names: tuple[str, ...] | None = None

    @property
    def pattern(self) -> str:
        """Regular expression for the whole of a time."""
        if not self.words:
            return _ISO
        return "^" + "".join(self._expression(word) for word in self.words) + "$"

    def _expression(self, word: str) -> str:
        if word in ("%b", "%B") and self.month_names:
            return "(?:" + "|".join(map(re.escape, self.month_names)) + ")"
        return _WORDS[word][0] if word in _WORDS else re.escape(word)

    @property
    def has_offset(self) -> bool:
        """Whether each time carries its own offset (seconds since 1970 do)."""
        return not self.words or "%z" in self.words or "%s" in self.words


def _split(text: str, kind: str) -> tuple[str, ...]:
    if text == "default":
        if kind == "datetime":
            return ()
        text = _DEFAULTS[kind]
    words = tuple(re.findall(r"%-?.|[^%]", text))
    if "".join(words) != text:
        raise ValueError(f"found {text!r}, which ends in the middle of a word")
    allowed = {"date": _DATE_WORDS, "time": _TIME_WORDS, "datetime": _DATE_WORDS | _TIME_WORDS | {"%s"}}[kind]
    for word in words:
        if word.startswith("%") and word != "%%" and word not in allowed:
            raise ValueError(f"found {word} in {text!r}, expected {', '.join(sorted(allowed))} and plain text")
    plain = [word.replace("-", "") for word in words if word.startswith("%") and word != "%%"]
    if len(set(plain)) < len(plain):
        raise ValueError(f"found a word twice in {text!r}")
    have = set(plain)
    if "%s" in have:
        if len(words) > 1:
            raise ValueError(f"found {text!r}, expected %s (seconds since 1970) alone")
        return words
    for needed, name in (("%d", "a day"), ("%m", "a month")):
        if kind != "time" and needed not in have and not (needed == "%m" and have & {"%b", "%B"}):
            raise ValueError(f"found {text!r}, which has not {name}")
    if kind != "date" and not ("%M" in have and ("%H" in have or {"%I", "%p"} <= have)):
        raise ValueError(f"found {text!r}, expected hours (%H, or %I with %p) and minutes (%M)")
    if "%f" in have:
        at = words.index("%f")
        if words[max(at - 2, 0) : at] not in {(seconds, mark) for seconds in ("%S", "%-S") for mark in ".,:"}:
            raise ValueError(f"found {text!r}, expected seconds and a mark (. , or :) before %f")
    return words


@cache
def moment_grammar(
    text: str, kind: str, time_text: str | None = None, month_names: tuple[str, ...] | None = None
) -> MomentGrammar:
    """Return the grammar of a date and time, of a date, of a time, or of a date column and a time column together.

    Parameters
    ----------
    text
        ``default`` or a pattern of strftime words.
    kind
        datetime, date or time.
    time_text
        Format of the time column, where the date stands in a column of its own; the two are joined by a space.
    month_names
        Twelve names that stand for %b or %B.

    Raises
    ------
    ValueError
        Says what is wrong with the pattern.
    """
    words = _split(text, kind)
    if time_text is not None:
        words = (*words, " ", *_split(time_text, "time"))
    return MomentGrammar(words, month_names)


def has_offset(text: str, kind: str) -> bool:
    """Whether times of this format carry their own offset."""
    return kind != "date" and moment_grammar(text, kind).has_offset


def has_year(text: str, kind: str) -> bool:
    """Whether dates of this format carry a year."""
    words = moment_grammar(text, kind).words
    return not words or bool({"%Y", "%y", "%s"} & set(words))


def _iso(cells: pl.Series) -> pl.Series:
    """Read times of ISO 8601 with offset; anything else is null."""
    plain = cells.str.contains(_ISO_PLAIN)
    if plain.all():
        return _plain_iso(cells)
    canonical = (
        pl.DataFrame({"cells": cells})
        .select(
            pl.when(pl.col("cells").str.contains(_ISO))
            .then(pl.col("cells").str.replace(_ISO, "${1}T${2}${3}|.${4}0|${5}:${6}"))
            .str.replace(r"(T[0-9]{2}:[0-9]{2})\|", "${1}:00|")
            .str.replace(r"\|\.([0-9]{0,6})[0-9]*\|", ".${1}|")
            .str.replace(r"\|:$", "|+00:00")
            .str.replace("|", "", literal=True)
        )
        .to_series()
    )
    return canonical.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f%:z", time_unit="us", strict=False).dt.convert_time_zone(
        "UTC"
    )


def _plain_iso(cells: pl.Series) -> pl.Series:
    """Read times of one form, by far the most common; the offsets of a file are few, so each is worked out once."""
    naive = cells.str.head(19).str.to_datetime("%Y-%m-%dT%H:%M:%S", time_unit="us", strict=False)
    offsets = cells.str.slice(19)
    shifts = {
        text: 0 if text == "Z" else int(text[0] + "1") * (60 * int(text[1:3]) + int(text[4:6]))
        for text in offsets.drop_nulls().unique()
    }
    if any(shifts.values()):
        minutes = offsets.replace_strict(shifts, return_dtype=pl.Int64)
        naive = naive - (minutes * 60_000_000).cast(pl.Duration("us"))
    return naive.dt.replace_time_zone("UTC")


def _declared(cells: pl.Series, grammar: MomentGrammar, year: int | None) -> pl.Series:
    """Read times by a declared pattern: naive, or in UTC where the pattern has an offset."""
    fits = cells.str.contains(grammar.pattern)
    text = cells if fits.all() else cells.set(~fits.fill_null(value=False), None)
    words = list(grammar.words)
    if grammar.month_names is not None:
        names = sorted(zip(grammar.month_names, range(1, 13), strict=True), key=lambda pair: -len(pair[0]))
        text = text.str.replace_many([n for n, _ in names], [f"{m:02d}" for _, m in names], leftmost=True)
        words = ["%m" if word in ("%b", "%B") else word for word in words]
    if "%f" in words and words[words.index("%f") - 1] != ".":
        at = words.index("%f")
        head = "".join(_WORDS[w][0] if w in _WORDS else re.escape(w) for w in words[: at - 1])
        text = text.str.replace(f"^({head}){re.escape(words[at - 1])}", "${1}.")
        words[at - 1] = "."
    form = "".join(_WORDS[word][1] if word in _WORDS else word for word in words)
    if words == ["%s"]:
        return pl.from_epoch(text.cast(pl.Int64), time_unit="s").cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    if year is not None:
        text = pl.DataFrame({"t": text}).select(pl.lit(f"{year} ") + pl.col("t")).to_series()
        form = "%Y " + form
    return text.str.to_datetime(form.replace(".%f", "%.f"), time_unit="us", strict=False)


def parse_moments(cells: pl.Series, grammar: MomentGrammar, *, zone: str | None, year: int | None) -> pl.Series:
    """Turn a column of text into times in UTC.

    Parameters
    ----------
    cells
        Text; null stays null.
    grammar
        Declared format.
    zone
        Zone of times without an offset; not used for others.
    year
        Year of dates without one.

    Returns
    -------
    polars.Series
        Datetime in UTC, microseconds (further digits are cut). Null where a cell does not match, names no day of the
        calendar, lies outside the years 1900 to 2200, or names a local time that a change of the clock skipped or
        repeated.
    """
    times = _written(cells.cast(pl.String), grammar, year)
    if not grammar.has_offset:
        if zone is None:
            raise ValueError("local times need a zone")
        times = times.dt.replace_time_zone(zone, ambiguous="null", non_existent="null").dt.convert_time_zone("UTC")
    return _bounded(times, timedelta()).rename(cells.name)


def _written(cells: pl.Series, grammar: MomentGrammar, year: int | None) -> pl.Series:
    """Read times as they are written, without a zone or in UTC; null far outside the years in which times are reckoned."""
    times = _declared(cells, grammar, year) if grammar.words else _iso(cells)
    return _bounded(times, timedelta(days=2))


def _bounded(times: pl.Series, margin: timedelta) -> pl.Series:
    """Return times with null where one lies outside the years, by UTC."""
    start, end = (at.replace(tzinfo=UTC if times.dtype == _UTC_TIME else None) for at in (START_OF_TIME, END_OF_TIME))
    outside = (times < start - margin) | (times >= end + margin)
    return times.set(outside.fill_null(value=False), None)


def moment_failures(cells: pl.Series, grammar: MomentGrammar, *, zone: str | None, year: int | None) -> pl.Series:
    """Say for cells that gave no time why not.

    Returns
    -------
    polars.Series
        One of ``not_a_time``, ``impossible_date``, ``date_out_of_range``, ``ambiguous_time``, ``skipped_time``.
    """
    cells = cells.cast(pl.String)
    read = _declared(cells, grammar, year) if grammar.words else _iso(cells)
    naive = _bounded(read, timedelta(days=2))
    far = naive.is_null() & read.is_not_null()
    frame = pl.DataFrame({"fits": cells.str.contains(grammar.pattern), "naive": naive, "far": far})
    if grammar.has_offset:
        far = far | (_bounded(naive, timedelta()).is_null() & naive.is_not_null())
        return frame.select(
            pl.when(~pl.col("fits"))
            .then(pl.lit("not_a_time"))
            .when(far)
            .then(pl.lit("date_out_of_range"))
            .otherwise(pl.lit("impossible_date"))
        ).to_series()
    either = (
        pl.col("naive")
        .dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
        .dt.convert_time_zone("UTC")
    )
    outside = (either < START_OF_TIME) | (either >= END_OF_TIME)
    return frame.select(
        pl.when(~pl.col("fits"))
        .then(pl.lit("not_a_time"))
        .when(pl.col("far") | outside)
        .then(pl.lit("date_out_of_range"))
        .when(pl.col("naive").is_null())
        .then(pl.lit("impossible_date"))
        .when(either.is_null())
        .then(pl.lit("skipped_time"))
        .otherwise(pl.lit("ambiguous_time"))
    ).to_series()
