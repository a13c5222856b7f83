"""The lot page shows each correction with its effect, and nothing where nothing was corrected."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
from sample_lots import lot_page

import reports
from schemas.corrections import AppliedCorrection


def applied(**given: object) -> AppliedCorrection:
    values = {
        "correction": "C-T", "kind": "thickness", "low": 0.9, "high": 1.3, "quantity_unit": "mm", "readings": 12, "value": -2.0,
        "unit": "%IACS", "expanded_uncertainty": 0.4, "coverage_factor": 2.0, "source": "stack of four <b>sheets</b>",
        "mean_before": 59.66, "mean_after": 58.5, **given,
    }  # fmt: skip
    return AppliedCorrection(**values)  # type: ignore[arg-type]


def test_a_page_without_corrections_has_no_section() -> None:
    assert 'id="corrections"' not in reports.render(lot_page("L-1"))


def test_each_correction_is_shown_with_value_before_and_after() -> None:
    page = lot_page("L-1")
    names = pl.Series("corrections", ["C-T"] * page.readings.height, dtype=pl.String)
    shown = replace(
        page,
        result=replace(
            page.result, corrections=(applied(), applied(correction="C-R", kind="curvature", low=None, high=None))
        ),
        readings=page.readings.with_columns(names),
    )
    text = reports.render(shown)
    for words in (
        "Corrections for geometry", "C-T", "from 0.9 to below 1.3 mm", "−2 %IACS", "±0.4 %IACS (k = 2)", "59.66", "58.50",
        "any", "Corrected by", "stack of four &lt;b&gt;sheets&lt;/b&gt;", "Temperature first, then geometry",
    ):  # fmt: skip
        assert words in text
    assert text == reports.render(shown)
