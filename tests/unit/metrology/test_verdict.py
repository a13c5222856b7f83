"""The reasons of a verdict: which one decides and stands first. The verdicts themselves: the matrix in `test_definitions`."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.metrology.verdict import Evidence, Verdict, decide


def decided(limits: str | None, support: str | None, **given: Any) -> Verdict:
    known = {"support_reasons": ("the check",), "limits_sentence": "Limits.", **given}
    return decide(Evidence(limits_met=limits, support=support, **known))


def test_what_keeps_a_lot_from_being_assessed_is_the_whole_reason() -> None:
    assert decided("in", "supported", missing=("No limits.", "Too few.")).reasons == ("No limits.", "Too few.")
    assert decided(None, "supported") == Verdict("not_assessed", ("The limits could not be judged.",))
    # whatever else there is
    assert decided("out", None, missing=("No reading.",), holds=("Look.",)).verdict == "not_assessed"


def test_limits_without_support_are_no_evidence() -> None:
    with pytest.raises(ValueError, match="needs its support"):
        decided("in", None)


@pytest.mark.parametrize(
    ("limits", "support", "given", "verdict", "reasons"),
    [
        ("in", "supported", {}, "accept", ["Limits.", "The checks support it: the check."]),
        ("in", "supported", {"holds": ("Look.",)}, "hold", ["Look.", "Limits.", "The checks support it: the check."]),
        (
            "in",
            "supported",
            {"hardness_out": ("Soft.",)},
            "hold",
            ["Soft.", "Limits.", "The checks support it: the check."],
        ),
        ("out", "supported", {}, "reject", ["Limits.", "The checks support it: the check."]),
        (
            "out",
            "supported",
            {"hardness_out": ("Soft.",)},
            "reject",
            ["Limits.", "Soft.", "The checks support it: the check."],
        ),
        (
            "out",
            "supported",
            {"holds": ("Look.",), "hardness_out": ("Soft.",)},
            "hold",
            ["Look.", "Soft.", "Limits.", "The checks support it: the check."],
        ),
        (
            "undecided",
            "supported",
            {"holds": ("Look.",)},
            "hold",
            ["Limits.", "Look.", "The checks support it: the check."],
        ),
        ("undecided", "suspect", {}, "hold", ["Limits.", "The checks make it suspect: the check."]),
        (
            "in",
            "suspect",
            {"holds": ("Look.",)},
            "hold",
            ["The checks make it suspect: the check.", "Look.", "Limits."],
        ),
        (
            "out",
            "open",
            {"holds": ("Look.",)},
            "hold",
            [
                "Limits.",
                "Out of limits, but the meter must be checked again before the lot can be rejected.",
                "The checks do not support it yet: the check.",
                "Look.",
            ],
        ),
    ],
)
def test_the_reason_that_decides_stands_first(
    limits: str, support: str, given: dict[str, Any], verdict: str, reasons: list[str]
) -> None:
    found = decided(limits, support, **given)
    assert (found.verdict, list(found.reasons)) == (verdict, reasons)


def test_support_is_named_without_reasons_too_and_no_reason_is_empty() -> None:
    assert decided("in", "supported", support_reasons=(), limits_sentence="").reasons == ("The checks support it.",)
    two = decided("in", "open", support_reasons=("one", "another"))
    assert two.reasons[:2] == ("The checks do not support it yet: one.", "The checks do not support it yet: another.")
