"""The demo scenario holds what truths.toml says, and nothing else."""

from __future__ import annotations

import hashlib
import itertools
import math
import re
import tomllib
from collections import Counter, defaultdict
from datetime import datetime, timedelta
from importlib import resources
from statistics import fmean, stdev
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from scipy import stats
from second_opinion.exports import read_workspace
from second_opinion.lots import as_compared, met, plan_is_met, support
from second_opinion.opinion import Opinion

import fixtures.demo
from fixtures.demo import goods_in, scenario
from pipeline.intake.tables import parse_tables
from pipeline.workspace.settings import read_settings

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from second_opinion.checks import Check
    from second_opinion.exports import Reading
    from second_opinion.lots import Lot

TRUTHS = tomllib.loads((resources.files("fixtures.demo") / "truths.toml").read_text(encoding="utf-8"))
OSLO = ZoneInfo("Europe/Oslo")
METERS = ("EC-01", "EC-02", "EC-03")
ASIDE = ("inbox/EC-21/", "inbox/EC-31/", "inbox/block-set/", "inbox/studies/")
"""Goods-in, the rod shop, the set of blocks read each second week and the gauge study: looked at in tests of their own."""


class Demo(Opinion):
    """The opinion on the demo, and what of it belongs to the scenario itself."""

    @property
    def readings(self) -> list[Reading]:
        return [r for r in self.workspace.readings if not r.file.startswith(ASIDE)]

    @property
    def scenario_lots(self) -> dict[str, Lot]:
        return {name: lot for name, lot in self.lots.items() if name.startswith("L-")}

    def checks(self, meter: str, *blocks: str) -> list[Check]:
        of_set = ("BL-C3", "BL-C4")
        return [c for c in self.meters[meter].checks if (c.block in blocks if blocks else c.block not in of_set)]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    root = tmp_path_factory.mktemp("demo")
    fixtures.demo.build(root)
    return Demo(read_workspace(root))


def drift_iacs(checks: Sequence[Check]) -> tuple[float, float, float]:
    """Return the slope of the bias in %IACS for 30 days, with its 95 % interval."""
    days = [(check.at - checks[0].at).total_seconds() / 86_400 / 30 for check in checks]
    fit = stats.linregress(days, [check.bias / 0.58 for check in checks])
    half = fit.stderr * stats.t.ppf(0.975, len(checks) - 2)
    return fit.slope, fit.slope - half, fit.slope + half


def spot_effect_p(lot: Lot) -> float:
    """Return p of spots within parts against repeats on one spot."""
    parts: defaultdict[str, list[list[float]]] = defaultdict(list)
    for (part, _), values in lot.spots.items():
        parts[part].append(values)
    between = sum(
        len(v) * (fmean(v) - fmean(itertools.chain(*of_part))) ** 2 for of_part in parts.values() for v in of_part
    )
    s, df_within = lot.repeatability
    df_between = len(lot.spots) - len(parts)
    return float(stats.f.sf(between / df_between / s**2, df_between, df_within))


def test_workspace_is_complete(demo: Demo) -> None:
    settings = read_settings((demo.workspace.root / "annealog.toml").read_text(encoding="utf-8"))
    assert (settings.unit, settings.time_zone, settings.tolerance_unit) == ("MS/m", "Europe/Oslo", "%IACS")
    main = {"inbox/EC-01": "neutral", "inbox/EC-02": "semicolon", "inbox/EC-03": "wide"}
    aside = {f"inbox/{one}": "neutral" for one in ("EC-21", "EC-31", "studies")}
    assert settings.folders == {**main, **aside}
    texts = {path.stem: path.read_text(encoding="utf-8") for path in (demo.workspace.root / "reference").glob("*.csv")}
    assert all(frame.height for name, frame in parse_tables(texts, zone=settings.zone).items() if name in texts)
    assert {"semicolon.toml", "wide.toml"} <= {path.name for path in (demo.workspace.root / "layouts").iterdir()}
    exports = len(list((demo.workspace.root / "inbox").rglob("*.csv")))
    planted = ("scenario", "goods_in", "block_set", "rod_shop", "gauge_study")
    assert exports == sum(TRUTHS[one]["files"] for one in planted)
    numbers = sum(n for file, n in demo.workspace.numbers.items() if not file.startswith(ASIDE))
    assert numbers == TRUTHS["scenario"]["numbers"]
    assert len(demo.readings) == TRUTHS["scenario"]["stored_readings"]
    assert sum(r.shown is None for r in demo.readings) == TRUTHS["scenario"]["stored_non_readings"]
    assert 15_000 <= numbers <= 40_000
    registered = {row["lot"] for row in demo.workspace.tables["lots"]}
    assert (
        {lot for lot in registered if lot.startswith("L-")}
        == {r.lot for r in demo.readings if r.lot}
        == set(demo.scenario_lots)
    )
    assert len(demo.scenario_lots) == TRUTHS["scenario"]["lots"]
    assert {r.meter for r in demo.readings} == set(METERS)
    days = {r.at.astimezone(OSLO).date() for r in demo.readings}
    assert (min(days), max(days)) == (scenario.FIRST_DAY, scenario.LAST_DAY)


