"""Meters of which something is new, judged from the last setting before it; how the frames kept by meter are carried on."""

from __future__ import annotations

import base64
import io
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.assessment import OF_METERS, Basis, decisions_on_signals
from pipeline.judge.cuts import AFTER, EARLY, LATE, Cuts, behind_all, cuts_of, no_cuts
from pipeline.judge.kept_rows import NUMBERS, as_read, marks_in
from pipeline.judge.marks import MARK_COLUMNS, NO_MARKS, marks_of
from pipeline.judge.values.prepare import actions_of, adjustments_of, taken_by_hand, with_excluded, with_file_rank
from pipeline.metrology.block_checks import NUMBERS_OF_A_METER

if TYPE_CHECKING:
    from pipeline.history.found import FoundStore
    from pipeline.judge.grown_old import OldBrackets
    from pipeline.judge.kept_rows import Given
    from pipeline.judge.news import New

__all__ = ["CarriedMeters", "shapes_of"]

_BLOCKS_AT_ONCE = 5_000
"""Readings on blocks of a meter among which its parts are looked through at a time."""
_TICK = timedelta(microseconds=1)

_SHAPES = (*OF_METERS, "new_baselines")


def _of_meters(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame by meter with numbers that no other meter moves."""
    return frame.with_columns(pl.col(name) % NUMBERS_OF_A_METER for name in NUMBERS if name in frame.columns)


def _differing(one: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that stand in one of two frames alone."""
    told = [
        frame.select(other.columns).cast(other.schema).with_columns(pl.struct(pl.all()).hash().alias("_hash"))
        for frame in (one, other)
    ]
    return pl.concat(mine.join(theirs, on="_hash", how="anti") for mine, theirs in (told, reversed(told))).drop("_hash")


def _shape(frame: pl.DataFrame) -> str:
    """Return the columns of a frame, as text that is kept."""
    told = io.BytesIO()
    frame.clear().write_ipc(told)
    return base64.b64encode(told.getvalue()).decode()


def _of_shape(said: str) -> pl.DataFrame:
    return pl.read_ipc(base64.b64decode(said))


def shapes_of(basis: Basis) -> dict[str, str]:
    """Return the columns of all frames that are kept by meter, as text that is kept."""
    return {name: _shape(getattr(basis, name)) for name in _SHAPES}


class CarriedMeters:
    """What meters are judged from, in one judgement, and what is kept of it."""

    def __init__(self, given: Given, store: FoundStore, new: New) -> None:
        self.given, self.store, self.new = given, store, new

    def untouched(self) -> Basis:
        """Return what no meter is judged from: of all frames that are kept the columns alone."""
        given = self.given
        nothing = pl.DataFrame()
        return Basis(
            settings=given.settings,
            as_of=given.as_of,
            tables=given.tables,
            readings=nothing,
            study_readings=nothing,
            **{name: _of_shape(said) for name, said in self.store.noted()["shapes"].items()},
            signal_decisions=decisions_on_signals(given.events),
            by_hand=taken_by_hand(given.sources),
            exclusions=given.exclusions,
            actions=actions_of(given.events).filter(pl.col("measured_at") <= given.as_of),
            all_lots=None,
        )

    def touched(self) -> tuple[Basis, pl.DataFrame, Cuts]:
        """Return what the touched meters are judged from, and the marks of their parts, behind cuts; what they read on blocks is kept."""
        from pipeline.judge.assess import basis_of

        given, new, kept = self.given, self.new, NO_MARKS
        names = sorted(new.first)
        rows = given.history.readings(roles=["block", "setting"], after=new.after, categorical=True)
        cuts = no_cuts(names)
        if names or new.everything:  # else nothing was read
            self.store.put("on_blocks", "meter", None, rows)
            nowhere = given.history.parts_without_lot(new.after, given.studies)
            self.store.put("files_of_lots", "lot", None, nowhere.with_columns(pl.lit("").alias("lot")))
        if names and not new.everything:
            cuts = self._cuts(rows)
            behind = self.store.read(
                "on_blocks", "meter", between=behind_all(cuts.at), where=(AFTER["on_blocks"], cuts.at)
            )
            rows = as_read(behind, rows.schema)
            kept = marks_in(self.store, where=(AFTER["marks"], cuts.at))
        marks = [
            self._marks(meter, *(frame.filter(pl.col("meter") == meter) for frame in (rows, kept))) for meter in names
        ]
        every = pl.concat([NO_MARKS, *marks])
        basis = basis_of(
            rows,
            given.tables,
            given.settings,
            as_of=given.as_of,
            events=given.events,
            sources=given.sources,
            baselines=given.history.baselines().filter(pl.col("meter").is_in(names)),
            marks=given.ranked(every),
            cuts=cuts,
        )
        return basis, every, cuts

    def _cuts(self, new_rows: pl.DataFrame) -> Cuts:
        """Return where the touched meters are cut: before all that is new of them, by a clock that is not believed, too."""
        new = self.new
        limits = {meter: min(at or LATE, new.before + _TICK) for meter, at in new.first.items()}
        read = new_rows.group_by(pl.col("meter").cast(pl.String)).agg(pl.col("measured_at").min()).iter_rows()
        for meter, at in (*read, *new.pending.items()):
            limits[meter] = min(limits[meter], at)
        recorded = adjustments_of(self.given.events).filter(pl.col("measured_at") <= self.given.as_of)
        return cuts_of(self.store, limits, adjustments=recorded, studies=self.given.studies)

    def _marks(self, meter: str, on_blocks: pl.DataFrame, kept: pl.DataFrame) -> pl.DataFrame:
        """Return where the parts of a meter stand; the lots whose readings were looked at for it are to be judged."""
        given, new = self.given, self.new
        first, since, again = new.first[meter], EARLY, list[pl.DataFrame]()
        if not new.everything:
            # from the last reading on a block before the new ones on; at one time the order of the export decides
            earlier = on_blocks.filter((pl.col("clock") == "known") & (pl.col("measured_at") < (first or EARLY)))
            clear = earlier.join(kept, on="measured_at", how="anti")["measured_at"].max()
            since = LATE if first is None else clear if isinstance(clear, datetime) else EARLY
        for first_at, last_at in self._windows(meter, on_blocks, since):
            rows = given.history.readings(
                meters=[meter], between=(first_at, last_at), believed=True, columns=MARK_COLUMNS, categorical=True
            )
            again.append(self._marks_of(rows))
        unknown = given.history.readings(
            meters=[meter], after=new.after, believed=False, columns=MARK_COLUMNS, categorical=True
        )
        again.append(self._marks_of(unknown))
        before = kept.filter((pl.col("clock") != "known") | (pl.col("measured_at") < since))
        return pl.concat([before, *again])

    def _marks_of(self, rows: pl.DataFrame) -> pl.DataFrame:
        given = self.given
        self.new.lots.update(rows["lot"].drop_nulls().unique().cast(pl.String))
        rows = with_file_rank(with_excluded(rows, given.exclusions), given.sources)
        return marks_of(rows, at_hand=[], studies=given.studies)

    def _windows(self, meter: str, on_blocks: pl.DataFrame, since: datetime) -> list[tuple[datetime, datetime]]:
        """Return the time from a moment on in pieces, each begun by a reading on a block beside which no part was read."""
        on_blocks = on_blocks.filter((pl.col("clock") == "known") & (pl.col("measured_at") > since))
        ask = self.given.history.readings
        cuts = [since] + [
            at
            for at in on_blocks["measured_at"].unique().sort().gather_every(_BLOCKS_AT_ONCE, _BLOCKS_AT_ONCE)
            if not ask(meters=[meter], roles=["part"], between=(at, at), columns=["lot"]).height
        ]
        return [(cut, after - _TICK) for cut, after in pairwise([*cuts, LATE + _TICK])]

    def changed_around(self, basis: Basis, cuts: Cuts) -> set[str]:
        """Return the lots around which other runs stand than before, or other checks up to their closing run."""
        if not self.new.first:
            return set()
        compared = ("checks", "meter_settings", "brackets")
        was = {name: self.store.read(name, "meter", where=(AFTER[name], cuts.at)) for name in compared}
        now = {name: _of_meters(getattr(basis, name)) for name in was}
        lots = set(_differing(was["brackets"], now["brackets"])["lot"])
        checks = _differing(was["checks"], now["checks"])
        moved = pl.concat(
            [
                checks.select("meter", pl.col("first_at").alias("at")),
                _differing(was["meter_settings"], now["meter_settings"]).select("meter", "at"),
            ]
        )
        since = moved.group_by("meter").agg(pl.col("at").min().alias("since"))
        around = now["brackets"].join(since, on="meter", how="left")
        lots |= set(around.filter(pl.max_horizontal("after_at", "last_at") > pl.col("since"))["lot"])
        for side in ("before_run", "after_run"):
            runs = checks.select("meter", pl.col("run").alias(side)).unique()
            lots |= set(around.join(runs, on=["meter", side], how="semi")["lot"])
        return lots | set(around.filter(pl.col("support") == "open")["lot"])

    def keep(self, basis: Basis, marks: pl.DataFrame, cuts: Cuts, old: OldBrackets) -> None:
        """Keep what was found of meters behind their cuts, and the brackets that waited."""
        frames = {**{name: _of_meters(getattr(basis, name)) for name in OF_METERS}, "marks": marks}
        for name, frame in frames.items():
            at = cuts.at
            if name == "brackets" and old.at.height:
                at, frame = (
                    pl.concat([at, old.at]),
                    pl.concat([frame, old.rows.select(frame.columns).cast(frame.schema)]),
                )
            if at.height or self.new.everything:
                self.store.put(name, "meter", at["meter"].to_list(), frame, where=(AFTER[name], at))
