"""The definitions that decide, walked case by case. Two readers of the design must get the same verdict."""

from __future__ import annotations

from datetime import timedelta
from itertools import product

import pytest
from scenario import Scenario, at

from pipeline.errors import ReferenceTableError
from pipeline.intake.tables import parse_tables
from pipeline.metrology.support import SUPPORT_ORDER
from pipeline.metrology.verdict import Evidence, decide
from pipeline.workspace.settings import Settings

LIMITS = ("in", "out", "undecided", None)
SUPPORT = SUPPORT_ORDER
MISSING = {
    "nothing": {},
    "limits": {"missing": ("no limits",)},
    "hardness": {"holds": ("hardness missing",)},
    "hardness_out": {"hardness_out": ("hardness out",)},
    "conflict": {"holds": ("conflict",)},
}


def expected(limits: str | None, support: str, missing: str) -> str:
    """The sentence of the design, written down once more and apart from the code."""
    if missing == "limits" or limits is None:
        return "not_assessed"
    if limits == "out" and support == "supported" and missing == "hardness_out":
        return "reject"  # only a hardness result that is missing waits
    if limits == "undecided" or support != "supported" or missing != "nothing":
        return "hold"
    return {"in": "accept", "out": "reject"}[limits]


@pytest.mark.parametrize(("limits", "support", "missing"), list(product(LIMITS, SUPPORT, MISSING)))
def test_verdict_matrix(limits: str | None, support: str, missing: str) -> None:
    evidence = Evidence(
        limits_met=limits, support=support, support_reasons=("because",), limits_sentence="compared", **MISSING[missing]
    )
    verdict = decide(evidence)
    assert verdict.verdict == expected(limits, support, missing)
    assert verdict.reasons
    assert all(verdict.reasons)


def verdict_of(scenario: Scenario, lot: str = "L1", clock: str = "23:00", **given: object) -> tuple[str, str]:
    result = scenario.assess(clock, **given).lots[lot]
    return result.support, result.verdict


IN, OUT = (58.5, 58.6, 58.4), (55.0, 58.6, 58.4)
BEFORE_AFTER = {
    # checks before, checks after (bias, clock), as of -> support
    "both pass": ([("08:00", 0.0)], [("10:00", 0.0)], "23:00", "supported"),
    "before fails": ([("08:00", 0.4)], [("10:00", 0.0)], "23:00", "suspect"),
    "after fails": ([("08:00", 0.0)], [("10:00", -0.4)], "23:00", "suspect"),
    "no check": ([], [], "09:30", "unsupported"),
    "none before": ([], [("10:00", 0.0)], "23:00", "unsupported"),
    "none before, after fails": ([], [("10:00", 0.4)], "23:00", "suspect"),
    "before too old": ([("00:30", 0.0)], [("10:00", 0.0)], "23:00", "unsupported"),
    "before too old and failed": ([("00:30", 0.4)], [("10:00", 0.0)], "23:00", "suspect"),
    "none after, in time": ([("08:00", 0.0)], [], "12:00", "open"),
    "none after, at the interval": ([("08:00", 0.0)], [], "17:00:10", "open"),
    "none after, past": ([("08:00", 0.0)], [], "17:00:11", "unsupported"),
    "after too late": ([("08:00", 0.0)], [("17:30", 0.0)], "23:00", "unsupported"),
    "after too late and failed": ([("08:00", 0.0)], [("17:30", 0.4)], "23:00", "suspect"),
}


@pytest.mark.parametrize("values", [IN, OUT], ids=["in", "out"])
@pytest.mark.parametrize("case", list(BEFORE_AFTER))
def test_support_from_checks(case: str, values: tuple[float, ...]) -> None:
    before, after, as_of, support = BEFORE_AFTER[case]
    scenario = Scenario()
    for clock, bias in before:
        scenario.check(clock, bias)
    scenario.lot("09:00", *values)
    for clock, bias in after:
        scenario.check(clock, bias)
    found = verdict_of(scenario, clock=as_of)
    wanted = {"supported": "accept" if values is IN else "reject"}.get(support, "hold")
    assert found == (support, wanted)


