"""The demo's planted truths: the tool finds each, and nothing else."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from demo_parts import loaded_demo
from look_back_story import events_of
from parsed_pages import Parsed

import reports
from pipeline.cli import run
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.assessment import Assessment
from pipeline.judge.carry_on import carried_on
from pipeline.judge.meters.evidence import calibrations_of
from pipeline.load.report import LoadReport
from pipeline.pages.lots_and_meters import lot_pages, meter_pages
from pipeline.questions.blocks import block_results
from pipeline.questions.trace import trace
from pipeline.workspace.settings import Workspace, find_workspace

if TYPE_CHECKING:
    from schemas.results import LotPage

TRUTHS = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "truths.toml").read_text(encoding="utf-8")
)

STUDY = TRUTHS["gauge_study"]
"""Its readings are stored and count nowhere; what they say is looked at in tests/end_to_end/test_demo_suppliers.py."""
GOODS_IN = TRUTHS["goods_in"]
"""A meter used now and then; what it found is looked at in tests/unit/demo/test_goods_in.py."""
ROD_SHOP = TRUTHS["rod_shop"]
"""A shop of its own, looked at in tests/unit/demo/test_rod_shop.py."""

BLOCK_SET = TRUTHS["block_set"]
"""Two blocks read each second week, and the external calibrations; see the tests at the end."""

Demo = tuple[Workspace, LoadReport, Assessment]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    root, report = loaded_demo(tmp_path_factory)
    workspace = find_workspace(root)
    with History.open(workspace.history) as history:
        return workspace, report, assess(history, workspace.settings, as_of=None)


def midnight(day: str) -> pl.Expr:
    return pl.lit(datetime.fromisoformat(day).replace(tzinfo=UTC), dtype=pl.Datetime("us", "UTC"))


def flagged(found: Assessment, flag: str) -> list[str]:
    return sorted(lot for lot, result in found.lots.items() if any(f.startswith(f"{flag}:") for f in result.flags))


def test_every_line_has_its_fate(demo: Demo) -> None:
    workspace, report, found = demo
    aside = (GOODS_IN, BLOCK_SET, ROD_SHOP)
    assert len(report.files) == TRUTHS["scenario"]["files"] + STUDY["files"] + sum(one["files"] for one in aside)
    assert report.held == 0
    stored = TRUTHS["scenario"]["stored_readings"] + sum(one["readings"] for one in aside)
    assert sum(f.readings for f in report.files) == stored + STUDY["readings"]
    assert (found.readings.height, found.study_readings.height) == (stored, STUDY["readings"])
    assert found.readings["non_reading"].count() == TRUTHS["scenario"]["stored_non_readings"]
    with History.open(workspace.history) as history:
        refused = history.quarantine().select("file", "line", "reason").to_dicts()
    damaged = [{"file": d["file"], "line": d["line"], "reason": d["reason"]} for d in TRUTHS["damaged_line"]]
    assert sorted(refused, key=str) == sorted(damaged, key=str)


def test_the_overlapping_reexport(demo: Demo) -> None:
    _, report, _ = demo
    truth = TRUTHS["reexport"]
    again = next(f for f in report.files if f.name == truth["again"])
    assert (again.fates["duplicate"], again.fates["accepted"], again.conflicts) == (
        truth["duplicate_lines"],
        truth["new_lines"],
        0,
    )
    assert [f.name for f in report.files if f.fates["duplicate"]] == [truth["again"]]


def test_every_verdict_and_no_other(demo: Demo) -> None:
    _, _, found = demo
    truth = TRUTHS["verdicts"]
    by_verdict = {
        v: sorted(lot for lot, r in found.lots.items() if r.verdict == v)
        for v in ("accept", "hold", "reject", "not_assessed")
    }
    assert by_verdict["hold"] == [*truth["hold"], *ROD_SHOP["hold"]]
    assert by_verdict["reject"] == truth["reject"]
    assert len(by_verdict["accept"]) == truth["accepted_lots"] + len(GOODS_IN["lots"]) + len(ROD_SHOP["accept"])
    assert by_verdict["not_assessed"] == []
    supports = Counter(r.support for r in found.lots.values())
    assert supports == {
        "supported": TRUTHS["scenario"]["lots"] - 3 + len(GOODS_IN["lots"]) + len(ROD_SHOP["lots"]),
        "suspect": 3,
    }
    assert {m: r.state for m, r in found.meters.items()} == {
        **TRUTHS["meters"],
        **{aside["meter"]: aside["state"] for aside in (GOODS_IN, ROD_SHOP)},
    }


def test_the_command_says_the_drift_that_the_page_says(demo: Demo, capsys: pytest.CaptureFixture[str]) -> None:
    """Of the line that leaves the tolerance, not of the mean over all checks."""
    workspace, _, _ = demo
    capsys.readouterr()
    assert run(["meter", TRUTHS["slow_drift"]["meter"], "--workspace", str(workspace.root)]) == 4
    out = capsys.readouterr().out
    said = re.findall(r"drift on (\S+): (\S+) MS/m in 30 days since (\S+); leaves tolerance about (\S+) ", out)
    assert {block for block, *_ in said} >= set(TRUTHS["slow_drift"]["blocks"])
    page = (workspace.pages / "meters" / f"{TRUTHS['slow_drift']['meter']}.html").read_text(encoding="utf-8")
    for block, slope, since, day in said:
        sentence = f"drifts by \\+{slope} MS/m in 30 days since {since} and leaves the tolerance about {day}"
        assert re.search(sentence, page), (block, sentence)
    (provisional,) = re.findall(r"limits are provisional until a baseline is complete: (.*)", out)
    of_page = re.findall(r"Block (\S+): no drift chart yet, because limits are provisional", page)
    assert provisional.split(", ") == of_page
    assert BLOCK_SET["moved"]["block"] in of_page, "read every second Monday, its baseline is not complete yet"


def test_the_slow_drift(demo: Demo) -> None:
    _, _, found = demo
    truth = TRUTHS["slow_drift"]
    meter = found.meters[truth["meter"]]
    of_blocks = [d for d in meter.drift if d.block in truth["blocks"]]
    assert {d.block for d in of_blocks} == set(truth["blocks"])
    for drift in of_blocks:
        assert drift.interval is not None
        assert drift.interval[0] > 0
        assert drift.leaves_tolerance_on is not None
        # the interval of the forecast holds the planted day; the drift is dated to within ten days
        assert drift.leaves_tolerance_interval is not None
        first, last = drift.leaves_tolerance_interval
        assert last is not None
        assert first.date().isoformat() <= truth["leaves_tolerance_on"] <= last.date().isoformat()
        assert drift.drifting_since is not None
        assert abs(drift.drifting_since - datetime.fromisoformat(truth["begins"]).replace(tzinfo=UTC)).days <= 10
        assert drift.slope_since_per_30_days == pytest.approx(truth["slope_ms_per_m_per_30_days"], rel=0.1)
    still = {(s.block, s.chart): s for s in meter.drift_signals if s.open}
    assert set(still) == {(block, chart) for block in truth["blocks"] for chart in ("EWMA", "CUSUM")}
    assert all(s.side == "high" for s in still.values())
    assert all(s.first_at.date().isoformat() <= truth["drift_charts_signal_by"] for s in still.values())
    assert meter.suspect_lots == tuple(truth["makes_suspect"])
    checks = found.checks.filter(pl.col("meter") == truth["meter"])
    assert checks["passes"].all()
    late = found.runs.filter(
        (pl.col("meter") == truth["meter"]) & (pl.col("first_at") >= midnight(truth["rejects_from"]))
    )
    assert late.height >= 10
    assert (late["rejected"] > 0).all()
    # no other meter's slope excludes zero in the tested direction
    for name, other in found.meters.items():
        if name != truth["meter"]:
            assert all(d.leaves_tolerance_on is None for d in other.drift)
            assert not any(s.open for s in other.drift_signals)


def test_the_jump_and_what_it_touched(demo: Demo) -> None:
    workspace, _, found = demo
    truth = TRUTHS["jump"]
    assert found.meters[truth["meter"]].suspect_lots == tuple(truth["suspect_lots"])
    assert [m for m, r in found.meters.items() if r.suspect_lots] == [truth["meter"]]
    for lot in truth["suspect_lots"]:
        assert (found.lots[lot].limits_met, found.lots[lot].verdict) == (truth["limits_met"], "hold")
    failed = found.checks.filter(~pl.col("passes"))
    assert set(failed["block"]) == set(truth["blocks"])
    assert {at.date().isoformat() for at in failed["at"]} == {truth["day"]}
    # on that evening the look-back names exactly these lots
    evening = datetime.fromisoformat(f"{truth['day']}T22:00:00+00:00")
    with History.open(workspace.history) as history:
        then = assess(history, workspace.settings, as_of=evening)
    window = trace(then, truth["meter"])
    assert sorted(t.lot for t in window.lots) == truth["suspect_lots"]
    assert window.last_run_passed is False
    assert then.meters[truth["meter"]].state == "suspended"
    settings = found.meter_settings.filter(pl.col("meter") == truth["meter"])["at"].dt.date().cast(pl.String).to_list()
    assert truth["set_again_on"] in settings


def test_settings_start_phases(demo: Demo) -> None:
    _, _, found = demo
    seen = sorted((row["meter"], row["at"].date().isoformat()) for row in found.meter_settings.iter_rows(named=True))
    planned = [(s["meter"], s["day"]) for s in TRUTHS["setting"]]
    assert seen == sorted([*planned, (GOODS_IN["meter"], GOODS_IN["setting_day"])])


def test_temperature_is_corrected_exactly_once(demo: Demo) -> None:
    _, _, found = demo
    warm, stated = TRUTHS["warm_lot"], TRUTHS["already_corrected_lot"]
    result = found.lots[warm["lot"]]
    assert result.verdict == warm["verdict"]
    assert result.mean == pytest.approx(warm["mean_at_20_ms_per_m"], abs=5e-4)
    assert flagged(found, "block_and_part_apart") == [warm["lot"]]
    result = found.lots[stated["lot"]]
    assert result.verdict == stated["verdict"]
    assert result.mean == pytest.approx(stated["mean_iacs"] * 0.58, abs=5e-4)


def test_the_supplier_shift_and_the_soft_spots(demo: Demo) -> None:
    _, _, found = demo
    assert flagged(found, "supplier_level") == TRUTHS["supplier_shift"]["lots_at_the_new_level"]
    assert flagged(found, "spots_differ_within_parts") == [TRUTHS["soft_spots"]["lot"]]


def details(demo: Demo, *lots: str) -> dict[str, LotPage]:
    workspace, _, found = demo
    with History.open(workspace.history) as history:
        sources = history.sources()
    return {page.result.lot: page for page in lot_pages(workspace, found, sources, lots or None)}


def test_the_mixed_lot_and_its_parts(demo: Demo) -> None:
    _, _, found = demo
    truth = TRUTHS["mixed_lot"]
    assert flagged(found, "more_than_one_group") == [truth["lot"]]
    assert found.lots[truth["lot"]].verdict == truth["verdict"]
    page = details(demo, truth["lot"])[truth["lot"]]
    assert page.detail is not None
    material = page.detail.material
    assert list(material.groups.upper_parts) == truth["parts"]
    assert material.groups.meters_differ is False
    assert material.groups.upper_mean is not None
    assert material.groups.lower_mean is not None
    apart = (material.groups.upper_mean - material.groups.lower_mean) / 0.58
    assert apart == pytest.approx(truth["higher_by_iacs"], abs=0.1)
    likeliest = {part.part: (part.material, part.temper) for part in material.parts}
    for part, named in likeliest.items():
        temper = truth["temper_of_the_five"] if part in truth["parts"] else truth["temper_of_most"]
        assert named == (truth["material"], temper)
    text = Parsed(reports.render(page)).text
    assert "Sort the parts" in text[: text.index("Main points")]


def test_what_each_lot_is_made_of(demo: Demo) -> None:
    """Every lot fits a range of the alloy it is entered as, but for the one planted."""
    misfit = [
        lot
        for lot, page in details(demo).items()
        if page.detail is None or page.detail.material.declared_fits is not True
    ]
    assert misfit == [TRUTHS["lot_that_is_no_known_material"]["lot"]]


def test_the_lot_judged_by_variables(demo: Demo) -> None:
    _, _, found = demo
    truth = TRUTHS["plan_by_variables"]
    assert found.lots[truth["lot"]].verdict == truth["verdict"]
    pages = details(demo)
    assert [lot for lot, page in pages.items() if page.detail is not None and page.detail.plan is not None] == [
        truth["lot"]
    ]
    detail = pages[truth["lot"]].detail
    assert detail is not None
    plan = detail.plan
    assert plan is not None
    assert (plan.parts, plan.k, plan.accepted) == (truth["parts"], truth["k"], True)
    assert plan.quality_at["95"] < plan.quality_at["50"] < plan.quality_at["10"]


def test_soft_spots_are_told_from_differences_between_parts(demo: Demo) -> None:
    truth = TRUTHS["soft_spots"]
    shares = {}
    for lot, page in details(demo).items():
        assert page.detail is not None
        assert page.detail.components is not None
        shares[lot] = next(line.share for line in page.detail.components.lines if line.level == "spot")
    assert (shares.pop(truth["lot"]) or 0.0) > 0.3
    assert all((share or 0.0) < 0.1 for share in shares.values())
    detail = details(demo, truth["lot"])[truth["lot"]].detail
    assert detail is not None
    pointed = [value for value in detail.suspects.values if value.level == "spot"]
    assert {int(value.part or 0) for value in pointed} == {int(part) for part in truth["parts"]}
    assert {value.spot for value in pointed} == {truth["spot"]}


def test_few_lots_are_called_unstable_by_chance(demo: Demo) -> None:
    """No lot's order was planted: the five signals call 4 to 6 of 100 stable lots unstable."""
    states = Counter(
        page.detail.capability.stability.state for page in details(demo).values() if page.detail is not None
    )
    print(states)
    assert states["unstable"] <= 8
    assert states["not_judged"] == 0


