"""The company is asked at its centre: packages become pages, the same heads the same result, late data a revision; limits are given."""

from __future__ import annotations

import json
import os
import shutil
import time
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sample_company import START, company_tables, frame, several_lots, site_status
from tiny_packages import TinySite, parquet

from pipeline.centre import asked as asked_module
from pipeline.centre.asked import asked_company, names_of
from pipeline.centre.decisions import add_site, set_state
from pipeline.centre.given import give, key_of
from pipeline.centre.place import Centre, make_centre
from pipeline.centre.register import Register
from pipeline.centre.take_in import take_in
from pipeline.centre.union.company import Company
from pipeline.centre.verify import verify_site
from pipeline.cli import run
from pipeline.errors import IntegrityProblem, ReferenceTableError, UsageError
from pipeline.publish.given import GIVEN, PROPOSALS, fetch_given, names_given
from pipeline.publish.storage import Storage
from pipeline.workspace.files import archived
from schemas.company import Manifest, Piece
from schemas.union import CompanyIndex, ReviewGlance

if TYPE_CHECKING:
    from collections.abc import Iterator

    import polars as pl

LEVELS = {"P-001": 58.0, "P-002": 59.0}


@dataclass
class Asking:
    place: Centre
    register: Register
    storage: Storage
    sites: dict[str, TinySite]

    def send(self, name: str, tables: dict[str, pl.DataFrame], *, hours_ago: float = 0.0, **changed: Any) -> None:
        """Publish a package that holds these tables, each in one piece, and take it in; storage had it some hours ago."""
        site, pieces = self.sites[name], []
        for table, rows in tables.items():
            data = parquet(rows.drop("site"))
            digest = sha256(data).hexdigest()
            self.storage.put_if_absent(f"sites/{name}/blobs/{digest}", data)
            pieces.append(Piece(table=table, month="", sha256=digest, bytes=len(data), rows=rows.height))
        made_at = (START + timedelta(days=29)).isoformat()
        manifest = site.manifest(b"", **{"pieces": tuple(sorted(pieces)), "made_at": made_at} | changed)
        stored = Path(self.storage.address) / site.send(manifest)
        came = time.time() - 3600 * hours_ago
        os.utime(stored, (came, came))
        site.number, site.before = manifest.number, manifest.sha256
        take_in(self.place, self.register, self.storage, [name])

    def month(self, name: str, lots: int = 9) -> dict[str, pl.DataFrame]:
        """Return the tables of a site whose meter reads lots and one block."""
        at = START + timedelta(days=name == "P-002")
        checks = [
            {"site": name, "check": n, "run": n, "mean": LEVELS[name] + n / 100, "at": at + timedelta(hours=n)}
            for n in range(4)
        ]
        reading = {
            "site": name,
            "meter": "EC-01",
            "measured_at": START,
            "role": "block",
            "block": "B1",
            "value": 58.0,
            "unit": "MS/m",
        }
        rows = several_lots(name, LEVELS[name], lots, seed=int(name[-1]))
        return company_tables(rows, checks, [{"site": name}]) | {"readings": frame("readings", reading)}

    def review(self) -> tuple[dict[str, Any], Path]:
        return asked_company(self.place, self.register).review("2026-06")


@pytest.fixture
def asking(tmp_path: Path) -> Iterator[Asking]:
    place = make_centre(tmp_path / "centre")
    (place.root / "storage").mkdir()
    tables = {
        "suppliers": "site,name,company_name\nP-001,Ostrovald,Ostrovald Copper\nP-002,Ostrovald,Ostrovald Copper\n",
        "materials": "site,name,company_name\nP-001,Cu-ETP,ETP\nP-002,Cu-ETP,ETP\n",
        "products": "site,name,company_name\nP-001,bar,copper bar\n",
        "blocks": "site,name,company_name\nP-001,B1,Lab K-77\nP-002,B1,Lab K-77\n",
        "meters": "site,meter,maker,serial_number,accuracy_percent,valid_from,valid_to\nP-001,EC-01,Ostrel,7,0.5,,\nP-002,EC-01,Ostrel,7,0.5,2026-06-02,\n",
    }
    (place.root / "names").mkdir()
    for name, text in tables.items():
        (place.root / "names" / f"{name}.csv").write_text(text, encoding="utf-8")
    with Register(place.register) as register:
        register.make()
        storage = Storage(place.storage)
        sites = {name: TinySite(name, storage) for name in LEVELS}
        for name, site in sites.items():
            add_site(register, name, site.public, by="Ada", why="joins")
        made = Asking(place, register, storage, sites)
        for name in LEVELS:
            made.send(name, made.month(name))
        assert [site.last is not None for site in register.sites()] == [True, True]
        yield made


