"""The table of a meter's external calibrations, shown on its page and on the events they cause."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import Html, join, shorten
from reports.kit.numbers import compact, decimals_for, fixed
from reports.kit.page import passed, unit_in_words
from reports.kit.states import toned
from reports.kit.tables import Heading, best_order, table
from reports.words import event as say
from reports.words import general as words

if TYPE_CHECKING:
    import polars as pl

    from reports.kit.numbers import Clock

__all__ = ["calibrations_table"]

_C = say.COLUMN


def calibrations_table(frame: pl.DataFrame, number: int, clock: Clock) -> Html:
    """Return the calibration points, the latest calibration first; values are in the unit of the certificate.

    Parameters
    ----------
    frame
        calibrated_on, condition, nominal, indicated, deviation, tolerance, expanded_uncertainty, unit, passes, near,
        certificate, laboratory.
    number
        Of the table.
    clock
        The zone.
    """
    columns = [
        Heading(words.COLUMN["at"], clock.zone, "t"), Heading(_C["condition"], kind="t"), Heading(_C["nominal"], kind="n"),
        Heading(_C["indicated"], kind="n"), Heading(_C["unit"]), Heading(_C["deviation"], kind="n"), Heading(words.COLUMN["tolerance"], kind="n"),
        Heading(_C["u"], kind="n"), Heading(words.COLUMN["result"]), Heading(_C["certificate"]),
    ]  # fmt: skip
    rows, marked = [], []
    ordered = list(best_order(frame, ("calibrated_on", "condition", "nominal")).iter_rows(named=True))
    days = sorted({row["calibrated_on"] for row in ordered}, reverse=True)
    for row in sorted(ordered, key=lambda r: days.index(r["calibrated_on"])):
        decimals = decimals_for(row["expanded_uncertainty"] or row["tolerance"] / 5, row["nominal"])
        result = passed(row["passes"])
        rows.append(
            (
                clock.day(row["calibrated_on"]), say.CONDITION.get(row["condition"], row["condition"]), compact(row["nominal"], 8),
                fixed(row["indicated"], decimals), unit_in_words(row["unit"]), fixed(row["deviation"], decimals, sign=True),
                f"±{compact(row['tolerance'], 4)}", compact(row["expanded_uncertainty"], 4),
                join([result, toned("hold", say.FRAGMENT["near"])], " ") if row["near"] and row["passes"] else result,
                ", ".join(shorten(row[name], 80) for name in ("certificate", "laboratory") if row[name] is not None),
            )
        )  # fmt: skip
        marked.append(row["passes"] is False)
    return table(number, "calibrations", say.TABLE["calibrations"], columns, rows, marked=marked)
