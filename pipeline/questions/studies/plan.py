"""A study's plan as a neutral export that still lacks its values: filled in by hand, or taken along to the meter."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from pipeline.errors import UsageError
from pipeline.intake.workbooks.writing import sheet_to_fill_in
from pipeline.statistics.study_plan import study_plan

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["PLAN_COLUMNS", "plan_rows", "plan_text", "plan_workbook", "register_row"]

PLAN_COLUMNS = (
    "sequence", "operator", "meter", "part", "value", "unit", "temperature_c", "measured_at", "temperature_state", "role", "lot", "spot",
    "run", "remark",
)  # fmt: skip
"""In the order in which a person needs them; all are columns of the neutral export."""
_KINDS = {"sequence": "number", "value": "number", "temperature_c": "number", "measured_at": "datetime"}


def plan_rows(
    run: str,
    *,
    operators: Sequence[str],
    meters: Sequence[str],
    parts: int,
    repeats: int,
    kind: str,
    unit: str,
    state: str,
    seed: str,
) -> list[dict[str, str]]:
    """Return the rows of the plan; operators are compared, or meters where several are named.

    Raises
    ------
    UsageError
        If both or neither are several, or a number makes no sense.
    """
    if len(operators) > 1 and len(meters) > 1:
        raise UsageError("One study compares operators or meters, not both: name one of the other.")
    by_meter = len(meters) > 1
    try:
        plan = study_plan(meters if by_meter else operators, parts, repeats, kind=kind, seed=seed)
    except ValueError as error:
        raise UsageError(f"No plan can be made: {error}.") from None
    return [
        {
            "sequence": str(reading.place), "operator": (operators[0] if operators else "") if by_meter else reading.group,
            "meter": reading.group if by_meter else (meters[0] if meters else ""), "part": str(reading.part), "unit": unit,
            "temperature_state": state, "role": "part", "lot": run, "spot": "1", "run": run,
            "remark": f"round {reading.round} of {repeats}",
        }
        for reading in plan
    ]  # fmt: skip


def plan_text(rows: Sequence[Mapping[str, str]]) -> str:
    """Return a plan as CSV."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, PLAN_COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def plan_workbook(rows: Sequence[Mapping[str, str]]) -> bytes:
    """Return a plan as a workbook: dates and numbers are typed as the spreadsheet takes them."""
    return sheet_to_fill_in(
        PLAN_COLUMNS,
        [_KINDS.get(column, "text") for column in PLAN_COLUMNS],
        rows=[[row.get(column, "") for column in PLAN_COLUMNS] for row in rows],
        last_row=len(rows) + 1,
    )


def register_row(
    run: str, *, kind: str, by_meter: bool, meters: Sequence[str], specification: str | None
) -> dict[str, str]:
    """Return the row that registers the study in reference/studies.csv."""
    row = {"run": run, "kind": kind, "compares": "meter" if by_meter else "operator", "meters": " ".join(meters)}
    return row | ({"specification": specification} if specification else {})