def test_what_is_asked_becomes_a_page(asking: Asking) -> None:
    asked = asked_company(asking.place, asking.register)
    for kind, name, state in (
        ("supplier", "Ostrovald Copper", "differs"),
        ("block", "Lab K-77", "differs"),
        ("process", "copper bar", "not_assessed"),
    ):
        page = asked.about(kind, name)
        assert page.result.state == state
        assert page.answer["name"] in asked.write(page).read_text(encoding="utf-8")
    # one reading lies at both sites, but the table names the instrument at P-002 from the next day on
    assert asked.about("meter", "7").answer["copies"] == {}


def test_readings_that_lie_at_two_sites_count_once_and_the_other_site_is_named(asking: Asking) -> None:
    (asking.place.root / "names" / "meters.csv").write_text(
        "site,meter,maker,serial_number\nP-001,EC-01,Ostrel,7\nP-002,EC-01,Ostrel,7\n", encoding="utf-8"
    )
    asking.send("P-002", asking.month("P-001"))
    found = asked_company(asking.place, asking.register).about("meter", "7").answer
    # every check of P-002 is a copy, so that it has none of its own
    assert (found["readings"], found["copies"], [stay["site"] for stay in found["stays"]]) == (
        1,
        {"P-002": 1},
        ["P-001"],
    )
    assert asking.review()[0]["at_two_sites"][0]["second"] == "P-002/EC-01"


def test_the_same_heads_give_the_same_result_and_late_data_a_revision_beside_it(asking: Asking) -> None:
    first, path = asking.review()
    assert [(site["site"], site["number"]) for site in first["sites"]] == [("P-001", 1), ("P-002", 1)]
    assert first["suppliers"][0]["name"] == "Ostrovald Copper"
    before = path.read_bytes()
    path.write_bytes(before + b" ")
    assert asking.review() == (first, path)
    assert path.read_bytes() == before + b" "  # not made again
    path.write_bytes(before)
    asking.send("P-001", asking.month("P-001", lots=12))
    second, later = asking.review()
    assert (second["revision"] != first["revision"], later != path, path.read_bytes() == before) == (True, True, True)
    assert [site["number"] for site in second["sites"]] == [2, 1]
    html = later.read_text(encoding="utf-8")
    assert f"{first['revision']}: since then P-001: package 2 where it was 1." in html
    assert path.name in html
    assert [json.loads(body)["revision"] for body in asking.register.kept_of("review", "2026-06")] == [
        first["revision"],
        second["revision"],
    ]


def test_the_overview_names_every_site_and_leads_to_every_page(asking: Asking) -> None:
    asking.review()
    index = asking.place.pages / "index.html"
    assert "2026-06, revision" in index.read_text(encoding="utf-8")  # a review writes it, too
    asked = asked_company(asking.place, asking.register)
    planned, path = asked.overview(dry_run=True)
    assert path == index
    index.unlink()
    found, path = asked.overview()
    assert (index.is_file(), found.glances) == (True, planned.glances)
    assert [(one.kind, one.name, one.state, one.sites) for one in found.glances] == [
        ("supplier", "Ostrovald Copper", "differs", 2), ("block", "Lab K-77", "differs", 2), ("meter", "Ostrel 7", "differs", 2),
    ]  # fmt: skip
    html = index.read_text(encoding="utf-8")
    for folder in ("suppliers", "blocks", "meters", "reviews"):
        (page,) = (asking.place.pages / folder).glob("*.html")
        assert f'href="{folder}/{page.name}"' in html
        assert 'href="../index.html' in page.read_text(encoding="utf-8") or folder == "reviews"
    assert found.waits == 7, "as the review counted, with meters and names"


