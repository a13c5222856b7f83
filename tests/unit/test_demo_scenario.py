"""The demo scenario holds what truths.toml says, and nothing else."""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections import Counter, defaultdict
from datetime import datetime, timedelta
from importlib import resources
from statistics import fmean, stdev
from typing import TYPE_CHECKING

import pytest
from demo_by_hand import (
    OSLO,
    Demo,
    limits_of,
    read_demo,
    readings_of,
    rejected,
    runs_of,
    slope_iacs,
    spot_effect_p,
    spot_means,
    support_of,
)

import fixtures.demo
from fixtures.demo import scenario
from pipeline.intake.tables import parse_tables
from pipeline.settings import read_settings

if TYPE_CHECKING:
    from pathlib import Path

TRUTHS = tomllib.loads((resources.files("fixtures.demo") / "truths.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    root = tmp_path_factory.mktemp("demo")
    fixtures.demo.build(root)
    return read_demo(root)


def test_workspace_is_complete(demo: Demo) -> None:
    settings = read_settings((demo.root / "annealog.toml").read_text(encoding="utf-8"))
    assert (settings.unit, settings.time_zone, settings.tolerance_unit) == ("MS/m", "Europe/Oslo", "%IACS")
    main = {"inbox/EC-01": "neutral", "inbox/EC-02": "semicolon", "inbox/EC-03": "wide"}
    aside = {f"inbox/{one}": "neutral" for one in ("EC-21", "EC-31", "studies")}
    assert settings.folders == {**main, **aside}
    texts = {path.stem: path.read_text(encoding="utf-8") for path in (demo.root / "reference").glob("*.csv")}
    assert all(frame.height for name, frame in parse_tables(texts, zone=settings.zone).items() if name in texts)
    assert {"semicolon.toml", "wide.toml"} <= {path.name for path in (demo.root / "layouts").iterdir()}
    exports = len(list((demo.root / "inbox").rglob("*.csv")))
    planted = ("scenario", "goods_in", "block_set", "rod_shop", "gauge_study")
    assert exports == sum(TRUTHS[one]["files"] for one in planted)
    assert demo.numbers == TRUTHS["scenario"]["numbers"]
    assert len(demo.readings) + len(demo.non_readings) == TRUTHS["scenario"]["stored_readings"]
    assert len(demo.non_readings) == TRUTHS["scenario"]["stored_non_readings"]
    assert 15_000 <= demo.numbers <= 40_000
    assert set(demo.tables["lots"]) == {r.lot for r in demo.readings if r.lot}
    assert len(demo.tables["lots"]) == TRUTHS["scenario"]["lots"]
    assert {r.meter for r in demo.readings} == {"EC-01", "EC-02", "EC-03"} == set(demo.tables["meters"])
    days = {r.at.astimezone(OSLO).date() for r in demo.readings}
    assert (min(days), max(days)) == (scenario.FIRST_DAY, scenario.LAST_DAY)


def test_same_bytes_everywhere(demo: Demo, tmp_path: Path) -> None:
    fixtures.demo.build(tmp_path)
    digest = hashlib.sha256()
    for path in sorted(p for p in tmp_path.rglob("*") if p.is_file()):
        name = path.relative_to(tmp_path).as_posix()
        assert path.read_bytes() == (demo.root / name).read_bytes()
        aside = ("inbox/EC-21/", "inbox/EC-31/", "inbox/block-set/", "inbox/studies/")
        if name.startswith("inbox/") and not name.startswith(aside):
            digest.update(name.encode() + b"\0" + path.read_bytes())
    assert digest.hexdigest() == TRUTHS["scenario"]["inbox_sha256"]


def test_local_times_cross_the_change_of_the_clock(demo: Demo) -> None:
    offsets = defaultdict(set)
    for path in sorted((demo.root / "inbox/EC-01").glob("*.csv")):
        for match in re.finditer(r"^(2026-\d\d-\d\d)T[\d:]{8}(\S{6}),", path.read_text(encoding="utf-8"), re.MULTILINE):
            offsets[match[2]].add(match[1])
    assert max(offsets["+01:00"]) < "2026-03-29" < min(offsets["+02:00"])


def test_damaged_lines_are_those_listed_and_no_others(demo: Demo) -> None:
    listed = [{key: line[key] for key in ("file", "line", "reason")} for line in TRUTHS["damaged_line"]]
    assert sorted(demo.refused, key=str) == sorted(listed, key=str)
    assert len({line["reason"] for line in listed}) == 5


def test_reexport_repeats_most_lines_and_adds_some(demo: Demo) -> None:
    truth = TRUTHS["reexport"]
    assert dict(demo.duplicates) == {truth["again"]: truth["duplicate_lines"]}
    assert sorted([truth["again"], truth["first"]]) == [truth["first"], truth["again"]]
    again = [r for r in demo.readings if r.file == truth["again"]]
    assert len(again) == truth["new_lines"]
    assert truth["duplicate_lines"] / (truth["duplicate_lines"] + truth["new_lines"]) == pytest.approx(0.8, abs=0.05)


def test_non_readings_are_read_again(demo: Demo) -> None:
    found = Counter((r.file, r.line, r.lot) for r in demo.non_readings)
    listed = {(n["file"], n["line"], n.get("lot", "")): n["places"] for n in TRUTHS["non_reading"]}
    assert dict(found) == listed


def test_every_reading_stands_between_runs_and_checks_are_whole(demo: Demo) -> None:
    lifted = {(r.at, r.block) for r in demo.non_readings if r.block}
    for meter in demo.tables["meters"]:
        for run in runs_of(demo, meter):
            for check in run.checks:
                whole = 4 if (check.at, check.block) in lifted else 5
                assert len(check.readings) == whole, check
                assert check.at - check.readings[0].at < timedelta(minutes=1)
            # each time the blocks of a set are read together
            blocks = [check.block for check in run.checks]
            assert all(
                pair in (("BL-C1", "BL-C2"), ("BL-A1", "BL-A2")) for pair in zip(blocks[::2], blocks[1::2], strict=True)
            )


def test_plans_are_kept(demo: Demo) -> None:
    several = set()
    for lot, row in demo.tables["lots"].items():
        plan = demo.tables["specifications"][row["specification"]]
        readings = readings_of(demo, lot)
        repeats = Counter((r.part, r.spot) for r in readings)
        assert len({r.part for r in readings}) == int(plan["parts"])
        assert len(repeats) == int(plan["parts"]) * int(plan["spots"])
        assert set(repeats.values()) == {int(plan["repeats"])}
        if len({r.meter for r in readings}) > 1:
            several.add(lot)
    assert several == set(TRUTHS["scenario"]["lots_read_by_two_meters"])


def test_no_other_lot_is_held_rejected_or_suspect(demo: Demo) -> None:
    runs = {meter: runs_of(demo, meter) for meter in demo.tables["meters"]}
    found: defaultdict[str, list[str]] = defaultdict(list)
    for lot in demo.tables["lots"]:
        low, high = limits_of(demo, lot)
        inside = all(low <= mean <= high for mean in spot_means(readings_of(demo, lot)).values())
        support = support_of(demo, lot, runs)
        found["accept" if inside and support == "supported" else "reject" if support == "supported" else "hold"].append(
            lot
        )
        assert inside or support == "supported"
    assert found["hold"] == TRUTHS["verdicts"]["hold"]
    assert found["reject"] == TRUTHS["verdicts"]["reject"]
    assert len(found["accept"]) == TRUTHS["verdicts"]["accepted_lots"]


def test_settings_are_those_listed(demo: Demo) -> None:
    found = Counter((r.meter, str(r.at.astimezone(OSLO).date())) for r in demo.readings if r.role == "setting")
    assert dict(found) == {(s["meter"], s["day"]): 10 for s in TRUTHS["setting"]}


def test_slow_drift_stays_inside_tolerance(demo: Demo) -> None:
    truth = TRUTHS["slow_drift"]
    start = datetime.fromisoformat(truth["begins"]).replace(tzinfo=OSLO)
    checks = [check for run in runs_of(demo, truth["meter"]) for check in run.checks]
    worst = max(abs(check.bias) for check in checks) / 0.58
    assert worst == pytest.approx(truth["largest_bias_iacs"], abs=0.005)
    assert worst < 0.45
    for block in truth["blocks"]:
        series = [check for check in checks if check.block == block]
        _, low, high = slope_iacs([check for check in series if check.at >= start])
        assert low < truth["slope_iacs_per_30_days"] < high
        assert slope_iacs(series)[1] > 0
        baseline = [check.bias for check in series[:20]]
        assert series[19].at < start
        late = [(check.bias - fmean(baseline)) / stdev(baseline) for check in series if check.at.month == 8]
        assert all(z > 3 for z in late)
        assert fmean(check.bias for check in series[-4:]) / 0.58 == pytest.approx(truth["bias_at_end_iacs"], abs=0.06)


def test_rules_reject_the_drifting_meter_and_hardly_any_other(demo: Demo) -> None:
    found = {meter: rejected(demo, meter) for meter in demo.tables["meters"]}
    assert {meter: any(hits[-1]) for meter, hits in found.items()} == {
        meter: state == "suspended" for meter, state in TRUTHS["meters"].items()
    }
    drifting, since = TRUTHS["slow_drift"]["meter"], datetime.fromisoformat(TRUTHS["slow_drift"]["rejects_from"])
    begins = datetime.fromisoformat(TRUTHS["slow_drift"]["begins"]).replace(tzinfo=OSLO)
    chance: Counter[str] = Counter()
    for meter, hits_of_runs in found.items():
        for run, hits in zip(runs_of(demo, meter), hits_of_runs, strict=True):
            if meter == drifting and run.first >= since.replace(tzinfo=OSLO):
                assert any(hits), run
            if not run.passed:
                assert all(hits), run
            elif meter != drifting or run.first < begins:
                chance[meter] += sum(hits)
    assert {meter: count for meter, count in chance.items() if count} == TRUTHS["chance_signals"]["checks"]


@pytest.mark.parametrize(("meter", "block"), [(m, b) for m in ("EC-01", "EC-03") for b in ("BL-C1", "BL-C2")])
def test_no_other_meter_drifts(demo: Demo, meter: str, block: str) -> None:
    days = sorted(s["day"] for s in TRUTHS["setting"] if s["meter"] == meter)
    since = datetime.fromisoformat(days[-1]).replace(tzinfo=OSLO)
    series = [c for run in runs_of(demo, meter) for c in run.checks if c.block == block and c.at > since]
    _, low, high = slope_iacs(series)
    assert len(series) >= 20
    assert low < 0 < high


def test_jump_after_a_drop(demo: Demo) -> None:
    truth = TRUTHS["jump"]
    runs = runs_of(demo, truth["meter"])
    failed = [run for run in runs if not run.passed]
    assert [run.first.astimezone(OSLO).date().isoformat() for run in failed] == [truth["day"]]
    place = runs.index(failed[0])
    for check in failed[0].checks:
        assert check.bias / 0.58 == pytest.approx(truth["bias_iacs"], abs=0.25)
        assert check.bias / 0.58 > 0.55
    between = [r for r in demo.readings if r.meter == truth["meter"] and runs[place - 1].last < r.at < failed[0].first]
    assert sorted({r.lot for r in between}) == truth["suspect_lots"] == TRUTHS["verdicts"]["hold"]
    dropped = datetime.fromisoformat(truth["at"]).replace(tzinfo=OSLO)
    assert sorted({r.lot for r in between if r.at > dropped}) == truth["lots_read_after_the_drop"]
    following = [r.role for r in demo.readings if r.meter == truth["meter"] and r.at > failed[0].last]
    assert following[:11] == ["setting"] * 10 + ["block"]
    assert runs[place + 1].passed


def test_warm_lot_passes_only_when_corrected(demo: Demo) -> None:
    truth = TRUTHS["warm_lot"]
    readings = readings_of(demo, truth["lot"])
    assert {r.state for r in readings} == {"at_metal"}
    assert all(36.0 < r.temperature_c < 39.0 for r in readings)
    assert max(spot_means(readings, shown=True).values()) < truth["lower_limit_ms_per_m"] - 1.0
    assert min(spot_means(readings).values()) > truth["lower_limit_ms_per_m"]


def test_lot_corrected_in_the_meter_fails_if_corrected_again(demo: Demo) -> None:
    truth = TRUTHS["already_corrected_lot"]
    readings = readings_of(demo, truth["lot"])
    assert {r.state for r in readings} == {"at_reference"}
    assert fmean(r.temperature_c for r in readings) == pytest.approx(truth["metal_c"], abs=1.0)
    low, high = limits_of(demo, truth["lot"])
    assert all(low < mean < high for mean in spot_means(readings).values())
    assert min(spot_means(readings, twice=True).values()) > high
    stated = {r.lot for r in demo.readings if r.state == "at_reference"}
    assert stated == {truth["lot"], *truth["other_lots_stated_at_reference"]}


def test_supplier_level_shifts(demo: Demo) -> None:
    truth = TRUTHS["supplier_shift"]
    lots = demo.tables["lots"]
    of_supplier = [
        k for k, row in lots.items() if (row["supplier"], row["material"]) == (truth["supplier"], truth["material"])
    ]
    place = of_supplier.index(truth["first_lot_after"])
    assert (place, len(of_supplier) - place) == (truth["lots_before"], truth["lots_after"])
    means = {lot: fmean(spot_means(readings_of(demo, lot)).values()) for lot in of_supplier}
    before, after = ([means[lot] for lot in half] for half in (of_supplier[:place], of_supplier[place:]))
    assert fmean(after) - fmean(before) == pytest.approx(truth["shift_ms_per_m"], abs=0.08)
    between_lots = math.sqrt(
        ((len(before) - 1) * stdev(before) ** 2 + (len(after) - 1) * stdev(after) ** 2) / (len(means) - 2)
    )
    assert (fmean(before) - fmean(after)) / between_lots > 5
    # no other supplier and material has so many lots that its level could be judged
    others = Counter((row["supplier"], row["material"]) for row in lots.values())
    assert all(n <= 8 for key, n in others.items() if key != (truth["supplier"], truth["material"]))


def test_soft_spots_in_one_lot_only(demo: Demo) -> None:
    truth = TRUTHS["soft_spots"]
    p = {lot: spot_effect_p(readings_of(demo, lot)) for lot in demo.tables["lots"]}
    assert p.pop(truth["lot"]) < truth["p_value_below"]
    assert min(p.values()) > truth["p_value_of_other_lots_above"]
    means = spot_means(readings_of(demo, truth["lot"]))
    for part in {part for part, _ in means}:
        others = fmean(mean for (of, spot), mean in means.items() if of == part and spot != truth["spot"])
        softer = (others - means[part, truth["spot"]]) / 0.58
        assert (softer > truth["softer_by_iacs"] / 2) == (part in truth["parts"])


def test_lot_out_of_limits(demo: Demo) -> None:
    truth = TRUTHS["out_of_limits"]
    assert [truth["lot"]] == TRUTHS["verdicts"]["reject"]
    means = [mean / 0.58 for mean in spot_means(readings_of(demo, truth["lot"])).values()]
    assert min(means) > truth["upper_limit_iacs"] + 1.0
    assert fmean(means) == pytest.approx(truth["mean_iacs"], abs=0.01)
    mill = demo.tables["mill_certificates"][truth["lot"]]
    assert fmean(means) - float(mill["value"]) > 4 * float(mill["expanded_uncertainty"])