def test_missing_values_are_not_assessed() -> None:
    def bracketed() -> Scenario:
        return Scenario().check("08:00")

    no_temperature = bracketed().lot("09:00", temperature_c=None).check("10:00").assess().lots["L1"]
    assert no_temperature.verdict == "not_assessed"
    assert no_temperature.mean is None
    assert "no temperature" in " ".join(no_temperature.reasons)
    one_lacks = bracketed().lot("09:00").reading(at("09:05"), 58.4, lot="L1", part="9", spot="1", temperature_c=None)
    assert one_lacks.check("10:00").assess().lots["L1"].verdict == "not_assessed"
    relative = bracketed().lot("09:00", temperature_state="relative").check("10:00").assess().lots["L1"]
    assert relative.verdict == "not_assessed"
    unknown_lot = bracketed().lot("09:00", lot="L9").check("10:00").assess().lots["L9"]
    assert unknown_lot.verdict == "not_assessed"
    assert "lots.csv" in unknown_lot.reasons[0]
    no_limits = (
        Scenario(specifications="specification,material,parts\nS,copper,1\n").check("08:00").lot("09:00").check("10:00")
    )
    assert no_limits.assess().lots["L1"].verdict == "not_assessed"
    for column, least in (("parts", 4), ("spots", 2), ("repeats", 2)):
        plan = {"parts": 1, "spots": 1, "repeats": 1, column: least}
        text = f"specification,lower,upper,unit,parts,spots,repeats\nS,57,60,MS/m,{plan['parts']},{plan['spots']},{plan['repeats']}\n"
        few = Scenario(specifications=text).check("08:00").lot("09:00").check("10:00").assess().lots["L1"]
        assert few.verdict == "not_assessed", column
        assert str(least) in few.reasons[0]
    unread = Scenario().check("08:00").lot("09:00").check("10:00").assess(lots=["L2"]).lots["L2"]
    assert (unread.verdict, unread.readings) == ("not_assessed", 0)


def test_a_required_hardness_result_holds_the_lot() -> None:
    text = "specification,lower,upper,unit,hardness_required\nS,57,60,MS/m,yes\n"
    bare = Scenario(specifications=text).check("08:00").lot("09:00").check("10:00").assess().lots["L1"]
    assert bare.verdict == "hold"
    assert "hardness" in bare.reasons[0].lower()
    hardness = "lot,part,value,scale,lower,upper\nL1,1,{},HB,60,80\n"
    for value, wanted in ((70, "accept"), (90, "hold")):
        full = Scenario(specifications=text, hardness=hardness.format(value)).check("08:00").lot("09:00").check("10:00")
        assert full.assess().lots["L1"].verdict == wanted


def test_limits_hit_exactly_are_met_in_every_unit() -> None:
    # 30.0 %IACS is 17.4 MS/m, and binary arithmetic gives 29.999999999999996 on the way back
    specifications = "specification,lower,upper,unit\nS,30.0,34.5,%IACS\n"
    for value, unit, wanted in (
        (30.0, "%IACS", "accept"), (17.4, "MS/m", "accept"), (34.5, "%IACS", "accept"), (20.01, "MS/m", "accept"),
        (29.99, "%IACS", "reject"), (17.39, "MS/m", "reject"), (34.51, "%IACS", "reject"),
    ):  # fmt: skip
        scenario = (
            Scenario(specifications=specifications).check("08:00").lot("09:00", value, value, unit=unit).check("10:00")
        )
        assert scenario.assess().lots["L1"].verdict == wanted, (value, unit)


def test_conforms_by_says_what_is_compared() -> None:
    for conforms_by, wanted in (("spot", "reject"), ("part", "reject"), ("lot_mean", "accept")):
        text = f"specification,lower,upper,unit,conforms_by\nS,57,60,MS/m,{conforms_by}\n"
        scenario = Scenario(specifications=text).check("08:00").lot("09:00", 56.5, 58.5, 58.5).check("10:00")
        assert scenario.assess().lots["L1"].verdict == wanted, conforms_by
    for k, wanted in ((0.5, "accept"), (3.0, "reject")):
        text = f"specification,lower,unit,conforms_by,k\nS,57,MS/m,k_method,{k}\n"
        scenario = Scenario(specifications=text).check("08:00").lot("09:00", 57.9, 58.5, 58.9).check("10:00")
        assert scenario.assess().lots["L1"].verdict == wanted, k


