"""Whatever comes to a history: the page of a lot whose key still holds says what it said. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from drawn_histories import HISTORY, SETTINGS, TABLES, written
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipeline.history.store import History
from pipeline.intake.tables import parse_tables
from pipeline.judge.assess import assess
from pipeline.pages.due import lot_keys
from pipeline.pages.lots_and_meters import lot_pages
from pipeline.workspace.settings import Workspace
from schemas.documents import as_json

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

LATER = {
    **TABLES,
    "lots": TABLES["lots"].replace("L5,rod,copper,S,Q", "L5,bar,copper,S,R"),
}
"""The tables of another day: one lot was registered otherwise."""


def pages(
    root: Path, steps: list[Any], tables: dict[str, str], hours: int, *, keys_alone: bool = False
) -> tuple[dict[str, str], dict[str, Any]]:
    """Return the keys of all lots, and what their pages say but for links, by lot, unless only keys are asked for."""
    place = Workspace(root, SETTINGS)
    written(place.history, steps)
    with History.open(place.history) as history:
        last = history.last_measured_at()
        as_of = None if last is None else last + timedelta(hours=hours)
        found = assess(history, SETTINGS, as_of=as_of, tables=parse_tables(tables, zone=SETTINGS.zone), withheld=False)
        said = {
            page.result.lot: (page.provenance.data_sha256, as_json(page.answer))
            for page in lot_pages(place, found, history.sources(), [] if keys_alone else None)
        }
        return lot_keys(found), said


@settings(derandomize=True, deadline=None, max_examples=20, phases=(Phase.explicit, Phase.generate))
@given(
    steps=HISTORY,
    more=HISTORY,
    hours=st.sampled_from([(0, 0), (0, 3), (30, 30)]),
    tables=st.sampled_from([TABLES, TABLES, LATER]),
)
def test_where_the_key_holds_the_page_says_the_same(
    steps: list[Any],
    more: list[Any],
    hours: tuple[int, int],
    tables: dict[str, str],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("keys")
    keys, said = pages(folder / "before" / "works", steps, TABLES, hours[0])
    after, now = pages(folder / "after" / "works", [*steps, *more[: len(more) // 3]], tables, hours[1])
    same = {lot for lot in keys if after.get(lot) == keys[lot]}
    assert {lot: now[lot] for lot in same} == {lot: said[lot] for lot in same}
    # and a key is no new one each time: the same history asked again has the same keys
    assert pages(folder / "again" / "works", steps, TABLES, hours[0], keys_alone=True)[0] == keys
