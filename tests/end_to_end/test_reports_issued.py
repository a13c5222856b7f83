"""Test reports and statements of nonconformity: who gets one and who does not, what it states, and that verify finds it again.

That a report states a conformity with its specification and decision rule, U with k, and names works, customer, method, blocks and
whoever authorises it is ISO/IEC 17025:2017, 7.8 (from memory).
"""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from paper_works import LOTS, paper_works
from scenario import Scenario

import reports
from pipeline.decisions.record import record_disposition
from pipeline.history.chain import Signature, event_hash, signed
from pipeline.history.store import History
from pipeline.questions.reports_issued import paper_of
from pipeline.workspace.settings import find_workspace
from schemas.documents import from_json
from schemas.papers import ReportOnLots, states_hash

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell


@pytest.fixture
def works(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    return paper_works(tmp_path / "works", capsys)


def issue(works: Shell, *words: str) -> Any:
    return works.json("test-report", *words, "--by", "A. Ranta", "--workspace", str(works.root))


def refused(works: Shell, *words: str) -> str:
    works("test-report", *words, "--workspace", str(works.root))
    assert works.code == 2, works.out
    return works.err


def events(works: Shell) -> list[Any]:
    with History.open(works.root / "history" / "annealog.duckdb") as history:
        return history.events("report")


def verify(works: Shell, *words: str) -> Any:
    return works.json("verify", *words, "--workspace", str(works.root))


def test_a_report_states_what_the_lot_command_says_and_who_and_where(works: Shell) -> None:
    report = issue(works, "L1", "L2")
    assert works.code == 0, works.err
    lot, other = report["lots"]
    said = works.json("lot", "L1", "--dry-run", "--workspace", str(works.root))
    assert (lot["mean"], lot["expanded_uncertainty"]) == (
        round(said["mean"], 2),
        round(said["expanded_uncertainty"], 2),
    )
    assert (lot["coverage_factor"], lot["unit"]) == (round(said["coverage_factor"], 2), "MS/m")
    assert (lot["parts"], lot["spots"], lot["readings"]) == (5, 5, 5)
    assert [(b["block"], b["certificate"]) for b in report["blocks"]] == [("B1", "C-2025-118"), ("B2", "C-2025-119")]
    (read,) = lot["read"]
    assert (read["meter"], read["before_passed"], read["after_passed"]) == ("M1", True, True)
    assert read["before_at"] < read["first_at"] < read["last_at"] < read["after_at"]
    assert (report["works"], report["address"], report["customer"]) == (
        "Ostmark Copper Works", "Hammergata 4, 0192 Ytterby", "Skarnes Switchgear",
    )  # fmt: skip
    assert (lot["heat"], lot["purchase_order"], other["purchase_order"]) == ("H-4471", "PO-88123", "PO-88124")
    page = (works.root / "pages" / "papers" / f"{report['number']}.html").read_text(encoding="utf-8")
    short = " ".join(report["sha256"][i : i + 4] for i in range(0, 16, 4))
    for text in ("58.50 ± ", "MS/m", "1.96", "57 to 60 MS/m", "guarded acceptance", "C-2025-119", "H-4472", "PO-88123", short,
                 "claims no accreditation", "The governing specification decides", "A. Ranta", "Europe/Oslo"):  # fmt: skip
        assert text in page, text
    assert "<h1>Test report</h1>" in page


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("L3",), "it is rejected. 3 of 3 spot means lie outside"),
        (("L6",), "it is on hold."),
        (("L7",), "it is not assessed."),
        (("L7", "--nonconformity"), "it is not assessed."),
        (("L1", "L3"), "lot L3: it is rejected"),
        (("L1", "--nonconformity"), "it is accepted. Leave --nonconformity out."),
        (("L1", "L4"), "different customers"),
        (("L1", "L5"), "different specifications"),
        (("L9",), "has no readings"),
        (("L1", "L1"), "each named once"),
        (("L1", "L2", "L3", "L4", "L5", "L6"), "1 to 5 lots"),
    ],
)
def test_what_gets_no_report_is_told_why_and_nothing_is_recorded(
    works: Shell, words: tuple[str, ...], reason: str
) -> None:
    assert reason in refused(works, *words, "--by", "Ada")
    assert events(works) == []
    assert not (works.root / "pages" / "papers").exists()