def test_the_permitted_fraction_of_the_plan_goes_before_k() -> None:
    # limits one standard deviation from the mean of three parts: 1/3 is estimated beyond them, while k = 0.9 stands for 21.6 %
    found = {}
    for permitted in ("", 33.3, 33.4):
        head = "specification,lower,upper,unit,conforms_by,k,most_nonconforming_percent\n"
        scenario = Scenario(specifications=f"{head}S,58.1,58.9,MS/m,k_method,0.9,{permitted}\n").check("08:00")
        result = scenario.lot("09:00", 58.1, 58.5, 58.9).check("10:00").assess().lots["L1"]
        found[permitted] = result.verdict, result.reasons[0]
    assert [verdict for verdict, _ in found.values()] == ["reject", "reject", "accept"]
    assert "k = 0.9" in found[""][1]
    assert "an estimated 33.3 % lie beyond 58.1 to 58.9 MS/m, and the plan permits 33.4 % (M)" in found[33.4][1]
    assert "an estimated 33.33 % lie beyond 58.1 to 58.9 MS/m, and the plan permits 33.3 % (M)" in found[33.3][1]


@pytest.mark.parametrize(
    ("limits", "k", "permitted", "problem"),
    [
        ("57,60", "", "", "needs a k, or with two limits"),
        ("57,", "", "3.32", "with one limit needs a k"),
        ("57,60", "", "3.32", None),
        ("57,", "1.5", "3.32", None),
        ("57,60", "", "0", "most_nonconforming_percent"),
        ("57,60", "", "100.5", "most_nonconforming_percent"),
    ],
)
def test_a_plan_by_variables_needs_k_or_m(limits: str, k: str, permitted: str, problem: str | None) -> None:
    text = f"specification,lower,upper,unit,conforms_by,k,most_nonconforming_percent\nS,{limits},MS/m,k_method,{k},{permitted}\n"
    if problem is None:
        assert parse_tables({"specifications": text}, zone="UTC")["specifications"].height == 1
    else:
        with pytest.raises(ReferenceTableError, match=problem):
            parse_tables({"specifications": text}, zone="UTC")


def test_guarded_rule_knows_a_third_verdict() -> None:
    text = "specification,lower,unit,decision_rule\nS,57,MS/m,guarded\n"
    found = {}
    for value in (55.0, 56.9, 57.1, 59.0):
        scenario = Scenario(specifications=text).check("08:00")
        for part in ("1", "2", "3"):
            for i in range(3):
                moment = at("09:00") + timedelta(seconds=40 * int(part) + 5 * i)
                scenario.reading(moment, value + 0.01 * i, lot="L1", part=part, spot="1")
        result = scenario.check("10:00").assess().lots["L1"]
        found[value] = (result.limits_met, result.verdict)
    assert found == {
        55.0: ("out", "reject"),
        56.9: ("undecided", "hold"),
        57.1: ("undecided", "hold"),
        59.0: ("in", "accept"),
    }


def test_a_lot_in_two_brackets_takes_the_worse() -> None:
    scenario = Scenario().check("08:00").lot("09:00").check("10:00").lot("11:00", lot="L1").check("12:00", 0.4)
    assert verdict_of(scenario) == ("suspect", "hold")


def test_two_meters_both_must_be_in_control() -> None:
    scenario = Scenario().check("08:00").lot("09:00").check("10:00").lot("09:00", 58.5, meter="M2")
    assert verdict_of(scenario) == ("unsupported", "hold")


def test_a_run_passes_only_when_every_block_passes() -> None:
    scenario = (
        Scenario().check("08:00").check("08:01", 0.4, block="B2").lot("09:00").check("10:00").check("10:01", block="B2")
    )
    assert verdict_of(scenario)[0] == "suspect"


