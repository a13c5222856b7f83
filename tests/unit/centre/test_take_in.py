"""Each package is let in once and in order; what is not as it should be is refused in words, and heals by being mended."""

from __future__ import annotations

import os
import threading
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import TYPE_CHECKING

import polars as pl
import pytest
from tiny_packages import TinySite, parquet

from pipeline.centre.decisions import choose_branch
from pipeline.centre.given import key_of, to_tell, untold
from pipeline.centre.register import Register
from pipeline.centre.status import problems
from pipeline.centre.take_in import take_in
from pipeline.errors import EnvironmentProblem
from pipeline.publish.storage import Storage
from schemas.company import COMPANY_TABLES, Manifest, Piece

if TYPE_CHECKING:
    from conftest import Company

WHO = {"by": "Ada", "why": "looked at both"}


def test_packages_come_in_once_and_in_order(company: Company) -> None:
    site = company.site()
    made = [site.publish() for _ in range(3)]
    (taken,) = company.take()
    assert (taken.registered, taken.refused, taken.waits, taken.state) == ([1, 2, 3], [], 0, "open")
    assert [package.sha256 for package in company.register.packages("P-001")] == [package.sha256 for package in made]
    (again,) = company.take()
    assert (again.registered, again.refused) == ([], [])
    made.append(site.publish())
    assert company.take()[0].registered == [4]
    last = company.register.site("P-001").last
    assert (last.sha256, last.before, last.pieces) == (made[3].sha256, made[2].sha256, 4)
    assert last.bytes == sum(piece.bytes for piece in made[3].pieces)
    assert (company.head().number, company.head().sha256, company.head().refused) == (4, made[3].sha256, "")


def test_only_new_pieces_are_fetched(company: Company, monkeypatch: pytest.MonkeyPatch) -> None:
    site = company.site()
    for _ in range(3):
        site.publish()
    read: list[str] = []
    get = Storage.get
    monkeypatch.setattr(Storage, "get", lambda self, key, **most: read.append(key) or get(self, key, **most))
    company.take()
    assert len([key for key in read if "/blobs/" in key]) == 3


@pytest.mark.parametrize("missing", [1, 2])
def test_a_gap_waits_and_is_told_after_a_day(company: Company, missing: int) -> None:
    site = company.site()
    made = [site.publish(send=number != missing) for number in (1, 2, 3, 4)]
    (taken,) = company.take()
    assert (taken.registered, taken.waits) == (list(range(1, missing)), 4 - missing)
    assert company.refused() == []
    day = timedelta(hours=company.place.settings.gap_after_hours)
    for number, ago, told in ((3, day - timedelta(minutes=5), []), (4, day + timedelta(minutes=5), [(missing, "gap")])):
        stamp = (datetime.now(UTC) - ago).timestamp()
        os.utime(company.at(f"sites/P-001/packages/{made[number - 1].name}"), (stamp, stamp))
        company.take()
        assert company.refused() == told
    assert f"Package {missing} is missing: {4 - missing} later ones wait" in company.head().refused
    site.send(made[missing - 1])
    assert company.take()[0].registered == list(range(missing, 5))
    assert company.refused() == []
    assert company.head().refused == ""


def forked(company: Company) -> tuple[TinySite, TinySite]:
    """A site and its restored backup, each with packages of its own behind the common second one."""
    site = company.site()
    for _ in range(2):
        site.publish()
    return site, site.copy()


