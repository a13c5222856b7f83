"""What does not come in as it should be is refused in words, and heals by being mended."""

from __future__ import annotations

import io
from dataclasses import replace
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from tiny_packages import T0, TinySite, parquet, text_piece

from pipeline.centre import pieces as pieces_module
from pipeline.centre.decisions import add_site, set_state
from pipeline.centre.status import site_statuses
from pipeline.centre.take_in import strangers
from schemas.company import Piece

if TYPE_CHECKING:
    from conftest import Company

WHO = {"by": "Ada", "why": "looked at both"}


def test_a_flipped_byte_is_refused_and_heals(company: Company) -> None:
    site = company.site()
    made = site.publish()
    blob = company.at(f"sites/P-001/blobs/{made.pieces[0].sha256}")
    good = blob.read_bytes()
    blob.write_bytes(good[:-9] + bytes([good[-9] ^ 1]) + good[-8:])
    site.publish()
    (taken,) = company.take()
    assert (taken.registered, taken.waits) == ([], 1)
    assert company.refused() == [(1, "piece")]
    assert "is not what its hash says" in company.head().refused
    blob.write_bytes(good)
    assert company.take()[0].registered == [1, 2]
    assert (company.refused(), company.head().refused) == ([], "")


def test_a_flipped_byte_of_a_manifest_is_refused_and_heals(company: Company) -> None:
    site = company.site()
    made = site.publish()
    path = company.at(f"sites/P-001/packages/{made.name}")
    good = path.read_bytes()
    for wrong, kind in (
        (good.replace(b'"0.1.0"', b'"0.1.1"'), "signature"),
        (good[:-10], "damaged"),
        (b"", "damaged"),
        (b"[1]", "damaged"),
        (good.replace(b'"format":1', b'"format":2'), "damaged"),
        (good.replace(b'"rows":1', b'"rows":NaN'), "damaged"),
    ):
        assert wrong != good
        path.write_bytes(wrong)
        company.take()
        assert (1, kind) in company.refused()
        assert company.numbers() == []
    path.write_bytes(good)
    assert company.take()[0].registered == [1]
    assert company.refused() == []


@pytest.mark.parametrize("name", ["made_at", "as_of", "last_reading_at"])
def test_a_moment_that_is_none_is_refused_whoever_signed_it(company: Company, name: str) -> None:
    company.site().publish(**{name: "yesterday"})
    company.take()
    assert company.refused() == [(1, "damaged")]
    assert f"{name} is 'yesterday': expected a moment in ISO 8601 with an offset" in company.head().refused


def test_what_was_registered_before_moments_were_looked_at_costs_no_other_its_status(company: Company) -> None:
    made = company.site().publish()
    company.site("P-002").publish()
    company.take("P-002")
    (good,) = company.register.packages("P-002")
    company.register.let_in(
        replace(good, site="P-001", sha256=made.sha256, made_at="2026-06-01T00:00:00", last_reading_at="yesterday")
    )
    found = {site.site: site for site in site_statuses(company.place, company.register)}
    assert (found["P-001"].number, found["P-001"].made_at, found["P-001"].last_reading_at) == (1, None, None)
    assert found["P-002"].last_reading_at == T0


def test_a_missing_piece_is_refused_and_heals(company: Company) -> None:
    site = company.site()
    made = site.publish(blobs=False)
    company.take()
    assert company.refused() == [(1, "piece")]
    assert "is missing in storage" in company.head().refused
    piece = text_piece("P-001 1")
    company.storage.put_if_absent(f"sites/P-001/blobs/{made.pieces[0].sha256}", piece)
    assert company.take()[0].registered == [1]


def test_a_foreign_package_is_refused(company: Company) -> None:
    site, other = company.site(), company.site("P-002")
    made = other.publish()
    company.storage.put_if_absent(
        f"sites/P-001/packages/{made.name}", company.storage.get(f"sites/P-002/packages/{made.name}")
    )
    company.take()
    assert company.numbers("P-002") == [1]
    assert company.numbers() == []
    assert [
        (refusal.site, refusal.kind) for refusal in company.register.refusals()
    ] == []  # healed: it is registered, where it belongs
    site.publish()
    assert company.take("P-001")[0].registered == [1]


def test_a_foreign_package_of_an_unknown_site_is_refused(company: Company) -> None:
    company.site()
    stranger = TinySite("P-009", company.storage)
    made = stranger.publish(send=False)
    stranger.send(made, under=f"sites/P-001/packages/{made.name}")
    company.take()
    assert company.refused() == [(1, "foreign")]
    assert "says that it is of site P-009" in company.head().refused


