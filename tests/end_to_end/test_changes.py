"""What a load says of verdicts and states that are others than before: which, from what to what, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scenario import Scenario

if TYPE_CHECKING:
    from workspace_files import Shell


def changes(shell: Shell, name: str, content: Scenario) -> dict[tuple[str, str], tuple[str, str, str]]:
    said = shell.load(shell.put(name, content))["changes"]
    return {(one["kind"], one["name"]): (one["before"], one["after"], one["why"]) for one in said}


def test_what_a_load_changes_is_said_in_words(shell: Shell) -> None:
    shell.make()
    # what was never spoken of has not changed
    first = Scenario().check("07:00").lot("07:30", lot="L1").check("08:00").lot("08:30", lot="L2")
    assert changes(shell, "a.csv", first) == {}
    assert changes(shell, "b.csv", Scenario().check("09:00", 0.9)) == {
        ("meter", "M1"): ("fit", "suspended", "1 of 1 checks in the last run exceed the tolerance."),
        # its run before passed, so that it stays on hold, for another reason: the verdict is the same
    }
    # late data: a run before the lot that failed turns what was accepted
    late = changes(shell, "c.csv", Scenario().check("07:20", 0.9))
    (lot,) = late
    assert (lot, late[lot][:2]) == (("lot", "L1"), ("accept", "hold"))
    assert "the last check before the readings failed" in late[lot][2]
    assert changes(shell, "c.csv", Scenario().check("07:20", 0.9)) == {}  # loaded already, and nothing new to say


def test_text_names_what_changed(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("07:00").lot("07:30", lot="L1").check("08:00")))
    assert "Changed" not in shell.out
    shell(
        "load",
        str(shell.put("b.csv", Scenario().lot("08:30", lot="L2").check("09:00", 0.9))),
        "--direct",
        "--workspace",
        str(shell.root),
    )
    assert "Changed: meter M1: was fit, now suspended: 1 of 1 checks" in " ".join(shell.out.split())
    assert "lot L1" not in shell.out


def test_a_study_whose_state_changes_is_named(shell: Shell) -> None:
    shell.make(studies="run,material,kind,compares,tolerance,unit\nG1,copper,crossed,operator,2,MS/m\n")

    def exported(*operators: str) -> str:
        lines = ["measured_at,meter,role,lot,part,operator,run,value,unit,temperature_c,temperature_state"]
        for n, (operator, part, _) in enumerate((o, p, r) for o in operators for p in range(1, 6) for r in range(2)):
            value = 55 + part + 0.01 * ((7 * n) % 5) + (0 if operator == "Ada" else 1)
            at = f"2026-03-0{2 + ord(operator[0]) - ord('A')}T08:{n:02d}:00Z"
            lines.append(f"{at},M1,part,G1,{part},{operator},G1,{value:.3f},MS/m,20,at_metal")
        return "\n".join(lines) + "\n"

    first = shell.load(shell.put("a.csv", exported("Ada")))
    assert (first["files"][0]["readings"], first["changes"]) == (10, [])
    (study,) = shell.load(shell.put("b.csv", exported("Bo")))["changes"]
    # the second operator reads 1 MS/m higher, half of the tolerance
    assert (study["kind"], study["name"], study["before"], study["after"]) == ("study", "G1", "usable", "not_usable")
    assert "of the tolerance" in study["why"]