@pytest.mark.parametrize("first", [0, 1, 3])
@pytest.mark.parametrize("kept", ["original", "restored"])
def test_a_fork_is_refused_until_a_person_says_which(company: Company, first: int, kept: str) -> None:
    site, restored = forked(company)
    originals = [site.publish("original") for _ in range(max(1, first))]
    if first:
        company.take()
    copy = restored.publish("restored")
    (taken,) = company.take()
    assert taken.state == "fork"
    assert company.numbers() == list(range(1, 3 + first))
    assert {number for number, kind in company.refused() if kind == "fork"} == {3}
    assert "annealog centre site branch P-001 HASH" in company.head().refused
    site.publish("later")
    assert company.take()[0].registered == []
    assert company.numbers() == list(range(1, 3 + first))
    chosen = (originals[-1] if first else originals[0]) if kept == "original" else copy
    choose_branch(company.register, "P-001", chosen.sha256[:12], **WHO)
    (taken,) = company.take()
    if kept == "original":
        assert taken.state == "open"
        assert company.register.site("P-001").last.number == site.number
        assert company.refused() == []
    else:
        assert taken.registered == [3]
        assert company.register.site("P-001").last.sha256 == copy.sha256
        # the original went on publishing: told when its number is the next one
        assert (taken.state, taken.waits) == (("fork", 0) if first < 3 else ("open", 1))
        if first < 3:
            choose_branch(company.register, "P-001", copy.sha256, **WHO)
        for number in range(4, site.number + 1):
            restored.publish("after")
            assert company.take()[0].registered == ([number] if first < 3 or number < site.number else [])
        assert company.take()[0].state == ("open" if first < 3 else "fork")


def test_a_package_that_follows_none_of_ours_is_a_fork(company: Company) -> None:
    site = company.site()
    site.publish()
    company.take()
    site.publish(before="0" * 64)
    company.take()
    assert company.refused() == [(2, "fork")]
    assert "it follows 0000000000000000, and the last one registered is 1" in company.head().refused


def test_a_first_package_that_follows_something_is_a_fork(company: Company) -> None:
    company.site().publish(before="1" * 64)
    company.take()
    assert company.refused() == [(1, "fork")]


@pytest.mark.parametrize(("minutes", "off"), [(4, False), (-4, False), (6, True), (-6, True)])
def test_a_clock_that_differs_is_flagged(company: Company, minutes: int, off: bool) -> None:
    made = datetime.now(UTC) - timedelta(minutes=minutes)
    company.site().publish(made_at=made.isoformat())
    company.take()
    clock = company.register.site("P-001").last.clock_s
    assert abs(clock - 60 * minutes) < 30
    assert (abs(clock) > 60 * company.place.settings.clock_minutes) is off


def test_what_is_wrong_with_one_site_costs_no_other(company: Company) -> None:
    for name in ("P-001", "P-002", "P-003"):
        company.site(name).publish()
    company.at("sites/P-002/packages").rename(company.at("sites/P-002/moved"))
    company.at("sites/P-002/packages").write_text("no folder")
    taken = {found.site: found for found in company.take()}
    assert (taken["P-001"].registered, taken["P-003"].registered) == ([1], [1])
    assert taken["P-002"].registered == []


