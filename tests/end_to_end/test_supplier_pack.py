"""What goes to a supplier: its report, the reports of its lots, and a letter that says what was found, since when, what is asked."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from paper_works import LOTS, paper_works

from reports.process.letter import letter
from reports.words.letter import ASKED, FOUND
from schemas.page import Provenance
from schemas.suppliers import CertificateAgreement, Peer, SupplierMaterial, SupplierPage, SupplierResult

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell


@pytest.fixture
def works(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    return paper_works(tmp_path / "works", capsys)


def test_a_supplier_pack_holds_its_report_its_lots_and_a_letter(works: Shell, tmp_path: Path) -> None:
    report = works.json(
        "export", str(tmp_path / "pack"), "--supplier", "Quarrow Metals", "--workspace", str(works.root)
    )
    assert report["lots"] == ["L1", "L2", "L3"]
    names = {p.relative_to(tmp_path / "pack").as_posix() for p in (tmp_path / "pack").rglob("*") if p.is_file()}
    assert {"letter.txt", "pages/lots/L1.html", "pages/lots/L2.html", "pages/lots/L3.html"} <= names
    (page,) = [name for name in names if name.startswith("pages/suppliers/")]
    assert "Quarrow Metals" in (tmp_path / "pack" / page).read_text(encoding="utf-8")
    assert not [name for name in names if "L4" in name or "L6" in name]
    said = " ".join((tmp_path / "pack" / "letter.txt").read_text(encoding="utf-8").split())
    assert "Ostmark Copper Works Hammergata 4, 0192 Ytterby" in said
    assert "To: Quarrow Metals" in said
    assert "3 lots that you delivered, at 20 °C: 2 accepted, 0 on hold, 1 rejected, 0 not assessed" in said
    assert "What shall become of the rejected lots: L3." in said
    assert "The governing specification decides" in said
    sums = (tmp_path / "pack" / "SHA256SUMS").read_text()
    assert "letter.txt" in sums
    # pages travel: no link leads out of the page
    for name in names:
        if name.startswith("pages/"):
            assert 'href="../' not in (tmp_path / "pack" / name).read_text(encoding="utf-8")


def test_a_pack_that_is_for_no_supplier_holds_no_letter(works: Shell, tmp_path: Path) -> None:
    works.json("export", str(tmp_path / "pack"), "--lot", "L1", "--workspace", str(works.root))
    names = {p.name for p in (tmp_path / "pack").rglob("*")}
    assert "letter.txt" not in names
    assert "pages" not in names


def test_a_hostile_name_stays_text_in_a_letter(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "Quarrow\u202eMetals\x1b[2J"
    works = paper_works(tmp_path / "works", capsys, lots=LOTS.replace("Quarrow Metals", "Quarrow\u202eMetals"))
    report = works.json("export", str(tmp_path / "pack"), "--supplier", name[:14], "--workspace", str(works.root))
    assert report["lots"] == ["L1", "L2", "L3"]
    said = (tmp_path / "pack" / "letter.txt").read_text(encoding="utf-8")
    assert "\u202e" not in said
    assert "⟨U+202E⟩" in said


def at(day: int) -> datetime:
    return datetime(2026, 3, day, 12, tzinfo=UTC)


def page(**material: Any) -> SupplierPage:
    """Return a supplier's page with one material; steady unless said otherwise."""
    level: Any = Peer("Q", 20, 100, 58.0, (57.9, 58.1), 0.1, 0.1, 1.5, (1.2, 1.8), {})

    class Stream:
        state, since, since_subgroup, level_changes = "in_control", None, None, ()

    for name in ("state", "since", "since_subgroup", "level_changes"):
        if name in material:
            setattr(Stream, name, material.pop(name))
    agreed = CertificateAgreement(20, 20, 0.01, (-0.05, 0.07), 0.1, (-0.2, 0.2), 20, 0.5, ())
    given: dict[str, Any] = {
        "material": "copper", "lots": 20, "accepted": 20, "held": 0, "rejected": 0, "not_assessed": 0, "capability": "capable",
        "ppk_asked": 1.33, "level": level, "lower": 57.0, "upper": 60.0, "stream": Stream(), "certificates": agreed,
        "slope_per_30_days": 0.01, "slope_interval": (-0.05, 0.07), "slope_reason": None, "peers": (),
    }  # fmt: skip
    verdicts = material.pop("verdicts", ["accept"])
    support = material.pop("support", ["supported"] * len(verdicts))
    one = SupplierMaterial(**{**given, **material})
    result = SupplierResult(
        "Quarrow Metals", "in_control", (), None, None, at(1), at(20), 20, 20, 0, 0, 0, (one,), "MS/m", 20.0, at(20)
    )
    lots = pl.DataFrame(
        {
            "material": [0] * len(verdicts),
            "lot": [f"L{n}" for n in range(len(verdicts))],
            "first_at": [at(1)] * len(verdicts),
            "verdict": verdicts,
            "support": support,
        }
    )
    made = Provenance("0", "works", at(20), "UTC", "MS/m", 20.0, pl.DataFrame(), "0" * 64)
    return SupplierPage(result, lots, pl.DataFrame(), made)