def test_signals_beyond_the_planted_ones_against_chance(demo: Demo, capsys: pytest.CaptureFixture[str]) -> None:
    """Count the rejects of meters in control beside the number that chance gives: on frozen limits once in 5,000 checks."""
    _, _, found = demo
    drift, jump = TRUTHS["slow_drift"], TRUTHS["jump"]
    planted = (
        ((pl.col("meter") == drift["meter"]) & (pl.col("at") >= midnight(drift["begins"])))
        | ((pl.col("meter") == jump["meter"]) & (pl.col("at").dt.date().cast(pl.String) == jump["day"]))
    )  # fmt: skip
    quiet = found.checks.filter(~planted)
    table = (
        quiet.group_by("meter", "block", "limits_kind")
        .agg(
            pl.len().alias("checks"),
            (pl.col("rejects") != "").sum().alias("rejects"),
            pl.col("warning").sum().alias("warnings"),
        )
        .sort("meter", "block", "limits_kind")
    )
    with capsys.disabled():
        print("\nrejects of meters in control, beside the number that chance gives")
        print(f"{'meter':8}{'block':8}{'limits':13}{'checks':>7}{'rejects':>9}{'by chance':>11}{'warnings':>10}")
        for row in table.iter_rows(named=True):
            n = row["checks"]
            print(
                f"{row['meter']:8}{row['block']:8}{row['limits_kind']:13}{n:7}{row['rejects']:9}"
                f"{n / 5000 if row['limits_kind'] == 'frozen' else 0.0:11.2f}{row['warnings']:10}"
            )
    assert (
        dict(table.group_by("meter").agg(pl.col("rejects").sum()).filter(pl.col("rejects") > 0).iter_rows())
        == (TRUTHS["chance_signals"]["checks"])
    )
    assert quiet.height > 250