@pytest.mark.parametrize(
    ("more", "waits"),
    [
        ({}, False), ({"silent_h": 73.0}, True), ({"gap": 2}, True), ({"refused": ("x",)}, True), ({"state": "held"}, True),
        ({"state": "fork"}, True), ({"program": "0.9"}, True), ({"program": ""}, False), ({"clock_s": 400.0}, False),
        ({"state": "closed", "silent_h": 900.0, "program": "0.9"}, False),
    ],
)  # fmt: skip
def test_which_sites_wait_for_somebody(more: dict[str, Any], waits: bool) -> None:
    index = CompanyIndex(program="1.0", sites=(site_status("P-001", **more),), glances=(), reviews=())
    assert index.waits == int(waits)


def test_the_last_review_says_what_meters_and_lots_wait_for() -> None:
    quiet, late = site_status("P-001"), site_status("P-002", silent_h=73.0)
    july, june = (ReviewGlance(month=f"2026-0{n}", revision="A", waits=w) for n, w in ((7, 1), (6, 13)))
    for sites, reviews, waits in (((quiet,), (july, june), 1), ((quiet,), (june,), 13), ((quiet, late), (), 1)):
        assert CompanyIndex(program="1.0", sites=sites, glances=(), reviews=reviews).waits == waits


def test_a_dry_run_keeps_and_writes_nothing(asking: Asking) -> None:
    document, path = asked_company(asking.place, asking.register).review("2026-06", dry_run=True)
    assert document["month"] == "2026-06"
    assert not path.exists()
    assert asking.register.kept_of("review", "2026-06") == []


@pytest.mark.parametrize("month", ["2026-13", "June", "2026-6-1"])
def test_what_is_no_month_is_refused(asking: Asking, month: str) -> None:
    with pytest.raises(UsageError, match="no month"):
        asked_company(asking.place, asking.register).review(month)


def test_of_a_closed_site_nothing_more_is_expected(asking: Asking) -> None:
    asking.send("P-002", asking.month("P-002"), made_at=(START + timedelta(days=900)).isoformat())
    for hours, silent in ((70, False), (74, True)):  # 72 are allowed, whatever the clock of the other site says
        asking.send("P-001", asking.month("P-001"), hours_ago=hours)
        assert [site["silent"] for site in asking.review()[0]["sites"]] == [silent, False]
    set_state(asking.register, "P-001", "closed", by="Ada", why="shut down")
    assert [site["silent"] for site in asked_company(asking.place, asking.register).review("2026-06")[0]["sites"]] == [
        False,
        False,
    ]


def test_a_package_let_in_before_moments_were_looked_at_stops_no_question(
    asking: Asking, monkeypatch: pytest.MonkeyPatch
) -> None:
    of = Manifest.of
    with monkeypatch.context() as before:
        before.setattr(Manifest, "of", lambda document, **_: of(document, registered=True))
        asking.send("P-002", asking.month("P-002"), made_at="soon", as_of="today", last_reading_at="yesterday")
    found, _ = asking.review()
    assert [(site["number"], site["last_reading_at"]) for site in found["sites"]][1] == (2, None)
    asked = asked_company(asking.place, asking.register)
    assert asked.about("supplier", "Ostrovald Copper").result.state == "differs"
    assert len(asked.overview()[0].sites) == 2
    with pytest.raises(IntegrityProblem, match="as of 'today', which is no moment"):
        verify_site(asking.place, asking.register, asking.storage, "P-002")
    asking.send("P-002", asking.month("P-002"), as_of="today")
    assert [refusal.kind for refusal in asking.register.refusals()] == ["damaged"]