def test_another_key_is_refused_and_does_not_hold_the_site(company: Company) -> None:
    site = company.site()
    site.publish()
    company.take()
    forged = TinySite("P-001", company.storage, number=0)
    forged.publish("forged")
    assert site.publish().number == 2
    (taken,) = company.take()
    assert (taken.registered, taken.state) == ([2], "open")
    assert company.refused() == [(1, "signature")]


def test_a_new_key_heals(company: Company) -> None:
    company.site()
    site = TinySite("P-001", company.storage)
    site.publish()
    company.take()
    assert company.refused() == [(1, "signature")]
    add_site(company.register, "P-001", site.public, by="Ada", why="a new computer")
    assert company.take()[0].registered == [1]
    assert company.refused() == []


def test_a_name_that_is_not_its_content_is_refused(company: Company) -> None:
    site = company.site()
    made = site.publish(send=False)
    site.send(made, under=f"sites/P-001/packages/00000001-{'a' * 64}.json")
    site.send(made, under="sites/P-001/packages/notes.txt")
    company.take()
    assert company.refused() == [(0, "name"), (1, "damaged")]
    assert company.numbers() == []


def test_an_unknown_site_is_told_until_it_is_added(company: Company) -> None:
    company.site().publish()
    stranger = TinySite("P-009", company.storage)
    stranger.publish()
    assert strangers(company.register, company.storage) == ["P-009"]
    assert [(refusal.site, refusal.kind) for refusal in company.register.refusals()] == [("P-009", "unknown")]
    assert company.take("P-009")[0].error.startswith("No site P-009 is registered")
    add_site(company.register, "P-009", stranger.public, **WHO)
    assert company.register.refusals() == []
    assert strangers(company.register, company.storage) == []
    assert company.take("P-009")[0].registered == [1]


@pytest.mark.parametrize("state", ["held", "closed"])
def test_a_site_that_is_not_open_is_told_why(company: Company, state: str) -> None:
    site = company.site()
    site.publish()
    set_state(company.register, "P-001", state, by="Ada", why="the disk was stolen")
    (taken,) = company.take()
    assert (taken.registered, taken.state) == ([], state)
    assert "the disk was stolen" in company.head().refused
    set_state(company.register, "P-001", "open", **WHO)
    assert company.take()[0].registered == [1]


def wrong_piece(data: bytes, **changed: Any) -> Piece:
    values = {"table": "texts", "month": "", "sha256": sha256(data).hexdigest(), "bytes": len(data), "rows": 1}
    return Piece(**values | changed)


def frame() -> pl.DataFrame:
    return pl.read_parquet(io.BytesIO(text_piece("x")))


@pytest.mark.parametrize(
    ("data", "changed", "words"),
    [
        (text_piece("x"), {"rows": 2}, "has 1 rows, 2 expected"),
        (text_piece("x"), {"table": "other"}, "belongs to no table"),
        (b"no parquet", {}, "cannot be read as Parquet"),
        (text_piece("x")[:-4] + b"PAR2", {}, "cannot be read as Parquet"),
        (parquet(frame().drop("name")), {}, "other columns than declared: name String"),
        (parquet(frame().with_columns(pl.lit(1).alias("more"))), {}, "other columns than declared: more Int32"),
        (parquet(frame().with_columns(pl.col("sequence").cast(pl.String))), {}, "sequence Int64, sequence String"),
        (parquet(frame().select(*reversed(frame().columns))), {}, "their order"),
        (text_piece("x"), {"bytes": 2**28 + 1}, "more than 268,435,456"),
    ],
)
def test_a_piece_that_is_not_as_declared_is_refused(
    company: Company, data: bytes, changed: dict[str, Any], words: str
) -> None:
    site = company.site()
    piece = wrong_piece(data, **changed)
    company.storage.put_if_absent(f"sites/P-001/blobs/{piece.sha256}", data)
    site.publish(pieces=(piece,))
    company.take()
    assert company.refused() == [(1, "piece")]
    assert words in company.head().refused


def test_what_would_unpack_to_too_much_is_refused_before_it_is_unpacked(
    company: Company, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = company.site()
    bomb = parquet(pl.concat([frame().with_columns(pl.lit("0" * 500_000).alias("content"))] * 40))
    assert len(bomb) < 100_000
    monkeypatch.setattr(pieces_module, "_LARGEST_UNPACKED", 2**18)
    company.storage.put_if_absent(f"sites/P-001/blobs/{sha256(bomb).hexdigest()}", bomb)
    site.publish(pieces=(wrong_piece(bomb, rows=40),))
    company.take()
    assert company.refused() == [(1, "piece")]
    assert "would unpack to" in company.head().refused
