"""How many digits of a value are told, and where probabilities end. Rounding is for words only; data is not rounded."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "LEAST_PROBABILITY",
    "counted",
    "decimals_for",
    "decimals_that_tell",
    "digits_that_tell",
    "finite",
    "p_in_words",
    "probability_in_words",
    "typeset",
]

LEAST_PROBABILITY = 1e-4
"""No probability is told below this, or that near to certainty: what it rests on (a normal shape, an uncertainty with few degrees of
freedom) holds in no tail so far out. Our own rule."""

_MOST_ADDED = 6


def counted(number: int, noun: str) -> str:
    """Return a number with its noun, as sentences of results have it: 1 lot, 2 lots."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def finite(value: float | None) -> float | None:
    """Return the value, or None where it is missing, NaN or infinite."""
    return value if value is not None and math.isfinite(value) else None


def decimals_for(uncertainty: float | None, level: float | None = None) -> int:
    """Return how many decimals to show.

    Parameters
    ----------
    uncertainty
        What the value is uncertain by, or its spread: two significant digits of it are shown (GUM, JCGM 100:2008,
        7.2.6; from memory).
    level
        A typical value; without an uncertainty four significant digits of it are shown.

    Returns
    -------
    int
        From 0 to 9.
    """
    spread = finite(uncertainty)
    if spread is not None and spread > 0:
        # of the digits as they are written: 0.0997 is 0.10, and 0.10 has two decimals
        digits = 1 - int(f"{spread:.1e}".partition("e")[2])
    elif finite(level) and level:
        digits = 3 - math.floor(math.log10(abs(level)))
    else:
        digits = 2
    return min(max(digits, 0), 9)


def decimals_that_tell(decimals: int, values: Iterable[float | None], limits: Iterable[float | None]) -> int:
    """Return enough decimals that no value beyond a limit is written as one on it.

    Parameters
    ----------
    decimals
        At least so many.
    values, limits
        In one unit; what is missing is left out.
    """
    pairs = [(v, limit) for limit in limits if finite(limit) is not None for v in values if finite(v) is not None]
    for more in range(_MOST_ADDED):
        if all(v == limit or round(v, decimals + more) != round(limit, decimals + more) for v, limit in pairs):  # type: ignore[arg-type]
            return decimals + more
    return decimals


def digits_that_tell(digits: int, value: float, limit: float) -> int:
    """Return so many significant digits, or as many more as a value beyond a limit needs not to be written as one on it."""
    wanted = (d for d in range(digits, digits + _MOST_ADDED) if f"{value:.{d}g}" != f"{limit:.{d}g}")
    return digits if value == limit else next(wanted, digits)


def probability_in_words(value: float) -> str:
    """Return a probability as the pipeline and the terminal tell it."""
    if value < LEAST_PROBABILITY:
        return "less than 1 in 10,000"
    if value > 1 - LEAST_PROBABILITY:
        return "more than 9,999 in 10,000"
    return f"{value:.2g}" if value < 0.5 else f"{value:.{max(2, -math.floor(math.log10(1 - value)))}f}"


def p_in_words(p: float) -> str:
    """Return a p value as the pipeline and the terminal tell it: p = 0.012, or p less than 1 in 10,000."""
    return f"p {probability_in_words(p)}" if p < LEAST_PROBABILITY else f"p = {p:.2g}"


_NEGATIVE = re.compile(r"(?<![\w./~-])-(?=\d)")
_POWER = re.compile(r"(?<=\d)[eE]([+\u2212-])0*(\d+)\b")
_RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


def typeset(sentence: str) -> str:
    """Return a sentence as it is read: −0.5 and 2.1·10⁻⁷ for -0.5 and 2.1e-07; ids and dates stay."""

    def power(found: re.Match[str]) -> str:
        return "·10" + f"{'' if found[1] == '+' else '-'}{found[2]}".translate(_RAISED)

    return _NEGATIVE.sub("\u2212", _POWER.sub(power, sentence))
