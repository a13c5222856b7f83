"""The rules one by one, how they are found, and what `apply` writes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest

from pipeline import rules
from pipeline.rules.rule import Rule
from pipeline.statistics.run_lengths import Pattern, pattern_widening

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def along(z: Sequence[float | None]) -> pl.DataFrame:
    """Apply all rules to checks of one block, each in a run of its own."""
    frame = pl.DataFrame(
        {"meter": "M", "block": "B", "run": range(len(z)), "z": pl.Series(z, dtype=pl.Float64)},
    )
    return rules.apply(frame, series=["meter", "block"], run=["meter", "run"])


def across(**z: float | None) -> list[str]:
    """Apply all rules to blocks checked in one run; a trailing digit tells checks of one block apart."""
    frame = pl.DataFrame(
        {"meter": "M", "run": 1, "block": [name[0] for name in z], "z": list(z.values())},
        schema_overrides={"z": pl.Float64},
    )
    return rules.apply(frame, series=["meter", "block"], run=["meter", "run"])["rejects"].to_list()


def test_the_scheme_is_complete_and_sorted() -> None:
    found = rules.find()
    assert [rule.id for rule in found] == ["1-2s", "1-3s", "10-x", "2-2s", "2-2s-across", "4-1s", "R-4s"]
    assert [rule.id for rule in found if not rule.reject] == ["1-2s"]
    assert {rule.id for rule in found if rule.scope == "run"} == {"2-2s-across", "R-4s"}
    assert all("Westgard" in rule.source and rule.title for rule in found)


@pytest.mark.parametrize(
    ("z", "warning", "rejects"),
    [
        ([2.0, -2.0], [False, False], ["", ""]),
        ([2.1, -2.1], [True, True], ["", ""]),
        ([3.0], [True], [""]),
        ([3.1, -3.1], [True, True], ["1-3s", "1-3s"]),
        ([2.1, 2.1, 2.1, 0.0], [True, True, True, False], ["", "2-2s", "2-2s", ""]),
        ([2.1, -2.1, 2.1], [True, True, True], ["", "", ""]),
        ([-2.1, -2.2], [True, True], ["", "2-2s"]),
        ([1.1] * 4, [False] * 4, ["", "", "", "4-1s"]),
        ([1.1, 1.1, 1.0, 1.1, 1.1], [False] * 5, [""] * 5),
        ([-1.1, -1.1, 1.1, -1.1, -1.1], [False] * 5, [""] * 5),
        ([0.5] * 11, [False] * 11, [""] * 9 + ["10-x", "10-x"]),
        ([0.5] * 5 + [0.0] + [0.5] * 9, [False] * 15, [""] * 15),
        ([3.1, 3.1, 3.1, 3.1], [True] * 4, ["1-3s", "1-3s 2-2s", "1-3s 2-2s", "1-3s 2-2s 4-1s"]),
    ],
)
def test_patterns_along_one_block(z: list[float | None], warning: list[bool], rejects: list[str]) -> None:
    frame = along(z)
    assert frame["warning"].to_list() == warning
    assert frame["rejects"].to_list() == rejects


@pytest.mark.parametrize(
    ("limit", "count", "rule"), [(3.0, 1, "1-3s"), (2.0, 2, "2-2s"), (1.0, 4, "4-1s"), (0.0, 10, "10-x")]
)
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_beyond_a_limit_is_strict_and_begins_at_the_next_number(
    limit: float, count: int, rule: str, side: float
) -> None:
    on, beyond = side * limit, side * math.nextafter(limit, math.inf)
    assert rule in along([beyond] * count)["rejects"][-1].split()
    assert rule not in along([beyond] * (count - 1) + [on])["rejects"][-1].split()
    assert rule not in along([on] + [beyond] * (count - 1))["rejects"][-1].split()


@pytest.mark.parametrize("gap", [None, float("nan")])
def test_a_check_without_limits_hits_nothing_and_breaks_a_pattern(gap: float | None) -> None:
    assert along([2.1, gap, 2.1])["rejects"].to_list() == ["", "", ""]
    assert along([1.1, 1.1, gap, 1.1, 1.1])["rejects"].to_list() == [""] * 5
    assert along([0.5] * 6 + [gap] + [0.5] * 6)["rejects"].to_list() == [""] * 13
    assert along([gap])["warning"].to_list() == [False]


@pytest.mark.parametrize("rule", rules.find(), ids=lambda rule: rule.id)
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_every_rule_answers_yes_or_no_and_no_for_a_check_without_limits(rule: Rule, side: float) -> None:
    # enough checks of two blocks far out, on both sides of one without limits, that every pattern would be complete
    for z in ([9.0] * 12, [9.0, -9.0] * 6):
        frame = pl.DataFrame(
            {"run": 1, "block": ["A", "A", "B", "B"] * 3 + ["A"], "z": [side * value for value in z] + [None]},
            schema_overrides={"z": pl.Float64},
        )
        arguments = (["run"],) if rule.scope == "series" else (["run"], pl.col("block"))
        answers = frame.select(rule.flag(pl.col("z"), *arguments)).to_series().to_list()
        assert None not in answers
        assert answers[-1] is False


def test_limits_are_widened_for_what_rejects_and_can_be_widened() -> None:
    def of(*patterns: Pattern) -> float:
        return pattern_widening(patterns, 1000.0, 20)

    one, two = Pattern(1, 1, 3.0), Pattern(2, 2, 2.0)
    assert rules.widening({"1-3s"}, 1000.0, 20) == of(one) > 1
    assert rules.widening({"1-3s", "2-2s"}, 1000.0, 20) == of(one, two) > of(one)
    # a row on one side of the centre has no limit to widen, and a rule across blocks no pattern along one
    assert rules.widening({"1-3s", "10-x", "R-4s"}, 1000.0, 20) == of(one)
    assert rules.widening({"10-x", "R-4s"}, 1000.0, 20) == rules.widening((), 1000.0, 20) == 1.0
    # four beyond one standard deviation can
    assert rules.widening({"4-1s"}, 1000.0, 20) == of(Pattern(4, 4, 1.0))


def test_a_scheme_without_warning_rules_warns_of_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rejecting = tuple(rule for rule in rules.find() if rule.reject)
    monkeypatch.setattr(rules, "find", lambda: rejecting)
    assert along([2.1, 3.1])["warning"].to_list() == [False, False]


@pytest.mark.parametrize(
    ("rejecting", "rejects", "warning"),
    [
        (["1-2s"], ["1-2s", "1-2s"], [False, True]),  # 1-3s was hit by the second and only warns
        (["1-3s", "2-2s"], ["", "1-3s 2-2s"], [True, True]),
        ([], ["", ""], [True, True]),
    ],
)
def test_the_rules_that_a_site_names_reject_and_all_others_warn(
    rejecting: list[str], rejects: list[str], warning: list[bool]
) -> None:
    frame = pl.DataFrame({"meter": "M", "block": "B", "run": [1, 2], "z": [2.5, 3.5]})
    found = rules.apply(frame, series=["meter", "block"], run=["meter", "run"], rejecting=rejecting)
    assert found["rejects"].to_list() == rejects
    assert found["warning"].to_list() == warning


def test_where_nothing_can_reject_every_rule_warns() -> None:
    frame = pl.DataFrame(
        {"meter": "M", "block": "B", "run": [1, 2], "z": [1.1, 1.1], "frozen": [False, True]}
    ).with_columns(z=pl.col("z") * 3)
    found = rules.apply(
        frame, series=["meter", "block"], run=["meter", "run"], rejecting=["1-3s"], where=pl.col("frozen")
    )
    assert found["rejects"].to_list() == ["", "1-3s"]
    assert found["warning"].to_list() == [True, True]
    alone = rules.apply(frame, series=["meter", "block"], run=["meter", "run"], where=pl.col("frozen"))
    assert alone["rejects"].to_list() == ["", "1-3s 2-2s"]


def test_a_pattern_does_not_reach_across_blocks_or_meters() -> None:
    frame = pl.DataFrame({"meter": ["M", "M", "N"], "block": ["A", "B", "B"], "run": [1, 2, 3], "z": [2.5, 2.5, 2.5]})
    assert rules.apply(frame, series=["meter", "block"], run=["meter", "run"])["rejects"].to_list() == ["", "", ""]


def test_series_interleaved_in_time_are_kept_apart() -> None:
    frame = pl.DataFrame(
        {"meter": "M", "block": ["A", "B"] * 3, "run": [1, 1, 2, 2, 3, 3], "z": [2.1, 0.0, 2.1, 0.0, 0.0, 2.1]}
    )
    assert rules.apply(frame, series=["meter", "block"], run=["meter", "run"])["rejects"].to_list() == [
        "",
        "",
        "2-2s",
        "",
        "",
        "",
    ]


def test_a_null_in_the_key_is_a_series_of_its_own() -> None:
    frame = pl.DataFrame(
        {"meter": "M", "probe": [None, None, "P"], "block": "A", "run": [1, 2, 3], "z": [2.5, 2.5, 2.5]}
    )
    found = rules.apply(frame, series=["meter", "probe", "block"], run=["meter", "run"])
    assert found["rejects"].to_list() == ["", "2-2s", ""]


def test_two_blocks_of_a_run_beyond_the_same_limit() -> None:
    assert across(a=2.1, b=2.1, c=0.0) == ["2-2s-across", "2-2s-across", ""]
    assert across(a=-2.1, b=1.9, c=-2.1) == ["2-2s-across", "", "2-2s-across"]
    assert across(a=2.0, b=2.1) == ["", ""]
    assert across(a=-2.0, b=-2.1) == ["", ""]
    assert across(a=2.1, b=None) == ["", ""]


def test_one_block_checked_twice_is_no_second_block() -> None:
    assert across(a1=2.1, a2=2.1) == ["", "2-2s"]
    # the block's own pattern along its checks, and the other block across: each is seen for itself
    assert across(a1=2.1, a2=2.1, b=2.1) == ["2-2s-across", "2-2s 2-2s-across", "2-2s-across"]


def test_opposite_limits_within_one_run() -> None:
    assert across(a=2.1, b=-2.1, c=0.0) == ["R-4s", "R-4s", ""]
    assert across(a=2.1, b=-1.9) == ["", ""]
    assert across(a=2.0, b=-2.1) == ["", ""]
    assert across(a=2.1, b=-2.0) == ["", ""]
    assert across(a=3.1, b=-2.1) == ["1-3s R-4s", "R-4s"]
    assert across(a=3.9, b=-0.5) == ["1-3s", ""]


def test_opposite_limits_in_two_runs_are_no_pattern() -> None:
    assert along([2.1, -2.1])["rejects"].to_list() == ["", ""]


def test_one_block_beyond_opposite_limits_is_no_pattern_whatever_another_run_saw() -> None:
    frame = pl.DataFrame({"meter": "M", "run": [1, 1, 2], "block": ["a", "a", "b"], "z": [2.1, -2.1, 2.1]})
    assert rules.apply(frame, series=["meter", "block"], run=["meter", "run"])["rejects"].to_list() == ["", "", ""]


def test_no_check_gives_no_row() -> None:
    frame = along([])
    assert frame.height == 0
    assert frame.schema["warning"] == pl.Boolean
    assert frame.schema["rejects"] == pl.String


NEW_RULE = """
import polars as pl
from pipeline.rules.rule import Rule, consecutive

