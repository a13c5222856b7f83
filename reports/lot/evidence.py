"""Hardness beside conductivity, and the readings a person left out of a lot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import Html, isolated, shorten
from reports.kit.numbers import as_written, finite, fixed, significant
from reports.kit.states import toned
from reports.kit.tables import Heading, caption, table
from reports.words import general as common
from reports.words.evidence import EXCLUSION, HARDNESS, HEAT_TREATMENT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock
    from schemas.lot_detail import HeatTreatmentDetail
    from schemas.results import LotResult

__all__ = [
    "comparison_table",
    "exclusion_sentence",
    "exclusions_table",
    "hardness_sentence",
    "hardness_table",
    "heat_treatment_sentences",
]

MOST_ROWS = 200


def hardness_sentence(result: LotResult) -> str:
    """Say how conductivity and hardness stand together; empty where there is nothing of hardness."""
    if result.hardness_state is None:
        return ""
    conductivity = HARDNESS[f"conductivity_{result.limits_met or 'none'}"]
    outside = any(one.within == "out" for one in result.hardness)
    if result.hardness_state == "missing":
        hardness = HARDNESS["missing"]
    elif outside:
        hardness = HARDNESS["out"]
    else:
        judged = any(one.within == "in" for one in result.hardness)
        hardness = HARDNESS["in" if judged else "no_limits"]
        hardness += HARDNESS[result.hardness_state]
    return HARDNESS["sentence"].format(conductivity=conductivity, hardness=hardness)


def heat_treatment_sentences(
    found: Sequence[HeatTreatmentDetail], unit: str, decimals: int, *, cautioned: bool = True
) -> list[str]:
    """Say what conductivity and hardness can mean together where both are out of limits, and the caution; nothing else is said."""
    said = []
    for one in found:
        where = HEAT_TREATMENT["lot"]
        if one.parts:
            names = common.listed([shorten(part, 24) for part in one.parts])
            where = HEAT_TREATMENT["part" if len(one.parts) == 1 else "parts"].format(parts=names)
        sentence = HEAT_TREATMENT["pair"].format(
            conductivity=HEAT_TREATMENT[one.conductivity], hardness=HEAT_TREATMENT[one.hardness], where=where,
            mean=fixed(one.mean, decimals), unit=unit, meaning=HEAT_TREATMENT[f"{one.conductivity}_{one.hardness}"],
        )  # fmt: skip
        if one.fitting is None:
            sentence += HEAT_TREATMENT["no_table"]
        elif one.fitting:
            ranges = [
                shorten(material, 40)
                if temper is None
                else HEAT_TREATMENT["named"].format(material=shorten(material, 40), temper=shorten(temper, 40))
                for material, temper in one.fitting
            ]
            sentence += HEAT_TREATMENT["fitting"].format(names="; ".join(ranges[:6]))
        else:
            sentence += HEAT_TREATMENT["none_fits"]
        said.append(sentence)
    return [*said, HEAT_TREATMENT["caution"]] if said and cautioned else said


def hardness_table(result: LotResult, number: int, *, unit: str, decimals: int) -> Html | None:
    """Return each hardness result beside the conductivity of the same part; None where there is no result."""
    if not result.hardness:
        return None
    columns = [
        Heading(HARDNESS["part"]), Heading(HARDNESS["conductivity"], unit, "n"), Heading(HARDNESS["hardness"], kind="n"),
        Heading(HARDNESS["scale"]), Heading(HARDNESS["limits"]), Heading(HARDNESS["result"]), Heading(HARDNESS["remark"]),
    ]  # fmt: skip
    ordered = sorted(result.hardness, key=lambda one: one.within != "out")
    rows = []
    for one in ordered[:MOST_ROWS]:
        low, high = as_written(one.lower), as_written(one.upper)
        limits = (
            common.FRAGMENT["span"].format(low=low, high=high)
            if low and high
            else HARDNESS["at_least"].format(low=low)
            if low
            else HARDNESS["at_most"].format(high=high)
            if high
            else ""
        )
        word = common.WITHIN.get(one.within, str(one.within)) if one.within else ""
        remark = HARDNESS["unread"] if one.read is False else HARDNESS["untied"] if one.read is None else ""
        rows.append(
            (
                HARDNESS["whole_lot"] if one.part is None else isolated(one.part, 60), fixed(one.conductivity, decimals),
                as_written(one.value), None if one.scale is None else isolated(one.scale, 20), limits,
                toned("out", word) if one.within == "out" else word, remark,
            )
        )  # fmt: skip
    marked = [one.within == "out" or one.read is False for one in ordered[:MOST_ROWS]]
    note = ""
    if len(ordered) > MOST_ROWS:
        note = common.FRAGMENT["rows"].format(shown=MOST_ROWS, total=len(ordered))
    return table(number, "hardness", caption(HARDNESS["table"], note), columns, rows, marked=marked)


# readings left out -----------------------------------------------------------------------------------------------------


def exclusion_sentence(result: LotResult) -> str:
    """Say what leaving readings out changed; empty where nothing was left out."""
    whole = result.with_every_reading
    if whole is None:
        return ""
    readings = common.counted(len(result.exclusions), "reading")
    if whole.verdict == result.verdict and whole.limits_met == result.limits_met:
        return EXCLUSION["same"].format(
            readings=readings, verdict=common.VERDICT.get(result.verdict, result.verdict).lower()
        )
    return EXCLUSION["changed"].format(
        readings=readings,
        verdict=common.VERDICT.get(result.verdict, result.verdict).lower(),
        whole=common.VERDICT.get(whole.verdict, whole.verdict).lower(),
        reason=shorten((whole.reasons or ("",))[0], 300),
    )


def exclusions_table(result: LotResult, number: int, clock: Clock) -> Html:
    """Return the readings that were left out: which, who, why and when."""
    columns = [
        Heading(EXCLUSION["file"]), Heading(EXCLUSION["part"]), Heading(EXCLUSION["spot"]), Heading(EXCLUSION["value"], kind="n"),
        Heading(EXCLUSION["at_reference"], result.unit, "n"), Heading(EXCLUSION["by"]), Heading(EXCLUSION["why"]),
        Heading(EXCLUSION["at"], clock.zone, "t"),
    ]  # fmt: skip
    rows = []
    for one in result.exclusions[:MOST_ROWS]:
        line = EXCLUSION["line"].format(file=shorten(one.file or common.FRAGMENT["not_stated"], 80), line=one.line)
        rows.append(
            (
                isolated(line, 120), None if one.part is None else isolated(one.part, 60),
                None if one.spot is None else isolated(one.spot, 60), as_written(one.value), significant(one.value_at_reference, 5),
                isolated(one.by, 60), shorten(one.why, 300), clock.second(one.at),
            )
        )  # fmt: skip
    note = ""
    if len(result.exclusions) > MOST_ROWS:
        note = common.FRAGMENT["rows"].format(shown=MOST_ROWS, total=len(result.exclusions))
    return table(number, "left-out", caption(EXCLUSION["table"], note), columns, rows)


def comparison_table(result: LotResult, number: int, *, unit: str, decimals: int) -> Html | None:
    """Return figures and verdict without and with the readings that were left out; None where nothing was."""
    whole = result.with_every_reading
    if whole is None:
        return None

    def spread(number: float | None) -> str:
        return f"{significant(number, 2)} {unit}" if finite(number) is not None else common.FRAGMENT["none"]

    def value(number: float | None) -> str:
        return f"{fixed(number, decimals)} {unit}" if finite(number) is not None else common.FRAGMENT["none"]

    def met(limits_met: str | None) -> str:
        return common.WITHIN.get(limits_met, str(limits_met))

    rows = [
        (EXCLUSION["readings"], result.readings, whole.readings),
        (EXCLUSION["parts"], result.parts, whole.parts),
        (EXCLUSION["mean"], value(result.mean), value(whole.mean)),
        (EXCLUSION["s"], spread(result.standard_deviation), spread(whole.standard_deviation)),
        (EXCLUSION["smallest"], value(result.minimum), value(whole.minimum)),
        (EXCLUSION["largest"], value(result.maximum), value(whole.maximum)),
        (EXCLUSION["u"], value(result.expanded_uncertainty), value(whole.expanded_uncertainty)),
        (EXCLUSION["limits"], met(result.limits_met), met(whole.limits_met)),
        (
            EXCLUSION["verdict"],
            toned(result.verdict, common.VERDICT.get(result.verdict, result.verdict)),
            toned(whole.verdict, common.VERDICT.get(whole.verdict, whole.verdict)),
        ),
    ]
    columns = [Heading(EXCLUSION["figure"]), Heading(EXCLUSION["without"]), Heading(EXCLUSION["with"])]
    return table(number, "with-and-without", EXCLUSION["comparison"], columns, rows)