def test_a_setting_ends_the_run_and_starts_a_phase() -> None:
    scenario = Scenario().check("08:00").lot("09:00", lot="L1").check("10:00", 0.4)
    for i in range(3):
        scenario.reading(at("10:10") + timedelta(seconds=i), 58.4, role="setting", block="B1")
    scenario.check("10:20").lot("11:00", lot="L2").check("12:00")
    found = scenario.assess()
    assert (found.lots["L1"].support, found.lots["L2"].support) == ("suspect", "supported")
    assert found.runs["passed"].to_list() == [True, False, True, True]
    phases = found.checks["phase"].to_list()
    assert phases[:2] == [None, None]
    assert phases[2] == at("10:10") + timedelta(seconds=2)
    assert found.meters["M1"].last_setting_at == phases[2]
    assert found.meters["M1"].blocks[0].checks == 2


def test_a_block_without_a_certificate_decides_nothing() -> None:
    scenario = Scenario().check("08:00", block="BX").lot("09:00").check("10:00", block="BX")
    found = scenario.assess()
    assert found.lots["L1"].support == "unsupported"
    assert found.meters["M1"].state == "not_assessed"
    assert found.meters["M1"].blocks[0].bias is None
    assert found.meters["M1"].blocks[0].not_computable["limits"]


def test_checks_are_split_by_gap_block_and_part() -> None:
    scenario = (
        Scenario()
        .check("08:00")
        .check("08:05")
        .check("08:20")
        .check("08:21", block="B2")
        .check("08:22")
        .lot("09:00")
        .check("09:01")
    )
    found = scenario.assess()
    assert found.checks["readings"].to_list() == [6, 3, 3, 3, 3]
    assert found.runs["checks"].to_list() == [4, 1]


def test_unknown_clock_supports_nothing_and_is_traced() -> None:
    from pipeline.questions.trace import trace

    scenario = (
        Scenario()
        .check("08:00")
        .lot("09:00")
        .check("10:00")
        .lot("11:00", 58.5, lot="L2", clock="unknown")
        .check("12:00")
    )
    found = scenario.assess()
    assert found.lots["L2"].support == "unsupported"
    result = trace(found, "M1")
    assert [(lot.lot, lot.unknown_clock) for lot in result.lots] == [("L2", 1)]
    # after a failed check the window reaches back to the last good one
    failed = Scenario().check("08:00").lot("09:00").check("10:00").lot("11:00", lot="L2").check("12:00", 0.4).assess()
    window = trace(failed, "M1")
    assert window.from_ == at("10:00") + timedelta(seconds=10)
    assert [lot.lot for lot in window.lots] == ["L2"]
    assert window.last_run_passed is False
    assert "needs a decision" in window.reasons[-1]
    nothing = trace(Scenario().check("08:00").lot("09:00").check("10:00").assess(), "M1")
    assert (nothing.lots, nothing.reasons[-1]) == ((), "No lot was read since.")
    assert trace(Scenario().lot("09:00").assess(), "M1").from_ is None


def test_meter_states() -> None:
    states = {
        "fit": Scenario().check("08:00").assess("15:00"),
        "overdue": Scenario().check("08:00").assess("17:00"),
        "suspended": Scenario().check("08:00").lot("09:00").check("10:00", 0.4).assess("11:00"),
        "not_assessed": Scenario().lot("09:00").assess("11:00"),
    }
    for state, found in states.items():
        assert found.meters["M1"].state == state
    # a reject on frozen limits suspends until a later run passes without one
    scenario = Scenario()
    for day in range(20):
        scenario.check("08:00", 0.005 * (day % 2), day=day).lot("09:00", lot="L2", day=day)
    scenario.check("08:00", day=20).lot("09:00", day=20).check("10:00", 0.15, day=20)
    assert scenario.assess("11:00", day=20).meters["M1"].state == "suspended"
    assert scenario.assess("11:00", day=20).lots["L1"].support == "supported"
    strict = scenario.assess("11:00", day=20, settings=Settings(signals_make_suspect=True))
    assert strict.lots["L1"].support == "suspect"
    scenario.check("12:00", day=20)
    assert scenario.assess("13:00", day=20).meters["M1"].state == "fit"
