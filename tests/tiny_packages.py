"""Packages of a few rows, made by hand: what a site would send, and what nobody should."""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import polars as pl
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from pipeline.publish.seal import public_half, sealed
from schemas.company import COMPANY_TABLES, Manifest, Piece

if TYPE_CHECKING:
    from pipeline.publish.storage import Storage

__all__ = ["T0", "TinySite", "parquet", "text_piece"]

T0 = datetime(2026, 3, 1, 10, tzinfo=UTC)


def parquet(frame: pl.DataFrame) -> bytes:
    """Return a frame as a site stores a piece."""
    buffer = io.BytesIO()
    frame.write_parquet(buffer, compression="zstd")
    return buffer.getvalue()


def text_piece(content: str) -> bytes:
    """Return a piece of the table `texts` with one text."""
    row = {
        "kind": "reference", "name": "blocks", "sequence": 1, "sha256": sha256(content.encode()).hexdigest(),
        "content": content, "recorded_at": T0,
    }  # fmt: skip
    return parquet(COMPANY_TABLES["texts"].complete(pl.DataFrame([row])))


@dataclass
class TinySite:
    """A site that publishes one text a package, and keeps the texts of the packages before."""

    name: str
    storage: Storage
    key: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    number: int = 0
    before: str = ""
    pieces: tuple[Piece, ...] = ()

    @property
    def public(self) -> str:
        return public_half(self.key).strip()

    def copy(self) -> TinySite:
        """A backup of the site, put back on another computer."""
        return replace(self)

    def manifest(self, piece: bytes, **changed: Any) -> Manifest:
        """Return the next manifest, with something changed."""
        new = Piece(table="texts", month="2026-03", sha256=sha256(piece).hexdigest(), bytes=len(piece), rows=1)
        values: dict[str, Any] = {
            "site": self.name, "number": self.number + 1, "before": self.before, "made_at": datetime.now(UTC).isoformat(),
            "program": "0.1.0", "as_of": T0.isoformat(), "history_state": "1", "head": "", "last_reading_at": T0.isoformat(),
            "pieces": tuple(sorted((*self.pieces, new))),
        }  # fmt: skip
        return Manifest(**values | changed)

    def send(self, manifest: Manifest, *, under: str | None = None, key: Ed25519PrivateKey | None = None) -> str:
        """Store a sealed manifest; return its key in storage."""
        from dataclasses import asdict

        place = under or f"sites/{self.name}/packages/{manifest.name}"
        self.storage.put_if_absent(place, sealed(asdict(manifest), key or self.key))
        return place

    def publish(self, content: str | None = None, *, blobs: bool = True, send: bool = True, **changed: Any) -> Manifest:
        """Publish the next package."""
        piece = text_piece(content or f"{self.name} {self.number + 1}")
        manifest = self.manifest(piece, **changed)
        if blobs:
            self.storage.put_if_absent(f"sites/{self.name}/blobs/{sha256(piece).hexdigest()}", piece)
        if send:
            self.send(manifest)
        self.number, self.before, self.pieces = manifest.number, manifest.sha256, manifest.pieces
        return manifest