def test_nobody_signs_nothing(works: Shell) -> None:
    assert "--by NAME" in refused(works, "L1")
    assert "--by NAME" in refused(works, "L1", "--by", " ")
    assert "--again NUMBER" in refused(works, "--by", "Ada")
    assert "--again NUMBER" in refused(works, "L1", "--again", "2026-0001")
    assert "No report '2026-0001'" in refused(works, "--again", "2026-0001")
    assert events(works) == []


@pytest.mark.parametrize("lacking", ["name", "address"])
def test_a_works_that_does_not_say_where_it_is_sends_no_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], lacking: str
) -> None:
    told = {"name": "Ostmark Copper Works", "address": "Hammergata 4"}
    settings = "".join(f'{name} = "{value}"\n' for name, value in told.items() if name != lacking)
    works = paper_works(tmp_path / "works", capsys, settings=settings)
    assert f"State {lacking} in annealog.toml" in refused(works, "L1", "--by", "Ada")
    (works.root / "annealog.toml").write_text(settings + f'{lacking} = "{told[lacking]}"\n', encoding="utf-8")
    works.load(works.root / "inbox")
    assert issue(works, "L1")[{"name": "works"}.get(lacking, lacking)] == told[lacking]


@pytest.mark.parametrize(("lot", "word"), [("L3", "Does not conform"), ("L6", "On hold: conformity is not shown")])
def test_a_statement_of_nonconformity_says_so_in_its_title_and_gives_the_reasons(
    works: Shell, lot: str, word: str
) -> None:
    report = issue(works, lot, "--nonconformity")
    page = (works.root / "pages" / "papers" / f"{report['number']}.html").read_text(encoding="utf-8")
    assert "<h1>Statement of nonconformity</h1>" in page
    assert f"<title>Statement of nonconformity {report['number']}</title>" in page
    assert word in page
    assert ">Conforms<" not in page
    assert "Test report" not in page
    assert report["lots"][0]["said"]


def test_a_lot_that_a_person_rejected_gets_no_test_report(works: Shell) -> None:
    def decide(decision: str) -> None:
        works(
            "record",
            "disposition",
            "--lot",
            "L1",
            "--decision",
            decision,
            "--by",
            "Ada",
            "--why",
            "bent",
            "--workspace",
            str(works.root),
        )
        assert works.code == 0, works.err

    decide("rejected")
    assert "the last disposition says that it was rejected" in refused(works, "L1", "--by", "Ada")
    stated = issue(works, "L1", "--nonconformity")
    page = (works.root / "pages" / "papers" / f"{stated['number']}.html").read_text(encoding="utf-8")
    assert "Rejected by decision" in page
    assert "rejected (Ada: bent)" in page
    assert ">Conforms<" not in page
    decide("no effect found")
    assert issue(works, "L1")["lots"][0]["decided"] == ["rejected (Ada: bent)", "no effect found (Ada: bent)"]