def handed_over(asking: Asking, **changed: Any) -> None:
    """P-001 gives its meter away; P-002 recorded nothing."""
    subject = {
        "meter": "EC-01",
        "at": START.isoformat(),
        "to": "P-002",
        "maker": "Ostrel",
        "serial_number": "7",
    } | changed
    given = {"site": "P-001", "sequence": 1, "at": START, "kind": "hand_over", "subject": json.dumps(subject)}
    asking.send("P-001", asking.month("P-001") | {"events": frame("events", given)})


@pytest.mark.parametrize("draw", [None, lambda lots: lots[:2]])
@pytest.mark.parametrize("changed", [{"at": "soon"}, {"at": None}])
def test_what_cannot_be_judged_costs_its_own_site_the_proof(asking: Asking, changed: Any, draw: Any) -> None:
    handed_over(asking, **changed)
    with pytest.raises(IntegrityProblem, match=r"What package 2 says cannot be judged \(\w+: .+\)"):
        verify_site(asking.place, asking.register, asking.storage, "P-001", draw=draw)


def test_raw_readings_are_read_only_for_what_moved(asking: Asking) -> None:
    handed_over(asking)
    asked = asked_company(asking.place, asking.register)
    assert "P-002 recorded no receipt" in asked.about("meter", "7").result.hand_overs[0].differ[0]
    for manifest in asked.manifests:
        for piece in manifest.pieces:
            if piece.table == "readings":
                (asking.place.root / "storage" / "sites" / manifest.site / "blobs" / piece.sha256).unlink()
                archived(asking.place.cache, piece.sha256).unlink(missing_ok=True)
    asked = asked_company(asking.place, asking.register)
    for kind, name in (("supplier", "Ostrovald Copper"), ("process", "copper bar"), ("block", "Lab K-77")):
        assert asked.about(kind, name).result.name == name
    for question in (asked.overview, lambda: asked.review("2026-06"), lambda: asked.about("meter", "7")):
        with pytest.raises(IntegrityProblem, match=r"\(readings\) is missing in storage"):
            question()


@pytest.mark.parametrize("question", ["overview", "review"])
def test_each_page_is_computed_and_written_once(asking: Asking, question: str, monkeypatch: pytest.MonkeyPatch) -> None:
    handed_over(asking)
    done: list[tuple[str, Any]] = []
    for name in ("over_plants", "travelled", "write_atomically"):
        work = getattr(asked_module, name)
        monkeypatch.setattr(asked_module, name, lambda *a, _w=work, _n=name: (done.append((_n, a[:-1])), _w(*a))[1])
    monkeypatch.setattr(
        Company,
        "hand_overs",
        lambda self, *a, _w=Company.hand_overs, **k: (done.append(("moved", (*a, *k))), _w(self, *a, **k))[1],
    )
    asked = asked_company(asking.place, asking.register)
    asked.overview() if question == "overview" else asked.review("2026-06")
    assert len(done) == len(set(done)), done
    pages = [path for name, (path, *_) in done if name == "write_atomically"]
    assert len(pages) == 4 + (question == "review")
    for path in pages:  # each page leads to the others, whichever was written first
        html = path.read_text(encoding="utf-8")
        if path.parent.name in ("pages", "reviews"):
            assert all(other.name in html for other in pages if other.parent.name in ("suppliers", "blocks", "meters"))


def test_a_registered_package_that_went_is_told(asking: Asking) -> None:
    for path in (asking.place.root / "storage" / "sites" / "P-002" / "packages").iterdir():
        path.unlink()
    assert len(asked_company(asking.place, asking.register).manifests) == 2, "the cache has it"
    with pytest.raises(IntegrityProblem, match="Package 1 of site P-002 cannot be read any more"):
        verify_site(asking.place, asking.register, asking.storage, "P-002")
    shutil.rmtree(asking.place.cache)
    with pytest.raises(IntegrityProblem, match="Package 1 of site P-002 cannot be read any more"):
        asked_company(asking.place, asking.register)


def test_a_wrong_table_of_names_names_file_and_line(asking: Asking) -> None:
    (asking.place.root / "names" / "suppliers.csv").write_text("site,name,company_name\nP-001,,X\n", encoding="utf-8")
    with pytest.raises(ReferenceTableError, match=r"names/suppliers.csv, line 2, column name"):
        names_of(asking.place)


