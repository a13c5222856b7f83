"""Names of pages: safe on every file system, one for each id, the same every time."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_pages import HOSTILE

from reports import address
from reports.kit.address import between

SAFE = re.compile(r"lots/[A-Za-z0-9][A-Za-z0-9._~-]*\.html")
RESERVED = {"con", "prn", "aux", "nul", *(f"{n}{i}" for n in ("com", "lpt") for i in range(10))}

IDS = st.one_of(
    st.text(st.characters(), max_size=80),
    st.text("abAB01-_.~ /\\", max_size=8),
    st.from_regex(r"(?i)(con|nul|com1|lpt9)(\.[a-z]{1,3})?", fullmatch=True),
)


def is_safe(name: str) -> bool:
    file = name.removeprefix("lots/")
    return SAFE.fullmatch(name) is not None and len(file) <= 100 and file.split(".")[0].casefold() not in RESERVED


@given(IDS)
def test_every_id_has_a_safe_stable_name(identifier: str) -> None:
    name = address("lot", identifier)
    assert is_safe(name), name
    assert name == address("lot", identifier)


@given(IDS, IDS)
def test_two_ids_never_share_a_file_even_where_case_is_not_told_apart(one: str, other: str) -> None:
    if one != other:
        assert address("lot", one).casefold() != address("lot", other).casefold()


@given(IDS)
def test_ids_that_differ_only_in_case_have_two_files(identifier: str) -> None:
    for other in {identifier.upper(), identifier.lower(), identifier.swapcase()} - {identifier}:
        assert address("lot", identifier).casefold() != address("lot", other).casefold()


def test_an_id_cannot_take_the_name_of_another() -> None:
    taken = address("lot", "foo").removeprefix("lots/").removesuffix(".html")
    assert address("lot", taken) != address("lot", "foo")
    assert address("lot", taken.upper()).casefold() != address("lot", "foo").casefold()


@pytest.mark.parametrize(
    "hostile", [*HOSTILE, "../../x", "con", "NUL.txt", "COM1", "a/b", "A.", ".hidden", "A" * 61, "-x", "L\n1"]
)
def test_hostile_ids_are_renamed_with_part_of_their_hash(hostile: str) -> None:
    name = address("lot", hostile)
    assert is_safe(name), name
    assert re.search(r"~[0-9a-f]{12}\.html$", name)


@pytest.mark.parametrize("plain", ["L-1001", "A", "2026.03_7-B", "A" * 60])
def test_plain_ids_keep_their_name(plain: str) -> None:
    assert address("lot", plain) == f"lots/{plain}.html"


def test_kinds_have_their_folders() -> None:
    assert address("meter", "M1") == "meters/M1.html"
    assert address("index", "") == "index.html"
    with pytest.raises(ValueError, match="unknown kind"):
        address("nowhere", "X")


def test_links_are_relative() -> None:
    assert between("index.html", "lots/A.html") == "lots/A.html"
    assert between("lots/A.html", "meters/M1.html") == "../meters/M1.html"
    assert between("lots/A.html", "index.html") == "../index.html"
