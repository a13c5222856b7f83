"""Whether a block moved or a meter: the right one is named, nothing else, and the F test is the textbook one."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from pipeline.metrology.block_agreement import Movement, Visits, _product, find_movements

DEVIATION_OF_VISITS, DEVIATION_WITHIN = 0.045, 0.05


def visits(
    seed: int, moved: tuple[str, int] | None = None, *, size: float = 0.15, meters: int = 3, blocks: int = 3, n: int = 24,
    shape: str = "step",
) -> Visits:  # fmt: skip
    """Return visits of some meters to some blocks, five days apart; from the fifteenth on one of them has moved."""
    rng = np.random.default_rng(seed)
    rows = []
    for t in range(n):
        for m in range(meters):
            common = rng.normal(0, DEVIATION_OF_VISITS)
            grown = float(t >= 15) if shape == "step" else max(0.0, (t - 9) / (n - 10))
            for b in range(blocks):
                value = 50 + 4 * b + 0.05 * m + common + rng.normal(0, DEVIATION_WITHIN)
                value += size * grown if moved in (("block", b), ("meter", m)) else 0.0
                rows.append((t * meters + m, 5.0 * t + 0.1 * m, m, b, 0, value))
    table = np.array(rows)
    visit, meter, block, phase = (table[:, i].astype(np.int64) for i in (0, 2, 3, 4))
    return Visits(visit, table[:, 1], meter, block, phase, table[:, 5])


def outcome(found: tuple[Movement, ...], moved: tuple[str, int] | None) -> str:
    if not found:
        return "none"
    first = found[0]
    if (first.kind, first.index) != moved:
        return "wrong"
    return ("right" if first.certain else "right, not certain") + (" and another" if len(found) > 1 else "")


def test_the_one_that_moved_is_named_over_many_simulated_histories(capsys: pytest.CaptureFixture[str]) -> None:
    """Three meters, three blocks, 24 visits each; deviation 0.045 between visits and 0.05 within; 20 histories a row.

    A block shows in the differences within visits, against 0.05; a meter in the means of visits, against
    sqrt(0.045² + 0.05²/3) = 0.053 of its own visits alone, so that it is seen less early. p below 0.001 after Bonferroni.
    """
    table: dict[str, Counter[str]] = {}
    for moved in (None, ("block", 1), ("meter", 1)):
        for size in (0.10, 0.15, 0.20) if moved else (0.0,):
            for shape in ("step", "ramp") if moved and size == 0.20 else ("step",):
                name = "nothing moved" if moved is None else f"{moved[0]} moved by {size:.2f}, {shape}"
                table[name] = Counter(
                    outcome(find_movements(visits(seed, moved, size=size, shape=shape)), moved) for seed in range(20)
                )
    with capsys.disabled():
        print("\nwhich one moved, named in 20 simulated histories")
        for name, counts in table.items():
            print(f"  {name:32}{', '.join(f'{n} {word}' for word, n in counts.most_common())}")
    assert table["nothing moved"]["none"] == 20
    for name, counts in table.items():
        assert counts["wrong"] == 0, name
    assert table["block moved by 0.15, step"]["right"] >= 19
    assert table["meter moved by 0.20, step"]["right"] >= 19
    # a meter must move further to be seen than a block
    assert table["meter moved by 0.10, step"]["none"] > table["block moved by 0.10, step"]["none"]


def test_size_time_and_evidence_of_a_block_that_moved() -> None:
    (found,) = find_movements(visits(7, ("block", 2), size=0.2))
    assert (found.kind, found.index, found.shape, found.meters) == ("block", 2, "step", 3)
    assert found.at == pytest.approx(75.0, abs=5.2)
    assert found.size == pytest.approx(0.2, abs=4 * found.standard_error)
    assert found.p_value < 1e-6
    assert found.log_likelihood_ratio > 5


def test_a_meter_that_moved_by_a_part_of_the_level_is_no_block() -> None:
    data = visits(3, blocks=4)
    gain = np.where((data.meter == 1) & (data.time >= 75), 1.004, 1.0)
    found = find_movements(replace(data, value=data.value * gain))
    assert [(one.kind, one.index) for one in found] == [("meter", 1)]
    assert found[0].certain
    # of blocks at 50 to 62 the mean is 56
    assert found[0].size == pytest.approx(0.004 * 56, abs=4 * found[0].standard_error)
    assert found[0].standard_error < 0.03


def test_a_setting_is_no_movement_and_two_movements_are_told_apart() -> None:
    # the meter was set from the fifteenth visit on: its phase changes, and so may its level
    data = visits(5, ("meter", 0), size=0.3)
    after = (data.meter == 0) & (data.time >= 75)
    assert find_movements(replace(data, phase=after.astype(np.int64))) == ()
    both = visits(5, ("meter", 0), size=0.3)
    both = replace(both, value=both.value - 0.25 * ((both.block == 2) & (both.time >= 50)))
    assert {(one.kind, one.index) for one in find_movements(both)} == {("meter", 0), ("block", 2)}


def test_each_movement_is_tested_beside_the_other_ones() -> None:
    """Within visits of 3 meters to 4 blocks, 24 each: 23·3·3 degrees of freedom, less one a movement."""
    data = visits(5, blocks=4)
    moved = 0.4 * ((data.block == 0) & (data.time >= 50)) - 0.4 * ((data.block == 2) & (data.time >= 75))
    found = find_movements(replace(data, value=data.value + moved))
    assert sorted((one.index, one.at, one.degrees_of_freedom) for one in found) == [(0, 50.0, 205), (2, 75.0, 205)]
    assert [one.p_value for one in found] == sorted(one.p_value for one in found)


@pytest.mark.parametrize("before", [True, False])
def test_a_meter_that_was_there_on_one_side_only_did_not_see_it(before: bool) -> None:
    data = visits(7, ("block", 2), size=0.4)
    kept = (data.meter != 2) | ((data.time < 70) if before else (data.time >= 76))
    data = Visits(*(getattr(data, name)[kept] for name in ("visit", "time", "meter", "block", "phase", "value")))
    data = replace(data, visit=np.unique(data.visit, return_inverse=True)[1])
    (found,) = find_movements(data)
    assert (found.kind, found.index, found.meters) == ("block", 2, 2)


def test_a_block_that_moved_twice_took_two_steps_and_not_the_ramp_that_first_seemed_likeliest() -> None:
    data = visits(0, n=48)
    on_it = data.block == 1
    value = data.value + (on_it & (data.time >= 60)) + (on_it & (data.time >= 180))
    found = find_movements(replace(data, value=value))
    assert sorted((one.index, one.shape, one.at) for one in found) == [(1, "step", 60.0), (1, "step", 180.0)]
    assert [one.size for one in found] == pytest.approx([1.0, 1.0], abs=0.06)


def test_three_visits_tell_nothing_and_four_are_looked_at() -> None:
    """One meter on two blocks: a degree of freedom fewer than visits, of which a step and its scatter need three."""
    three, four = (visits(1, ("meter", 0), size=5.0, meters=1, blocks=2, n=n) for n in (3, 4))
    assert find_movements(three, significance=1.0) == ()
    assert find_movements(four, significance=1.0) != ()
    assert find_movements(four) == ()


@pytest.mark.parametrize(("place", "few"), [(1, 3), (2, 6), (3, 9), (9, 9), (10, 6), (11, 3)])
def test_a_block_is_certain_from_three_visits_on_either_side_and_a_meter_from_one(place: int, few: int) -> None:
    """Twelve visits of three meters to three blocks: a block that one of them sees less often, and a meter at its first and last."""
    data = visits(1, n=12)
    alone = replace(data, value=data.value + 3.0 * ((data.block == 1) & (data.time >= 5.0 * place)))
    (found,) = find_movements(alone)
    assert (found.kind, found.index, found.shape, found.at) == ("block", 1, "step", 5.0 * place)
    assert (found.meters, found.visits, found.certain) == (3, few, True)
    assert [replace(found, visits=least).certain for least in (1, 2, 3)] == [False, False, True]
    for first in (1, 11):
        by_meter = (data.meter == 1) & (data.time >= 5.0 * first)
        found = find_movements(replace(data, value=data.value + 3.0 * by_meter))[0]
        assert (found.kind, found.index, found.shape, found.at) == ("meter", 1, "step", 5.0 * first + 0.1)
        assert (found.visits, found.meters, found.certain) == (1, 3, True)


def one_meter(blocks: int, place: int, *, of: str) -> Movement:
    """Return what is said first of one meter that visited some blocks twelve times, where one of them or all left from a visit on."""
    data = visits(1, meters=1, blocks=blocks, n=12)
    moved = (data.time >= 5.0 * place) & ((data.block == 1) | (of == "meter"))
    return find_movements(replace(data, value=data.value + 3.0 * moved))[0]


@pytest.mark.parametrize("place", [1, 2, 3, 9, 10, 11])
def test_one_meter_names_the_block_that_left_two_others_as_the_suspect_and_never_itself(place: int) -> None:
    """One block of three moved and two did not: common practice, no source; from the first visit that shows it."""
    found = one_meter(3, place, of="block")
    assert (found.kind, found.index, found.shape, found.at) == ("block", 1, "step", 5.0 * place)
    assert (found.meters, found.visits) == (1, min(place, 12 - place))
    assert found.size == pytest.approx(3.0, abs=4 * found.standard_error)
    assert found.log_likelihood_ratio > math.log(10)
    assert not found.certain


@pytest.mark.parametrize("blocks", [2, 3])
@pytest.mark.parametrize("place", [1, 6, 11])
def test_one_meter_is_certain_to_have_moved_where_all_its_blocks_moved_alike(place: int, blocks: int) -> None:
    found = one_meter(blocks, place, of="meter")
    assert (found.kind, found.shape, found.at, found.meters, found.certain) == (
        "meter",
        "step",
        5.0 * place,
        blocks,
        True,
    )


def test_a_meter_on_a_block_that_nobody_else_sees_any_more_has_the_block_as_its_equal() -> None:
    """Meter 0 goes to block 0 alone; meter 1 to all three, in the other case only before block 0 or meter 0 moved."""
    data = visits(4, ("meter", 0), size=0.6, meters=2)
    kept = (data.meter == 1) | (data.block == 0)

    def of(rows: np.ndarray) -> Movement:
        some = Visits(*(getattr(data, name)[rows] for name in ("visit", "time", "meter", "block", "phase", "value")))
        return find_movements(replace(some, visit=np.unique(some.visit, return_inverse=True)[1]))[0]

    seen, unseen = of(kept), of(kept & ((data.meter == 0) | (data.time < 75)))
    assert (seen.kind, seen.index, seen.meters, seen.certain) == ("meter", 0, 1, True)
    assert (unseen.kind, unseen.index, unseen.rival, unseen.rival_index) == ("meter", 0, "block", 0)
    assert unseen.log_likelihood_ratio == pytest.approx(0.0, abs=1e-6)
    assert not unseen.certain


def test_with_two_blocks_the_other_one_is_the_rival() -> None:
    found = find_movements(visits(2, ("block", 1), size=0.3, blocks=2))
    assert found[0].kind == "block"
    assert (found[0].rival, found[0].rival_index) == ("block", 1 - found[0].index)


def test_the_f_test_is_that_of_the_linear_model_with_visits_and_levels() -> None:
    """Compare with ordinary least squares on indicator columns, which knows nothing of parts or projections."""
    data = visits(11, ("block", 0), size=0.25)
    (found,) = find_movements(data)
    columns = [data.visit == v for v in np.unique(data.visit)]
    columns += [(data.meter == m) & (data.block == b) for m in range(3) for b in range(3)]
    null = np.array(columns, dtype=float).T
    moved = ((data.block == found.index) & (data.time >= found.at)).astype(float)
    squares = []
    for design in (null, np.column_stack([null, moved])):
        solution, *_ = np.linalg.lstsq(design, data.value - 50, rcond=None)
        squares.append(float(((data.value - 50 - design @ solution) ** 2).sum()))
    freedom = data.value.size - int(np.linalg.matrix_rank(np.column_stack([null, moved])))
    assert found.degrees_of_freedom == freedom
    assert found.f_ratio == pytest.approx((squares[0] - squares[1]) / (squares[1] / freedom), rel=1e-9)
    assert found.p_value >= stats.f.sf(found.f_ratio, 1, freedom)


def test_the_f_test_of_a_meter_is_that_of_its_visit_means_whatever_blocks_it_saw() -> None:
    """Least squares of the visit means on a level for each meter and set of blocks, with and without the step."""
    data = visits(11, ("meter", 0), size=0.4)
    kept = (data.block != 2) | (data.visit % 2 == 0)
    data = Visits(*(getattr(data, name)[kept] for name in ("visit", "time", "meter", "block", "phase", "value")))
    found = find_movements(data)[0]
    assert (found.kind, found.index, found.shape, found.meters) == ("meter", 0, "step", 3)
    every = np.unique(data.visit)
    means = np.array([data.value[data.visit == v].mean() for v in every])
    sets = [(int(data.meter[data.visit == v][0]), int((data.visit == v).sum())) for v in every]
    times = np.array([data.time[data.visit == v][0] for v in every])
    null = np.array([[one == other for other in sorted(set(sets))] for one in sets], dtype=float)
    moved = np.array([meter == 0 for meter, _ in sets]) & (times >= found.at)
    squares = []
    for design in (null, np.column_stack([null, moved])):
        solution, *_ = np.linalg.lstsq(design, means - 50, rcond=None)
        squares.append(float(((means - 50 - design @ solution) ** 2).sum()))
    freedom = means.size - null.shape[1] - 1
    assert found.degrees_of_freedom == freedom
    assert found.f_ratio == pytest.approx((squares[0] - squares[1]) / (squares[1] / freedom), rel=1e-9)


def residuals(values: np.ndarray, labels: list[list[tuple[int, ...]]]) -> np.ndarray:
    """Take levels out by least squares on indicator columns."""
    columns = [[row == name for row in rows] for rows in labels for name in sorted(set(rows))]
    design = np.array(columns, dtype=float).T
    return values - design @ np.linalg.lstsq(design, values, rcond=None)[0]


def by_loops(data: Visits) -> list[tuple[float, Movement]]:
    """Return every movement that could be told, with its gain in log likelihood, as the heading of the module says it.

    Two parts, the differences within visits and the visit means, each with its own variance and without its levels; the size is
    the likeliest of both together. A visit on either side, of one setting and set of blocks.
    """
    every = sorted(set(data.visit.tolist()))
    rows = {v: np.flatnonzero(data.visit == v) for v in every}
    cell = {v: (int(data.meter[r[0]]), int(data.phase[r[0]]), *data.block[r].tolist()) for v, r in rows.items()}
    when = {v: float(data.time[r[0]]) for v, r in rows.items()}
    cells = [cell[v] for v in data.visit.tolist()]
    entries = [(*one, 99, b) for one, b in zip(cells, data.block.tolist(), strict=True)]

    def split(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        means = np.array([values[rows[v]].mean() for v in every])
        within = residuals(values, [[(v,) for v in data.visit.tolist()], entries])
        return within, residuals(means, [[cell[v] for v in every]])

    parts = split(data.value - data.value.mean())
    blocks_of: dict[tuple[int, ...], list[int]] = {}
    for v in every:
        blocks_of.setdefault(cell[v], []).append(len(rows[v]))
    freedom = (sum((len(n) - 1) * (n[0] - 1) for n in blocks_of.values()), sum(len(n) - 1 for n in blocks_of.values()))
    level = np.array([data.value[data.block == b].mean() for b in data.block]) / np.mean(
        [data.value[data.block == b].mean() for b in sorted(set(data.block.tolist()))]
    )
    subjects = [("block", b, data.block == b, np.ones(level.size)) for b in sorted(set(data.block.tolist()))]
    for weight in (np.ones(level.size), level):
        subjects += [("meter", m, data.meter == m, weight) for m in sorted(set(data.meter.tolist()))]
    times = sorted(set(data.time.tolist()))

    def likelihood(size: float, moved: tuple[np.ndarray, np.ndarray]) -> float:
        squares = [float(((part - size * one) ** 2).sum()) for part, one in zip(parts, moved, strict=True)]
        return -0.5 * sum(nu * math.log(ss / nu) for ss, nu in zip(squares, freedom, strict=True))

    found = []
    for kind, index, concerned, weight in subjects:
        for shape, start in [("step", at) for at in times[1:]] + [("ramp", at) for at in times[:-1]]:
            seen = [v for v in every if concerned[rows[v]].any()]
            sides = [({cell[v] for v in seen if when[v] < start}), ({cell[v] for v in seen if when[v] >= start})]
            both = [v for v in seen if cell[v] in sides[0] & sides[1]]
            fewer = min(sum(when[v] < start for v in both), sum(when[v] >= start for v in both))
            if not fewer:
                continue
            grown = (data.time >= start) * 1.0 if shape == "step" else np.maximum(data.time - start, 0.0)
            later = concerned & (grown > 0)
            if not later.any():
                continue
            moved = split(np.where(concerned, weight * grown, 0.0))
            place = 0 if kind == "block" else 1
            along, length = float(moved[place] @ parts[place]), float(moved[place] @ moved[place])
            if length < 1e-9:
                continue
            rest = float(parts[place] @ parts[place]) - along**2 / length
            around = abs(along / length) + 3 * math.sqrt(rest / length)
            best = optimize.minimize_scalar(
                lambda size, moved=moved: -likelihood(size, moved), bounds=(-around, around), method="bounded",
                options={"xatol": 1e-12},
            )  # fmt: skip
            size, last = float(best.x), float(grown[later].max() * weight[later].mean())
            known = sum(
                nu * float(one @ one) / float(((part - size * one) ** 2).sum())
                for nu, one, part in zip(freedom, moved, parts, strict=True)
            )
            f = along**2 / length / (rest / (freedom[place] - 1))
            movement = Movement(
                kind=kind, index=index, shape=shape, at=float(data.time[later].min()) if shape == "step" else start,
                size=size * last, standard_error=known**-0.5 * last, f_ratio=f, degrees_of_freedom=freedom[place] - 1,
                p_value=min(1.0, len(subjects) * 2 * len(times) * float(stats.f.sf(f, 1, freedom[place] - 1))), rival=None, rival_index=None,
                log_likelihood_ratio=math.inf,
                meters=len({cell[v][0] for v in both}) if kind == "block" else len(set(data.block[concerned].tolist())), visits=fewer,
            )  # fmt: skip
            found.append((likelihood(size, moved) - likelihood(0.0, moved), movement))
    return found


@pytest.mark.parametrize(
    ("seed", "moved", "shape", "some"),
    [(1, ("block", 1), "step", False), (2, ("block", 2), "ramp", True), (3, ("meter", 1), "step", True), (4, ("meter", 0), "ramp", False),
     (5, ("block", 0), "step", True)],
)  # fmt: skip
def test_what_is_named_is_the_likeliest_of_every_step_and_ramp_by_loops(
    seed: int, moved: tuple[str, int], shape: str, *, some: bool
) -> None:
    data = visits(seed, moved, size=0.6, meters=2, blocks=3, n=8, shape="step")
    on_it = data.block == moved[1] if moved[0] == "block" else data.meter == moved[1]
    grown = (data.time >= 20) * 1.0 if shape == "step" else np.maximum(data.time - 10, 0.0) / 25
    # every third visit left one block out: another set of blocks, with a level of its own
    kept = (data.visit % 3 > 0) | (data.block != 1) if some else data.block >= 0
    data = replace(data, value=data.value + 0.6 * on_it * grown)
    data = Visits(*(getattr(data, name)[kept] for name in ("visit", "time", "meter", "block", "phase", "value")))
    found = find_movements(data, significance=0.05)[:1]
    every = by_loops(data)
    gain, best = max(every, key=lambda one: one[0])
    gain_of_rival, rival = max(
        ((gain, one) for gain, one in every if (one.kind, one.index) != (best.kind, best.index)), key=lambda one: one[0]
    )
    expected = replace(best, rival=rival.kind, rival_index=rival.index, log_likelihood_ratio=gain - gain_of_rival)
    assert [(one.kind, one.index) for one in found] == [moved]
    for name in Movement.__slots__:
        one, other = getattr(found[0], name), getattr(expected, name)
        assert one == (pytest.approx(other, rel=1e-4) if isinstance(other, float) else other), name


def test_evidence_is_certain_from_ten_times_likelier_on_and_of_a_block_from_two_meters_on() -> None:
    (found,) = find_movements(visits(7, ("block", 2), size=0.2))
    ten = math.log(10)
    for kind, meters, ratio, certain in (
        ("block", 2, ten, True), ("block", 1, ten, False), ("block", 2, ten - 1e-9, False), ("meter", 1, ten, True),
        ("meter", 1, ten - 1e-9, False), ("block", 3, math.inf, True),
    ):  # fmt: skip
        assert replace(found, kind=kind, meters=meters, log_likelihood_ratio=ratio).certain is certain


def test_units_and_order_of_names_leave_the_finding_alone() -> None:
    data = visits(7, ("block", 2), size=0.2)
    (found,) = find_movements(data)
    (scaled,) = find_movements(replace(data, value=1000 + data.value / 0.58))
    assert scaled.size == pytest.approx(found.size / 0.58)
    assert (scaled.kind, scaled.index, scaled.at) == (found.kind, found.index, found.at)
    assert scaled.f_ratio == pytest.approx(found.f_ratio, rel=1e-6)
    (renamed,) = find_movements(replace(data, meter=2 - data.meter))
    assert (renamed.index, renamed.f_ratio) == (found.index, pytest.approx(found.f_ratio))


@pytest.mark.parametrize("place", [4, 7, 10, 100])
def test_of_more_visits_than_are_tried_at_first_the_one_from_which_it_moved_is_found(place: int) -> None:
    """Of 119 beginnings 80 are tried, spread evenly; these four are not among them."""
    tried = np.linspace(0, 118, 80).astype(np.int64) + 1
    assert place not in tried
    data = visits(3, meters=1, n=120)
    moved = (data.block == 1) & (data.time >= 5.0 * place)
    (found,) = find_movements(replace(data, value=data.value + 3.0 * moved))
    assert (found.index, found.shape, found.at) == (1, "step", 5.0 * place)


def test_one_block_alone_tells_nothing_however_many_meters_see_it_and_however_far_one_moved() -> None:
    assert find_movements(visits(1, ("meter", 1), size=3.0, blocks=1)) == ()
    (two,) = find_movements(visits(1, ("meter", 1), size=3.0, blocks=2))
    assert (two.kind, two.index) == ("meter", 1)


def test_too_little_to_tell() -> None:
    empty = np.array([], dtype=np.int64)
    assert find_movements(Visits(empty, empty.astype(float), empty, empty, empty, empty.astype(float))) == ()
    assert find_movements(visits(1, ("block", 1), size=1.0, n=2)) == ()
    one_block = visits(1, blocks=1)
    assert find_movements(one_block) == ()
    constant = visits(1)
    assert find_movements(replace(constant, value=50.0 + 4.0 * constant.block)) == ()
    # where nothing scatters no test can be made, however the digits fall
    for size in (0.1, 0.2, 0.3, 1 / 3, 1.0):
        moved = size * ((constant.block == 1) & (constant.time >= 75))
        assert all(
            one.index == 1 for one in find_movements(replace(constant, value=50.0 + 4.0 * constant.block + moved))
        )


def test_a_product_of_many_values_is_that_of_pieces_which_no_number_of_cores_changes() -> None:
    rng = np.random.default_rng(8)
    one, other = rng.normal(size=(2, 30_001))
    assert _product(one[:10_000], other[:10_000]) == float(one[:10_000] @ other[:10_000])
    for n in (10_001, 30_001):
        pieces = [float(one[k : min(k + 8_192, n)] @ other[k : min(k + 8_192, n)]) for k in range(0, n, 8_192)]
        assert _product(one[:n], other[:n]) == sum(pieces)
        assert _product(one[:n], other[:n]) == pytest.approx(math.fsum(one[:n] * other[:n]), rel=1e-12)
