#!/usr/bin/env python3
"""Write the parts of the handbook that follow from declarations in the code, or say what is not as it would be written.

    .venv-dev/bin/python .ci/handbook_text.py             writes
    .venv-dev/bin/python .ci/handbook_text.py --check     says what differs; exit code 1

Whole pages: reference/*.md. In other pages what stands between a line `[//]: # (example NAME)` or `[//]: # (stands NAME)` or
`[//]: # (methods)` and a line `[//]: # (end)`; such lines are link definitions of Markdown, which no reader of it shows.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import json
import pkgutil
import re
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

TOP = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TOP))

import typer  # noqa: E402

import schemas  # noqa: E402
from pipeline import rules  # noqa: E402
from pipeline.cli import app  # noqa: E402
from pipeline.statistics import patterns  # noqa: E402
from pipeline.workspace.settings import Settings  # noqa: E402
from reports.kit.methods import METHODS  # noqa: E402
from reports.words.handbook import METHOD as TITLES  # noqa: E402
from schemas.reference_tables import REFERENCE_TABLES  # noqa: E402
from schemas.tables import QUARANTINE, READING  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Mapping

BOOK = TOP / "reports" / "handbook"
PUBLISHED = TOP / "fixtures" / "published"
MADE = "Written from the declarations in the code by `.ci/handbook_text.py`; edit those, not this page."


def cell(value: object) -> str:
    """Return text for a cell of a table."""
    return str(value).replace("|", "\\|").replace("\n", " ")


def table(head: list[str], rows: list[list[object]]) -> str:
    """Return a table."""
    lines = [head, ["---"] * len(head), *([cell(one) for one in row] for row in rows)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def code(value: object) -> str:
    """Return a word as code."""
    return f"`{value}`"


# commands


def every_command(command: Any = None, words: tuple[str, ...] = ("annealog",)) -> list[tuple[str, Any]]:
    """Return each command by the words that call it."""
    command = command or typer.main.get_command(app)
    if not hasattr(command, "commands"):
        return [(" ".join(words), command)]
    found = [(" ".join(words), command)] if command.invoke_without_command else []
    return found + [one for name, part in command.commands.items() for one in every_command(part, (*words, name))]


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
        typer.main.get_command(app).epilog or "",
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


# results as JSON

ROOTS = {
    "annealog lot": ("LotResult", {"detail": "LotDetail", "came_to_light": "CameToLight", "meter_differences": "MeterDifference"}),
    "annealog meter": ("MeterResult", {}),
    "annealog block": ("BlockResult", {}),
    "annealog process": ("ProcessResult", {}),
    "annealog supplier": ("SupplierResult", {}),
    "annealog study report": ("StudyResult", {}),
    "annealog components": ("ComponentsOfLots", {}),
    "annealog test-report": ("ReportOnLots", {}),
    "annealog review": ("ReviewResult", {}),
    "annealog centre meter": ("Travelled", {}),
    "annealog centre block": ("Travelled", {}),
    "annealog centre supplier": ("OverPlants", {}),
    "annealog centre process": ("OverPlants", {}),
    "annealog centre review": ("CompanyReview", {}),
    "annealog trace": ("TraceResult", {"with --sensor": "SensorTrace", "with --event": "EventResult"}),
}  # fmt: skip
DOCUMENTS = {
    "annealog status": ("pipeline/questions/status.py", "document"),
    "annealog load": ("pipeline/cli/output.py", "load_document"),
    "annealog watch": ("pipeline/service/watch.py", "document"),
    "annealog layout check": ("pipeline/cli/bring.py", "_check_document"),
    "annealog reference import": ("pipeline/cli/reference.py", "_document"),
}
"""Documents that are put together by hand, and where."""
REPORTS = {
    "annealog verify": ("pipeline.custody.verify", "VerifyReport"),
    "annealog rebuild": ("pipeline.custody.rebuild", "RebuildReport"),
}
"""Classes whose fields stand in a document beside its own keys."""


def every_result() -> dict[str, type]:
    """Return every class of results by name."""
    found: dict[str, type] = {}
    for module in pkgutil.iter_modules(schemas.__path__):
        loaded = importlib.import_module(f"schemas.{module.name}")
        found |= {
            name: one
            for name, one in vars(loaded).items()
            if isinstance(one, type) and dataclasses.is_dataclass(one) and one.__module__ == loaded.__name__
        }
    return found


def remarks(one: type) -> dict[str, str]:
    """Return the comment beside each field of a class, or above it."""
    found: dict[str, str] = {}
    above = ""
    for line in inspect.getsource(one).splitlines():
        field, said = re.match(r"    ([a-z_]+): ", line), line.partition("  # ")[2].strip()
        if field:
            found[field[1]] = said or above
        above = line.strip().removeprefix("# ") if line.strip().startswith("# ") and not field else ""
    return found


def in_words(annotation: str, results: dict[str, type]) -> str:
    """Return a type in words."""

    def word(node: ast.expr) -> str:
        if isinstance(node, ast.BinOp):
            return f"{word(node.left)} or {word(node.right)}"
        if isinstance(node, ast.Subscript):
            inside = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
            if ast.unparse(node.value) == "dict":
                return f"{word(inside[1])} by name"
            if len(inside) == 2 and ast.unparse(inside[1]) == "...":
                return f"list of {word(inside[0])}"
            return f"[{', '.join(word(one) for one in inside)}]"
        name = ast.unparse(node)
        plain = {
            "str": "text",
            "float": "number",
            "int": "whole number",
            "bool": "true or false",
            "None": "null",
            "datetime": "time",
            "Any": "value",
        }
        return plain.get(name, f"[{name}](#{name.lower()})" if name in results else name)

    return word(ast.parse(annotation, mode="eval").body)


def literal_keys(node: ast.AST, there: Mapping[str, ast.FunctionDef]) -> list[str]:
    """Return the keys of a document written out in the code, with those inside each, also where a function beside it makes them."""
    if isinstance(node, ast.DictComp) and isinstance(node.generators[0].iter, ast.Tuple):
        return [code(one.value) for one in node.generators[0].iter.elts if isinstance(one, ast.Constant)]
    if not isinstance(node, ast.Dict):
        return []
    found = []
    for key, value in zip(node.keys, node.values, strict=True):
        if isinstance(key, ast.Constant):
            called = [
                there[one.func.id]
                for one in ast.walk(value)
                if isinstance(one, ast.Call) and isinstance(one.func, ast.Name) and one.func.id in there
            ]
            nodes = (one for place in (value, *called) for one in ast.walk(place))
            inside = next((keys for one in nodes if (keys := literal_keys(one, there))), [])
            found.append(code(key.value) + (f" ({', '.join(inside)})" if inside else ""))
    return found


def functions(path: Path) -> dict[str, ast.FunctionDef]:
    """Return the functions and methods of a file."""
    return {node.name: node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.FunctionDef)}


def printed_keys(command: Any) -> list[str]:
    """Return the keys of the documents that a command prints, where they are written out beside it."""
    function = inspect.unwrap(command.callback)
    there = functions(Path(inspect.getsourcefile(function) or ""))
    names, found = [function.__name__], []
    for name in names:  # grows while it is read
        given = {
            ast.unparse(target): node.value
            for node in ast.walk(there[name])
            if isinstance(node, ast.Assign)
            for target in node.targets
        }
        for node in ast.walk(there[name]):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            if called.startswith("_") and called in there and called not in names:
                names.append(called)
            if called.endswith("print_json") and node.args:
                printed = given.get(ast.unparse(node.args[0]), node.args[0])
                found += literal_keys(
                    next((one for one in ast.walk(printed) if isinstance(one, ast.Dict)), printed), there
                )
    return list(dict.fromkeys(found))


def first_dict(path: str, function: str) -> list[str]:
    """Return the keys of the largest document written out in a function."""
    there = functions(TOP / path)
    written = (one for one in ast.walk(there[function]) if isinstance(one, ast.Dict))
    return next(keys for one in written if len(keys := literal_keys(one, there)) > 3)


def method_of() -> dict[tuple[str, str], str]:
    """Return the method page of each figure."""
    return {
        (kind, key): method.name for method in METHODS for kind, keys in method.figures.items() for key in keys.split()
    }


def json_keys() -> str:
    """Return the page of JSON keys."""
    results, by_figure = every_result(), method_of()
    parts = ["# Every key of the JSON documents", "", MADE, ""]
    parts += [
        (
            "Every command takes `--json`: one document on standard output, progress and log on standard error. Numbers are not rounded; a "
            "figure that cannot be computed is null and its reason stands under the same key in `not_computable`. Times are ISO 8601 in UTC. "
            "What the words of states and verdicts mean: [results in words](../results-as-json.md)."
        ),
        "",
    ]
    shown: list[str] = []

    def class_table(name: str, more: dict[str, str]) -> list[str]:
        one, said = results[name], remarks(results[name])
        rows: list[list[object]] = []
        for field in dataclasses.fields(one):
            if "DataFrame" in str(field.type):
                continue
            named = [found for found in re.findall(r"[A-Z]\w+", str(field.type)) if found in results]
            shown.extend(found for found in named if found not in shown)
            method = by_figure.get((name, field.name))
            link = f"[{TITLES[method]}](../method/{method}.md)" if method else ""
            rows.append(
                [
                    code(field.name.rstrip("_")),
                    in_words(str(field.type), results),
                    re.sub(r"\bNone\b", "null", said.get(field.name, "")),
                    link,
                ]
            )
        rows += [[code(key), f"[{kind}](#{kind.lower()})", "", ""] for key, kind in more.items()]
        shown.extend(kind for kind in more.values() if kind not in shown)
        about = " ".join(inspect.cleandoc(one.__doc__ or "").partition("\n\nParameters\n")[0].split())
        about = re.sub(r":\w+:`~?(?:[\w.]*\.)?(\w+)`", r"`\1`", about)
        about = re.sub(r"\bNone\b", "null", about.replace("`from_`", "`from`"))
        return [about, "", table(["Key", "Value", "Remark", "Method"], rows), ""]

    for name, command in every_command():
        if name in ROOTS:
            root, more = ROOTS[name]
            if root not in shown:
                shown.append(root)
            parts += [
                f"## {name}",
                "",
                f"A [{root}](#{root.lower()}), and:"
                if more or printed_keys(command)
                else f"A [{root}](#{root.lower()}).",
                "",
            ]
            rows = [[key if " " in key else code(key), f"[{kind}](#{kind.lower()})"] for key, kind in more.items()]
            rows += [[key, ""] for key in printed_keys(command)]
            shown.extend(kind for kind in more.values() if kind not in shown)
            parts += [table(["Key", "Value"], rows), ""] if rows else []
            continue
        keys = first_dict(*DOCUMENTS[name]) if name in DOCUMENTS else printed_keys(command)
        if name in REPORTS:
            module, report = REPORTS[name]
            keys += [code(one.name) for one in dataclasses.fields(getattr(importlib.import_module(module), report))]
        if name in ("annealog quarantine list", "annealog quarantine show"):
            declared = [column.name for column in QUARANTINE.columns]
            keys = [
                *map(
                    code,
                    ("quarantine_id", "source_id", *declared, "state", "decided_by", "decided_why", "file", "sha256"),
                )
            ]
        if name == "annealog config show":
            keys = ["a key for each [setting](settings.md)"]
        if keys:
            parts += [f"## {name}", "", ", ".join(keys) + ".", ""]
    for name in shown:  # grows while it is read
        parts += [f"## {name}", "", *class_table(name, {})]
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