def test_commands(asking: Asking, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--centre", str(asking.place.root)]

    def asked(*words: str) -> tuple[int, Any]:
        code = run(["centre", *words, *at, "--json"])
        return code, json.loads(capsys.readouterr().out)

    code, found = asked("supplier", "Ostrovald Copper")
    assert (code, found["state"]) == (4, "differs")
    code, found = asked("review", "2026-06")
    assert (code, found["waits"] > 0) == (4, True)
    code, found = asked("names", "--unmapped")
    assert (code, {one["kind"] for one in found["unmapped"]}) == (0, {"products", "specifications"})
    assert asked("names")[1]["names"]["suppliers"] == 2
    assert asked("meter", "7")[1]["readings"] == 1
    assert run(["centre", "process", "nobody's", *at]) == 2
    capsys.readouterr()
    assert run(["centre", "block", "Lab K-77", *at]) == 4
    assert "Lab K-77: DIFFERS" in capsys.readouterr().out
    assert run(["centre", "review", "2026-06", *at]) == 4
    assert "Ostrovald Copper" in capsys.readouterr().out


# -- limits given --------------------------------------------------------------------------------------------------

SPECIFICATIONS = "specification,lower,upper,unit,conforms_by,decision_rule\nCU-BAR,57,59,MS/m,spot,simple\n"


@pytest.fixture
def limits(tmp_path: Path) -> Path:
    path = tmp_path / "specifications.csv"
    path.write_text(SPECIFICATIONS, encoding="utf-8")
    return path


def test_limits_arrive_as_a_proposal_and_once(asking: Asking, limits: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    give(asking.place, asking.register, limits, by="Ada", why="new contract")
    assert fetch_given(asking.storage, site) == []  # nobody told the site the centre's key
    (site / "centre.pub").write_text(key_of(asking.place), encoding="ascii")
    (found,) = fetch_given(asking.storage, site)
    assert (found.parent.name, found.read_text(encoding="utf-8")) == (PROPOSALS, SPECIFICATIONS)
    assert fetch_given(asking.storage, site) == []
    give(asking.place, asking.register, limits, by="Ada", why="once more")
    assert [path.name[:8] for path in fetch_given(asking.storage, site)] == ["00000002"]
    assert [event.subject["number"] for event in asking.register.decisions("limits")] == [1, 2]


def test_what_the_centre_did_not_sign_never_arrives(asking: Asking, limits: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    give(asking.place, asking.register, limits, by="Ada", why="new contract")
    (site / "centre.pub").write_text(asking.sites["P-001"].public, encoding="ascii")
    with pytest.raises(IntegrityProblem, match="not signed"):
        fetch_given(asking.storage, site)
    (site / "centre.pub").write_text(key_of(asking.place), encoding="ascii")
    (name,) = names_given(asking.storage)
    there = asking.place.root / "storage" / GIVEN
    (there / name).rename(there / f"00000009{name[8:]}")
    with pytest.raises(IntegrityProblem, match="not what its name says"):
        fetch_given(asking.storage, site)
    assert not (site / PROPOSALS).exists()


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("blocks.csv", "block\nB1\n", "no table that a centre gives"),
        ("specifications.csv", SPECIFICATIONS.replace("57,59", "59,57"), "not below upper"),
        ("specifications.csv", SPECIFICATIONS.splitlines()[0] + "\n", "no row"),
    ],
)
def test_what_is_no_table_of_limits_is_not_given(
    asking: Asking, tmp_path: Path, name: str, text: str, said: str
) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=said):
        give(asking.place, asking.register, path, by="Ada", why="new contract")
    assert names_given(asking.storage) == []


def test_nobody_gives_nothing_and_a_dry_run_gives_none(asking: Asking, limits: Path) -> None:
    with pytest.raises(UsageError, match="who decides"):
        give(asking.place, asking.register, limits, by="", why="x")
    assert give(asking.place, asking.register, limits, by="Ada", why="x", dry_run=True).number == 1
    assert (names_given(asking.storage), asking.register.decisions("limits")) == ([], [])