def test_statistics_are_computable_and_named(demo: Demo) -> None:
    _, _, found = demo
    for lot, result in found.lots.items():
        values: dict[str, Any] = {n: getattr(result, n) for n in ("cp", "cpk", "pp", "ppk", "expanded_uncertainty")}
        for name, value in values.items():
            assert (value is None) == (name in result.not_computable), (lot, name)
        assert result.ppk is not None
        assert result.ppk_interval is not None
        assert result.ppk_interval[0] < result.ppk < result.ppk_interval[1]
        assert result.within_estimator == "moving_range"
        assert result.expanded_uncertainty is not None
        assert 0 < result.expanded_uncertainty < 1.5


def test_the_block_that_moved_and_no_other(demo: Demo) -> None:
    _, _, found = demo
    truth = BLOCK_SET["moved"]
    blocks = block_results(found)
    assert {name for name, result in blocks.items() if result.state == "moved"} == {truth["block"]}
    assert {result.state for name, result in blocks.items() if name != truth["block"]} == {"steady"}
    moved = {(one.kind, one.name): one for one in blocks[truth["block"]].movements}
    assert set(moved) == {("block", truth["block"]), *(("meter", meter) for meter in truth["others_that_moved"])}
    block = moved["block", truth["block"]]
    assert block.certain
    assert block.meters >= 2
    assert block.at.date().isoformat() == truth["first_seen_on"]
    assert abs(block.size - truth["size_ms_per_m"]) < 3 * block.standard_error
    drop, drift = moved["meter", TRUTHS["jump"]["meter"]], moved["meter", TRUTHS["slow_drift"]["meter"]]
    assert (drop.shape, drop.at.date().isoformat()) == ("step", TRUTHS["jump"]["day"])
    assert drift.shape == "ramp"
    assert abs(drift.at - datetime.fromisoformat(TRUTHS["slow_drift"]["begins"]).replace(tzinfo=UTC)).days <= 10
    # it stayed within tolerance: no check failed by it
    assert found.checks.filter(pl.col("block") == truth["block"])["passes"].all()


