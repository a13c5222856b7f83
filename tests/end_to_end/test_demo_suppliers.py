"""What was planted about processes and suppliers in the demo: found by the command line, and nothing else."""

from __future__ import annotations

import csv
import json
import math
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from demo_parts import loaded_demo

from pipeline.cli import run
from pipeline.workspace.settings import Workspace, find_workspace

TRUTHS = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "truths.toml").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return find_workspace(loaded_demo(tmp_path_factory)[0])


def asked(capsys: pytest.CaptureFixture[str], workspace: Workspace, *words: str) -> tuple[int, dict[str, Any]]:
    code = run([*words, "--json", "--workspace", str(workspace.root)])
    return code, json.loads(capsys.readouterr().out)


def test_the_shift_of_a_supplier_is_found_near_its_date(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    truth = TRUTHS["supplier_shift"]
    code, found = asked(capsys, demo, "supplier", truth["supplier"])
    assert (code, found["state"]) == (4, "out_of_control")
    (material,) = found["materials"]
    stream = material["stream"]
    assert material["material"] == truth["material"]
    assert stream["since_subgroup"] == truth["first_lot_after"]
    (change,) = stream["level_changes"]
    assert change["subgroup"] == truth["first_lot_after"]
    assert change["shift"] == pytest.approx(truth["shift_ms_per_m"], abs=0.08)
    assert change["p_value"] <= 0.01
    # each lot of the lower level gives a signal, and no other lot does
    assert [signal["subgroup"] for signal in stream["signals"]] == truth["lots_at_the_new_level"]
    assert material["capability"] == "not_assessed"
    assert (material["lots"], material["rejected"]) == (truth["lots_before"] + truth["lots_after"], 0)
    assert {peer["supplier"] for peer in material["peers"]} >= {truth["supplier"], "Brimhavel Rolling"}
    assert Path(found["page"]).is_file()


def test_no_other_supplier_shifts(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("Brimhavel Rolling", "Quelmar Extrusions", "Tarnvell Light Metals"):
        _, found = asked(capsys, demo, "supplier", name, "--dry-run")
        assert found["state"] in ("in_control", "not_assessed"), found["reasons"]
        assert not any(material["stream"]["level_changes"] for material in found["materials"])
        for material in found["materials"]:
            within = material["level"]["within_standard_deviation"]
            # parts of one lot scatter by 0.18 to 0.22 in the unit of the product; the lot that was mixed widens its material
            mixed = material["material"] == "AL-H1"
            assert 0.08 < within < (0.4 if mixed else 0.25), material["material"]


def test_certificates_of_the_mills(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    out, high = TRUTHS["out_of_limits"], TRUTHS["high_certificates"]
    _, found = asked(capsys, demo, "supplier", "Tarnvell Light Metals", "--dry-run")
    beyond = [lot for material in found["materials"] for lot in material["certificates"]["beyond"]]
    assert out["lot"] in beyond
    _, found = asked(capsys, demo, "supplier", high["supplier"], "--dry-run")
    by_material = {material["material"]: material["certificates"] for material in found["materials"]}
    low, top = by_material[high["material"]]["mean_difference_interval"]
    assert low < -high["too_high_by_ms_per_m"] < top < 0
    for name in high["materials_that_agree"]:
        other = by_material[name]["mean_difference_interval"]
        assert other[0] < high["largest_chance_difference_ms_per_m"]
        assert other[1] > -high["largest_chance_difference_ms_per_m"]


def test_a_period_is_counted_and_limits_stay(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    truth = TRUTHS["supplier_shift"]
    _, whole = asked(capsys, demo, "supplier", truth["supplier"], "--dry-run")
    _, found = asked(
        capsys, demo, "supplier", truth["supplier"], "--from", "2026-06-10", "--to", "2026-08-28", "--dry-run"
    )
    assert found["lots"] == truth["lots_after"]
    assert found["from"] is not None
    baseline = [d["materials"][0]["stream"]["phases"][0]["baseline"] for d in (whole, found)]
    assert baseline[0] == baseline[1]
    _, before = asked(capsys, demo, "supplier", truth["supplier"], "--to", "2026-06-08", "--dry-run")
    assert before["lots"] == truth["lots_before"]
    assert before["state"] == "in_control"


def test_a_named_baseline_starts_a_phase(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    truth = TRUTHS["supplier_shift"]
    process = ["process", "copper bar"]
    code, found = asked(capsys, demo, *process)
    assert (code, found["state"]) == (4, "out_of_control")
    own = next(s for s in found["streams"] if s["supplier"] == truth["supplier"])
    assert own["since_subgroup"] == truth["first_lot_after"]
    assert own["phases"][0]["baseline"]["kind"] == "provisional"
    name = ["record", "process", "--product", "copper bar", "--supplier", truth["supplier"], "--from", "2026-06-15"]
    code, said = asked(capsys, demo, *name, "--by", "Ada", "--why", "new melt practice, accepted", "--dry-run")
    assert (code, said["recorded"], said["subgroups"]) == (0, False, truth["lots_after"])
    code, recorded = asked(capsys, demo, *name, "--by", "Ada", "--why", "new melt practice, accepted")
    assert (code, recorded["recorded"]) == (0, True)
    code, after = asked(capsys, demo, *process)
    own = next(s for s in after["streams"] if s["supplier"] == truth["supplier"])
    assert (code, own["state"]) == (0, "in_control")
    assert [phase["baseline"]["kind"] for phase in own["phases"]] == ["provisional", "named"]
    assert own["phases"][1]["baseline"]["centre"] == recorded["centre"]
    assert own["phases"][1]["baseline"]["why"] == "new melt practice, accepted"
    # before it was named nothing of it is known
    first_day = datetime.fromisoformat(own["phases"][1]["baseline"]["last_at"]) - timedelta(days=30)
    _, earlier = asked(capsys, demo, *process, "--dry-run", "--as-of", first_day.date().isoformat())
    own = next(s for s in earlier["streams"] if s["supplier"] == truth["supplier"])
    assert [phase["baseline"]["kind"] for phase in own["phases"]] == ["provisional"]


def test_the_gauge_study_is_found_within_its_intervals(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    truth = TRUTHS["gauge_study"]
    code, found = asked(capsys, demo, "study", "report", truth["run"])
    assert code == 0
    assert (found["readings"], found["left_out"], found["parts"], found["repeats"]) == (
        90,
        0,
        truth["parts"],
        truth["repeats"],
    )
    assert found["groups"] == truth["groups"]
    assert found["tolerance"] == pytest.approx(truth["tolerance_ms_per_m"])
    intervals = {component["source"]: component["interval"] for component in found["components"]}
    for source in ("repeatability", "operator", "interaction", "part"):
        low, high = intervals[source]
        assert low <= truth[f"{source}_ms_per_m"] <= high, source
    assert found["judged_by"] == "tolerance"
    assert any("does not settle it" in reason for reason in found["reasons"])
    assert any("3 operators" in caution for caution in found["cautions"])
    assert not any("run of checks" in caution for caution in found["cautions"])
    # its readings are no lot
    assert run(["lot", truth["run"], "--workspace", str(demo.root)]) == 2
    capsys.readouterr()


def test_a_plan_goes_out_and_comes_back_as_an_export(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["init", "works"]) == 0
    place = tmp_path / "works"
    plan = [
        "study",
        "plan",
        "G-7",
        "--operators",
        "Ada,Bo",
        "--meters",
        "EC-01",
        "--parts",
        "5",
        "--repeats",
        "2",
        "--unit",
        "MS/m",
    ]
    assert run([*plan, "--to", "g7.csv"]) == 0
    said = capsys.readouterr()
    assert "run=G-7, kind=crossed, compares=operator, meters=EC-01" in " ".join(said.err.split())
    assert run([*plan, "--to", "g7.csv"]) == 2
    rows = list(csv.DictReader((tmp_path / "g7.csv").read_text(encoding="utf-8").splitlines()))
    assert len(rows) == 20
    begin = datetime(2026, 3, 2, 8, tzinfo=UTC)
    for number, row in enumerate(rows):
        chance = math.sin(37.0 * number)
        row |= {
            "value": f"{58 + 0.2 * int(row['part']) + 0.02 * (row['operator'] == 'Bo') + 0.03 * chance:.3f}",
            "temperature_c": "20.0", "measured_at": (begin + timedelta(seconds=30 * number)).isoformat(),
        }  # fmt: skip
    with (place / "inbox" / "g7.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    (place / "reference" / "materials.csv").write_text(
        "material,temperature_model,coefficient,source\ncopper,constant_slope,0.0000681,test\n", encoding="utf-8"
    )
    (place / "reference" / "studies.csv").write_text(
        "run,kind,material,tolerance,unit\nG-7,crossed,copper,2,MS/m\n", encoding="utf-8"
    )
    assert run(["load", str(place / "inbox"), "--direct", "--workspace", str(place)]) == 0
    capsys.readouterr()
    assert run(["study", "report", "G-7", "--json", "--workspace", str(place)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["readings"], found["left_out"], found["parts"], found["groups"]) == (20, 0, 5, ["Ada", "Bo"])
    assert found["judged_by"] == "tolerance"
    assert run(["status", "--json", "--workspace", str(place)]) in (0, 4)
    assert sum(json.loads(capsys.readouterr().out)["lots"].values()) == 0
    assert run(["study", "report", "nothing", "--workspace", str(place)]) == 2
    assert "does not stand in reference/studies.csv" in capsys.readouterr().err


def test_wrong_names_are_said(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    place = ["--workspace", str(demo.root)]
    for words, said in (
        (["supplier", "Ostrovald"], "Known: Askelund Rod, Brimhavel Rolling"),
        (["process", "bars"], "No lot of product or line 'bars'"),
        (["record", "process", "--product", "copper bar", "--by", "A", "--why", "b"], "streams fit; name one by"),
        (["record", "process", "--product", "nothing", "--by", "A", "--why", "b"], "0 streams fit"),
        (["record", "process", "--material", "CU-B1", "--by", "A", "--why", "b"], "takes --supplier and --material"),
        (["record", "process", "--product", "copper bar"], "--by NAME and --why TEXT"),
    ):
        assert run([*words, *place]) == 2
        assert said in capsys.readouterr().err


def test_what_is_judged_in_part_is_never_plainly_in_control(
    demo: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    """A state that says more, or less, than in control stands alone."""
    for name, said in {
        "Quelmar Extrusions": "IN CONTROL, 1 of 4 judged",
        TRUTHS["supplier_shift"]["supplier"]: "OUT OF CONTROL",
        "Askelund Rod": "NOT ASSESSED",
    }.items():
        run(["supplier", name, "--dry-run", "--workspace", str(demo.root)])
        assert capsys.readouterr().out.splitlines()[0] == f"{name}: {said}"
