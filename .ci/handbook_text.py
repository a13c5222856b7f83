#!/usr/bin/env python3
"""Write the parts of the handbook that follow from declarations in the code, or say what is not as it would be written.

    .venv-dev/bin/python .ci/handbook_text.py             writes
    .venv-dev/bin/python .ci/handbook_text.py --check     says what differs; exit code 1

Whole pages: reference/*.md. In other pages what stands between a line `[//]: # (example NAME)` or `[//]: # (stands NAME)` or
`[//]: # (methods)` and a line `[//]: # (end)`; such lines are link definitions of Markdown, which no reader of it shows.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

import typer
from handbook_json import json_keys
from handbook_parts import MADE, TOP, code, every_command, table

from pipeline import rules
from pipeline.cli import app
from pipeline.statistics import patterns
from pipeline.workspace.settings import Settings
from reports.kit.methods import METHODS
from reports.words.handbook import METHOD as TITLES
from schemas.reference_tables import REFERENCE_TABLES
from schemas.tables import READING

BOOK = TOP / "reports" / "handbook"
PUBLISHED = TOP / "fixtures" / "published"


# commands


def commands() -> str:
    """Return the page of commands."""
    parts = ["# Every command", "", MADE, ""]
    shared = {"--workspace", "--json", "--dry-run"}
    parts += [
        (
            "Three options come again and again and mean the same everywhere: `--workspace DIR` (default: this folder or a parent with "
            "`annealog.toml`), `--json` (one document on standard output, see [JSON](json.md)) and `--dry-run` (say what would be done; "
            "write nothing). `annealog --install-completion` teaches the shell the words."
        ),
        "",
        typer.main.get_command(app()).epilog or "",
        "",
    ]
    for name, command in every_command():
        text, _, example = inspect.cleandoc(command.help or "").partition("Example: ")
        parts += [f"## {name}", "", " ".join(text.split()), ""]
        if example:
            parts += ["```bash", " ".join(example.split()), "```", ""]
        rows: list[list[object]] = []
        also = []
        for one in command.params:
            names = [*one.opts, *one.secondary_opts]
            if one.name == "help":
                continue
            if shared & set(names):
                also.append(code(names[0]))
                continue
            argument = not names[0].startswith("-")
            if argument:
                shown = one.metavar or one.name.upper()
            else:
                shown = " / ".join(names) + ("" if one.is_flag else f" {one.metavar or 'TEXT'}")
            notes = [one.help or ""]
            if one.required and not argument:
                notes.append("Needed.")
            if one.multiple:
                notes.append("May be given several times.")
            rows.append([code(shown), " ".join(" ".join(notes).split())])
        if rows:
            parts += [table(["Argument or option", "Meaning"], rows), ""]
        if also:
            parts += [f"Also: {', '.join(also)}.", ""]
    return "\n".join(parts)


# settings and tables


def settings() -> str:
    """Return the page of settings."""
    rows: list[list[object]] = []
    for one in dataclasses.fields(Settings):
        default = getattr(Settings(), one.name)
        value = json.dumps(list(default) if isinstance(default, tuple) else default, ensure_ascii=False)
        rows.append([code(one.name), code(value), one.metadata.get("unit") or "", one.metadata["doc"]])
    return "\n".join(
        [
            "# Every setting", "", MADE, "",
            ("Settings stand in `annealog.toml`; `annealog config show` prints those that hold, `annealog config check` says what is "
            "wrong. A key that is not named here is an error. Times written `HH` are in the site's zone."), "",
            table(["Setting", "Default", "Unit", "Meaning"], rows), "",
        ]
    )  # fmt: skip


def columns_of(one: Any) -> str:
    """Return a table of columns."""
    kinds = {"String": "text", "Float64": "number", "Int64": "whole number", "Boolean": "yes or no"}
    rows: list[list[object]] = []
    for column in one.columns:
        kind = kinds.get(str(column.dtype), "time" if str(column.dtype).startswith("Datetime") else str(column.dtype))
        bounds = [
            *([] if column.allowed is None else [", ".join(column.allowed)]),
            *(f"{sign} {value:g}" for sign, value in ((">", column.above), ("≥", column.at_least), ("≤", column.at_most)) if value is not None),
        ]  # fmt: skip
        rows.append(
            [
                code(column.name),
                kind,
                column.unit or "",
                "yes" if column.required else "",
                "; ".join(bounds),
                column.doc,
            ]
        )
    return table(["Column", "Kind", "Unit", "Needed", "Allowed", "Meaning"], rows)


def tables() -> str:
    """Return the page of reference tables."""
    parts = ["# Every column of the reference tables", "", MADE, ""]
    parts += [
        (
            "The tables lie in `reference/` as CSV (UTF-8, comma, decimal point). Columns that are not needed may be missing or empty. A "
            "row with another `valid_from` is a new version; the first version holds from the beginning. `annealog reference columns "
            "TABLE` says the same at the command line."
        ),
        "",
    ]
    for name, one in REFERENCE_TABLES.items():
        parts += [
            f"## {name}",
            "",
            f"{one.doc} One row for each {', '.join(map(code, one.key))}.",
            "",
            columns_of(one),
            "",
        ]
    return "\n".join(parts)


def neutral_fields() -> list[dict[str, Any]]:
    """Return the fields of the neutral layout."""
    (path,) = (TOP / "pipeline" / "intake" / "layouts").glob("neutral*.toml")
    fields: list[dict[str, Any]] = tomllib.loads(path.read_text())["schema"]["fields"]
    return fields


def readings() -> str:
    """Return the page of the neutral export."""
    declared = {column.name: column for column in READING.columns}
    rows: list[list[object]] = []
    for one in neutral_fields():
        column = declared[one["column"]]
        needed = "yes" if one.get("constraints", {}).get("required") else ""
        rows.append([code(one["name"]), column.unit or "", needed, ", ".join(column.allowed or ()), column.doc])
    return "\n".join(
        [
            "# Every column of the neutral export", "", MADE, "",
            ("A UTF-8 CSV with comma and decimal point that any meter's readings can be brought into; columns in any order, the optional "
            "ones may be missing, one that is not named here holds the file. A reading on a part names its lot, one on a block its "
            "block. How other exports are described: [layouts](layouts.md)."), "",
            table(["Column", "Unit", "Needed", "Allowed", "Meaning"], rows), "",
        ]
    )  # fmt: skip


def layouts() -> str:
    """Return the page of the words of a layout."""
    schema = json.loads((TOP / "pipeline" / "intake" / "layout.schema.json").read_text())
    parts = ["# Every key of a layout", "", MADE, ""]
    parts += [
        (
            "A layout is one TOML file in the words of Frictionless Table Dialect and Table Schema, and says how one kind of export is "
            "written. `annealog layout suggest FILE` proposes one. An editor that knows JSON Schema completes and checks it with "
            "`pipeline/intake/layout.schema.json`."
        ),
        "",
    ]

    def kind(one: dict[str, Any]) -> str:
        if "$ref" in one:
            name = one["$ref"].rpartition("/")[2]
            return f"[{name}](#{name.lower()})"
        if "anyOf" in one:
            return " or ".join(kind(way) for way in one["anyOf"] if way.get("type") != "null")
        if one.get("type") == "array":
            return f"list of {kind(one.get('items', {}))}"
        names = {"string": "text", "integer": "whole number", "boolean": "true or false", "object": "table"}
        return names.get(one.get("type", ""), one.get("type", ""))

    def keys(name: str, one: dict[str, Any]) -> list[str]:
        needed = set(one.get("required", ()))
        rows: list[list[object]] = []
        for key, value in one.get("properties", {}).items():
            default = "" if "default" not in value else code(json.dumps(value["default"], ensure_ascii=False))
            allowed = (
                f" One of {', '.join(one if one.isprintable() else code(json.dumps(one)) for one in value['enum'])}."
                if "enum" in value
                else ""
            )
            rows.append(
                [
                    code(key),
                    kind(value),
                    "yes" if key in needed else "",
                    default,
                    value.get("description", "") + allowed,
                ]
            )
        said = [one["description"], ""] if "description" in one else []
        return [f"## {name}", "", *said, table(["Key", "Kind", "Needed", "Default", "Meaning"], rows), ""]

    parts += keys("The layout itself", schema)
    for name, one in sorted(schema["$defs"].items()):
        parts += keys(name, one)
    return "\n".join(parts)


def flags_and_rules() -> str:
    """Return the page of flags and rules."""
    link = {code_: method.name for method in METHODS for code_ in f"{method.flags} {method.rules}".split()}
    parts = ["# Every flag and rule", "", MADE, ""]
    parts += [
        ("A flag tells what else to put right, with its number; it changes no verdict. Its method page says when it is raised and what "
        "to do. Rules of the multi-rule scheme look at the checks of a meter, patterns at the lots of a process."),
        "", "## Flags", "",
        table(["Flag", "Method"], [[code(one), f"[{TITLES[method.name]}](../method/{method.name}.md)"] for method in METHODS for one in method.flags.split()]),
        "", "## Rules of the multi-rule scheme", "",
        table(["Rule", "What it looks for", "Source"], [[f"[{one.id}](../method/{link[one.id]}.md)", one.title, one.source] for one in rules.find()]),
        "", "## Patterns of process charts", "",
        table(["Pattern", "What it looks for", "Source"], [[f"[{one.id}](../method/{link[one.id]}.md)", one.title.format(n=one.points), one.source] for one in patterns.find().values()]),
        "",
    ]  # fmt: skip
    return "\n".join(parts)


WHOLE = {
    "reference/commands.md": commands,
    "reference/settings.md": settings,
    "reference/tables.md": tables,
    "reference/readings.md": readings,
    "reference/layouts.md": layouts,
    "reference/json.md": json_keys,
    "reference/flags-and-rules.md": flags_and_rules,
}

# parts of other pages

_MOST_VALUES = 12


def example(words: str) -> str:
    """Return a published example: NAME, or NAME: pattern of the names of values."""
    name, _, only = words.partition(": ")
    known = tomllib.loads((PUBLISHED / name / "expected.toml").read_text())
    lines = [f"{known['citation']}; {known['place']}."]
    given = {
        key: value
        for key, value in known.get("inputs", {}).items()
        if not isinstance(value, list) or (len(value) <= 12 and not any(isinstance(one, list | dict) for one in value))
    }
    if given:
        told = (
            f"{key.replace('_', ' ')} {', '.join(map(str, value)) if isinstance(value, list) else value}"
            for key, value in given.items()
        )
        lines += ["", f"Given: {'; '.join(told)}."]
    values = [one for one in known["value"] if re.search(only, one["name"])][:_MOST_VALUES]
    rows: list[list[object]] = [[one["name"], one["printed"]] for one in values]
    lines += ["", table(["Quantity", "As published"], rows), ""]
    memory = (
        "The digits were recalled from memory" if known.get("from_memory") else "The digits were read in the source"
    )
    lines += [f"{memory}; the program's tests compute each of them from `fixtures/published/{name}`."]
    return "\n".join(lines)


def stands(name: str) -> str:
    """Return where the figures of a method stand: keys, flags, rules."""
    (method,) = [one for one in METHODS if one.name == name]
    lines = [f"- `{kind}`: {', '.join(map(code, keys.split()))}" for kind, keys in method.figures.items()]
    found = ["In [JSON](../reference/json.md):", "", *lines, ""] if lines else []
    if method.flags:
        found += [f"[Flags](../reference/flags-and-rules.md): {', '.join(map(code, method.flags.split()))}.", ""]
    if method.rules:
        found += [f"Rules: {', '.join(map(code, method.rules.split()))}.", ""]
    return "\n".join(found).rstrip() or "In sentences of the pages only."


def methods(_: str) -> str:
    """Return the list of method pages."""
    return "\n".join(f"- [{TITLES[method.name]}](method/{method.name}.md)" for method in METHODS)


PARTS = {"example": example, "stands": stands, "methods": methods}
_PART = re.compile(r"(\[//\]: # \((\w+) ?(.*)\)\n\n)(?:(?!\[//\]).*\n)*?(\[//\]: # \(end\))")


def filled(text: str) -> str:
    """Return a page with its parts written anew."""
    return _PART.sub(lambda found: f"{found[1]}{PARTS[found[2]](found[3])}\n\n{found[4]}", text)


def wanted() -> dict[str, str]:
    """Return every page as it should be, by path in the handbook."""
    pages = {str(path.relative_to(BOOK)): path.read_text() for path in sorted(BOOK.rglob("*.md"))}
    return {path: filled(text) for path, text in pages.items() if path not in WHOLE} | {
        path: write().rstrip() + "\n" for path, write in WHOLE.items()
    }


def main() -> int:
    """Write, or say what differs."""
    differing = []
    for path, text in wanted().items():
        place = BOOK / path
        if not place.is_file() or place.read_text() != text:
            differing.append(path)
            if "--check" not in sys.argv:
                place.parent.mkdir(exist_ok=True)
                place.write_text(text)
    for path in differing:
        print(f"{'differs' if '--check' in sys.argv else 'written'}: reports/handbook/{path}")
    return int(bool(differing) and "--check" in sys.argv)


if __name__ == "__main__":
    sys.exit(main())
