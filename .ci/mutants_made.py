"""The mutants of a module: mutmut's operators on its syntax tree, a few for polars beside them, and what is left alone.

Left alone by rule, because no test should freeze it: docstrings, annotations, imports, decorators, ``__all__``, casts,
messages (whatever stands in a raise, in an f-string, and texts with a space), names of columns (a wrong one falls over by
itself) and what only asserts: ``strict=`` of zip, ``check_sortedness=`` of a join. Ids and codes that decide are mutated.
"""

from __future__ import annotations

import ast
from collections import Counter
from dataclasses import dataclass, replace
from itertools import islice
from typing import TYPE_CHECKING

import libcst as cst
from libcst import matchers as m
from libcst.metadata import ByteSpanPositionProvider, MetadataWrapper, PositionProvider
from mutmut.mutation import mutators

if TYPE_CHECKING:
    from collections.abc import Iterator

    from libcst.metadata import CodeRange

_PAIRS = [
    ("is_null", "is_not_null"), ("is_nan", "is_not_nan"), ("any", "all"), ("min", "max"), ("first", "last"), ("head", "tail"),
    ("floor", "ceil"), ("any_horizontal", "all_horizontal"), ("min_horizontal", "max_horizontal"), ("cum_min", "cum_max"),
    ("forward_fill", "backward_fill"), ("arg_min", "arg_max"), ("semi", "anti"), ("bisect_left", "bisect_right"),
    ("gt", "ge"), ("lt", "le"), ("startswith", "endswith"), ("union", "intersection"), ("append", "appendleft"),
]  # fmt: skip
_SWAPS = {a: b for pair in _PAIRS for a, b in (pair, pair[::-1])}
_TAKEN_AWAY = {"fill_null", "fill_nan", "abs", "clip", "drop_nulls", "unique", "sort", "reverse", "over", "shift", "round", "strip", "sorted"}  # fmt: skip
_OPERATORS = [
    (kind, operator)
    for kind, operator in mutators.mutation_operators
    if operator not in (mutators.operator_string, mutators.operator_assignment, mutators.operator_lambda,
                        mutators.operator_dict_arguments, mutators.operator_arg_removal)
]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One change of one module; its name survives that lines move."""

    path: str
    function: str
    first: int  # lines of the statement that was changed
    last: int
    on_import: bool  # stands outside of every function body
    context: str  # source of the outermost function or statement around it
    old: tuple[str, ...]
    new: tuple[str, ...]
    occurrence: int
    text: str

    @property
    def name(self) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
        return f"{self.path} {self.function}", self.old, self.new

    def shown(self) -> str:
        return "\n".join([self.name[0], *(f"- {line}" for line in self.old), *(f"+ {line}" for line in self.new)])


def _called(node: cst.Call) -> str:
    return node.func.attr.value if isinstance(node.func, cst.Attribute) else getattr(node.func, "value", "")


def _string(node: cst.SimpleString) -> Iterator[cst.CSTNode]:
    if " " not in node.value and len(node.value) > 2:
        yield from islice(mutators.operator_string(node), 1)


def _arguments(node: cst.Call) -> Iterator[cst.CSTNode]:
    """Drop a keyword that has a default (a class of ours has none worth a mutant), or one of several alike."""
    called = _called(node)
    alike = called in ("min", "max") or called.endswith("_horizontal")
    for place, argument in enumerate(node.args):
        keyword = argument.keyword and argument.keyword.value
        if len(node.args) > 1 and (
            alike
            or (
                keyword
                and keyword not in ("strict", "check_sortedness")
                and not called[:1].isupper()
                and called not in ("asarray", "array")
            )
        ):
            yield node.with_changes(args=[*node.args[:place], *node.args[place + 1 :]])


def _calls(node: cst.Call) -> Iterator[cst.CSTNode]:
    called = _called(node)
    if called in _SWAPS:
        new = cst.Name(_SWAPS[called])
        yield node.with_changes(func=node.func.with_changes(attr=new) if isinstance(node.func, cst.Attribute) else new)
    if called in _TAKEN_AWAY:
        if isinstance(node.func, cst.Attribute) and not m.matches(node.func.value, m.Name("np") | m.Name("math")):
            yield node.func.value
        elif node.args:
            yield node.args[0].value


def _condition(node: cst.If | cst.While | cst.CompIf) -> Iterator[cst.CSTNode]:
    """Turn a condition round where no operator inside of it would."""
    if m.matches(node.test, m.Name() | m.Attribute() | m.Call() | m.Subscript()):
        yield node.with_changes(test=cst.UnaryOperation(cst.Not(), node.test))


def _statement(node: cst.Expr) -> Iterator[cst.CSTNode]:
    if isinstance(node.value, cst.Call):
        yield cst.Pass()


class _Maker(cst.CSTVisitor):
    METADATA_DEPENDENCIES = (ByteSpanPositionProvider, PositionProvider)

    def __init__(self) -> None:
        self.found: list[tuple[cst.CSTNode, cst.CSTNode, tuple]] = []
        self.names: list[str] = []
        self.statements: list[cst.CSTNode] = []
        self.bodies = 0
        self.outer: cst.CSTNode | None = None
        self.kept_strings = 0

    def _left_alone(self, node: cst.CSTNode) -> bool:
        return (
            isinstance(node, cst.Annotation | cst.Import | cst.ImportFrom | cst.Decorator | cst.Raise | cst.FormattedString | cst.ConcatenatedString)
            or m.matches(node, m.If(test=m.Name("TYPE_CHECKING")) | m.Expr(value=m.SimpleString() | m.ConcatenatedString()))
            or m.matches(node, m.Assign(targets=[m.AssignTarget(m.Name("__all__"))]))
            or (isinstance(node, cst.Call) and _called(node) in ("cast", "isinstance", "warn", "debug", "info", "warning"))
            or m.matches(node, m.Arg(keyword=m.Name("strict") | m.Name("check_sortedness")))
        )  # fmt: skip

    def on_visit(self, node: cst.CSTNode) -> bool:
        if self._left_alone(node):
            return False
        position = self.get_metadata(PositionProvider, node, None)
        if (
            isinstance(node, cst.SimpleStatementLine | cst.BaseCompoundStatement)
            and len(self.names) == 0
            and not self.statements
        ):
            self.outer = node
        if isinstance(node, cst.SimpleStatementLine | cst.BaseCompoundStatement):
            self.statements.append(node)
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            self.names.append(node.name.value)
        if isinstance(node, cst.IndentedBlock) and isinstance(self.statements[-1], cst.FunctionDef):
            self.bodies += 1
        # names of columns: positional and keyword texts of a method call, keys of a subscript
        quiet = (isinstance(node, cst.Call) and isinstance(node.func, cst.Attribute)) or isinstance(node, cst.Subscript)
        self.kept_strings += quiet
        if position is not None:
            self._mutate(node)
        return True

    def on_leave(self, node: cst.CSTNode) -> None:
        if self._left_alone(node):
            return
        if isinstance(node, cst.SimpleStatementLine | cst.BaseCompoundStatement):
            self.statements.pop()
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            self.names.pop()
        if isinstance(node, cst.IndentedBlock) and isinstance(self.statements[-1], cst.FunctionDef):
            self.bodies -= 1
        self.kept_strings -= (isinstance(node, cst.Call) and isinstance(node.func, cst.Attribute)) or isinstance(
            node, cst.Subscript
        )

    def _mutate(self, node: cst.CSTNode) -> None:
        operators = [
            (cst.Call, _arguments),
            (cst.Call, _calls),
            (cst.If | cst.While | cst.CompIf, _condition),
            (cst.Expr, _statement),
        ]
        if not self.kept_strings:
            operators.append((cst.SimpleString, _string))
        for kind, operator in [*_OPERATORS, *operators]:
            if isinstance(node, kind):
                for new in operator(node):
                    if operator is _condition:
                        node, new = node.test, new.test
                    self.found.append(
                        (node, new, (".".join(self.names) or "-", self._lines(node), not self.bodies, self.outer))
                    )

    def _lines(self, node: cst.CSTNode) -> tuple[int, int]:
        """Return the lines whose running says that this node ran: those of its statement, without a body's."""
        place, statement = self.get_metadata(PositionProvider, node), self.statements[-1]
        if isinstance(statement, cst.SimpleStatementLine):
            place = self.get_metadata(PositionProvider, statement)
        return place.start.line, place.end.line


