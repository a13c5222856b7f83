"""Names that say what was read: by pattern or by list a name is a block, a lot, a study or a setting; never guessed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.intake.reading import Held, HoldFile, shown
from pipeline.near import MOST_SAID, nearest, spelled

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.intake.layout_outside import Route, Routes
    from pipeline.intake.refusals import Refusals

__all__ = ["route"]


def _filled(rule: Route, name: str, listed: Mapping[str, frozenset[str]]) -> dict[str, str] | None:
    """Return what a route makes of a name, or None where it does not fit."""
    found = {rule.main: name}
    if rule.pattern is not None:
        fits = rule.pattern.fullmatch(name)
        if fits is None:
            return None
        found = {key: text for key, text in fits.groupdict().items() if text} or found
    if rule.listed is not None and found.get(rule.main) not in listed[rule.listed]:
        return None
    if rule.main == "run":
        found.setdefault("lot", found["run"])
    return {"role": rule.role, **found}


def _of_name(
    name: str, routes: Routes, listed: Mapping[str, frozenset[str]], alike: Mapping[str, str]
) -> dict[str, str] | tuple[str, str]:
    """Return what a name fills, or reason and expectation of its refusal."""
    fitting = [(rule, found) for rule in routes.rules if (found := _filled(rule, name, listed)) is not None]
    if not fitting:
        return "not_routed", "a name that a route of the layout knows"
    rule, found = fitting[0]
    lists = {other.listed for other, _ in fitting if other.listed is not None}
    if len(lists) > 1:
        return "in_two_lists", f"a name in one list; this stands among the {' and the '.join(sorted(lists))}"
    like = alike.get(spelled(found.get(rule.main, "")))
    if rule.listed is None and rule.role == "part" and like is not None:
        return "named_like_a_block", f"no lot that is written like block {like}"
    return found


def route(
    names: pl.Series,
    column: str,
    lines: pl.Series,
    routes: Routes,
    listed: Mapping[str, frozenset[str]],
    refusals: Refusals,
) -> dict[str, pl.Series]:
    """Say what was read by the names in a column.

    Parameters
    ----------
    names
        Categorical.
    column
        Its name in the file.
    lines
        Line of each.
    routes
        Of the layout.
    listed
        Names in the registers: blocks, lots, studies.
    refusals
        Takes names that no route fits, if the layout does not hold the file for them.

    Returns
    -------
    dict of polars.Series
        Categorical: the columns that the routes fill.

    Raises
    ------
    HoldFile
        For such a name, if the layout says so.
    """
    alike = {spelled(block): block for block in listed["blocks"]}
    found: dict[str, dict[str, str]] = {}
    wrong: dict[tuple[str, str], list[str]] = {}
    for name in names.unique().cast(pl.String).drop_nulls():
        said = _of_name(name, routes, listed, alike)
        if isinstance(said, dict):
            found[name] = said
            continue
        reason, expected = said
        if reason == "not_routed" and len(wrong) < MOST_SAID:
            expected += nearest(name, (one for rule in routes.rules if rule.listed for one in listed[rule.listed]))
        wrong.setdefault((reason, expected), []).append(name)
    refusals.add(names.is_null(), column, "missing_value", "a name", names)
    text = names.cast(pl.String)
    for (reason, expected), some in wrong.items():
        here = text.is_in(some)
        if routes.otherwise == "hold":
            line = int(lines[int(here.arg_true()[0])])
            listing = ", ".join(f"'{shown(one)}'" for one in some[:5])
            what = "Add a route to the layout, or enter the name in the reference table; then load the file again."
            sentence = f"Line {line}, column '{shown(column)}': expected {expected}; found {listing}."
            raise HoldFile(Held(reason, sentence, what, details=tuple(shown(one) for one in some), line=line))
        refusals.add(here, column, reason, expected, text)
    return {
        target: text.replace_strict(
            {name: said.get(target) for name, said in found.items()}, default=None, return_dtype=pl.String
        ).cast(pl.Categorical)
        if found
        else pl.Series(target, [None], dtype=pl.Categorical).new_from_index(0, names.len())
        for target in sorted(routes.fills)
    }
