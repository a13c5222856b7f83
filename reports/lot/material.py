"""Section of a lot page: which of the site's materials fit, and whether the lot is mixed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import compact, fixed, percent
from reports.kit.page import p_told, section
from reports.kit.tables import Heading, caption, table
from reports.lot.capability import part_name
from reports.words import general as shared
from reports.words import lot_detail as words

if TYPE_CHECKING:
    from reports.kit.tables import Numbered
    from schemas.lot_detail import GroupsDetail, MaterialDetail

__all__ = ["groups_in_words", "material_section"]

_MOST_PARTS = 400


def material_section(detail: MaterialDetail, numbered: Numbered, unit: str, decimals: int) -> Html:
    """Return the section: what the lot is entered as, what fits, whether there is more than one group, part by part."""
    say = words.SAY
    points = []
    groups = groups_in_words(detail.groups, unit, decimals)
    if detail.groups.found:
        points.append(groups)
    if detail.reason is not None:
        points.append(say["no_ranges"].format(reason=detail.reason))
    else:
        if detail.groups.found:
            points.append(say["mixed_mean"])
        points += _fit(detail, unit, decimals)
    if not detail.groups.found:
        points.append(groups)
    content: list[Html] = [element("ul", join(element("li", point) for point in points), class_="points")]
    if detail.lines:
        content += _ranges(detail, numbered, unit, decimals)
        content.append(_cautions(detail))
        content += _parts(detail, numbered, unit, decimals)
    return section("material", *content, heading=words.HEADING["material"], wide=True)


def groups_in_words(groups: GroupsDetail, unit: str, decimals: int) -> str:
    """Say whether the parts fall into groups."""
    say = words.SAY
    if groups.found is None:
        return say["groups_unknown"].format(reason=groups.reason)
    if not groups.found and not groups.possible:
        return say["no_groups"].format(p=p_told(groups.p_value))
    lower, upper = groups.lower_parts, groups.upper_parts
    fewer = lower if len(lower) <= len(upper) else upper
    told = say["groups" if groups.found else "maybe_groups"].format(
        distance=fixed((groups.upper_mean or 0.0) - (groups.lower_mean or 0.0), decimals), unit=unit,
        separation=compact(groups.separation, 2), p=p_told(groups.p_value),
        lower=shared.counted(len(lower), "part"), lower_mean=fixed(groups.lower_mean, decimals),
        upper=shared.counted(len(upper), "part"), upper_mean=fixed(groups.upper_mean, decimals),
        which=say["smaller"] if len(lower) != len(upper) else say["other"],
        parts=shared.listed([shorten(part, 24) for part in fewer], 20),
    )  # fmt: skip
    if not groups.found:
        return told
    return told + (say["groups_meters"] if groups.meters_differ else say["groups_sort"])


def _name(material: str | None, temper: str | None) -> str:
    if material is None:
        return words.SAY["no_range"]
    shown = shorten(material, 40)
    return shown if temper is None else words.SAY["which"].format(material=shown, temper=shorten(temper, 40))


def _fit(detail: MaterialDetail, unit: str, decimals: int) -> list[str]:
    say = words.SAY
    value = fixed(detail.value, decimals)
    if detail.fitting:
        found = [
            say["fits"].format(
                fitting=detail.fitting, n=len(detail.lines), value=value, unit=unit, u=fixed(detail.standard_uncertainty, decimals)
            )
        ]  # fmt: skip
    else:
        nearest = min(detail.lines, key=lambda line: line.distance)
        found = [
            say["none_fits"].format(
                value=value, unit=unit, name=_name(nearest.material, nearest.temper), distance=fixed(nearest.distance, decimals)
            )
        ]  # fmt: skip
    if detail.declared is not None:
        key = {True: "declared_fits", False: "declared_out", None: "declared_unknown"}[detail.declared_fits]
        found.append(say[key].format(declared=shorten(detail.declared, 40)))
    return found


def _cautions(detail: MaterialDetail) -> Html:
    said = [words.SAY["model"], words.SAY["caution"]] if detail.fitting else [words.SAY["caution"]]
    if any(line.example for line in detail.lines):
        said.append(words.SAY["examples"])
    return element("p", " ".join(said))


def _chance(probability: float) -> str:
    """Return a probability as whole percent; what only rounds to certainty is said to be above 99 percent."""
    return ">\u202f99\u00a0%" if probability >= 0.995 else percent(probability)


def _odds(odds: float | None) -> str:
    if odds is None or odds >= 1:
        told = compact(odds, 2) if odds is not None and odds < 1e4 else words.SAY["most_odds"]
        return words.SAY["to_one"].format(odds=told)
    return words.SAY["one_to"].format(odds=compact(1 / odds, 2) if odds > 1e-4 else words.SAY["most_odds"])


def _ranges(detail: MaterialDetail, numbered: Numbered, unit: str, decimals: int) -> list[Html]:
    column = words.COLUMN
    nearest = min(detail.lines, key=lambda line: line.distance)
    shown = [line for line in detail.lines if line.fits or line.material == detail.declared or line is nearest]
    # a probability is of one range among others that can be true: what does not fit has none
    likely = bool(detail.fitting)
    columns = [
        Heading(column["material"]), Heading(column["temper"]), Heading(column["range"], unit, "n"),
        Heading(column["fits"]), Heading(column["distance"], unit, "n"),
        *([Heading(column["probability"], kind="n"), Heading(column["odds"], kind="n")] if likely else []),
        Heading(column["source"]),
    ]  # fmt: skip
    rows = [
        (
            isolated(line.material, 40), None if line.temper is None else isolated(line.temper, 40),
            shared.FRAGMENT["span"].format(low=fixed(line.lower, decimals), high=fixed(line.upper, decimals)),
            shared.FRAGMENT["yes" if line.fits else "no"], fixed(line.distance, decimals) if line.distance else "",
            *((_chance(line.probability), _odds(line.odds)) if line.fits else ("", "") if likely else ()),
            "; ".join(said for said in (words.SAY["example"] if line.example else "", shorten(line.source or "", 160)) if said),
        )
        for line in shown
    ]  # fmt: skip
    left_out = len(detail.lines) - len(shown)
    note = words.TABLE["material_rest"].format(n=left_out) if left_out else ""
    said = words.TABLE["material" if likely else "material_none"]
    return [table(numbered.table(), "material", caption(said, note), columns, rows, row_heads=2)]


def _parts(detail: MaterialDetail, numbered: Numbered, unit: str, decimals: int) -> list[Html]:
    """List the parts by material where they are not all the same, else say so."""
    kinds = {(part.material, part.temper) for part in detail.parts}
    if len(kinds) == 1 and not detail.groups.found:
        first = next(iter(kinds))
        return [] if first[0] is None else [element("p", words.SAY["parts_alike"].format(name=_name(*first)))]
    column = words.COLUMN
    columns = [
        Heading(column["part"]), Heading(column["mean"], unit, "n"), Heading(column["likely"]),
        Heading(column["probability"], kind="n"), Heading(column["fitting"], kind="n"),
    ]  # fmt: skip
    ordered = sorted(detail.parts, key=lambda part: (part.material is None, part.material or "", part.temper or ""))
    lower, upper = detail.groups.lower_parts, detail.groups.upper_parts
    marked = set(lower if len(lower) <= len(upper) else upper) if detail.groups.found else set()
    kept = ordered[:_MOST_PARTS]
    rows = [
        (
            part_name(part.part), fixed(part.mean, decimals), _name(part.material, part.temper),
            "" if part.probability is None else _chance(part.probability), part.fitting,
        )
        for part in kept
    ]  # fmt: skip
    note = shared.FRAGMENT["rows"].format(shown=len(kept), total=len(ordered)) if len(kept) < len(ordered) else ""
    return [
        table(
            numbered.table(), "material-parts", caption(words.TABLE["material_parts"], note), columns, rows,
            marked=[part.part in marked for part in kept],
        )
    ]  # fmt: skip