def test_storage_that_is_away_is_said_once(company: Company, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(1, 6):
        company.site(f"P-00{number}")
    asked: list[str] = []

    def away(_self: Storage, prefix: str, after: str = "") -> list[str]:
        asked.append(prefix)
        raise EnvironmentProblem("away")

    monkeypatch.setattr(Storage, "stored", away)
    with pytest.raises(EnvironmentProblem, match="away"):
        company.take()
    assert len(asked) == 3


def test_twelve_takers_at_once_take_each_package_once(company: Company) -> None:
    sites = [company.site(f"P-00{number}") for number in (1, 2, 3)]
    for site in sites:
        for _ in range(3):
            site.publish()
    start, found = threading.Barrier(12), []

    def taker() -> None:
        with Register(company.place.register) as register:
            start.wait()
            found.extend(take_in(company.place, register, company.storage, [site.name for site in sites]))

    threads = [threading.Thread(target=taker) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [taken.error for taken in found if taken.error] == []
    assert sorted(number for taken in found for number in taken.registered) == [1] * 3 + [2] * 3 + [3] * 3
    for site in sites:
        assert company.numbers(site.name) == [1, 2, 3]
        assert company.head(site.name).number == 3


def test_twelve_who_ask_for_the_key_at_once_get_the_same(company: Company) -> None:
    for name in ("centre.key", "centre.pub"):
        (company.place.root / name).unlink()
    start, found = threading.Barrier(12), []

    def ask() -> None:
        start.wait()
        found.append(key_of(company.place))

    threads = [threading.Thread(target=ask) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(found), len({*found})) == (12, 1)
    public = company.place.root / "centre.pub"
    assert public.read_text() == found[0]
    public.unlink()
    assert (key_of(company.place), public.read_text()) == (found[0], found[0])


@pytest.mark.parametrize("left", [None, "no key", "for all to read"])
def test_taking_in_goes_on_without_a_key_and_makes_none(company: Company, left: str | None) -> None:
    key = company.place.root / "centre.key"
    good = key.read_bytes()
    if left is None:
        key.unlink()
    elif left == "no key":
        key.write_text(left)
    else:
        key.chmod(0o644)
    before = key.read_bytes() if key.exists() else None
    company.site().publish()
    (taken,) = company.take()
    assert (taken.registered, taken.error, taken.state) == ([1], "", "open")
    assert company.storage.size("centre/heads/P-001.json") is None
    assert (key.read_bytes() if key.exists() else None) == before
    words = untold(company.place)
    assert "the next round tells them" in words
    assert to_tell(company.place) == set()
    assert {None: "annealog centre key", "no key": "is no Ed25519 key", "for all to read": "chmod 600"}[left] in words
    assert next(problems(company.place, company.register)) == words
    key.write_bytes(good)
    key.chmod(0o600)
    assert to_tell(company.place) == {"P-001"}
    assert company.take()[0].registered == []
    assert (company.head().number, untold(company.place), to_tell(company.place)) == (1, "", set())


def test_a_thousandth_package_costs_what_the_second_does(company: Company, monkeypatch: pytest.MonkeyPatch) -> None:
    site = company.site()
    for _ in range(30):
        site.publish()
    company.take()
    read: list[str] = []
    get = Storage.get
    monkeypatch.setattr(Storage, "get", lambda self, key, **most: read.append(key) or get(self, key, **most))
    site.publish()
    company.take()
    assert len(read) == 3  # its manifest, its piece, the head


def test_what_a_package_replaces_leaves_the_cache_and_stays_in_storage(company: Company) -> None:
    site, cached = company.site(), company.place.cache
    lots = parquet(COMPANY_TABLES["lots"].empty())

    def publish(*tables: bytes) -> Manifest:
        pieces = []
        for data in tables:
            digest = sha256(data).hexdigest()
            company.storage.put_if_absent(f"sites/P-001/blobs/{digest}", data)
            rows = pl.read_parquet(data).height
            pieces.append(Piece(table="lots", month="", sha256=digest, bytes=len(data), rows=rows))
        made = site.manifest(b"", pieces=tuple(sorted(pieces)))
        site.send(made)
        site.number, site.before = made.number, made.sha256
        return made

    def lot(name: str) -> bytes:
        row = {"lot": name, "verdict": "accept"}
        return parquet(COMPANY_TABLES["lots"].complete(pl.DataFrame([row])))

    def there() -> set[str]:
        return {path.name for path in cached.glob("**/*") if path.is_file()}

    first = publish(lots, lot("A"))
    company.take()
    assert there() == {first.sha256, *(piece.sha256 for piece in first.pieces)}
    second = publish(lots, lot("B"))
    company.take()
    assert there() == {second.sha256, *(piece.sha256 for piece in second.pieces)}
    assert {*first.pieces} & {*second.pieces}, "what both have stays"
    third = publish(lots, lot("C"))
    company.at(f"sites/P-001/blobs/{sha256(lot('C')).hexdigest()}").write_bytes(b"cut")
    company.take()
    assert company.numbers() == [1, 2], "what is refused replaces nothing"
    assert there() >= {second.sha256, *(piece.sha256 for piece in second.pieces)}
    assert third.sha256 not in there()
    stored = {key.rpartition("/")[2] for key in company.storage.keys("sites/P-001/blobs")}
    assert stored >= {piece.sha256 for made in (first, second) for piece in made.pieces}


def test_a_changed_package_among_those_registered_is_not_taken_again(company: Company) -> None:
    site = company.site()
    made = site.publish()
    company.take()
    path = company.at(f"sites/P-001/packages/{made.name}")
    path.write_bytes(b"changed")
    site.publish()
    assert company.take()[0].registered == [2]
    assert company.numbers() == [1, 2]


def test_the_same_manifest_signed_twice_is_one_package(company: Company) -> None:
    site = company.site()
    made = site.publish()
    assert site.send(made) == f"sites/P-001/packages/{made.name}"
    company.take()
    site.send(made)
    company.take()
    assert company.numbers() == [1]