def test_each_lot_is_for_a_customer_on_one_order_a_month_and_what_goods_in_reads_is_for_nobody(demo: Demo) -> None:
    lots = demo.workspace.tables["lots"]
    ours = [lot for lot in lots if lot["supplier"] != goods_in.SUPPLIER]
    assert len(lots) - len(ours) == len(goods_in.ARRIVALS)
    assert all(not lot["customer"] and not lot["purchase_order"] for lot in lots if lot not in ours)
    customers = defaultdict(set)
    for lot in ours:
        customers[lot["product"]].add(lot["customer"])
        assert re.fullmatch(r"[A-Z]{2}-260[3-8]", lot["purchase_order"])
        assert lot["purchase_order"][:2] == lot["customer"][:2].upper()
    assert {product: len(of_product) for product, of_product in customers.items()} == dict.fromkeys(
        scenario.CUSTOMERS, 1
    )
    assert len(set().union(*customers.values())) == 3


def test_same_bytes_everywhere(demo: Demo, tmp_path: Path) -> None:
    fixtures.demo.build(tmp_path)
    digest = hashlib.sha256()
    for path in sorted(p for p in tmp_path.rglob("*") if p.is_file()):
        name = path.relative_to(tmp_path).as_posix()
        assert path.read_bytes() == (demo.workspace.root / name).read_bytes()
        if name.startswith("inbox/") and not name.startswith(ASIDE):
            digest.update(name.encode() + b"\0" + path.read_bytes())
    assert digest.hexdigest() == TRUTHS["scenario"]["inbox_sha256"]


def test_local_times_cross_the_change_of_the_clock(demo: Demo) -> None:
    offsets = defaultdict(set)
    for path in sorted((demo.workspace.root / "inbox/EC-01").glob("*.csv")):
        for match in re.finditer(r"^(2026-\d\d-\d\d)T[\d:]{8}(\S{6}),", path.read_text(encoding="utf-8"), re.MULTILINE):
            offsets[match[2]].add(match[1])
    assert max(offsets["+01:00"]) < "2026-03-29" < min(offsets["+02:00"])


def test_damaged_lines_are_those_listed_and_no_others(demo: Demo) -> None:
    listed = [(line["file"], line["line"], line["reason"]) for line in TRUTHS["damaged_line"]]
    assert sorted(demo.workspace.refused) == sorted(listed)
    assert len({reason for _, _, reason in listed}) == 5


def test_reexport_repeats_most_lines_and_adds_some(demo: Demo) -> None:
    truth = TRUTHS["reexport"]
    assert dict(demo.workspace.repeated) == {truth["again"]: truth["duplicate_lines"]}
    assert sorted([truth["again"], truth["first"]]) == [truth["first"], truth["again"]]
    again = [r for r in demo.readings if r.file == truth["again"]]
    assert len(again) == truth["new_lines"]
    assert truth["duplicate_lines"] / (truth["duplicate_lines"] + truth["new_lines"]) == pytest.approx(0.8, abs=0.05)


def test_non_readings_are_read_again(demo: Demo) -> None:
    found = Counter((r.file, r.line, r.lot) for r in demo.readings if r.shown is None)
    listed = {(n["file"], n["line"], n.get("lot", "")): n["places"] for n in TRUTHS["non_reading"]}
    assert dict(found) == listed


def test_every_reading_stands_between_runs_and_checks_are_whole(demo: Demo) -> None:
    lifted = {(r.at, r.block) for r in demo.readings if r.shown is None and r.block}
    for meter in METERS:
        checks = demo.checks(meter)
        for check in checks:
            whole = 4 if (check.at, check.block) in lifted else 5
            assert len(check.readings) == whole, check
            assert check.at - check.first_at < timedelta(minutes=1)
        # each time the blocks of a set are read together
        blocks = [check.block for check in checks]
        assert all(
            pair in (("BL-C1", "BL-C2"), ("BL-A1", "BL-A2")) for pair in zip(blocks[::2], blocks[1::2], strict=True)
        )


