"""Plans of gauge studies: everybody reads every part once a round, in an order drawn from a text."""

from __future__ import annotations

import random
from collections import Counter
from typing import Any

import pytest

from pipeline.statistics.study_plan import study_plan


def test_in_each_round_everybody_reads_every_part_once() -> None:
    plan = study_plan(["Ada", "Ben", "Cy"], 4, 2, seed="one")
    assert [reading.place for reading in plan] == list(range(1, 25))
    assert [reading.round for reading in plan] == [1] * 12 + [2] * 12
    for number in (1, 2):
        read = Counter((reading.group, reading.part) for reading in plan if reading.round == number)
        assert read == Counter((group, part) for group in ("Ada", "Ben", "Cy") for part in "1234")
    # a group reads all its parts before the next takes over
    assert all(len({reading.group for reading in plan[start : start + 4]}) == 1 for start in range(0, 24, 4))
    assert plan == study_plan(["Ada", "Ben", "Cy"], 4, 2, kind="crossed", seed="one")


def test_nested_parts_belong_to_one_group_and_have_numbers_of_their_own() -> None:
    plan = study_plan(["A", "B", "C"], 2, 3, kind="nested")
    parts = {group: {reading.part for reading in plan if reading.group == group} for group in "ABC"}
    assert parts == {"A": {"1", "2"}, "B": {"3", "4"}, "C": {"5", "6"}}
    assert Counter((reading.round, reading.part) for reading in plan) == Counter(
        (number, str(part)) for number in (1, 2, 3) for part in range(1, 7)
    )


def test_the_order_is_drawn_anew_in_each_round_and_follows_from_the_text() -> None:
    first, again, other = (study_plan(list("ABCDE"), 9, 6, seed=seed) for seed in ("x", "x", "y"))
    assert first == again != other
    orders = [tuple(reading.part for reading in first[start : start + 9]) for start in range(0, 270, 9)]
    assert len(set(orders)) == 30
    rounds = [tuple(dict.fromkeys(r.group for r in first if r.round == number)) for number in range(1, 7)]
    assert len(set(rounds)) > 1
    assert study_plan("AB", 5, 1, seed="") == study_plan("AB", 5, 1)


def test_the_draw_is_the_one_that_python_promises_to_keep() -> None:
    # random() after seeding with a text is the only draw promised to stay the same (library's documentation)
    draw = random.Random("study plan / s").random
    left, expected = ["A", "B", "C"], []
    while left:
        expected.append(left.pop(int(draw() * len(left))))
    plan = study_plan(["A", "B", "C"], 2, 1, seed="s")
    assert list(dict.fromkeys(reading.group for reading in plan)) == expected


def test_every_part_comes_first_about_equally_often() -> None:
    first = Counter(study_plan("AB", 4, 1, seed=str(number))[0].part for number in range(800))
    assert sorted(first) == list("1234")
    assert min(first.values()) > 150  # 200 expected, standard deviation 12


@pytest.mark.parametrize(
    ("groups", "parts", "repeats", "kind"),
    [
        ([], 5, 2, "crossed"),
        (["A", "A"], 5, 2, "crossed"),
        (["A", " "], 5, 2, "crossed"),
        (["A", ""], 5, 2, "crossed"),
        (["A", "B"], 1, 2, "crossed"),
        (["A", "B"], 2, 0, "crossed"),
        (["A"], 2, 1, "crossed"),
        (["A", "B"], 2, 1, "nested"),
        (["A", "B"], 2, 2, "other"),
    ],
)
def test_a_plan_that_can_tell_nothing_is_refused(groups: list[str], parts: int, repeats: int, kind: Any) -> None:
    with pytest.raises(ValueError, match=r"expected|needs"):
        study_plan(groups, parts, repeats, kind=kind)


@pytest.mark.parametrize(
    ("groups", "repeats", "kind"), [(["A", "B"], 1, "crossed"), (["A"], 2, "crossed"), (["A"], 2, "nested")]
)
def test_the_smallest_plans(groups: list[str], repeats: int, kind: str) -> None:
    assert len(study_plan(groups, 2, repeats, kind=kind)) == len(groups) * 2 * repeats