def test_an_accepted_lot_that_an_open_event_touched_waits_for_a_decision(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = 'name = "Ostmark Copper Works"\naddress = "Hammergata 4"\n'
    works = paper_works(tmp_path / "works", capsys, settings=settings)
    calibrations = (
        "meter,calibrated_on,condition,nominal,indicated,unit,tolerance\n"
        "M1,2025-01-05,as_found,58,58.0,MS/m,0.2\nM1,2026-03-20,as_found,58,60.9,MS/m,0.2\n"
    )
    assert issue(works, "L2")["kind"] == "test_report"
    (works.root / "reference" / "calibrations.csv").write_text(calibrations, encoding="utf-8")
    later = Scenario().check("08:00", day=30)
    works.load(works.put("b.csv", later))
    said = works.json("lot", "L2", "--dry-run", "--workspace", str(works.root))
    doubts = {event["doubt"] for light in said["came_to_light"] for event in light["events"] if not event["settled"]}
    assert (said["verdict"], doubts) == ("accept", {"touched"})
    assert "is open and touched it. Decide on the lot first" in refused(works, "L2", "--by", "Ada")
    event = said["came_to_light"][0]["events"][0]["event"]
    words = (
        "--decision",
        "no effect found",
        "--by",
        "Ada",
        "--why",
        "within limits all the same",
        "--workspace",
        str(works.root),
    )
    works("record", "disposition", "--event", event, "--lot", "L2", *words)
    assert works.code == 0, works.err
    assert issue(works, "L2")["lots"][0]["decided"]


def test_an_accept_with_a_condition_waits_until_a_disposition_settles_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    works = paper_works(tmp_path / "works", capsys, lots=LOTS + "L8,bar,copper,S,,,,,\n", scenario=Scenario())
    values = [58.0 + 0.01 * (i % 3) for i in range(8)] + [59.0 + 0.01 * (i % 3) for i in range(8)]
    works.load(
        works.put(
            "b.csv", Scenario().check("08:00", day=1).lot("09:00", *values, lot="L8", day=1).check("10:00", day=1)
        )
    )
    said = works.json("lot", "L8", "--dry-run", "--workspace", str(works.root))
    assert (said["verdict"], said["conditions"]) == ("accept", ["sort"])
    assert "it is accepted, but sort first." in refused(works, "L8", "--by", "Ada")
    works(
        "record",
        "disposition",
        "--lot",
        "L8",
        "--decision",
        "sorted",
        "--by",
        "Ada",
        "--why",
        "one heat",
        "--workspace",
        str(works.root),
    )
    (lot,) = issue(works, "L8")["lots"]
    assert "fall into two groups" in lot["said"][0]
    assert lot["decided"] == ["sorted (Ada: one heat)"]
    # of a signed decision name, role, time and meaning stand on the paper: 21 CFR 11.50 (from memory)
    signature = Signature(
        account="Ben Moor", role="metrologist", address="10.0.0.1", how="x", seen=10**6, stated_by=10**6
    )
    with signed(signature):
        event = record_disposition(
            find_workspace(works.root), lot="L8", meter=None, block=None, at=None, decision="sorted", by="Ben Moor", why="looked"
        )  # fmt: skip
    assert event is not None
    report = issue(works, "L8")
    again = report["lots"][0]["decided"]
    assert again[1] == f"sorted (signed by Ben Moor, metrologist, {event.at:%Y-%m-%d %H:%M} UTC: looked)"
    assert again[1] in (works.root / "pages" / "papers" / f"{report['number']}.html").read_text(encoding="utf-8")


def test_numbers_run_on_and_earlier_reports_are_named(works: Shell) -> None:
    numbers = [issue(works, *words)["number"] for words in (("L1",), ("L3", "--nonconformity"), ("L2", "L1"))]
    year = numbers[0][:4]
    assert numbers == [f"{year}-0001", f"{year}-0002", f"{year}-0003"]
    assert [e.subject["states"]["earlier"] for e in events(works)] == [[], [], [numbers[0]]]
    before = (works.root / "pages" / "papers" / f"{numbers[0]}.html").read_bytes()
    (works.root / "pages" / "papers" / f"{numbers[0]}.html").unlink()
    again = works.json("test-report", "--again", numbers[0], "--workspace", str(works.root))
    assert (works.root / "pages" / "papers" / f"{numbers[0]}.html").read_bytes() == before
    assert again["number"] == numbers[0]
    assert len(events(works)) == 3


def test_a_dry_run_says_and_records_nothing(works: Shell) -> None:
    report = issue(works, "L1", "--dry-run")
    assert (report["recorded"], report["page"], report["lots"][0]["verdict"]) == (False, None, "accept")
    assert events(works) == []
    assert not (works.root / "pages" / "papers").exists()


def test_verify_computes_reports_once_more_and_finds_them_by_hash(works: Shell) -> None:
    report = issue(works, "L1", "L2")
    short = report["sha256"][:16]
    # what comes later changes what is said now, never what was stated then
    file = works.json("status", "--workspace", str(works.root)) and "inbox/a.csv"
    works(
        "record",
        "exclusion",
        "--file",
        file,
        "--line",
        "8",
        "--by",
        "Ada",
        "--why",
        "lifted",
        "--workspace",
        str(works.root),
    )
    assert works.code == 0, works.err
    found = verify(works, "--report", " ".join(short[i : i + 4] for i in range(0, 16, 4)).upper())
    assert (works.code, found["problems"]) == (0, [])
    assert found["report"]["number"] == report["number"]
    assert states_hash(found["report"]) == report["sha256"]
    later = issue(works, "L1")
    assert later["lots"][0]["readings"] == report["lots"][0]["readings"] - 1
    assert verify(works)["problems"] == []
    works("rebuild", "--workspace", str(works.root))
    assert "It equals the present history." in works.out


@pytest.mark.parametrize("place", [0, 7, 15])
def test_a_hash_with_one_character_changed_is_not_found(works: Shell, place: int) -> None:
    short = issue(works, "L1")["sha256"][:16]
    other = short[:place] + ("0" if short[place] != "0" else "1") + short[place + 1 :]
    assert verify(works, "--report", other)["report"] is None
    assert works.code == 6
    works("verify", "--report", other, "--workspace", str(works.root))
    assert "No report with the hash" in works.out


@pytest.mark.parametrize("given", ["abc", "0123456789abcde", "0123456789abcdeg", "*" * 16, ""])
def test_what_is_no_hash_is_refused(works: Shell, given: str) -> None:
    works("verify", "--report", given, "--workspace", str(works.root))
    assert works.code == 2
    assert "expected the hash of a report" in works.err


def forge(works: Shell, change: Any) -> None:
    """Change what the last event states in history and journal alike, with a chain that agrees."""
    path = works.root / "history" / "journal.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines()
    entry = json.loads(lines[-1])
    subject = json.loads(entry["subject"])
    change(subject)
    entry["subject"] = json.dumps(subject, sort_keys=True, ensure_ascii=False)
    parts = [entry[name] for name in ("kind", "subject", "by", "why", "previous_hash")]
    entry["hash"] = event_hash(entry["sequence"], datetime.fromisoformat(entry["at"]), *parts)
    path.write_text("\n".join([*lines[:-1], json.dumps(entry, ensure_ascii=False)]) + "\n", encoding="utf-8")
    with duckdb.connect(str(works.root / "history" / "annealog.duckdb")) as history:
        history.execute(
            'UPDATE event SET subject = ?, hash = ? WHERE "sequence" = ?',
            [entry["subject"], entry["hash"], entry["sequence"]],
        )


@pytest.mark.parametrize("rehashed", [False, True])
def test_a_forged_statement_is_told_even_where_chain_and_journal_agree(works: Shell, rehashed: bool) -> None:
    report = issue(works, "L1")

    def change(subject: dict[str, Any]) -> None:
        subject["states"]["lots"][0]["mean"] = 59.1
        if rehashed:
            subject["sha256"] = states_hash(subject["states"])

    forge(works, change)
    (problem,) = [p for p in verify(works)["problems"] if p.startswith("Report ")]
    assert works.code == 6
    assert ("mean of lot L1" in problem) == rehashed
    assert ("does not have the hash" in problem) == (not rehashed)
    # the paper that was sent is no longer found, and no verdict is in doubt for it
    assert verify(works, "--report", report["sha256"][:16])["report"] is None
    assert works.json("lot", "L1", "--dry-run", "--workspace", str(works.root))["verdict"] == "accept"


def test_a_paper_that_was_changed_on_the_disk_is_told(works: Shell) -> None:
    report = issue(works, "L1")
    page = works.root / "pages" / "papers" / f"{report['number']}.html"
    page.write_text(page.read_text(encoding="utf-8").replace("58.50", "59.50"), encoding="utf-8")
    (problem,) = verify(works)["problems"]
    assert "test-report --again NUMBER" in problem
    works.json("test-report", "--again", report["number"], "--workspace", str(works.root))
    assert verify(works)["problems"] == []


def test_what_is_stated_is_read_back_and_renders_the_same(works: Shell) -> None:
    issue(works, "L1", "L2")
    (event,) = events(works)
    report = from_json(ReportOnLots, event.subject["states"])
    assert report.states() == event.subject["states"]
    assert hashlib.sha256(
        json.dumps(report.states(), sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode()
    ).hexdigest() == states_hash(report.states())
    assert reports.render(paper_of(event)) == reports.render(paper_of(event))


def test_a_limit_on_one_side_and_a_simple_rule_are_said(works: Shell) -> None:
    report = issue(works, "L5")
    page = (works.root / "pages" / "papers" / f"{report['number']}.html").read_text(encoding="utf-8")
    assert "at least 56 MS/m" in page
    assert "simple acceptance" in page
    assert "guard bands" not in page
    assert (report["lots"][0]["guard_band"], report["upper"]) == (None, None)


def test_names_from_a_file_stay_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hostile = '<script>alert(1)</script>\u202e"'
    lots = LOTS.replace("Skarnes Switchgear,PO-88123", f'"{hostile.replace(chr(34), chr(34) * 2)}","=1+1"', 1)
    works = paper_works(tmp_path / "works", capsys, lots=lots)
    report = works.json("test-report", "L1", "--by", "<b>Ada</b>", "--workspace", str(works.root))
    page = (works.root / "pages" / "papers" / f"{report['number']}.html").read_text(encoding="utf-8")
    assert report["customer"] == hostile
    assert "<script" not in page
    assert "<b>Ada" not in page
    assert "\u202e" not in page
    assert "⟨U+202E⟩" in page
    assert verify(works)["problems"] == []


@pytest.mark.parametrize(
    ("unit", "lower", "upper", "mean", "compared"),
    [
        # 58 MS/m is 100 %IACS by definition (IEC 60028), and 1 / 58.5 MS/m is 17.094 nOhm.m
        ("%IACS", 98, 104, 58.5 / 58 * 100, 58.4 / 58 * 100),
        ("nOhm.m", 16.5, 17.6, 58.5, 1000 / 58.6),
    ],
)
def test_a_report_speaks_the_unit_of_the_specification(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    unit: str,
    lower: float,
    upper: float,
    mean: float,
    compared: float,
) -> None:
    specifications = (
        f"specification,material,lower,upper,unit,parts,spots,repeats\nS,copper,{lower},{upper},{unit},1,1,1\n"
    )
    works = paper_works(tmp_path / "works", capsys, scenario=Scenario())
    (works.root / "reference" / "specifications.csv").write_text(specifications, encoding="utf-8")
    (works.root / "reference" / "lots.csv").write_text(LOTS.replace(",T,", ",S,"), encoding="utf-8")
    works.load(works.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00")))
    report = issue(works, "L1")
    (lot,) = report["lots"]
    assert (report["limits_unit"], lot["unit"]) == (unit, "MS/m" if unit == "nOhm.m" else unit)
    assert lot["mean"] == pytest.approx(mean, abs=0.5 * 10 ** -lot["decimals"])
    assert lot["lowest"] == pytest.approx(compared, abs=0.5 * 10 ** -lot["limits_decimals"])
    page = (works.root / "pages" / "papers" / f"{report['number']}.html").read_text(encoding="utf-8")
    assert f"{lower} to {upper} {'nΩ·m' if unit == 'nOhm.m' else unit}" in page
    assert ("Resistivity at 20 °C" if unit == "nOhm.m" else "Conductivity at 20 °C") in page
    assert verify(works)["problems"] == []
