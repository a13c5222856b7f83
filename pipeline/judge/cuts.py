"""Where what a meter read is cut in two: at a setting, with which all that is said of its checks begins anew.

Limits of control, patterns, drift charts and precision belong to a series, which no setting outlives, and a setting ends the run of
checks: what was read before it stays judged as it was. Brackets alone reach across, from the last run that could be judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.history.found import FoundStore
    from pipeline.judge.checks import Checks

__all__ = ["AFTER", "EARLY", "LATE", "Cuts", "behind_all", "cuts_of", "no_cuts"]

_TIME = pl.Datetime("us", "UTC")
_SETTINGS = 4
EARLY = datetime(1, 1, 2, tzinfo=UTC)
LATE = datetime(9999, 12, 30, tzinfo=UTC)

AFTER = {
    **dict.fromkeys(("on_blocks", "unused"), "t.measured_at >= cuts.at"),
    **dict.fromkeys(("marks", "part_stream"), "t.measured_at >= cuts.at OR t.clock <> 'known'"),
    "checks": 't."check" > cuts."check"',
    "runs": "t.run > cuts.run",
    "meter_settings": "t.at >= cuts.at",
    "late_baselines": "true",
    "brackets": "coalesce(t.before_run, -1) >= cuts.judged OR t.unknown_clock > 0",
}
"""By table kept of meters, which rows lie behind the cut, or reach across it; without a clock that is believed all do."""


@dataclass(frozen=True, kw_only=True)
class Cuts:
    """Where meters are cut, and what stands before.

    `at` has a row a meter: meter, at (the first reading of a setting), check and run (numbers of the last ones before), parts (rows of
    parts before) and judged (number of the last run that could be judged; -1 where there is none, and then everything is behind the
    cut). `runs` are those last runs, `parts` the rows of parts read between them and the cuts.
    """

    at: pl.DataFrame
    runs: pl.DataFrame | None = None
    parts: pl.DataFrame | None = None

    def numbered_on(self, found: Checks) -> Checks:
        """Return what was found behind the cuts, numbered as if all that stands before had been looked at with it."""
        if not self.at.height:
            return found

        def on(frame: pl.DataFrame, **names: str) -> pl.DataFrame:
            known = {
                name: pl.col("meter").cast(pl.String).replace_strict(*self._of(of), default=0)
                for name, of in names.items()
            }
            return frame.with_columns(pl.col(name) + offset for name, offset in known.items())

        return replace(
            found,
            checks=on(found.checks, check="check", run="run", parts_before="parts"),
            runs=on(found.runs, run="run", parts_before="parts"),
            part_stream=on(found.part_stream, parts_before="parts"),
        )

    def _of(self, name: str) -> tuple[pl.Series, pl.Series]:
        return self.at["meter"], self.at[name]

    def behind(self, frame: pl.DataFrame, column: str) -> pl.DataFrame:
        """Return the rows of a frame by meter whose time lies behind the cut of their meter; a time of none before every one."""
        if not self.at.height:
            return frame
        since = pl.col("meter").cast(pl.String).replace_strict(*self._of("at"), default=EARLY, return_dtype=_TIME)
        return frame.filter(pl.col(column).fill_null(EARLY) >= since)


_SCHEMA: dict[str, Any] = {
    "meter": pl.String,
    "at": _TIME,
    **dict.fromkeys(("check", "run", "parts", "judged"), pl.Int64),
}


def behind_all(at: pl.DataFrame) -> tuple[datetime, datetime]:
    """Return the time behind the first of some cuts: rows of years before are left out by it before each is held against its own."""
    first = at["at"].min()
    return (first if isinstance(first, datetime) else LATE, LATE)


def no_cuts(meters: list[str]) -> Cuts:
    """Return cuts before everything."""
    return Cuts(at=pl.DataFrame([(meter, EARLY, 0, 0, 0, -1) for meter in meters], schema=_SCHEMA, orient="row"))


def cuts_of(
    store: FoundStore, before: Mapping[str, datetime], *, adjustments: pl.DataFrame, studies: list[str]
) -> Cuts:
    """Return, for each meter, the last setting before which nothing changed.

    Parameters
    ----------
    store
        Where what was found before is kept; what meters read on blocks since stands there, too.
    before
        By meter the moment from which on something is new.
    adjustments
        Recorded settings: meter, measured_at.
    studies
        Runs whose readings are those of studies.

    Returns
    -------
    Cuts
        Before everything for a meter without such a setting; with readings in relative state, or of a temperature sensor, which settings
        and checks before may speak of; and with a baseline that late readings would change.
    """
    whole = no_cuts(sorted(before))
    set_at = store.read("meter_settings", "meter", list(before), columns=["meter", "at"])
    limit = pl.col("meter").replace_strict(list(before), list(before.values()), return_dtype=_TIME)
    # the last few settings before are looked at, of all the years
    several = pl.when(pl.len() > _SETTINGS).then(pl.col("at").tail(_SETTINGS).first()).otherwise(pl.lit(EARLY, _TIME))
    since = set_at.filter(pl.col("at") < limit).sort("meter", "at").group_by("meter").agg(several.alias("at"))
    asks = store.read(
        "on_blocks", columns=["meter"], where=("t.temperature_state = 'relative' OR t.sensor IS NOT NULL", since)
    )
    late = store.read("late_baselines", columns=["meter"], where=("true", since))
    since = since.filter(~pl.col("meter").is_in([*asks["meter"], *late["meter"]]))

    def kept(name: str, at: str, *columns: str) -> pl.DataFrame:
        between = behind_all(since) if at == "measured_at" else None
        rows = store.read(name, columns=["meter", at, *columns], between=between, where=(f"t.{at} >= cuts.at", since))
        return rows.rename({at: "at"})

    study, sets, part = pl.col("run").is_in(studies), pl.col("role") == "setting", pl.lit(value=True)
    rows = [
        kept("on_blocks", "measured_at", "role", "clock", "run")
        .filter(pl.col("clock") == "known")
        .select("meter", "at", sets.alias("sets"), (study & ~sets).alias("part")),
        kept("marks", "measured_at", "clock")
        .filter(pl.col("clock") == "known")
        .select("meter", "at", (~part).alias("sets"), part.alias("part")),
        adjustments.join(since, on="meter")
        .filter(pl.col("measured_at") >= pl.col("at"))
        .select("meter", pl.col("measured_at").alias("at"), part.alias("sets"), (~part).alias("part")),
    ]
    moments = (
        pl.concat(rows)
        .group_by("meter", "at")
        .agg(pl.col("sets").all().alias("all"), pl.col("sets").any(), pl.col("part").sum().cast(pl.Int64))
        .sort("meter", "at")
    )
    # the first reading of a setting, alone at its time: behind another one it would go on with that setting
    begins = pl.col("all") & ~pl.col("sets").shift().over("meter")
    cut = moments.filter(begins & (pl.col("at") < limit)).group_by("meter").agg(pl.col("at").last().alias("cut"))
    last = (
        kept("checks", "at", "check", "run", "parts_before")
        .join(cut, on="meter")
        .filter(pl.col("at") < pl.col("cut"))
        .sort("check")
        .group_by("meter")
        .last()
    )
    # parts behind the last check; of one at the time of that check its place says nothing
    behind = moments.join(last, on="meter", suffix="_checked").filter(
        pl.col("at").is_between("at_checked", "cut", closed="left") & (pl.col("part") > 0)
    )
    more = behind.group_by("meter").agg(
        pl.col("part").sum(), (pl.col("at") == pl.col("at_checked")).any().alias("unclear")
    )
    known = last.join(more, on="meter", how="left").filter(~pl.col("unclear").fill_null(value=False))
    runs = (
        store.read("runs", where=("t.last_at >= cuts.at", since))
        .join(known.select("meter", pl.col("run").alias("_last")), on="meter")
        .filter((pl.col("run") <= pl.col("_last")) & pl.col("passed").is_not_null())
        .sort("parts_before", "run")
        .group_by("meter")
        .last()
        .drop("_last")
    )
    judged = runs.select("meter", pl.col("run").alias("judged"), pl.col("parts_before").alias("from"))
    found = known.join(judged, on="meter").select(
        "meter",
        pl.col("cut").alias("at"),
        "check",
        "run",
        (pl.col("parts_before") + pl.col("part").fill_null(0)).alias("parts"),
        "judged",
        "from",
    )
    if not found.height:
        return whole
    between = "t.clock = 'known' AND t.parts_before > cuts.\"from\" AND t.measured_at < cuts.at"
    since_run: Any = runs["first_at"].min()
    parts = store.read("part_stream", between=(since_run, LATE), where=(between, found))
    at = pl.concat([found.drop("from"), whole.at.join(found, on="meter", how="anti")])
    return Cuts(at=at, runs=runs, parts=parts)
