"""A new workspace: settings with their documentation, reference tables with their headers, empty folders."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

from pipeline.errors import UsageError
from pipeline.workspace.files import write_atomically
from pipeline.workspace.settings import SETTINGS_FILE, Settings, Workspace, read_settings
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from pathlib import Path

    from schemas.declare import Table

__all__ = ["create_workspace", "settings_template", "table_template"]


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)


def settings_template(name: str) -> str:
    """Return the text of an `annealog.toml` with every setting, its documentation and its default."""
    lines = ["# Settings of this workspace. What stands behind # is the default; take the # away to change it.", ""]
    tables = []
    defaults = Settings()
    for f in fields(Settings):
        default = getattr(defaults, f.name)
        unit = f" ({f.metadata['unit']})" if f.metadata.get("unit") else ""
        lines.append(f"# {f.metadata['doc']}{unit}")
        if f.name == "name":
            lines.append(f"name = {_toml(name)}")
        elif isinstance(default, dict):
            tables.append(f"# [{f.name}]")
            lines.append(f"# see [{f.name}] at the end")
        else:
            lines.append(f"# {f.name} = {_toml(default)}")
        lines.append("")
    return "\n".join([*lines, *tables, ""])


def table_template(table: Table) -> str:
    """Return a reference table without rows: what each column holds, as comments, and the header."""
    lines = [f"# {table.doc} A line that begins with # before the header is a comment."]
    for column in table:
        words = [column.doc.rstrip(".") + "."]
        words += [f"In {column.unit}."] if column.unit else []
        words += [f"One of: {' | '.join(column.allowed)}."] if column.allowed else []
        words += ["Always needed."] if not column.nullable else []
        lines.append(f"# {column.name}: {' '.join(words)}")
    return "\n".join([*lines, ",".join(table.names), ""])


def create_workspace(folder: Path, *, dry_run: bool = False) -> list[Path]:
    """Make an empty workspace.

    Returns
    -------
    list of Path
        What was (or would be) written.

    Raises
    ------
    UsageError
        If the folder holds a workspace already.
    EnvironmentProblem
        If it cannot be written.
    """
    target = folder / SETTINGS_FILE
    if target.exists():
        raise UsageError(f"{folder} is a workspace already; nothing was changed.")
    text = settings_template(folder.resolve().name)
    workspace = Workspace(folder, read_settings(text, str(target)))
    files = {workspace.reference / f"{name}.csv": table_template(table) for name, table in REFERENCE_TABLES.items()}
    if not dry_run:
        for path, content in files.items():
            if not path.exists():
                write_atomically(path, content.encode())
        workspace.layouts.mkdir(exist_ok=True)
        workspace.inbox.mkdir(exist_ok=True)
        # last, because this file makes the folder a workspace
        write_atomically(target, text.encode())
    return [target, *files, workspace.layouts, workspace.inbox]
