"""A company of three demo sites on one computer: taken in, proved, and what a dishonest or older site is told."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest

from pipeline.cli import run
from pipeline.publish.package import COMPANY_TABLES, cut
from pipeline.publish.seal import read_key, sealed, unsealed
from pipeline.publish.storage import Storage
from schemas.company import Manifest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SITES = ["P-001", "P-002", "P-003"]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("demo") / "company"
    assert run(["centre", "demo", str(root)]) == 0
    return root


@pytest.fixture
def company(built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The company as it was built, for one test to spoil: a copy, with its storage named where it lies now."""
    root = tmp_path / "company"
    shutil.copytree(built, root)
    settings = root / "centre" / "centre.toml"
    for path in (settings, *root.glob("P-*/annealog.toml")):
        path.write_text(path.read_text().replace(str(built), str(root)))
    monkeypatch.chdir(root / "centre")
    return root


def ask(capture: pytest.CaptureFixture[str], *words: str, code: int = 0) -> Any:
    capture.readouterr()
    assert run(["centre", *words, "--json"]) == code
    return json.loads(capture.readouterr().out)


def published(
    root: Path, change: Callable[[Manifest, Storage], Manifest], site: str = "P-001", *, code: int = 0
) -> None:
    """Publish one more package of a site, its manifest changed and signed with the site's own key."""
    storage = Storage(str(root / "storage"))
    (key,) = storage.keys(f"sites/{site}/packages")
    last = Manifest.of(unsealed(storage.get(key))[0])
    made = change(replace(last, number=last.number + 1, before=last.sha256), storage)
    storage.put_if_absent(
        f"sites/{site}/packages/{made.name}", sealed(made.document, read_key(root / site / "site.key", ""))
    )
    assert run(["centre", "take-in", "--direct"]) == code


