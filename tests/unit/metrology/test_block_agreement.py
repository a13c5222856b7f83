"""Whether a block moved or a meter: the right one is named, nothing else, and the F test is the textbook one."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.metrology.block_agreement import Movement, Visits, find_movements

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


def test_a_setting_is_no_movement_and_two_movements_are_told_apart() -> None:
    # the meter was set from the fifteenth visit on: its phase changes, and so may its level
    data = visits(5, ("meter", 0), size=0.3)
    after = (data.meter == 0) & (data.time >= 75)
    assert find_movements(replace(data, phase=after.astype(np.int64))) == ()
    both = visits(5, ("meter", 0), size=0.3)
    both = replace(both, value=both.value - 0.25 * ((both.block == 2) & (both.time >= 50)))
    assert {(one.kind, one.index) for one in find_movements(both)} == {("meter", 0), ("block", 2)}


def test_one_meter_alone_cannot_tell_a_block_from_itself() -> None:
    found = find_movements(visits(2, ("block", 1), size=0.4, meters=1, n=40))
    assert found
    assert not any(one.certain for one in found if one.kind == "block")


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


def test_units_and_order_of_names_leave_the_finding_alone() -> None:
    data = visits(7, ("block", 2), size=0.2)
    (found,) = find_movements(data)
    (scaled,) = find_movements(replace(data, value=1000 + data.value / 0.58))
    assert scaled.size == pytest.approx(found.size / 0.58)
    assert (scaled.kind, scaled.index, scaled.at) == (found.kind, found.index, found.at)
    assert scaled.f_ratio == pytest.approx(found.f_ratio, rel=1e-6)
    (renamed,) = find_movements(replace(data, meter=2 - data.meter))
    assert (renamed.index, renamed.f_ratio) == (found.index, pytest.approx(found.f_ratio))


def test_too_little_to_tell() -> None:
    empty = np.array([], dtype=np.int64)
    assert find_movements(Visits(empty, empty.astype(float), empty, empty, empty, empty.astype(float))) == ()
    assert find_movements(visits(1, ("block", 1), size=1.0, n=2)) == ()
    one_block = visits(1, blocks=1)
    assert find_movements(one_block) == ()
    constant = visits(1)
    assert find_movements(replace(constant, value=50.0 + 4.0 * constant.block)) == ()
