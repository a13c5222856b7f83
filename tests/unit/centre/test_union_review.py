"""The month of the company, and that it is the sum of its sites. Invented."""

from __future__ import annotations

from datetime import timedelta
from itertools import permutations
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_company import START, company_tables, heads, names, one_lot, several_lots
from union_rows import BLOCK, OSTROVALD, SITES, checks

from pipeline.centre.union.company import Company, together
from pipeline.centre.union.review import changed_since, company_review, revision_of
from schemas.documents import as_json

MONTH = (START.replace(day=1, hour=0), START.replace(month=7, day=1, hour=0))


def review(rows: dict[str, list[dict[str, Any]]], of: pl.DataFrame | None = None, hours: float = 24.0) -> Any:
    whole = together(heads(*SITES) if of is None else of, company_tables(**rows), names())
    return company_review(whole, "2026-06", *MONTH, program="1.0", silent_after_hours=hours)


@pytest.mark.parametrize(("hours", "silent"), [(24.0, False), (23.99, True)])
def test_a_site_is_silent_where_its_package_is_older_than_the_latest_by_more(hours: float, silent: bool) -> None:
    of = pl.concat([heads("P-001"), heads("P-002", made_at=START + timedelta(days=30), program="0.9")])
    found = review({}, of, hours)
    assert [site.silent for site in found.sites] == [silent, False]
    assert [site.other_version for site in found.sites] == [False, True]


@pytest.mark.parametrize("fast", [timedelta(0), timedelta(days=400)])
def test_a_clock_that_is_fast_makes_no_other_site_silent(fast: timedelta) -> None:
    came = START + timedelta(days=29)
    of = pl.concat([heads("P-001"), heads("P-002", made_at=came + fast, came_at=came)])
    assert [site.silent for site in review({}, of, 1.0).sites] == [False, False]


def test_the_month_names_heads_meters_events_and_rejected_lots() -> None:
    last, first = MONTH[1] - timedelta(microseconds=1), MONTH[0]
    at = {"in": first, "last": last, "before": first - timedelta(microseconds=1), "after": MONTH[1]}
    rows = {
        "lots": [
            one_lot("P-001", 1, verdict="reject") | {"last_at": when, "first_at": when, "lot": lot}
            for lot, when in at.items()
        ],
        "meters": [{"site": "P-001", "open_events": 2, "state": "suspended", "reason": "failed"}, {"site": "P-002"}],
    }
    found = review(rows)
    assert [lot.lot for lot in found.rejected] == ["P-001/in", "P-001/last"]
    assert found.lots == {"accept": 0, "hold": 0, "reject": 2, "not_assessed": 0}
    assert [(m.meter, m.state) for m in found.meters] == [("P-001/EC-01", "suspended")]
    assert found.open_events == {"P-001": 2}
    assert [(head.site, head.number) for head in found.sites] == [(site, 3) for site in SITES]


def test_a_revision_follows_from_heads_names_and_program_alone() -> None:
    base, table = heads(*SITES), names()
    same_ones = {revision_of(base[list(order)], table, "1.0") for order in permutations(range(3))}
    assert len(same_ones) == 1
    late = base.with_columns(pl.when(pl.col("site") == "P-002").then(4).otherwise("number").alias("number"))
    others = {
        revision_of(late, table, "1.0"),
        revision_of(base, table, "1.1"),
        revision_of(base, names(**OSTROVALD), "1.0"),
    }
    assert len(others | same_ones) == 4
    before, after = review({}, base), review({}, late)
    assert before.revision != after.revision
    assert changed_since(as_json(before), after) == ("P-002: package 4 where it was 3",)
    assert changed_since(as_json(before), review({}, base[:2])) == ("P-003 is gone",)
    assert changed_since(as_json(before), before) == ("tables of names of the company",)


@settings(max_examples=25, deadline=None)
@given(
    order=st.permutations(SITES), counts=st.lists(st.integers(0, 12), min_size=3, max_size=3), seed=st.integers(0, 99)
)
def test_the_union_is_the_sum_of_its_sites_in_any_order(order: list[str], counts: list[int], seed: int) -> None:
    """What is counted adds up site by site, and the order in which sites come leaves no trace, to the last bit."""
    lots = {site: several_lots(site, 58.0, n, seed=seed) for site, n in zip(SITES, counts, strict=True)}
    blocks = {site: checks(site, 58.0 + n / 10, scatter=0.01 * seed) for n, site in enumerate(SITES)}
    tables = OSTROVALD | BLOCK

    def of(*sites: str) -> Company:
        rows = company_tables(
            [x for s in sites for x in lots[s]], [x for s in sites for x in blocks[s]], [{"site": s} for s in sites]
        )
        return together(heads(*SITES).filter(pl.col("site").is_in(sites)), rows, names(**tables))

    usual, other, alone = of(*SITES), of(*order), [of(site) for site in SITES]
    for part in ("lots", "checks", "meters"):
        assert getattr(usual, part).equals(getattr(other, part))
        assert getattr(usual, part).height == sum(getattr(one, part).height for one in alone)
    first, second, *each = (
        company_review(one, "2026-06", *MONTH, program="1.0", silent_after_hours=24.0) for one in (usual, other, *alone)
    )
    assert as_json(first) == as_json(second)
    assert first.lots == {verdict: sum(one.lots[verdict] for one in each) for verdict in first.lots}
