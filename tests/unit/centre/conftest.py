"""A centre on one machine for the tests, with its register in SQLite or in PostgreSQL."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from tiny_packages import TinySite

from pipeline.centre.decisions import add_site
from pipeline.centre.given import key_of
from pipeline.centre.place import Centre, make_centre
from pipeline.centre.register import Register
from pipeline.centre.take_in import Taken, take_in
from pipeline.publish.storage import Storage

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

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
