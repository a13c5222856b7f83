"""Whether a block moved or a meter: evidence from blocks that several meters checked together.

Each visit of a meter to its set of blocks gives one value a block. What moves the meter moves all blocks of the visit
together; what moves a block shows in the differences to its neighbours, on every meter. So the values are split into the
mean of each visit and the differences within it, which are independent and have variances of their own (split-plot
analysis: Cochran and Cox, Experimental Designs, 1957, chapter 7; from memory). Levels of each meter, setting and set of
blocks are taken out first. Candidates are steps and ramps of each block and each meter from any visit on; the likeliest
is chosen by its likelihood, its effect taken out, and so on (stepwise change point search in the manner of Quandt, J. Am.
Stat. Assoc. 53, 873, 1958; from memory). The F test of each is exact for a change at a given time; because the time was
searched for, its p is multiplied by the number of candidates (Bonferroni), so it errs on the cautious side.

What is called certain (common practice, no source): the one that is `LIKELIER` times likelier than any other, and of a block
also that two meters saw it and three visits stand on either side. A block counts against a meter from the first visit that
shows it, or one meter alone would be blamed for a block of its set. So of one meter on three blocks or more the block that left
the others is named, and is the suspect, not certain: the meter may have changed at that level alone. Of one meter on two blocks
it cannot be said which of them moved; of one on a single block nothing can be told apart, and whatever moves has as likely a rival.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]

__all__ = ["LIKELIER", "SIGNIFICANCE", "Movement", "Visits", "find_movements"]

SIGNIFICANCE = 1e-3
"""A movement is named below this p, after Bonferroni: a page that is looked at each month should not cry wolf."""

LIKELIER = 10.0
"""The one is called likelier than the other from this likelihood ratio on (common practice, no source)."""

_MOST_TIMES = 80
_MOST_RAMPS = 16
_MOST_MOVEMENTS = 8
_FEW = 3
"""Visits that must stand on either side before a block is certain to have moved."""


@dataclass(frozen=True, slots=True)
class Visits:
    """Check means by visit; arrays of one length, one entry a block in a visit, sorted by time.

    Parameters
    ----------
    visit
        Number of the visit, from 0.
    time
        Of the visit, in days, the same for all its entries.
    meter, block, phase
        Numbers from 0; the phase is that of the meter's setting.
    value
        Check mean, in the working unit.
    """

    visit: Whole
    time: Floats
    meter: Whole
    block: Whole
    phase: Whole
    value: Floats


@dataclass(frozen=True, slots=True)
class Movement:
    """A block or a meter that moved.

    Parameters
    ----------
    kind, index
        block or meter, and its number.
    shape
        step: from one visit on; ramp: growing since then.
    at
        Time of the first visit at the new level, or from which it grows, in days.
    size
        How far it moved; of a ramp, until the last visit. In the unit of the values.
    standard_error
        Of the size.
    f_ratio, degrees_of_freedom, p_value
        F test with 1 and so many degrees of freedom; p after Bonferroni.
    rival, rival_index
        The likeliest other block or meter, None where none can be set against it.
    log_likelihood_ratio
        Natural logarithm of how many times likelier this is than the rival.
    meters
        How many meters saw the block on both sides; of a meter: how many blocks it was checked on.
    visits
        How many visits stand on the side that has fewer, of meters, settings and sets of blocks that stand on both.
    """

    kind: str
    index: int
    shape: str
    at: float
    size: float
    standard_error: float
    f_ratio: float
    degrees_of_freedom: int
    p_value: float
    rival: str | None
    rival_index: int | None
    log_likelihood_ratio: float
    meters: int
    visits: int

    @property
    def certain(self) -> bool:
        """Whether the evidence tells, as the head of the module says."""
        seen = self.kind == "meter" or (self.meters >= 2 and self.visits >= _FEW)
        return self.log_likelihood_ratio >= log(LIKELIER) and seen


@dataclass(frozen=True, slots=True)
class _Subject:
    """A block or a meter that may have moved: the entries concerned, and how much of the movement each shows."""

    kind: str
    index: int
    concerned: NDArray[np.bool_]
    weight: Floats
    visits: NDArray[np.int64]
    blocks: int


@dataclass(frozen=True, slots=True)
class _Candidate:
    subject: _Subject
    shape: str
    at: float
    within: Floats  # regressor of the differences within visits
    means: Floats  # regressor of the visit means
    last: float  # size at the last visit, in units of the coefficient
    meters: int
    visits: int


class _Layout:
    """The two parts of the data, with the levels taken out of each."""

    def __init__(self, data: Visits) -> None:
        self.data = data
        visits = int(data.visit.max()) + 1
        self.count = np.bincount(data.visit).astype(np.float64)
        sets: dict[tuple[int, int, tuple[int, ...]], int] = {}
        first = np.searchsorted(data.visit, np.arange(visits))
        ends = np.append(first[1:], data.visit.size)
        cells = np.empty(visits, dtype=np.int64)
        for v in range(visits):
            key = (int(data.meter[first[v]]), int(data.phase[first[v]]), tuple(data.block[first[v] : ends[v]].tolist()))
            cells[v] = sets.setdefault(key, len(sets))
        self.first = first
        self.meter_of_cell = np.array([meter for meter, _, _ in sets], dtype=np.int64)
        self.cell_of_visit = cells
        cell = cells[data.visit]
        self.cell_block = np.unique(cell * (int(data.block.max()) + 1) + data.block, return_inverse=True)[1]
        self.pair_count = np.bincount(self.cell_block).astype(np.float64)
        self.cell_count = np.bincount(cells).astype(np.float64)
        blocks_in = self.count[np.unique(cells, return_index=True)[1]]
        self.within_freedom = int(((self.cell_count - 1) * (blocks_in - 1)).sum())
        self.means_freedom = int((self.cell_count - 1).sum())

    def split(self, values: Floats) -> tuple[Floats, Floats]:
        """Return the differences within visits and the visit means, both without their levels."""
        means = np.bincount(self.data.visit, weights=values) / self.count
        within = values - means[self.data.visit]
        within = within - (np.bincount(self.cell_block, weights=within) / self.pair_count)[self.cell_block]
        levels = np.bincount(self.cell_of_visit, weights=means) / self.cell_count
        return within, means - levels[self.cell_of_visit]


_TINY = 1e-9
_PIECE = 8_192
"""Beyond 10,000 values the library takes a thread a core for one product: that costs more than it spares, and the number of cores
would decide the last digit."""


def _product(one: Floats, other: Floats) -> float:
    """Return the sum of products."""
    pieces = range(0, one.size, _PIECE) if one.size > 10_000 else ()
    return sum(float(one[n : n + _PIECE] @ other[n : n + _PIECE]) for n in pieces) if pieces else float(one @ other)


def _without(values: Floats, basis: Sequence[Floats]) -> Floats:
    """Take out the part of some values that lies along orthonormal directions."""
    for direction in basis:
        values = values - direction * _product(direction, values)
    return values


class _Part:
    """One part of the data with what was already explained taken out."""

    def __init__(self, values: Floats, freedom: int, explained: Sequence[Floats]) -> None:
        self.basis: list[Floats] = []
        for regressor in explained:
            left = _without(regressor, self.basis)
            norm = float(np.sqrt(_product(left, left)))
            if norm > _TINY * max(1.0, float(np.sqrt(_product(regressor, regressor)))):
                self.basis.append(left / norm)
        self.freedom = freedom - len(self.basis)
        self.left = _without(values, self.basis)
        self.squares = _product(self.left, self.left)

    def along(self, regressor: Floats) -> tuple[float, float]:
        """Return regressor·values and regressor·regressor after what was explained."""
        left = _without(regressor, self.basis)
        length = _product(left, left)
        if length <= _TINY * max(1.0, _product(regressor, regressor) if self.basis else length):
            return 0.0, 0.0
        return _product(left, self.left), length


def _log_likelihood(squares: tuple[float, float], freedom: tuple[int, int]) -> float:
    """Return the logarithm of the likelihood, but for what the freedoms alone say."""
    return -0.5 * sum(nu * log(max(ss, 1e-300)) for ss, nu in zip(squares, freedom, strict=True))


@dataclass(frozen=True, slots=True)
class _Fit:
    gain: float  # log likelihood, but for what is common to all candidates
    size: float
    standard_error: float
    f_ratio: float  # 0 where its own part does not tell: a rival, and nothing that could be named
    freedom: int


def _fit(candidate: _Candidate, within: _Part, means: _Part) -> _Fit | None:
    """Fit one coefficient to both parts, each with its own variance; None where the data do not tell."""
    aw, bw = within.along(candidate.within)
    am, bm = means.along(candidate.means)
    # what tells a block is the differences, what tells a meter the means: the exact F test is made there
    own, other = ((aw, bw, within), (am, bm, means))[:: 1 if candidate.subject.kind == "block" else -1]
    test_a, test_b, part = own if own[1] else other
    if test_b == 0.0:
        return None
    f_squares = part.squares - test_a**2 / test_b
    if f_squares <= 0:
        return None
    freedom = (within.freedom, means.freedom)
    size = test_a / test_b
    for _ in range(4):
        after = (within.squares - 2 * size * aw + size**2 * bw, means.squares - 2 * size * am + size**2 * bm)
        weights = [nu / ss if ss > 0 else 0.0 for nu, ss in zip(freedom, after, strict=True)]
        precision = weights[0] * bw + weights[1] * bm
        if precision <= 0:  # nothing scatters around it
            return None
        size = (weights[0] * aw + weights[1] * am) / precision
    gain = _log_likelihood(after, freedom)
    f_ratio = test_a**2 / test_b / (f_squares / (part.freedom - 1)) if own[1] else 0.0
    return _Fit(gain, size, precision**-0.5, f_ratio, part.freedom - 1)


def _thinned(times: Floats, most: int) -> Floats:
    if times.size <= most:
        return times
    return times[np.linspace(0, times.size - 1, most).astype(np.int64)]


def _seen(layout: _Layout, subject: _Subject, at: float) -> tuple[int, int]:
    """Return how many visits of cells that stand on both sides are on the side that has fewer, and of how many meters they are."""
    cells = layout.cell_of_visit[subject.visits]
    later = layout.data.time[layout.first[subject.visits]] >= at
    all_of = np.bincount(cells, minlength=layout.cell_count.size)
    after = np.bincount(cells[later], minlength=layout.cell_count.size)
    before = all_of - after
    shared = (before > 0) & (after > 0)
    return min(int(before[shared].sum()), int(after[shared].sum())), np.unique(layout.meter_of_cell[shared]).size


def _candidate(layout: _Layout, subject: _Subject, shape: str, at: float) -> _Candidate | None:
    """Return the regressors of one movement, or None where no visit of a cell stands on both sides."""
    data = layout.data
    visits, meters = _seen(layout, subject, at)
    if not visits:
        return None
    grown = (data.time >= at).astype(np.float64) if shape == "step" else np.maximum(data.time - at, 0.0)
    later = subject.concerned & (grown > 0)
    if not later.any():
        return None
    within, means = layout.split(np.where(subject.concerned, subject.weight * grown, 0.0))
    last = float(grown[later].max() * subject.weight[later].mean())
    # the time of the first visit that shows it, whoever else was at the blocks before
    at = float(data.time[later].min()) if shape == "step" else at
    if subject.kind == "meter":
        meters = subject.blocks
    return _Candidate(subject, shape, at, within, means, last, meters, visits)


def _subjects(data: Visits, level: Floats) -> list[_Subject]:
    def subject(kind: str, index: int, concerned: NDArray[np.bool_], weight: Floats) -> _Subject:
        visits, blocks = data.visit[concerned], int(np.unique(data.block[concerned]).size)
        return _Subject(kind, index, concerned, weight, np.unique(visits), blocks)

    whole = np.ones(data.value.size)
    found = [subject("block", int(b), data.block == b, whole) for b in np.unique(data.block)]
    # a meter reads high by so much, or by so much of the level
    for weight in (whole, level[data.block]):
        found += [subject("meter", int(m), data.meter == m, weight) for m in np.unique(data.meter)]
    return found


def _candidates(layout: _Layout, subjects: Sequence[_Subject], times: Floats) -> list[_Candidate]:
    """Return the movements to try: from some of the visits on, spread evenly."""
    starts = _thinned(times[1:], _MOST_TIMES)
    tried = [("step", float(at)) for at in starts] + [("ramp", float(at)) for at in _thinned(times[:-1], _MOST_RAMPS)]
    return [
        found
        for subject in subjects
        for shape, at in tried
        if (found := _candidate(layout, subject, shape, at)) is not None
    ]


def _refined(
    layout: _Layout, times: Floats, rough: tuple[_Candidate, _Fit], within: _Part, means: _Part
) -> tuple[_Candidate, _Fit]:
    """Look at each visit near the best one of those that were spread evenly."""
    candidate, _ = rough
    place = int(np.searchsorted(times, candidate.at))
    reach = times.size // _MOST_RAMPS + 1
    near = [
        found
        for at in times[max(place - reach, 1) : place + reach + 1]
        if (found := _candidate(layout, candidate.subject, candidate.shape, float(at))) is not None
    ]
    return _best([candidate, *near], within, means) or rough


def _best(
    candidates: Sequence[_Candidate], within: _Part, means: _Part, other_than: _Candidate | None = None
) -> tuple[_Candidate, _Fit] | None:
    best: tuple[_Candidate, _Fit] | None = None
    for candidate in candidates:
        own, other = candidate.subject, None if other_than is None else other_than.subject
        if other is not None and (own.kind, own.index) == (other.kind, other.index):
            continue
        fit = _fit(candidate, within, means)
        if fit is None or (other is None and not fit.f_ratio):  # what cannot be named can be a rival
            continue
        if best is None or fit.gain > best[1].gain + 1e-12:
            best = (candidate, fit)
    return best


def _p_value(fit: _Fit, tried: int) -> float:
    return min(1.0, tried * float(scipy.special.fdtrc(1, fit.freedom, fit.f_ratio)))


def find_movements(data: Visits, *, significance: float = SIGNIFICANCE) -> tuple[Movement, ...]:
    """Find which blocks and meters moved, the most significant first.

    Parameters
    ----------
    data
        Visits; at least two blocks in some of them, or nothing can be told apart.
    significance
        Largest p, after Bonferroni, at which a movement is named.

    Returns
    -------
    tuple of Movement
        Empty where nothing moved, or where too few visits tell.
    """
    if not data.value.size:
        return ()
    layout = _Layout(data)
    origin = float(data.value[0])
    split = layout.split(data.value - origin)
    level = np.bincount(data.block, weights=data.value) / np.bincount(data.block)
    times = np.unique(data.time)
    subjects = _subjects(data, level)
    candidates = _candidates(layout, subjects, times)
    tried = len(subjects) * 2 * times.size

    def parts(explained: Sequence[_Candidate]) -> tuple[_Part, _Part]:
        return (
            _Part(split[0], layout.within_freedom, [one.within for one in explained]),
            _Part(split[1], layout.means_freedom, [one.means for one in explained]),
        )

    chosen: list[_Candidate] = []
    while len(chosen) < _MOST_MOVEMENTS:
        within, means = parts(chosen)
        if min(within.freedom, means.freedom) < 3:
            break
        best = _best(candidates, within, means)
        if best is None or _p_value(best[1], tried) > significance:
            break
        chosen.append(_refined(layout, times, best, within, means)[0])
    found = []
    for place, one in enumerate(chosen):
        within, means = parts(chosen[:place] + chosen[place + 1 :])
        fit = _fit(one, within, means)
        if fit is None or (p := _p_value(fit, tried)) > significance:
            continue
        rival = _best(candidates, within, means, other_than=one)
        found.append(
            Movement(
                kind=one.subject.kind,
                index=one.subject.index,
                shape=one.shape,
                at=one.at,
                size=fit.size * one.last,
                standard_error=fit.standard_error * one.last,
                f_ratio=fit.f_ratio,
                degrees_of_freedom=fit.freedom,
                p_value=p,
                rival=None if rival is None else rival[0].subject.kind,
                rival_index=None if rival is None else rival[0].subject.index,
                log_likelihood_ratio=inf if rival is None else fit.gain - rival[1].gain,
                meters=one.meters,
                visits=one.visits,
            )
        )
    return tuple(sorted(found, key=lambda one: (one.p_value, one.kind, one.index, one.at)))
