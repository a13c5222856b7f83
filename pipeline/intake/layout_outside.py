"""What a layout says of all that stands outside the table: keys, sections, names, figures, sheets, which files it is tried on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from pipeline.intake.layout_errors import Wrong
from pipeline.intake.layout_parts import TEXT_TARGETS, Cells, Part, Regex, Texts
from pipeline.near import nearest

if TYPE_CHECKING:
    from re import Pattern

__all__ = [
    "FileName",
    "Footer",
    "FooterStatistic",
    "Key",
    "MatchRules",
    "Preamble",
    "Route",
    "Routes",
    "Sections",
    "WorkbookRules",
]

Statistic = Literal["count", "mean", "standard_deviation", "minimum", "maximum"]


class Key(Cells):
    """A key and its value outside the table: before the header, in the head of a section or in the name of the file."""

    key: str = Field(min_length=1, description="As written in the file, or the name of a group of the pattern.")
    required: bool = Field(default=True, description="Without it the file (of a section: its lines) is held.")

    @model_validator(mode="after")
    def _agree(self) -> Key:
        if wrong := self._wrong():
            raise Wrong(*wrong)
        return self

    @property
    def name(self) -> str:
        """The name for messages."""
        return self.key

    @property
    def join_with(self) -> tuple[str, ...]:
        """Nothing follows a key."""
        return ()


Keys = Annotated[tuple[Key, ...], Field(strict=False)]


def _with_groups(pattern: Pattern[str], keys: tuple[Key, ...]) -> tuple[Key, ...]:
    """Return the keys, and one more for each group of the pattern that is named like a column of text."""
    declared = {key.key for key in keys}
    groups = [name for name in pattern.groupindex if name not in declared]
    if unknown := [name for name in groups if name not in TEXT_TARGETS]:
        what = "is no column of text; declare under keys what it fills"
        raise Wrong(*(("", f"group {name!r} {what}{nearest(name, TEXT_TARGETS)}") for name in unknown))
    return (*keys, *(Key(key=name, column=name) for name in groups))


class Preamble(Part):
    """Lines before the header."""

    separator: str | None = Field(
        default=None, description="Text between key and value; the delimiter without the key."
    )
    keys: Keys = Field(default=(), description="What is taken from the preamble.")


class FileName(Part):
    """What the name of the file says; a group of the pattern that is named like a column fills it."""

    pattern: Regex = Field(description="Pattern for the whole file name, with a named group for each key.")
    keys: Keys = Field(default=(), description="What a group means that is not plain text of the column of its name.")

    @model_validator(mode="after")
    def _agree(self) -> FileName:
        if lacking := [key.key for key in self.keys if key.key not in self.pattern.groupindex]:
            raise Wrong(*(("keys", f"the pattern has no group named {name!r}") for name in lacking))
        _with_groups(self.pattern, self.keys)
        return self

    @property
    def all_keys(self) -> tuple[Key, ...]:
        """The keys, and those that the pattern alone names."""
        return _with_groups(self.pattern, self.keys)


class FooterStatistic(Part):
    """A figure of the footer."""

    label: str = Field(description="Text of the first cell.")
    statistic: Statistic = Field(description="What it states.")
    cell: int = Field(ge=1, description="Cell that holds the figure, from 1.")
    required: bool = Field(default=True, description="A section without it is held.")


class Sections(Part):
    """Sections of a file, one below the other: each with a head of its own, its readings and their statistics."""

    begin: Regex = Field(
        description="Pattern at the beginning of the line that begins a section; a group named like a column fills it."
    )
    end: Regex | None = Field(default=None, description="Pattern at the beginning of the line that ends one.")
    separator: str | None = Field(
        default=None, description="Text between key and value; the delimiter without the key."
    )
    keys: Keys = Field(default=(), description="What the head of a section says of each of its readings.")
    statistics: Annotated[tuple[FooterStatistic, ...], Field(strict=False)] = Field(
        default=(), description="Lines of figures that must agree with the readings of the section, or it is held."
    )

    @model_validator(mode="after")
    def _agree(self) -> Sections:
        _with_groups(self.begin, self.keys)
        return self

    @property
    def all_keys(self) -> tuple[Key, ...]:
        """The keys, and those that the pattern alone names."""
        return _with_groups(self.begin, self.keys)


class Route(Part):
    """What a name stands for that a pattern fits or a reference table lists."""

    role: Literal["block", "part", "setting"] = Field(description="What was read.")
    pattern: Regex | None = Field(
        default=None,
        description="Pattern for the whole name; a group named like a column fills it, else the name does.",
    )
    listed: Literal["blocks", "lots", "studies"] | None = Field(
        default=None, description="The reference table in which the block, lot or study must stand."
    )

    @model_validator(mode="after")
    def _agree(self) -> Route:
        wrong = []
        if self.pattern is None and self.listed is None:
            wrong.append(("", "expected a pattern, a list (listed) or both"))
        if self.listed is not None and (self.listed == "blocks") != (self.role != "part"):
            wrong.append(("listed", f"{self.listed!r} goes not with role = {self.role!r}"))
        groups = self.pattern.groupindex if self.pattern is not None else {}
        known = sorted(TEXT_TARGETS - {"name", "role", "unit", "temperature_state", "temperature_source"})
        what = "is no column of text that names something"
        wrong += [("pattern", f"group {n!r} {what}{nearest(n, known)}") for n in groups if n not in known]
        if groups and self.main not in groups:
            wrong.append(("pattern", f"expected a group named {self.main!r}"))
        if wrong:
            raise Wrong(*wrong)
        return self

    @property
    def main(self) -> str:
        """The column that the name fills."""
        return "run" if self.listed == "studies" else "lot" if self.role == "part" else "block"

    @property
    def fills(self) -> set[str]:
        """Columns that the route fills; the readings of a study are their own lot."""
        groups = self.pattern.groupindex if self.pattern is not None else {}
        return {"role", self.main, *groups} | ({"lot"} if self.main == "run" else set())


class Routes(Part):
    """What the names in the column `name` stand for: the first route that fits counts."""

    rules: Annotated[tuple[Route, ...], Field(strict=False, min_length=1)] = Field(description="The routes, in order.")
    otherwise: Literal["quarantine", "hold"] = Field(
        default="quarantine", description="What happens to a name that none fits: its lines wait, or the whole file."
    )

    @property
    def fills(self) -> set[str]:
        """Columns that the routes fill."""
        return set().union(*(rule.fills for rule in self.rules))


class Footer(Part):
    """Lines after the readings."""

    pattern: Regex = Field(description="Pattern at the beginning of the line that ends the readings.")
    required: bool = Field(default=True, description="A file without the footer gets a warning.")
    statistics: Annotated[tuple[FooterStatistic, ...], Field(strict=False)] = Field(
        default=(), description="Figures of the footer that are checked against ours."
    )


class WorkbookRules(Part):
    """Which sheets of a workbook are read, and what in them is taken."""

    sheets: Texts = Field(
        default=(),
        description="Names of the sheets that hold readings, hidden ones too; default: the only visible one.",
    )
    sheet_pattern: Regex | None = Field(
        default=None, description="Pattern of the names of the visible sheets that hold readings."
    )
    ignore_sheets: Texts = Field(default=(), description="Names of sheets that are known and not wanted.")
    sheet_name_fills: Literal["meter", "probe", "operator", "lot", "part", "spot", "block", "run", "remark"] | None = (
        Field(
            default=None,
            description="Column of readings that the name of the sheet fills; of a sheetPattern its first group.",
        )
    )
    merged_cells: Literal["hold", "first", "fill"] = Field(
        default="hold",
        description="Cells merged in the header or below: hold the file, take the text for the first of them, or for each.",
    )
    formulas: Literal["quarantine", "read"] = Field(
        default="quarantine",
        description="Lines with a formula in a column that is read: quarantine them, or read the stored result.",
    )

    @model_validator(mode="after")
    def _agree(self) -> WorkbookRules:
        wrong = []
        if self.sheets and self.sheet_pattern is not None:
            wrong.append(("sheetPattern", "found beside sheets; keep one of them"))
        if both := sorted({*self.sheets} & {*self.ignore_sheets}):
            wrong.append(("ignoreSheets", f"found {both[0]!r}, which sheets names, too"))
        if wrong:
            raise Wrong(*wrong)
        return self


class MatchRules(Part):
    """What narrows the files a layout is tried on."""

    folder: Regex | None = Field(default=None, description="Pattern for the folder, with / between names.")
    file_name: Regex | None = Field(default=None, description="Pattern for the whole file name.")
    preamble: str | None = Field(default=None, description="Text that must stand before the header.")
