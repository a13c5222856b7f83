"""Whatever only tests reach is no part of the product: each function, class and constant of the pure packages has a user in it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FOUND_BY_A_SCAN = {"RULE", "PATTERN"}
"""What a folder is scanned for (`pipeline.rules`, `pipeline.statistics.patterns`)."""


def names_made(node: ast.stmt) -> set[str]:
    """Return the names that a statement at the top of a module makes."""
    if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        return {node.name}
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return {name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)}


def names_used(node: ast.stmt) -> set[str]:
    """Return the names that a statement reads, of its own variables not; an import is no use, nor is `__all__`."""
    read, own = set(), set()
    for each in ast.walk(node):
        if isinstance(each, ast.Name):
            (read if isinstance(each.ctx, ast.Load) else own).add(each.id)
        elif isinstance(each, ast.Attribute):
            read.add(f".{each.attr}")
        elif isinstance(each, ast.arg):
            own.add(each.arg)
    return read - own


def without_a_user(root: Path, rooms: tuple[str, ...]) -> set[str]:
    """Return the public names of these rooms, as room/module.py:name, that nothing reached from elsewhere reads."""
    pure: dict[tuple[Path, str], set[str]] = {}
    reached: set[str] = set()
    for path in sorted(path for room in ("pipeline", "schemas", "reports") for path in (root / room).rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            made = names_made(node)
            if any(path.is_relative_to(root / room) for room in rooms) and made:
                for name in made - FOUND_BY_A_SCAN - {"__all__"}:
                    pure[path, name] = names_used(node) - made
                if made & FOUND_BY_A_SCAN:
                    reached |= names_used(node)
            else:
                reached |= names_used(node)
    unread = dict(pure)
    while found := [key for key in unread if {key[1], f".{key[1]}"} & reached]:
        for key in found:
            reached |= unread.pop(key)
    return {f"{path.relative_to(root).as_posix()}:{name}" for path, name in unread}


def test_the_pure_packages_hold_nothing_that_only_tests_reach() -> None:
    assert not without_a_user(ROOT, ("pipeline/metrology", "pipeline/statistics", "pipeline/rules"))


@pytest.mark.parametrize(
    ("user", "unused"),
    [
        ("from pipeline.pure import asked\nasked()\n", set()),
        ("import pipeline.pure\npipeline.pure.asked()\n", set()),
        ("from pipeline.pure import asked\n", {"asked", "helper", "LIMIT"}),
        ("def other():\n    asked = 1\n    return asked\n", {"asked", "helper", "LIMIT"}),
        ("from pipeline.pure import helper\nhelper()\n", {"asked"}),
    ],
)
def test_an_import_alone_or_a_variable_of_that_name_is_no_user(tmp_path: Path, user: str, unused: set[str]) -> None:
    (tmp_path / "pipeline" / "pure").mkdir(parents=True)
    (tmp_path / "pipeline" / "pure" / "made.py").write_text(
        '__all__ = ["asked"]\nLIMIT = 3\ndef helper():\n    return LIMIT\ndef asked():\n    return helper() or asked()\n'
    )
    (tmp_path / "pipeline" / "user.py").write_text(user)
    found = without_a_user(tmp_path, ("pipeline/pure",))
    assert found == {f"pipeline/pure/made.py:{name}" for name in unused}
