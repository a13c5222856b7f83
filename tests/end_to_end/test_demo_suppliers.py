"""What was planted about processes and suppliers in the demo: found by the command line, and nothing else."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from fixtures.demo import build
from pipeline.cli import run
from pipeline.settings import Workspace, find_workspace
from pipeline.steps.files import collect
from pipeline.steps.load import load

TRUTHS = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "truths.toml").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    root = tmp_path_factory.mktemp("demo")
    build(root)
    workspace = find_workspace(root)
    files, passed = collect([workspace.inbox])
    load(workspace, files, passed_over=passed, now=datetime(2026, 9, 1, tzinfo=UTC))
    return workspace


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


def test_wrong_names_are_said(demo: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    place = ["--workspace", str(demo.root)]
    for words, said in (
        (["supplier", "Ostrovald"], "Known: Brimhavel Rolling"),
        (["process", "bars"], "No lot of product or line 'bars'"),
        (["record", "process", "--product", "copper bar", "--by", "A", "--why", "b"], "2 streams fit"),
        (["record", "process", "--product", "nothing", "--by", "A", "--why", "b"], "0 streams fit"),
        (["record", "process", "--material", "CU-B1", "--by", "A", "--why", "b"], "takes --supplier and --material"),
        (["record", "process", "--product", "copper bar"], "--by NAME and --why TEXT"),
    ):
        assert run([*words, *place]) == 2
        assert said in capsys.readouterr().err
