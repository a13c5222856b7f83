"""Names that say what was read, by routes of a layout or the name of the file: what loads and what waits."""

from __future__ import annotations

import pytest
from section_texts import LAYOUT, TOP, read, refused, section

from pipeline.intake.layout import parse_layout
from pipeline.intake.match import match


@pytest.mark.parametrize(
    ("name", "reason", "said"),
    [
        ("kb-01", "not_routed", "found 'kb-01'"),
        ("SET BL-A9", "not_routed", "a name that a route of the layout knows"),
        ("BL-A1 ", None, ""),
        ("BLA-1", "not_routed", ""),
        ("BL-1", None, ""),
        ("bl-a1", "not_routed", "did you mean 'BL-A1'?"),
        ("GRR1", "not_routed", "did you mean 'GRR-1'?"),
    ],
)
def test_a_name_that_no_route_fits_waits_and_is_never_guessed(name: str, reason: str | None, said: str) -> None:
    found = read(TOP + section("KB-01", "33,10") + section(name, "33,50"))
    assert [one for _, one in refused(found)] == ([] if reason is None else [reason])
    assert said in "".join(found.quarantine["sentence"])


def test_a_lot_by_pattern_that_is_written_like_a_block_waits() -> None:
    layout = LAYOUT.replace("[A-Z]{2}-\\d+", "[A-Za-z0-9 -]+")
    for name in ("bl-a1", "BL A1", "BLA1", "Bl-A1", "BL-A01"):
        found = read(TOP + section(name, "33,10"), layout)
        assert refused(found) == [(8, "named_like_a_block")]
        assert "no lot that is written like block BL-A1" in found.quarantine["sentence"][0]
    assert refused(read(TOP + section("BL-A12", "33,10"), layout)) == []


def test_a_name_in_two_lists_waits() -> None:
    layout = LAYOUT.replace('listed = "studies"', 'listed = "lots"')
    names = {"blocks": frozenset({"BL-A1", "KB-01"}), "lots": frozenset({"KB-01"}), "studies": frozenset[str]()}
    found = read(TOP + section("KB-01", "33,10") + section("BL-A1", "33,50"), layout, listed=names)
    assert refused(found) == [(8, "in_two_lists")]
    assert "this stands among the blocks and the lots. " in found.quarantine["sentence"][0]


def test_the_layout_may_hold_the_whole_file_for_a_name_that_no_route_fits() -> None:
    layout = LAYOUT.replace("[routes]", '[routes]\notherwise = "hold"')
    held = read(TOP + section("KB-01", "33,10") + section("kb-01", "33,50"), layout).held
    assert held is not None
    assert (held.reason, held.line, held.details) == ("not_routed", 14, ("kb-01",))
    names = [f"zz-{n}" for n in range(6)]
    many = read(TOP + "".join(section(name, "33,50") for name in names), layout).held
    assert many is not None
    assert sorted(many.details) == names  # the first five are said, all stand below
    assert many.sentence.count("'zz-") == 5
    assert read(TOP + section("KB-01", "33,10"), layout).held is None


def test_a_role_beside_the_name_must_agree_with_it_and_tells_a_setting_from_a_check() -> None:
    layout = LAYOUT.replace('{ key = "By", column = "operator"', '{ key = "As", column = "role"')
    parts = [
        section(name, "33,50", head=f"Freq;60;;\nAs;{role};;\n")
        for name, role in (
            ("BL-A1", "block"), ("BL-A1", "setting"), ("KB-01", "part"), ("BL-A1", "part"), ("KB-01", "block"), ("KB-01", "x"),
        )
    ]  # fmt: skip
    found = read(TOP + "".join(parts), layout)
    assert [reason for _, reason in refused(found)] == ["role_disagrees", "role_disagrees", "not_in_list"]
    assert found.readings.select("role", "block", "lot").rows() == [
        ("block", "BL-A1", None), ("setting", "BL-A1", None), ("part", None, "KB-01"),
    ]  # fmt: skip


# the name of the file


def test_the_name_of_the_file_says_what_its_groups_are_named_for() -> None:
    layout = LAYOUT.replace('  { key = "Device", column = "meter" },\n', "").replace(
        "[preamble]", "[fileName]\npattern = '(?P<meter>EC-\\d+)_.*\\.csv'\n[preamble]"
    )
    text = TOP + section("BL-A1", "33,50")
    assert read(text, layout, name="a/b_c/EC-07_x.csv").readings["meter"].to_list() == ["EC-07"]
    for name in ("EC-07.csv", "EC-07_x.csv/x.csv", "old EC-07_x.csv"):
        held = read(text, layout, name=name).held
        assert held is not None
        assert held.reason == "file_name_mismatch"
    found = parse_layout(layout, "x")
    assert match("in/EC-07_x.csv", text.encode(), {"measured": found}, {}) is found
