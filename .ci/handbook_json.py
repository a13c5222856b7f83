"""The page of the handbook on every key of the JSON documents: classes of results, and documents that are put together by hand."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import pkgutil
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handbook_parts import MADE, TOP, code, every_command, table

import schemas
from reports.kit.methods import METHODS
from reports.words.handbook import METHOD as TITLES
from schemas.tables import QUARANTINE

if TYPE_CHECKING:
    from collections.abc import Mapping

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
