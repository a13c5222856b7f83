"""Layouts that come with the product."""

from __future__ import annotations

from importlib.resources import files

from pipeline.intake.layout import Layout, parse_layout

__all__ = ["builtin_layouts"]


def builtin_layouts() -> dict[str, Layout]:
    """Return the layouts that come with the product, by name, in order of name."""
    layouts = [
        parse_layout(entry.read_text(encoding="utf-8"), entry.name)
        for entry in sorted(files(__name__).iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(".toml")
    ]
    return {layout.name: layout for layout in layouts}