def told(**material: Any) -> str:
    return " ".join(letter(page(**material), "Works", "Street 1").split())


def test_where_nothing_is_wrong_nothing_is_asked() -> None:
    said = told()
    assert FOUND["nothing"] in said
    assert ASKED["nothing"] in said


@pytest.mark.parametrize(
    ("material", "found", "asked"),
    [
        ({"state": "out_of_control", "since": at(9), "since_subgroup": "L7"}, "left its limits on 2026-03-09, first with lot L7", "changed in copper about 2026-03-09"),
        ({"verdicts": ["accept", "reject"]}, "1 lot not accepted: L1 (reject)", "rejected lots: L1."),
        ({"verdicts": ["hold"]}, "1 lot not accepted: L0 (hold)", "until we have told you how they were decided: L0."),
        ({"capability": "not_capable"}, "Ppk is 1.50 (1.20 to 1.80); we ask for 1.33", "bring the variation of copper"),
        ({"slope_interval": (0.005, 0.015)}, "moves by +0.010", "Nothing."),
        ({"certificates": CertificateAgreement(20, 20, 0.3, (0.2, 0.4), 0.1, (0.1, 0.5), 20, 1.6, ("L3",))}, "differ by more than both uncertainties allow for: L3", "How the conductivity on your certificates is measured"),
        ({"state": "not_assessed"}, "too few lots", "Nothing."),
    ],
)  # fmt: skip
def test_what_is_wrong_is_found_and_asked_about(material: dict[str, Any], found: str, asked: str) -> None:
    said = told(**material)
    assert found in said
    assert asked in said
    assert FOUND["nothing"] not in said


def test_our_own_meters_are_doubted_first() -> None:
    assert "Each of them was read between two checks" in told(verdicts=["accept", "accept"])
    said = told(verdicts=["hold", "accept"], support=["suspect", "supported"])
    assert "1 lot were not read" not in said
    assert "(L0). We look at our meters first" in said
    assert "Each of them" not in said


def test_an_interval_that_holds_zero_is_no_drift_and_no_offset() -> None:
    assert "moves by" not in told(slope_interval=(-0.001, 0.02))
    agreed = CertificateAgreement(20, 20, 0.3, (-0.01, 0.4), 0.1, (0.1, 0.5), 20, 0.9, ())
    assert "How the conductivity" not in told(certificates=agreed)


def test_lines_are_short_enough_for_mail() -> None:
    said = letter(page(verdicts=["reject"] * 30), "Works", "Street 1")
    assert max(len(line) for line in said.splitlines()) <= 78
    assert "and 18 more" in " ".join(said.split())