RULE = Rule(
    id="{id}",
    title="three consecutive checks beyond 1.5 standard deviations",
    source="invented for a test",
    reject=True,
    scope="series",
    flag=lambda z, over: consecutive(z > 1.5, 3, over),
)
"""


def add_module(folder: Path, monkeypatch: pytest.MonkeyPatch, name: str, text: str) -> None:
    (folder / f"{name}.py").write_text(text, encoding="utf-8")
    monkeypatch.setattr(rules, "__path__", [*rules.__path__, str(folder)])


def test_adding_a_rule_is_adding_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = [rule.id for rule in rules.find()]
    add_module(tmp_path, monkeypatch, "three_one_and_a_half_s", NEW_RULE.format(id="3-1.5s"))
    assert [rule.id for rule in rules.find()] == sorted([*before, "3-1.5s"])
    assert along([1.6, 1.6, 1.6])["rejects"].to_list() == ["", "", "3-1.5s"]


def test_a_module_without_rule_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    add_module(tmp_path, monkeypatch, "no_rule_at_all", "RULES = ()\n")
    with pytest.raises(TypeError, match="no_rule_at_all of the rules holds no RULE"):
        rules.find()


def test_two_rules_of_one_id_are_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    add_module(tmp_path, monkeypatch, "second_of_its_id", NEW_RULE.format(id="1-3s"))
    with pytest.raises(ValueError, match="two rules have the id '1-3s'"):
        rules.find()


@pytest.mark.parametrize(
    ("identity", "scope", "words"), [("1 3s", "series", "without spaces"), ("1-3s", "lot", "scope")]
)
def test_a_rule_that_makes_no_sense_is_refused(identity: str, scope: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Rule(id=identity, title="t", source="s", reject=True, scope=scope, flag=pl.Expr.is_null)
