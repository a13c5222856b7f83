"""Components of variance over several lots: which lots count, what is said of them, and the command. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scenario import Scenario, at
from workspace_files import Shell

from pipeline.errors import UsageError
from pipeline.questions.over_time.components import components_of_lots

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "lot,product,material,specification,supplier,line\n"


def works(
    lots: int = 6, *, failing: int | None = None, spread: float = 0.2, seed: int = 3, second: str = "bar,copper,S,Q,A"
) -> Scenario:
    """One lot a day: three parts of two spots, read twice; the last lot is of `second`."""
    rows = [f"L{day},bar,copper,S,Q,A" for day in range(lots - 1)] + [f"L{lots - 1},{second}"]
    story = Scenario(lots=HEAD + "\n".join(rows) + "\n")
    rng = np.random.default_rng(seed)
    for day in range(lots):
        story.check("07:00", day=day)
        of_lot = 58.4 + rng.normal(0, spread)
        for part in range(3):
            of_part = of_lot + rng.normal(0, 0.1)
            for spot in range(2):
                of_spot = of_part + rng.normal(0, 0.02)
                for reading in range(2):
                    when = at("08:00", day) + timedelta(seconds=60 * part + 20 * spot + 5 * reading)
                    story.reading(when, of_spot + rng.normal(0, 0.01), lot=f"L{day}", part=str(part), spot=str(spot))
        story.check("12:00", 0.9 if day == failing else 0.0, day=day)
    return story


def test_every_level_has_a_component_and_a_test_by_both_methods() -> None:
    found = components_of_lots(works().assess(day=7), of={"product": "bar"})
    assert found.lots == tuple(f"L{day}" for day in range(6))
    assert [(level.level, level.groups) for level in found.levels] == [
        ("lot", 6),
        ("part", 18),
        ("spot", 36),
        ("reading", 72),
    ]
    assert (found.balanced, found.left_out, found.cautions, found.unit) == (True, (), (), "MS/m")
    assert [level.anova.degrees_of_freedom for level in found.levels] == [5, 12, 18, 36]
    for level in found.levels:
        assert level.reason is None
        assert level.anova.interval is not None
        assert level.anova.variance is not None
        assert level.anova.interval[0] < level.anova.variance < level.anova.interval[1]
        assert level.reml.variance == pytest.approx(level.anova.variance, rel=1e-6)
        innermost = level.level == "reading"
        assert (level.anova.p_value is None) == (level.reml.p_value is None) == innermost
    assert sum(level.anova.share or 0 for level in found.levels) == pytest.approx(1.0)
    assert sum(level.reml.share or 0 for level in found.levels) == pytest.approx(1.0)
    assert found.methods["f_ratio"].endswith("exact for normal values")
    assert (found.first_at, found.last_at) == (at("08:00"), at("08:02:25", 5))


def test_a_lot_whose_meter_failed_its_check_is_left_out_and_named() -> None:
    assessment = works(failing=2).assess(day=7)
    for lots in ((), ("L2", "L3", "L1")):
        found = components_of_lots(assessment, lots=lots, of={"product": "bar"})
        assert [(each.lot, each.reason) for each in found.left_out] == [("L2", "its meter failed the check beside it")]
        assert "L2" not in found.lots
    with pytest.raises(UsageError, match=r"No lot is left.*L2: its meter failed"):
        components_of_lots(assessment, lots=["L2"])


def test_a_lot_without_a_value_at_the_reference_temperature_is_left_out() -> None:
    story = works()
    for row in story.rows:
        if row.get("lot") == "L4":
            row["temperature_state"] = "relative"
    found = components_of_lots(story.assess(day=7), of={"material": "copper"})
    assert [(each.lot, each.reason) for each in found.left_out] == [("L4", "no reading has a value at 20 °C")]


def test_one_lot_and_one_part_a_lot_say_what_they_cannot_tell() -> None:
    assessment = works().assess(day=7)
    alone = components_of_lots(assessment, lots=["L1"])
    assert alone.levels[0].reason == "one lot has no variation between lots"
    assert alone.levels[0].anova.variance is alone.levels[0].reml.variance is alone.levels[0].anova.interval is None
    assert alone.cautions == ()
    assert alone.levels[1].anova.p_value is not None
    story = Scenario()
    for day in range(3):
        story.check("07:00", day=day).lot("08:00", 58.0 + day / 10, lot=f"L{day}", day=day).check("09:00", day=day)
    single = components_of_lots(story.assess(day=5), lots=["L0", "L1", "L2"])
    assert [each.lot for each in single.left_out] == ["L0"]  # no reference table names its material
    assert [level.reason is None for level in single.levels] == [True, False, False, False]
    assert single.levels[0].reml.variance == pytest.approx(np.var([58.1, 58.2], ddof=1))
    assert "no lot has two parts" in str(single.levels[1].reason)


def test_what_else_the_variation_between_lots_holds_is_said() -> None:
    few = components_of_lots(works(4).assess(day=7), of={"line": "A"})
    assert few.cautions == ("4 lots say little of the variation between lots: see its interval",)
    assert components_of_lots(works(5).assess(day=7), of={"line": "A"}).cautions == ()
    story = works(second="rod,copper,S,R,B")
    for row in story.rows:
        if row.get("lot") == "L2":
            row["meter"] = "M2"
    mixed = components_of_lots(story.assess(day=7), of={"material": "copper"}, start=at("00:00", 1))
    assert mixed.lots == ("L1", "L2", "L3", "L4", "L5")
    said = " | ".join(mixed.cautions)
    for words in ("2 products", "2 suppliers", "2 lines", "with lots of each: M1 (4), M2 (1)"):
        assert words in said
    assert "materials" not in said


def test_a_negative_estimate_and_unequal_numbers_are_said() -> None:
    story = works(6, spread=0.0, seed=0)
    story.rows = [row for row in story.rows if not (row.get("lot") == "L1" and row.get("part") == "2")]
    found = components_of_lots(story.assess(day=7), of={"product": "bar"})
    assert not found.balanced
    assert "Satterthwaite" in found.methods["f_ratio"]
    assert found.cautions[0].startswith("the readings are not balanced")
    outer = found.levels[0]
    assert outer.anova.raw is not None
    assert outer.anova.raw < 0
    assert (outer.anova.variance, outer.reml.variance, outer.reml.p_value) == (0.0, 0.0, 1.0)
    assert "the variance between lots comes out as \u2212" in found.cautions[1]


def test_the_period_is_that_of_the_first_readings() -> None:
    assessment = works().assess(day=7)
    inside = components_of_lots(assessment, of={"product": "bar"}, start=at("08:00", 2), end=at("08:00", 4))
    assert inside.lots == ("L2", "L3", "L4")
    later = components_of_lots(assessment, of={"product": "bar"}, start=at("08:00:01", 2), end=at("07:59:59", 4))
    assert later.lots == ("L3",)
    with pytest.raises(UsageError, match="none was read that fits"):
        components_of_lots(assessment, of={"product": "bar"}, start=at("08:00", 9))
    with pytest.raises(UsageError, match=r"No lot of supplier 'nobody' was read\. Known: Q"):
        components_of_lots(assessment, of={"supplier": "nobody"})
    with pytest.raises(UsageError, match="No lot of product 'bat' was read; did you mean 'bar'"):
        components_of_lots(assessment, of={"product": "bat"})
    with pytest.raises(UsageError, match="'l1' has no readings; did you mean 'L1'"):
        components_of_lots(assessment, lots=["L2", "l1"])


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    story = works(failing=2)
    shell = Shell(tmp_path / "w", capsys).make(lots=story.reference["lots"])
    shell.load(shell.put("a.csv", story))
    here = ("--workspace", str(shell.root))
    document = shell.json("components", "--product", "bar", "--from", "2026-03-02", "--to", "2026-03-06", *here)
    assert shell.code == 0
    assert document["lots"] == ["L0", "L1", "L3", "L4"]
    assert [lot["lot"] for lot in document["left_out"]] == ["L2"]
    assert set(document["levels"][0]) == {"level", "groups", "anova", "reml", "reason"}
    told = shell("components", "L1", "L3", "L4", *here)
    assert shell.code == 0
    for words in (
        "3 lots, 9 parts, 18 spots, 36 readings",
        "By analysis of variance",
        "By restricted maximum likelihood",
        "caution: 3 lots",
    ):
        assert words in told
    shell("components", "L1", *here)
    assert "lots: one lot has no variation between lots" in shell.out
    shell("components", *here)
    assert shell.code == 2
    assert "Name lots, or a product" in shell.err
    shell("components", "nowhere", *here)
    assert shell.code == 2
    assert "has no readings" in shell.err