def with_rows(table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Callable[[Manifest, Storage], Manifest]:
    def changed(manifest: Manifest, storage: Storage) -> Manifest:
        blobs = f"sites/{manifest.site}/blobs"
        own = [piece for piece in manifest.pieces if piece.table == table]
        rows = pl.concat(pl.read_parquet(storage.get(f"{blobs}/{piece.sha256}")) for piece in own)
        pieces = cut(table, change(rows).select(COMPANY_TABLES[table].names))
        for piece, data in pieces:
            storage.put_if_absent(f"{blobs}/{piece.sha256}", data)
        rest = [piece for piece in manifest.pieces if piece.table != table]
        return replace(manifest, pieces=tuple(sorted((*rest, *(piece for piece, _ in pieces)))))

    return changed


def test_what_three_sites_computed_is_computed_again_byte_for_byte(
    company: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = ask(capsys, "verify")["sites"]
    assert [site["site"] for site in found] == SITES
    assert sum(site["readings"] for site in found) > 17_000
    assert [(site["differs"], site["broken"], site["same_program"]) for site in found] == [([], [], True)] * 3
    assert len(ask(capsys, "verify", "--sample", "2")["sites"]) == 2
    assert run(["centre", "verify", "--site", "P-003"]) == 0
    assert "package 1 is equal byte for byte" in capsys.readouterr().out


def test_a_verdict_that_does_not_follow_from_the_readings_is_found(
    company: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = pl.when(pl.col("verdict") == "accept").then(pl.lit("hold")).otherwise(pl.lit("accept"))
    kinder = pl.when(pl.int_range(pl.len()) == 0).then(other).otherwise("verdict").alias("verdict")
    published(company, with_rows("lots", lambda rows: rows.with_columns(kinder)))
    (found,) = ask(capsys, "verify", "--site", "P-001", code=6)["sites"]
    assert len(found["differs"]) == 1
    assert found["differs"][0].startswith("lots: the site says")
    assert found["differs"][0].endswith("in verdict")


def test_lots_that_are_drawn_are_computed_alone_byte_for_byte(
    company: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for site in ask(capsys, "verify", "--lots", "4")["sites"]:
        assert (site["lots"], site["meters"], site["differs"], site["broken"]) == (4, 0, [], [])
        assert 0 < site["readings"] < 2000
        assert len(set(site["drawn"])) == 4
    assert run(["centre", "verify", "--site", "P-002", "--lots", "999"]) == 0
    assert "lots computed again: package 1 is equal byte for byte" in capsys.readouterr().out
    bit = (
        pl.when(pl.col("lot") == pl.col("lot").min())
        .then(pl.col("mean") * (1 + 2.3e-16))
        .otherwise("mean")
        .alias("mean")
    )
    published(company, with_rows("parts", lambda rows: rows.with_columns(bit)))
    (found,) = ask(capsys, "verify", "--site", "P-001", "--lots", "999", code=6)["sites"]
    assert found["differs"][0].startswith("parts: the site says")


def test_a_lot_that_a_site_hides_or_invents_is_drawn_and_named(
    company: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hidden = []

    def hide(manifest: Manifest, storage: Storage) -> Manifest:
        def without(rows: pl.DataFrame) -> pl.DataFrame:
            hidden.append(rows["lot"].max())
            return rows.filter(pl.col("lot") != hidden[0])

        for table in ("lots", "parts", "brackets"):
            manifest = with_rows(table, without)(manifest, storage)
        return manifest

    published(company, hide)
    (found,) = ask(capsys, "verify", "--site", "P-001", "--lots", "999", code=6)["sites"]
    assert hidden[0] in found["drawn"]
    assert "GRR-1" not in found["drawn"], "a study's"
    assert found["differs"][0].endswith(f"; lots that it does not name: {hidden[0]}")
    assert [words.partition(":")[0] for words in found["differs"]] == ["lots", "parts", "brackets"]
    (found,) = ask(capsys, "verify", "--site", "P-001", code=6)["sites"]
    assert [words for words in found["differs"] if words.endswith(f"; lots that it does not name: {hidden[0]}")]
    invented = pl.when(pl.col("lot") == pl.col("lot").max()).then(pl.lit("ZZ-1")).otherwise("lot").alias("lot")
    published(company, with_rows("lots", lambda rows: rows.with_columns(invented)), site="P-002")
    (found,) = ask(capsys, "verify", "--site", "P-002", "--lots", "999", code=6)["sites"]
    assert "ZZ-1" in found["drawn"]
    assert found["differs"][0].endswith("; lots that it names without readings of it: ZZ-1")


def test_a_mean_off_by_one_bit_is_found(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bit = pl.when(pl.int_range(pl.len()) == 0).then(pl.col("mean") * (1 + 2.3e-16)).otherwise("mean").alias("mean")
    published(company, with_rows("checks", lambda rows: rows.with_columns(bit)))
    (found,) = ask(capsys, "verify", "--site", "P-001", code=6)["sites"]
    assert "checks: the site says 1 of" in found["differs"][0]


def test_an_event_that_was_changed_breaks_the_chain(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    who = pl.when(pl.col("sequence") == 2).then(pl.lit("somebody else")).otherwise("by").alias("by")
    published(company, with_rows("events", lambda rows: rows.with_columns(who)))
    (found,) = ask(capsys, "verify", "--site", "P-001", code=6)["sites"]
    assert found["broken"] == ["event 2 is not what its hash says"]


def test_events_that_were_left_out_break_the_chain(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    published(company, with_rows("events", lambda rows: rows.filter(pl.col("sequence") != 3)))
    (found,) = ask(capsys, "verify", "--site", "P-001", code=6)["sites"]
    assert found["broken"] == ["event 4 does not follow the one before it"]
    # the last ones left out: what the manifest says no longer fits
    published_last = with_rows("events", lambda rows: rows.filter(pl.col("sequence") < rows["sequence"].max()))
    storage = Storage(str(company / "storage"))
    (key,) = storage.keys("sites/P-002/packages")
    assert key
    published(company, published_last, site="P-002")
    (found,) = ask(capsys, "verify", "--site", "P-002", code=6)["sites"]
    assert "names another last event" in found["broken"][0]


def test_a_difference_between_versions_accuses_nobody(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change = with_rows("meters", lambda rows: rows.with_columns(pl.lit("said otherwise").alias("reason")))
    published(company, lambda manifest, storage: replace(change(manifest, storage), program="0.0.9"))
    (found,) = ask(capsys, "verify", "--site", "P-001")["sites"]
    assert found["differs"]
    assert found["same_program"] is False
    problems = ask(capsys, "check", "--direct", code=3)["problems"]
    assert any("P-001 runs 0.0.9" in words for words in problems)


def test_a_piece_that_was_lost_or_changed_later_is_found(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.rmtree(company / "centre" / "cache")
    blob = max((company / "storage" / "sites" / "P-001" / "blobs").iterdir(), key=lambda path: path.stat().st_size)
    good = blob.read_bytes()
    blob.write_bytes(good[:-1] + b"?")
    assert "is not what its hash says" in ask(capsys, "verify", "--site", "P-001", code=6)["sites"][0]["problem"]
    blob.unlink()
    assert "is missing in storage" in ask(capsys, "verify", "--site", "P-001", code=6)["sites"][0]["problem"]
    blob.write_bytes(good)
    assert ask(capsys, "verify", "--site", "P-001")["sites"][0]["differs"] == []


def test_status_and_check_tell_what_people_need(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = ask(capsys, "status")["sites"]
    assert [(site["site"], site["state"], site["number"], site["refused"]) for site in found] == [
        (s, "open", 1, []) for s in SITES
    ]
    assert all(site["last_reading_at"].startswith("2026-08") and site["clock_s"] is None for site in found)
    assert ask(capsys, "check", "--direct") == {"problems": []}
    ask(capsys, "site", "hold", "P-002", "--by", "Ada", "--why", "its computer was stolen")
    assert ask(capsys, "status")["sites"][1]["state"] == "held"
    settings = company / "centre" / "centre.toml"
    settings.write_text(settings.read_text().replace("silent_after_hours = 72.0", "silent_after_hours = 1e-9"))
    assert all(site["silent_h"] is not None for site in ask(capsys, "status")["sites"])
    problems = ask(capsys, "check", "--direct", code=3)["problems"]
    assert sum("has published nothing for" in words for words in problems) == 3


def test_a_meter_is_handed_over_and_both_sites_say_so(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    who, at = ("--meter", "EC-02", "--by", "Ada", "--why", "moves"), "2026-08-31T18:00"
    gone = ("record", "hand-over", *who, "--at", at, "--to", "P-001", "--workspace", str(company / "P-002"))
    came = (
        "record",
        "receipt",
        *who,
        "--at",
        "2026-08-31T19:00",
        "--from",
        "P-002",
        "--workspace",
        str(company / "P-001"),
    )

    def told(site: str, code: int) -> list[str]:
        assert run(["publish", "--continue", "--workspace", str(company / site)]) == 0
        assert run(["centre", "take-in", "--direct"]) == 0
        found = ask(capsys, "meter", "K2-0002", code=code)
        assert found["state"] == ("differs" if code else "not_assessed")
        assert "EC-02" in (company / "centre" / "pages" / "meters").glob("*K2-0002*.html").__next__().read_text("utf-8")
        return list(found["hand_overs"][0]["differ"])

    assert run([*gone]) == 0
    table = "valid_to 2026-08-31T16:00:00+00:00"
    lacks = "P-001 recorded no receipt of it: annealog record receipt, there"
    said = told("P-002", 4)
    assert (said[0], said[1].endswith(table), len(said)) == (lacks, True, 2)
    assert run([*came]) == 0
    said = told("P-001", 4)
    assert (said[0], said[1].endswith(table), len(said)) == (
        "no row of the company's meters.csv names P-001/EC-02 on 2026-08-31 17:00", True, 2,
    )  # fmt: skip
    # a person says in the company's table what both recorded
    names = company / "centre" / "names" / "meters.csv"
    header, *rows = names.read_text().splitlines()
    rows = [row + (",,2026-08-31T16:00:00Z" if row.startswith("P-002,EC-02,") else ",,") for row in rows]
    rows.append("P-001,EC-02,Kaldrin,K2-0002,0.5,2026-08-31T17:00:00Z,".replace("Kaldrin", rows[0].split(",")[2]))
    names.write_text("\n".join([header + ",valid_from,valid_to", *rows, ""]))
    found = ask(capsys, "meter", "K2-0002")
    assert [(one["giver"], one["receiver"], one["differ"]) for one in found["hand_overs"]] == [
        ("P-002/EC-02", "P-001/EC-02", [])
    ]
    (one,) = ask(capsys, "review", "2026-08", code=4)["hand_overs"]
    assert one["differ"] == []
    # what was computed from a chain with the new events is computed again byte for byte
    assert ask(capsys, "verify", "--site", "P-001")["sites"][0]["differs"] == []


def test_storage_or_server_that_is_away_is_said(
    company: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (company / "storage").rename(company / "moved")
    assert run(["centre", "take-in", "--direct"]) == 7
    assert "There is no folder" in capsys.readouterr().err
    assert any("There is no folder" in words for words in ask(capsys, "check", "--direct", code=3)["problems"])
    assert run(["centre", "run", "--once", "--direct"]) == 7


def test_a_centre_without_its_key_says_so_once_and_takes_in(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    key, away = company / "centre" / "centre.key", company / "away.key"
    key.rename(away)
    published(company, lambda manifest, _: manifest, code=3)
    assert capsys.readouterr().out.count("cannot be signed") == 1
    found = ask(capsys, "status")
    assert [site["number"] for site in found["sites"]] == [2, 1, 1]
    assert "Make one: annealog centre key" in found["untold"]
    assert run(["centre", "status"]) == 0
    assert found["untold"] in capsys.readouterr().out
    assert ask(capsys, "check", "--direct", code=3)["problems"] == [found["untold"]]
    assert run(["centre", "run", "--once", "--direct"]) == 0
    assert capsys.readouterr().err.count("cannot be signed") == 1
    assert not key.exists()
    away.rename(key)
    assert ask(capsys, "take-in", "--direct")["untold"] == ""  # a round tells what could not be told
    assert ask(capsys, "take-in", "--direct") == {"sites": [], "untold": ""}
    assert (
        run(["publish", "status", "--workspace", str(company / "P-001")]) == 6
    )  # of a package that was not sent from there
    assert "package 2" in capsys.readouterr().out


def test_a_demo_is_built_into_a_new_folder_alone(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["centre", "demo", str(company)]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert run(["centre", "demo", str(company / "new"), "--dry-run"]) == 0
    assert not (company / "new").exists()


def test_a_round_takes_in_what_is_new(company: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(capsys, "take-in", "--direct") == {"sites": [], "untold": ""}
    assert run(["centre", "take-in", "--dry-run"]) == 0
    assert "nothing is new" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("rooms = 3", "unknown key 'rooms'"),
        ('batch = "x"', "batch = 'x': expected a whole number"),
        ("batch = 0", "batch = 0: expected a number above 0"),
        ("gap_after_hours = -1", "expected a number above 0"),
        ('register = "postgresql+psycopg://x:${NOT_SET}@h/d"', "NOT_SET, which is not set"),
        ("pool = ", "is no valid TOML"),
    ],
)
def test_settings_that_cannot_be_are_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    (tmp_path / "centre.toml").write_text(text)
    assert run(["centre", "status", "--centre", str(tmp_path)]) == 2
    assert words in capsys.readouterr().err


def test_no_centre_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["centre", "status", "--centre", str(tmp_path)]) == 2
    assert "annealog centre init" in capsys.readouterr().err
    assert run(["centre", "init", str(tmp_path / "c"), "--storage", "s3://x/y"]) == 0
    assert run(["centre", "init", str(tmp_path / "c"), "--storage", "s3://x/y"]) == 0
    assert run(["centre", "init", str(tmp_path / "c"), "--storage", "s3://x/z"]) == 2
