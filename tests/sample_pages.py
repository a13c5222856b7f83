"""Pages for tests of the reports: realistic ones and the worst that files and people can bring. Invented numbers."""

from __future__ import annotations

import dataclasses
from datetime import timedelta

import polars as pl
from sample_details import RANGES, with_detail
from sample_lots import PARTS, SPOTS, lot_page
from sample_meters import meter_page, meter_pages
from sample_texts import DAY, HOSTILE, permuted, provenance

from pipeline.judge.kept_documents import document_of, key_of
from schemas.page import Decision
from schemas.results import IndexPage, LotPage

__all__ = [
    "DAY",
    "HOSTILE",
    "detailed_pages",
    "index_page",
    "lot_page",
    "lot_pages",
    "meter_page",
    "meter_pages",
    "permuted",
]

SOFT = (
    "spots_differ_within_parts: spots of one part differ more than repeats on one spot (F = 9.812, p = 2.1e-08); "
    "look for soft spots"
)


def lot_pages() -> dict[str, LotPage]:
    """Return lots by the case they stand for."""
    looked = Decision(
        DAY + timedelta(hours=15), "N. Berg", "measured again", "meter set and checked, lot to be read again"
    )
    empty = lot_page("L-EMPTY", verdict="not_assessed", support="unsupported", limits_met=None, parts=0,
                     reasons=("No reading of this lot was loaded.",))  # fmt: skip
    out = {(6, 1): -1.3, (6, 2): -0.9}
    pages = {
        "accept": lot_page("L-1001"),
        "hold_open": lot_page("L-1002", verdict="hold", support="open", seed=3),
        "hold_suspect": lot_page("L-1003", verdict="hold", support="suspect", seed=4, dispositions=(looked,), meters=("M1", "M2")),
        "hold_unsupported_out": lot_page("L-1004", verdict="hold", support="unsupported", limits_met="out", shift=out, flags=(SOFT,)),
        "hold_undecided": lot_page("L-1005", verdict="hold", limits_met="undecided", seed=6),
        "hold_conflict": lot_page(
            "L-1006", verdict="hold", seed=8, flags=("conflicting_reexport: 2 readings that an earlier export contradicts",),
            reasons=("1 reading was exported again with another content; a person must decide which one holds.",),
        ),
        "hold_hardness": lot_page(
            "L-1007", verdict="hold", reasons=("The specification asks for a hardness result, and there is none.",)
        ),
        "reject": lot_page("L-1008", verdict="reject", limits_met="out", shift=out, flags=(SOFT,)),
        "no_limits": lot_page(
            "L-1009", verdict="not_assessed", limits_met=None, lower=None, upper=None,
            reasons=("The lot does not stand in reference/lots.csv, so no limits are known.",),
        ),
        "one_reading": lot_page(
            "L-1010", verdict="not_assessed", limits_met=None, parts=1, spots=1, repeats=1,
            reasons=("1 of 5 parts of the plan were read.",),
        ),
        "all_equal": lot_page("L-1011", scatter=0.0),
        "one_sided": lot_page("L-1012", lower=100.0, upper=None, limits_unit="%IACS"),
        "empty": dataclasses.replace(
            empty, readings=pl.DataFrame(), part_values=pl.DataFrame(), spot_values=pl.DataFrame(), brackets=pl.DataFrame(),
            checks=pl.DataFrame(), provenance=provenance(files=0),
        ),
        "many": lot_page("L-1013", parts=160, spots=6, repeats=1, shift={(80, 2): -2.4, (159, 5): 2.0}, verdict="reject", limits_met="out"),
        "hostile": lot_page(
            HOSTILE[0], verdict="hold", support="suspect", hostile=True, parts=len(HOSTILE), reasons=HOSTILE, flags=HOSTILE,
            dispositions=tuple(Decision(DAY, text, text, text) for text in HOSTILE), shift={(3, 1): -1.5},
        ),
    }  # fmt: skip
    lacking = pages["one_reading"]
    no_value = pl.col("line") == 12
    pages["without_temperature"] = dataclasses.replace(
        lacking,
        result=dataclasses.replace(
            lacking.result, lot="L-1014", reasons=("1 reading without a value at the reference temperature: no metal temperature.",),
            mean=None, minimum=None, maximum=None, expanded_uncertainty=None, contributions=(),
            not_computable=dict.fromkeys((*lacking.result.not_computable, "mean"), "no part has a value at the reference temperature"),
        ),
        readings=lacking.readings.with_columns(
            pl.when(no_value).then(pl.lit("no metal temperature")).otherwise("no_reference_reason").alias("no_reference_reason"),
            pl.when(no_value).then(None).otherwise("value_at_reference").alias("value_at_reference"),
        ),
        part_values=pl.DataFrame(schema=PARTS), spot_values=pl.DataFrame(schema=SPOTS),
    )  # fmt: skip
    return pages


def detailed_pages() -> dict[str, LotPage]:
    """Return lots with what is computed for a page, and what it must stand."""
    pages = lot_pages()
    mixed = {(i, j): -0.9 for i in (2, 5, 9, 11) for j in range(3)}
    rising = {(i, j): 0.05 * i for i in range(20) for j in range(3)}
    by_variables = lot_page("L-1017")
    found = {
        "detail": pages["accept"],
        "detail_unstable": lot_page("L-1015", parts=20, scatter=0.05, shift=rising),
        "detail_mixed": lot_page(
            "L-1016",
            parts=15,
            scatter=0.05,
            shift=mixed,
            flags=("more_than_one_group: part means fall into two groups",),
        ),
        "detail_by_variables": dataclasses.replace(
            by_variables, result=dataclasses.replace(by_variables.result, conforms_by="k_method")
        ),
        **{
            f"detail_{name}": pages[name]
            for name in ("one_reading", "all_equal", "one_sided", "many", "no_limits", "reject")
        },
    }
    ranges = tuple(
        {**RANGES[0], "material": text, "temper": text, "source": text}
        for text in HOSTILE
        if text.strip() and "\ud800" not in text
    )
    return {name: with_detail(page) for name, page in found.items()} | {
        "detail_hostile": with_detail(pages["hostile"], ranges=ranges)
    }


def index_page(*, hostile: bool = False, lots: int = 0, quiet: bool = False) -> IndexPage:
    """Return the list of the lots and meters above, or of many lots."""
    from reports import address

    found = [page.result for name, page in lot_pages().items() if hostile or name != "hostile"]
    meters = [page.result for name, page in meter_pages().items() if hostile or name != "hostile"]
    if quiet:
        found = [result for result in found if result.verdict == "accept"]
        meters = [result for result in meters if result.state == "fit" and not result.drift[0].leaves_tolerance_on]
    if lots:
        found = [
            dataclasses.replace(
                found[0], lot=f"L-{2000 + i}", verdict=("accept", "accept", "hold", "accept", "not_assessed")[i % 5]
            )
            for i in range(lots)
        ]
    return IndexPage(
        lots=tuple(found),
        meters=tuple(meters),
        lot_addresses={result.lot: address("lot", result.lot) for result in found},
        lot_keys={result.lot: key_of(document_of(result)) for result in found},
        meter_addresses={result.meter: address("meter", result.meter) for result in meters},
        files_held=HOSTILE if hostile else () if quiet else ("inbox/bench-9.csv: no layout matches its header",),
        quarantined=0 if quiet else 3,
        provenance=provenance(hostile=hostile),
        notes=HOSTILE if hostile else (),
    )
