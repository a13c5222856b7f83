"""Relative state, sensors and corrections through the command line, on a small workspace. Invented numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from workspace_files import Shell

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "measured_at,meter,role,lot,part,spot,block,value,unit,temperature_c,temperature_state,sensor,frequency_khz,thickness_mm,pieces,temperature_age_min"


def line(
    time: str,
    role: str,
    who: str,
    value: float,
    *,
    t: float = 30.0,
    thickness: str = "",
    age: str = "",
    pieces: str = "",
) -> str:
    lot, part, spot, block = (who, "1", "1", "") if role == "part" else ("", "", "", who)
    return f"2026-03-02T{time}:00Z,M1,{role},{lot},{part},{spot},{block},{value},MS/m,{t},relative,T1,60,{thickness},{pieces},{age}"


def export(*, setting: bool) -> str:
    lines = [HEAD]
    if setting:
        lines.append(line("07:50", "setting", "B1", 58.0))
    lines += [line("08:00", "block", "B1", 58.0), line("09:00", "part", "L1", 58.9, thickness="0.5", age="20")]
    lines += [line("09:10", "part", "L2", 58.4, thickness="0.5", pieces="3"), line("10:00", "block", "B1", 58.0)]
    return "\n".join(lines) + "\n"


# the block at 30 °C is worth 58/(1 + s·10·58); a metal of more conductivity has more of a coefficient
AT_METAL = 58.9 / (1 + 0.000681 * 58.0)
L1_CORRECTED = 1 / (1 / AT_METAL - 0.000681) - 0.5

TABLES = {
    "sensors": "sensor,correction_c,expanded_uncertainty_c,coverage_factor,due_on\nT1,0.0,0.3,2,2026-03-01\n",
    "sensor_checks": "sensor,checked_on,reference_c,reading_c,tolerance_c\nT1,2026-02-01,20,20.1,0.3\n",
    "corrections": "correction,kind,material,frequency_khz,low,high,value,unit,expanded_uncertainty,coverage_factor,source\n"
    "C-T,thickness,copper,60,0.4,0.7,-0.50,MS/m,0.12,2,stack of four\n",
}


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    return Shell(tmp_path / "works", capsys).make(**TABLES)


def test_from_the_export_to_the_page(shell: Shell) -> None:
    shell.load(shell.put("a.csv", export(setting=True)))
    root = ("--workspace", str(shell.root))
    lot = shell.json("lot", "L1", *root)
    assert lot["verdict"] == "accept"
    assert lot["mean"] == pytest.approx(L1_CORRECTED, rel=1e-12)
    assert lot["corrections"][0]["correction"] == "C-T"
    codes = {flag.split(":")[0] for flag in lot["flags"]}
    assert codes == {"sensor_overdue", "temperature_old", "corrected_for_geometry"}
    assert {"correction for geometry", "temperature sensor"} <= {each["name"] for each in lot["contributions"]}
    page = next((shell.root / "pages").rglob("*L1*.html")).read_text(encoding="utf-8")
    assert "Corrections for geometry" in page
    assert "Relative to a setting: meter M1 set at" in page
    # three pieces of 0.5 mm are thick enough
    assert {flag.split(":")[0] for flag in shell.json("lot", "L2", *root)["flags"]} == {"sensor_overdue"}


def test_a_missing_setting_is_named_and_can_be_recorded(shell: Shell) -> None:
    shell.load(shell.put("a.csv", export(setting=False)))
    root = ("--workspace", str(shell.root))
    lot = shell.json("lot", "L1", *root)
    assert lot["verdict"] == "not_assessed"
    assert "record adjustment --meter M1" in " ".join(lot["reasons"])
    words = (
        "record",
        "adjustment",
        "--meter",
        "M1",
        "--at",
        "2026-03-02T07:50:00+00:00",
        "--by",
        "A",
        "--why",
        "w",
        *root,
    )
    shell(*words, "--block", "B1")
    assert (shell.code, "together" in shell.err) == (2, True)
    shell(*words, "--block", "B9", "--temperature", "30")
    assert (shell.code, "B9" in shell.err) == (2, True)
    shell(*words, "--block", "B1", "--temperature", "130")
    assert (shell.code, "expected -10 to 60" in shell.err) == (2, True)
    assert shell.json(*words, "--block", "B1", "--temperature", "30", "--dry-run") == {"recorded": False}
    event = shell.json(*words, "--block", "B1", "--temperature", "30")
    assert event["subject"]["block"] == "B1"
    assert shell.json("lot", "L1", *root)["mean"] == pytest.approx(L1_CORRECTED, rel=1e-12)


def test_a_failed_check_of_a_sensor_is_traced_to_its_lots(shell: Shell) -> None:
    shell.load(shell.put("a.csv", export(setting=True)))
    root = ("--workspace", str(shell.root))
    good = shell.json("trace", "--sensor", "T1", *root)
    assert shell.code == 0
    assert (good["last_check_passed"], [lot["lot"] for lot in good["lots"]]) == (True, ["L1", "L2"])
    table = TABLES["sensor_checks"] + "T1,2026-03-02T10:30:00Z,20,21.0,0.3\n"
    (shell.root / "reference" / "sensor_checks.csv").write_text(table, encoding="utf-8")
    later = "\n".join([HEAD, line("11:00", "block", "B1", 58.0)]) + "\n"
    shell.load(shell.put("b.csv", later))
    found = shell.json("trace", "--sensor", "T1", *root)
    assert shell.code == 4
    assert found["last_check_passed"] is False
    assert {(lot["lot"], lot["doubt"]) for lot in found["lots"]} == {("L1", "failed"), ("L2", "failed")}
    assert found["checks"][-1]["error_c"] == pytest.approx(1.0)
    text = shell("trace", "--sensor", "T1", *root)
    assert "failed: +1 °C, tolerance 0.3 °C" in text
    lot = shell.json("lot", "L1", *root)
    assert lot["verdict"] == "accept"
    assert any(flag.startswith("sensor_in_doubt") for flag in lot["flags"])
    shell("trace", "--sensor", "T9", *root)
    assert (shell.code, "Known sensors: T1" in shell.err) == (2, True)
    shell("trace", "--sensor", "T1", "--meter", "M1", *root)
    assert shell.code == 2


def test_contradicting_corrections_are_refused_before_anything_is_loaded(shell: Shell) -> None:
    table = TABLES["corrections"] + "C-U,thickness,,,0.6,0.8,-0.4,MS/m,,,\n"
    (shell.root / "reference" / "corrections.csv").write_text(table, encoding="utf-8")
    shell("config", "check", "--workspace", str(shell.root))
    assert (shell.code, "C-T and C-U (kind thickness)" in shell.err) == (2, True)
    shell("load", "--direct", str(shell.put("a.csv", export(setting=True))), "--workspace", str(shell.root))
    assert shell.code == 2


def test_backdated_results_of_sensors_need_no_consent(shell: Shell) -> None:
    settings = shell.root / "annealog.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + "\nsensor_failures_hold = true\n", encoding="utf-8")
    shell.load(shell.put("a.csv", export(setting=True)))
    assert shell.json("lot", "L1", "--workspace", str(shell.root))["verdict"] == "accept"
    table = TABLES["sensor_checks"] + "T1,2026-03-02T10:30:00Z,20,21.0,0.3\n"
    (shell.root / "reference" / "sensor_checks.csv").write_text(table, encoding="utf-8")
    shell.load(shell.put("b.csv", "\n".join([HEAD, line("11:00", "block", "B1", 58.0)]) + "\n"))
    lot = shell.json("lot", "L1", "--workspace", str(shell.root))
    assert lot["verdict"] == "hold"
    assert "sensor T1" in lot["reasons"][0]
