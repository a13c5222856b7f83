"""The manifest: one form of bytes, and nothing passes that a site would not write."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import pytest

from schemas.company import COMPANY_TABLES, Head, Manifest, Piece, canonical, is_site_name, month_column

PIECES = (
    Piece(table="checks", month="2026-05", sha256="aa", bytes=1, rows=1),
    Piece(table="checks", month="2026-06", sha256="bb", bytes=1, rows=1),
)
MANIFEST = Manifest(
    site="P-017", number=3, before="cc", made_at="2026-06-01T00:00:00Z", program="0.1.0", as_of="2026-06-01T00:00:00Z",
    history_state="dd", head="ee", last_reading_at="", pieces=PIECES,
)  # fmt: skip


def test_the_manifest_has_one_form() -> None:
    data = canonical(MANIFEST.document)
    assert data == json.dumps(json.loads(data), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert MANIFEST.sha256 == hashlib.sha256(data).hexdigest()
    assert MANIFEST.name == f"00000003-{MANIFEST.sha256}.json"
    assert Manifest.of(json.loads(data)) == MANIFEST


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": 2}, "format 1"),
        ({"pieces": None}, "list of pieces"),
        ({"pieces": [{"table": "checks"}]}, "must state"),
        ({"pieces": [p | {"rows": True} for p in json.loads(canonical(MANIFEST.document))["pieces"]]}, "rows is True"),
        ({"pieces": json.loads(canonical(MANIFEST.document))["pieces"][::-1]}, "order"),
        ({"number": 0}, "number"),
        ({"number": "3"}, "number is '3'"),
        ({"site": "../P"}, "site"),
        ({"more": 1}, "must state"),
        ({"as_of": ""}, "as_of is ''"),
        ({"made_at": ""}, "made_at is ''"),
        *(
            ({name: text}, f"{name} is '.*': expected a moment in ISO 8601 with an offset")
            for name in ("made_at", "as_of", "last_reading_at")
            # without an offset; with one that leaves the years there are
            for text in ("yesterday", "2026-06-01T00:00:00", "0001-01-01T00:00:00+01:00", "9999-12-31T23:30:00-01:00")
        ),
    ],
)
def test_what_is_no_manifest(change: dict[str, Any], said: str) -> None:
    document = json.loads(canonical(MANIFEST.document)) | change
    with pytest.raises(ValueError, match=said):
        Manifest.of(document)


@pytest.mark.parametrize("text", ["2026-06-01T02:00:00+02:00", "2026-06-01T00:00:00.5Z", "0001-01-01T01:00:00+01:00"])
def test_moments_of_a_manifest_have_an_offset(text: str) -> None:
    document = MANIFEST.document | dict.fromkeys(("made_at", "as_of", "last_reading_at"), text)
    assert Manifest.of({**document, "pieces": list(document["pieces"])}).as_of == text


@pytest.mark.parametrize("document", [None, [], "x", {}])
def test_what_is_no_document(document: Any) -> None:
    with pytest.raises(ValueError, match="no manifest"):
        Manifest.of(document)
    with pytest.raises(ValueError, match="must state"):
        Head.of(document)


def test_a_head_is_read_back() -> None:
    head = Head(site="P-1", number=3, sha256="aa", at="2026-06-01T00:00:00Z", refused="It is a fork. Ask.")
    assert Head.of(json.loads(canonical(head.document))) == head


@pytest.mark.parametrize("name", ["P", "P-017", "9", "works.north_2", "x" * 64])
def test_names_of_sites(name: str) -> None:
    assert is_site_name(name)


@pytest.mark.parametrize("name", ["", ".", "..", "-a", "a/b", "a b", "ä", "a\n", "x" * 65])
def test_what_names_no_site(name: str) -> None:
    assert not is_site_name(name)


def test_months_and_keys_are_columns() -> None:
    for name, table in COMPANY_TABLES.items():
        assert set(table.key) <= set(table.names)
        assert month_column(name) in ("", *table.names)