def test_plans_are_kept(demo: Demo) -> None:
    several = set()
    for name, lot in demo.scenario_lots.items():
        plan = lot.plan
        assert len(lot.part_means) == int(plan["parts"])
        assert len(lot.spots) == int(plan["parts"]) * int(plan["spots"])
        assert {len(values) for values in lot.spots.values()} == {int(plan["repeats"])}
        assert plan_is_met(lot)
        if len({meter.name for meter, _, _ in lot.readings}) > 1:
            several.add(name)
    assert several == set(TRUTHS["scenario"]["lots_read_by_two_meters"])


def test_no_other_lot_is_held_rejected_or_suspect(demo: Demo) -> None:
    found: defaultdict[str, list[str]] = defaultdict(list)
    for name, lot in demo.scenario_lots.items():
        supported = support(demo.workspace, lot, demo.as_of) == "supported"
        # wider than the uncertainty of any spot mean here, and than rounding
        inside = met(demo.workspace, lot, 0.45 if lot.plan["decision_rule"] == "guarded" else 0.05) == "in"
        found["hold" if not supported else "accept" if inside else "reject"].append(name)
        assert inside or supported
    assert found["hold"] == TRUTHS["verdicts"]["hold"]
    assert found["reject"] == TRUTHS["verdicts"]["reject"]
    assert len(found["accept"]) == TRUTHS["verdicts"]["accepted_lots"]


def test_settings_are_those_listed(demo: Demo) -> None:
    found = Counter((r.meter, str(r.at.astimezone(OSLO).date())) for r in demo.readings if r.role == "setting")
    assert dict(found) == {(s["meter"], s["day"]): 10 for s in TRUTHS["setting"]}


def test_slow_drift_stays_inside_tolerance(demo: Demo) -> None:
    truth = TRUTHS["slow_drift"]
    start = datetime.fromisoformat(truth["begins"]).replace(tzinfo=OSLO)
    checks = demo.checks(truth["meter"])
    worst = max(abs(check.bias) for check in checks) / 0.58
    assert worst == pytest.approx(truth["largest_bias_iacs"], abs=0.005)
    assert worst < 0.45
    for block in truth["blocks"]:
        series = [check for check in checks if check.block == block]
        _, low, high = drift_iacs([check for check in series if check.at >= start])
        assert low < truth["slope_iacs_per_30_days"] < high
        assert drift_iacs(series)[1] > 0
        baseline = [check.bias for check in series[:20]]
        assert series[19].at < start
        late = [(check.bias - fmean(baseline)) / stdev(baseline) for check in series if check.at.month == 8]
        assert all(z > 3 for z in late)
        assert fmean(check.bias for check in series[-4:]) / 0.58 == pytest.approx(truth["bias_at_end_iacs"], abs=0.06)


def test_rules_reject_the_drifting_meter_and_hardly_any_other(demo: Demo) -> None:
    assert {meter: demo.meters[meter].runs[-1].rejected for meter in METERS} == {
        meter: state == "suspended" for meter, state in TRUTHS["meters"].items()
    }
    drifting, since = TRUTHS["slow_drift"]["meter"], datetime.fromisoformat(TRUTHS["slow_drift"]["rejects_from"])
    begins = datetime.fromisoformat(TRUTHS["slow_drift"]["begins"]).replace(tzinfo=OSLO)
    chance: Counter[str] = Counter()
    for meter in METERS:
        for run in demo.meters[meter].runs:
            if meter == drifting and run.first_at >= since.replace(tzinfo=OSLO):
                assert run.rejected, run
            if not run.passed:
                assert all(check.rejects for check in run.checks), run
            elif meter != drifting or run.first_at < begins:
                chance[meter] += sum(bool(check.rejects) for check in run.checks)
    assert {meter: count for meter, count in chance.items() if count} == TRUTHS["chance_signals"]["checks"]


@pytest.mark.parametrize(("meter", "block"), [(m, b) for m in ("EC-01", "EC-03") for b in ("BL-C1", "BL-C2")])
def test_no_other_meter_drifts(demo: Demo, meter: str, block: str) -> None:
    days = sorted(s["day"] for s in TRUTHS["setting"] if s["meter"] == meter)
    since = datetime.fromisoformat(days[-1]).replace(tzinfo=OSLO)
    series = [check for check in demo.checks(meter, block) if check.at > since]
    _, low, high = drift_iacs(series)
    assert len(series) >= 20
    assert low < 0 < high