def test_the_certificate_that_was_renewed(demo: Demo) -> None:
    _, _, found = demo
    truth = BLOCK_SET["certificate"]
    first, second = block_results(found, [truth["block"]])[truth["block"]].certificates
    assert (first.certificate, second.certificate) == (truth["earlier"], truth["later"])
    assert second.step == pytest.approx(truth["step_ms_per_m"])
    assert second.step_e_n is not None
    assert abs(second.step_e_n) < 1
    assert (first.checks_after_due, second.checks_after_due) == (truth["checks_after_due"], 0)
    used = found.checks.filter(pl.col("block") == truth["block"])
    later = used["certificate"] == truth["later"]
    assert (later == (used["at"].dt.date().cast(pl.String) >= truth["holds_from"])).all()
    flagged_meters = [m for m, r in found.meters.items() if any(f.startswith("block_used_overdue:") for f in r.flags)]
    assert flagged_meters == BLOCK_SET["meters"]


def test_events_from_the_planted_causes_and_what_they_touched(demo: Demo) -> None:
    workspace, _, found = demo
    with History.open(workspace.history) as history:
        events = events_of(found, history.events())
    assert all(event.state == "open" for event in events.values())
    (failed,) = (event for event in events.values() if event.kind == "failed_check")
    assert (failed.meter, failed.fired_at.date().isoformat()) == (TRUTHS["jump"]["meter"], TRUTHS["jump"]["day"])
    assert sorted(lot.lot for lot in failed.lots) == TRUTHS["jump"]["suspect_lots"]
    (calibration,) = (event for event in events.values() if event.kind == "calibration")
    truth = BLOCK_SET["calibration"]
    assert (calibration.name, calibration.meter) == (truth["event"], truth["meter"])
    assert calibration.last_good_at is not None
    assert calibration.last_good_at.astimezone(found.settings.zone).date().isoformat() == truth["last_good_on"]
    assert [lot.lot for lot in calibration.lots if lot.doubt == "touched"] == truth["touched"]
    read_before = {
        row["lot"]
        for row in found.brackets.filter(
            (pl.col("meter") == truth["meter"]) & (pl.col("first_at") < midnight(truth["calibrated_on"]))
        ).iter_rows(named=True)
    }
    assert {lot.lot for lot in calibration.lots} == read_before
    assert len(read_before) >= truth["covered_at_least"]
    points = calibrations_of(found).filter(pl.col("meter") == truth["meter"])
    judged = {(row["nominal"], row["condition"]): (row["passes"], row["near"]) for row in points.iter_rows(named=True)}
    assert judged[truth["failed_nominal"], "as_found"][0] is False
    assert judged[truth["near_nominal"], "as_found"] == (True, True)
    assert not any(event.kind == "check_overdue" for event in events.values())
    # chance alone: some 600 checks with a limit that 3 in 1000 pass
    rough = [event.name for event in events.values() if event.kind == "precision"]
    assert [name[:14] for name in rough] == ["EC-02_20260420", "EC-01_20260511", "EC-03_20260717"]
    assert found.checks["precision_limit"].count() == 593
    said = [event.sentence for event in events.values() if event.kind == "precision"]
    told = [re.search(r"s = (\S+), limit (\S+) MS/m", sentence) for sentence in said]
    assert all(pair and float(pair[1]) > float(pair[2]) for pair in told), "none reads as if it lay on its limit"


def test_pages_from_what_is_kept_are_the_pages(demo: Demo) -> None:
    """Of every lot and meter, those too that read relative to a setting."""
    workspace, _, found = demo
    with History.open(workspace.history) as history:
        sources, kept = history.sources(), carried_on(history, workspace.settings)
        assert kept is not None
        for pages in (lot_pages, meter_pages):
            make: Any = pages
            for mine, page in zip(make(workspace, kept, sources), make(workspace, found, sources), strict=True):
                name = page.link.identifier
                assert mine.provenance.data_sha256 == page.provenance.data_sha256, name
                assert mine.answer == page.answer, name