def _difference(before: list[str], after: list[str], place: CodeRange) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the lines that went and those that came, within the lines of a node."""
    old = [line.strip() for line in before[place.start.line - 1 : place.end.line]]
    new = [line.strip() for line in after[place.start.line - 1 : place.end.line + len(after) - len(before)]]
    while len(old) > 1 and len(new) > 1 and old[0] == new[0]:
        del old[0], new[0]
    while len(old) > 1 and len(new) > 1 and old[-1] == new[-1]:
        del old[-1], new[-1]
    return tuple(old), tuple(new)


def mutants_of(path: str, source: str, lines: set[int] | None = None) -> list[Mutant]:
    """Return the mutants of a module, those of functions (or statements) that hold one of `lines` only if given."""
    wrapper = MetadataWrapper(cst.parse_module(source), unsafe_skip_copy=True)
    maker = _Maker()
    wrapper.visit(maker)
    spans, places = wrapper.resolve(ByteSpanPositionProvider), wrapper.resolve(PositionProvider)
    raw, before = source.encode(), source.splitlines()
    seen: set[tuple[int, str]] = set()
    count: Counter[tuple] = Counter()
    found = []
    for node, new, (function, (first, last), on_import, outer) in maker.found:
        around = places[outer]
        if lines is not None and not any(around.start.line <= line <= around.end.line for line in lines):
            continue
        span, whole = spans[node], spans[outer]
        end = span.start + span.length
        put = wrapper.module.code_for_node(new).encode()
        context = raw[whole.start : whole.start + whole.length].decode()
        changed = (raw[whole.start : span.start] + put + raw[end : whole.start + whole.length]).decode()
        try:
            dumped = ast.dump(ast.parse(changed))
        except SyntaxError:
            continue
        seen.add((around.start.line, ast.dump(ast.parse(context))))
        if (around.start.line, dumped) in seen:
            continue
        seen.add((around.start.line, dumped))
        text = (raw[: span.start] + put + raw[end:]).decode()
        old, fresh = _difference(before, text.splitlines(), places[node])
        mutant = Mutant(
            path=path, function=function, first=first, last=last, on_import=on_import, old=old, new=fresh, occurrence=0,
            text=text, context=context,
        )  # fmt: skip
        count[mutant.name] += 1
        found.append(replace(mutant, occurrence=count[mutant.name]))
    return found
