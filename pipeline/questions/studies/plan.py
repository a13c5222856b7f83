"""A study's plan as a neutral export that still lacks its values: filled in by hand, or taken along to the meter."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from pipeline.errors import UsageError
from pipeline.statistics.study_plan import study_plan

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["PLAN_COLUMNS", "plan_sheet", "register_line"]

PLAN_COLUMNS = (
    "sequence", "operator", "meter", "part", "value", "unit", "temperature_c", "measured_at", "temperature_state", "role", "lot", "spot",
    "run", "remark",
)  # fmt: skip
"""In the order in which a person needs them; all are columns of the neutral export."""


def plan_sheet(
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
) -> str:
    """Return the plan as CSV; operators are compared, or meters where several are named.

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
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, PLAN_COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for reading in plan:
        writer.writerow(
            {
                "sequence": reading.place, "operator": (operators[0] if operators else "") if by_meter else reading.group,
                "meter": reading.group if by_meter else (meters[0] if meters else ""), "part": reading.part, "unit": unit,
                "temperature_state": state, "role": "part", "lot": run, "spot": "1", "run": run,
                "remark": f"round {reading.round} of {repeats}",
            }
        )  # fmt: skip
    return text.getvalue()


def register_line(run: str, *, kind: str, by_meter: bool, meters: Sequence[str], specification: str | None) -> str:
    """Return the line that registers the study in reference/studies.csv, with its header."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["run", "kind", "compares", "meters", "material", "specification", "tolerance", "unit"])
    writer.writerow([run, kind, "meter" if by_meter else "operator", " ".join(meters), "", specification or "", "", ""])
    return text.getvalue()
