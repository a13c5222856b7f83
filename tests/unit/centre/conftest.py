"""A centre on one machine for the tests, with its register in SQLite or in PostgreSQL."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from tiny_packages import TinySite

from pipeline.centre.decisions import add_site
from pipeline.centre.given import key_of
from pipeline.centre.place import Centre, make_centre
from pipeline.centre.register import Register
from pipeline.centre.take_in import Taken, take_in
from pipeline.publish.given import believed
from pipeline.publish.storage import Storage
from schemas.company import Head

if TYPE_CHECKING:
    from collections.abc import Iterator

_COUNT = itertools.count()


@dataclass
class Company:
    """A centre, its register and its storage."""

    place: Centre
    register: Register
    storage: Storage

    def site(self, name: str = "P-001") -> TinySite:
        """Add a site."""
        made = TinySite(name, self.storage)
        add_site(self.register, name, made.public, by="Ada", why="joins")
        return made

    def take(self, *names: str) -> list[Taken]:
        """Take in what is new."""
        return take_in(self.place, self.register, self.storage, names or [site.name for site in self.register.sites()])

    def numbers(self, name: str = "P-001") -> list[int]:
        """The numbers that were registered."""
        return [package.number for package in self.register.packages(name)]

    def refused(self) -> list[tuple[int, str]]:
        """Number and kind of what was refused."""
        return [(refusal.number, refusal.kind) for refusal in self.register.refusals()]

    def head(self, name: str = "P-001") -> Head:
        """What the centre says to a site, which it signed."""
        return Head.of(believed(self.storage.get(f"centre/heads/{name}.json"), key_of(self.place), "the head"))

    def at(self, key: str) -> Path:
        """Where something lies in storage."""
        return Path(self.storage.address) / key


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty register."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'register.db'}"
    made: str = request.getfixturevalue("cluster").create(f"register_{next(_COUNT)}")
    return made


@pytest.fixture
def company(address: str, tmp_path: Path) -> Iterator[Company]:
    """A centre that nobody publishes to yet."""
    place = make_centre(tmp_path / "centre", register=address)
    (place.root / "storage").mkdir()
    key_of(place)
    with Register(place.register) as register:
        register.make()
        yield Company(place, register, Storage(place.storage))