def test_jump_after_a_drop(demo: Demo) -> None:
    truth = TRUTHS["jump"]
    runs = demo.meters[truth["meter"]].runs
    failed = [run for run in runs if not run.passed]
    assert [run.first_at.astimezone(OSLO).date().isoformat() for run in failed] == [truth["day"]]
    place = runs.index(failed[0])
    for check in failed[0].checks:
        assert check.bias / 0.58 == pytest.approx(truth["bias_iacs"], abs=0.25)
        assert check.bias / 0.58 > 0.55
    between = [r for r in demo.readings if r.meter == truth["meter"] and runs[place - 1].at < r.at < failed[0].first_at]
    assert sorted({r.lot for r in between}) == truth["suspect_lots"] == TRUTHS["verdicts"]["hold"]
    dropped = datetime.fromisoformat(truth["at"]).replace(tzinfo=OSLO)
    assert sorted({r.lot for r in between if r.at > dropped}) == truth["lots_read_after_the_drop"]
    following = [r.role for r in demo.readings if r.meter == truth["meter"] and r.at > failed[0].at]
    assert following[:11] == ["setting"] * 10 + ["block"]
    assert runs[place + 1].passed


def test_warm_lot_passes_only_when_corrected(demo: Demo) -> None:
    truth = TRUTHS["warm_lot"]
    lot = demo.lots[truth["lot"]]
    assert {one.reading.state for one in lot.values} == {"at_metal"}
    assert all(36.0 < one.reading.temperature_c < 39.0 for one in lot.values)
    assert max(one.reading.shown for one in lot.values) < truth["lower_limit_ms_per_m"] - 1.0
    assert min(lot.spot_means.values()) > truth["lower_limit_ms_per_m"]


def test_lot_corrected_in_the_meter_fails_if_corrected_again(demo: Demo) -> None:
    truth = TRUTHS["already_corrected_lot"]
    lot = demo.lots[truth["lot"]]
    assert {one.reading.state for one in lot.values} == {"at_reference"}
    temperature = fmean(one.reading.temperature_c for one in lot.values)
    assert temperature == pytest.approx(truth["metal_c"], abs=1.0)
    assert met(demo.workspace, lot, 0.05) == "in"
    again = [1.0 / (1.0 / mean - 0.000115 * (temperature - 20.0)) for mean in lot.spot_means.values()]
    assert as_compared(demo.workspace, lot.plan, min(again)) > lot.limits()[1]
    stated = {r.lot for r in demo.readings if r.state == "at_reference"}
    assert stated == {truth["lot"], *truth["other_lots_stated_at_reference"]}


def test_supplier_level_shifts(demo: Demo) -> None:
    truth = TRUTHS["supplier_shift"]
    streams = {name: (lot.row["supplier"], lot.row["material"]) for name, lot in demo.scenario_lots.items()}
    of_supplier = [name for name, stream in streams.items() if stream == (truth["supplier"], truth["material"])]
    place = of_supplier.index(truth["first_lot_after"])
    assert (place, len(of_supplier) - place) == (truth["lots_before"], truth["lots_after"])
    means = {lot: demo.lots[lot].mean for lot in of_supplier}
    before, after = ([means[lot] for lot in half] for half in (of_supplier[:place], of_supplier[place:]))
    assert fmean(after) - fmean(before) == pytest.approx(truth["shift_ms_per_m"], abs=0.08)
    between_lots = math.sqrt(
        ((len(before) - 1) * stdev(before) ** 2 + (len(after) - 1) * stdev(after) ** 2) / (len(means) - 2)
    )
    assert (fmean(before) - fmean(after)) / between_lots > 5
    # no other supplier and material has so many lots that its level could be judged
    others = Counter(streams.values())
    assert all(n <= 8 for key, n in others.items() if key != (truth["supplier"], truth["material"]))


def test_soft_spots_in_one_lot_only(demo: Demo) -> None:
    truth = TRUTHS["soft_spots"]
    p = {name: spot_effect_p(lot) for name, lot in demo.scenario_lots.items()}
    assert p.pop(truth["lot"]) < truth["p_value_below"]
    assert min(p.values()) > truth["p_value_of_other_lots_above"]
    means = demo.lots[truth["lot"]].spot_means
    for part in {part for part, _ in means}:
        others = fmean(mean for (of, spot), mean in means.items() if of == part and spot != truth["spot"])
        softer = (others - means[part, truth["spot"]]) / 0.58
        assert (softer > truth["softer_by_iacs"] / 2) == (part in truth["parts"])


def test_lot_out_of_limits(demo: Demo) -> None:
    truth = TRUTHS["out_of_limits"]
    assert [truth["lot"]] == TRUTHS["verdicts"]["reject"]
    means = [mean / 0.58 for mean in demo.lots[truth["lot"]].spot_means.values()]
    assert min(means) > truth["upper_limit_iacs"] + 1.0
    assert fmean(means) == pytest.approx(truth["mean_iacs"], abs=0.01)
    mill = demo.workspace.row("mill_certificates", truth["lot"])
    assert fmean(means) - float(mill["value"]) > 4 * float(mill["expanded_uncertainty"])
