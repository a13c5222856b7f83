"""Pages of gauge studies for tests of the reports. Invented numbers."""

from __future__ import annotations

import dataclasses
from datetime import timedelta
from functools import cache
from typing import Any

import numpy as np
import polars as pl
from sample_texts import HOSTILE, provenance, text_or_hostile
from scenario import Scenario, at

from pipeline.questions.studies.studies import studies
from schemas.studies import StudyPage

__all__ = ["study_pages"]

_SOURCES = pl.DataFrame(
    {"source_id": [1], "sha256": ["ab" * 32], "name": ["study.csv"]}, schema_overrides={"source_id": pl.Int32}
)


@cache  # two seconds for all of them, and many tests ask
def _study(
    shape: tuple[int, int, int],
    *,
    kind: str = "crossed",
    tolerance: str = "3,MS/m",
    spread: float = 0.02,
    lacking: bool = False,
    hostile: bool = False,
) -> StudyPage:
    rng = np.random.default_rng(sum(shape))
    scenario = Scenario(studies=f"run,kind,material,tolerance,unit\nG1,{kind},copper,{tolerance}\n")
    scenario.check("07:00")
    parts, operators, _ = shape
    cube = (
        58.4 + 0.2 * rng.normal(size=(parts, 1, 1)) + spread * rng.normal(size=(1, operators, 1)) + 0.03 * rng.normal(size=shape)
    )  # fmt: skip
    for number, (part, operator, repeat) in enumerate(np.ndindex(shape)):
        given: dict[str, Any] = {"temperature_c": None} if lacking and number % 7 == 0 else {}
        scenario.reading(
            at("08:00") + timedelta(seconds=20 * number), float(cube[part, operator, repeat]), lot="G1",
            part=text_or_hostile(hostile, f"P{part}", part) or "empty", operator=text_or_hostile(hostile, f"op{operator}", operator + 3),
            run="G1", **given,
        )  # fmt: skip
    found = studies(scenario.assess(), [], _SOURCES)
    result, readings, _ = found["G1"]
    if hostile:
        result = dataclasses.replace(
            result,
            study=HOSTILE[0],
            reasons=HOSTILE,
            cautions=HOSTILE,
            not_computable={"percent_of_tolerance": HOSTILE[1]},
        )
    return StudyPage(result, readings, provenance(hostile=hostile))


def study_pages() -> dict[str, StudyPage]:
    """Return studies by the case they stand for."""
    return {
        "usable": _study((10, 3, 3)),
        "not usable": _study((10, 3, 3), tolerance="0.3,MS/m", spread=0.2),
        "without tolerance": _study((6, 6, 2), tolerance=","),
        "nested": _study((5, 2, 2), kind="nested"),
        "one operator": _study((5, 1, 3)),
        "incomplete": _study((5, 3, 2), lacking=True),
        "empty": _study((0, 0, 0)),
        "hostile": _study((12, 3, 2), hostile=True),
    }
