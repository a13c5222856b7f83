"""Pieces: whole enough to compute everything again, the same bytes for the same rows, untouched by the clock."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pyarrow.parquet as pq
import pytest
from demo_parts import loaded_demo
from drawn_histories import cut_by_hour

from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on
from pipeline.publish import package
from pipeline.publish.package import assessed, assessed_part, computed, pieces_of
from pipeline.workspace.files import sha256_of
from pipeline.workspace.settings import find_workspace
from schemas.company import COMPANY_TABLES, Piece
from schemas.documents import as_bytes, as_json
from schemas.page import Decision

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.judge.assessment import Assessment


class Made:
    """The demo, loaded, and its pieces with their bytes."""

    def __init__(self, root: Path) -> None:
        self.place = find_workspace(root)
        self.blobs: dict[str, bytes] = {}
        with self.history() as history:
            self.found = assess(history, self.place.settings, as_of=None)
        self.pieces, self.marks = self.cut()

    def history(self) -> History:
        return History.open(self.place.history, snapshot=False)

    def cut(
        self, found: Assessment | None = None, known: dict[str, Piece] | None = None
    ) -> tuple[tuple[Piece, ...], dict[str, Piece]]:
        self.made: list[Piece] = []

        def put(piece: Piece, data: bytes) -> None:
            assert (sha256_of(data), len(data)) == (piece.sha256, piece.bytes)
            self.made.append(piece)
            self.blobs[piece.sha256] = data

        with self.history() as history:
            return pieces_of(history, found or self.found, known or {}, put)

    def frames(self) -> dict[str, pl.DataFrame]:
        found: dict[str, list[pl.DataFrame]] = {}
        for piece in self.pieces:
            rows = pl.read_parquet(self.blobs[piece.sha256])
            assert rows.height == piece.rows
            found.setdefault(piece.table, []).append(rows)
        return {name: pl.concat(rows) for name, rows in found.items()}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return Made(loaded_demo(tmp_path_factory)[0])


class TestTheDemo:
    def test_every_lot_and_meter_is_computed_again_byte_for_byte(self, made: Made) -> None:
        again = assessed(made.frames(), made.found.as_of)
        assert len(again.lots) > 60
        assert {name: as_bytes(lot) for name, lot in again.lots.items()} == {
            name: as_bytes(lot) for name, lot in made.found.lots.items()
        }
        assert {name: as_bytes(meter) for name, meter in again.meters.items()} == {
            name: as_bytes(meter) for name, meter in made.found.meters.items()
        }
        assert as_json(dict(again.events)) == as_json(dict(made.found.events))

    def test_a_lot_alone_is_computed_again_as_among_all_others(self, made: Made) -> None:
        frames = made.frames()
        # one reading of the first lot is stated by another line for the second one: both ask for the other's readings
        first, second = sorted(made.found.lots)[:2]
        rows = frames["readings"]
        told = pl.struct("source_id", "line", "replicate")
        one = rows.filter((pl.col("lot") == first) & (pl.col("role") == "part")).head(1)
        again = one.with_columns(
            lot=pl.lit(second), line=pl.lit(999_999).cast(rows.schema["line"]), value=pl.col("value") * 1.01
        )
        both = pl.concat([rows, again]).with_columns(
            (pl.col("conflict") | told.is_in(pl.concat([one, again]).select(told).to_series().implode())).alias(
                "conflict"
            )
        )
        frames["readings"] = both.sort(COMPANY_TABLES["readings"].key)
        whole = assessed(frames, made.found.as_of)
        assert whole.lots[first].flags != made.found.lots[first].flags
        levels = [name for name, lot in whole.lots.items() if any("supplier_level" in flag for flag in lot.flags)]
        assert levels, "a lot that is flagged beside the others of its supplier needs what the site says of them"
        all_lots = computed(whole)["lots"]
        for lot in (first, second, *sorted(levels)[:2]):
            alone = assessed_part(frames, made.found.as_of, [lot], all_lots, cut_by_hour(frames["readings"]))
            assert list(alone.lots) == [lot]
            assert as_bytes(alone.lots[lot]) == as_bytes(whole.lots[lot]), lot

    def test_one_reading_less_is_noticed(self, made: Made) -> None:
        frames = made.frames()
        part = frames["readings"].filter(pl.col("role") == "part").row(0, named=True)
        frames["readings"] = frames["readings"].filter(
            ~((pl.col("source_id") == part["source_id"]) & (pl.col("line") == part["line"]))
        )
        again = assessed(frames, made.found.as_of)
        assert as_bytes(again.lots[part["lot"]]) != as_bytes(made.found.lots[part["lot"]])

    def test_the_computed_tables_say_what_the_assessment_says(self, made: Made) -> None:
        frames = made.frames()
        lots = {row["lot"]: row for row in frames["lots"].iter_rows(named=True)}
        for name, lot in made.found.lots.items():
            row = lots[name]
            assert (row["verdict"], row["mean"], row["k"], row["parts"]) == (
                lot.verdict, lot.mean, lot.coverage_factor, lot.parts,
            )  # fmt: skip
            assert row["flags"].split("\n") == list(lot.flags or [""])
            waits = (lot.verdict in ("hold", "reject") or lot.conditions) and not lot.dispositions
            assert row["open"] == bool(waits)
        meters = {row["meter"]: row for row in frames["meters"].iter_rows(named=True)}
        for name, meter in made.found.meters.items():
            assert (meters[name]["state"], meters[name]["checks"]) == (meter.state, meter.checks)
            shares = [100 * (b.last_bias or 0) / b.tolerance for b in meter.blocks if b.tolerance]
            assert meters[name]["bias_percent_of_tolerance"] == pytest.approx(max(shares, key=abs))
            assert meters[name]["serial_number"] == f"K2-00{name.removeprefix('EC-')}"
        assert frames["checks"].height == made.found.checks.height
        certified = frames["checks"].filter(pl.col("certified_value").is_not_null())
        assert (certified["mean"] - certified["certified_value"] - certified["bias"]).abs().max() < 1e-9
        assert certified["certificate_expanded_uncertainty"].null_count() == 0

    def test_every_table_that_has_rows_is_there_and_has_its_columns(self, made: Made) -> None:
        frames = made.frames()
        assert set(frames) == set(COMPANY_TABLES)
        with made.history() as history:
            counts = history.counts()
        assert frames["readings"].height == counts["reading"]
        assert frames["events"].height == counts["event"]
        assert frames["sources"].height == counts["source_file"]
        assert frames["quarantine"].height == counts["quarantine"]
        assert frames["baselines"].height == counts["baseline"]
        layouts = frames["texts"].filter(pl.col("kind") == "layout")
        assert set(frames["sources"]["layout_sha256"]) == set(layouts["sha256"])
        assert all(
            sha256_of(text.encode()) == digest for digest, text in layouts.select("sha256", "content").iter_rows()
        )

    def test_what_is_kept_gives_the_bytes_that_a_judgement_from_nothing_gives(self, made: Made) -> None:
        with made.history() as history:
            carried = carried_on(history, made.place.settings)
            assert carried is not None
            assert pieces_of(history, carried, {}, lambda _piece, _data: None) == (made.pieces, made.marks)

    def test_the_clock_alone_changes_no_piece(self, made: Made) -> None:
        """The moment of the assessment is the last reading; even a later one, stated by hand, touches meters and lots that wait alone."""
        assert made.cut()[0] == made.pieces
        with made.history() as history:
            later = assess(history, made.place.settings, as_of=made.found.as_of + timedelta(days=1))
        changed = set(made.cut(later)[0]) - set(made.pieces)
        assert {piece.table for piece in changed} <= {"meters", "lots", "brackets"}
        assert {piece.month for piece in changed} <= {"", f"{made.found.as_of:%Y-%m}"}

    def test_readings_that_are_known_are_not_written_again(self, made: Made) -> None:
        again, marks = made.cut(known=made.marks)
        assert (again, marks) == (made.pieces, made.marks)
        assert "readings" not in {piece.table for piece in made.made}
        one = dict(list(made.marks.items())[1:])
        assert made.cut(known=one)[0] == made.pieces
        assert [piece.table for piece in made.made].count("readings") == 1

    def test_an_account_stays_at_the_site(self, made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
        whole = History.event_rows

        def with_account(history: History) -> pl.DataFrame:
            secret = pl.when(pl.col("sequence") == 2).then(pl.lit("account")).otherwise("kind").alias("kind")
            return whole(history).with_columns(secret, pl.lit("a hash of a password").alias("subject"))

        monkeypatch.setattr(History, "event_rows", with_account)
        made.cut()
        events = pl.concat([pl.read_parquet(made.blobs[p.sha256]) for p in made.made if p.table == "events"])
        assert events.filter(pl.col("subject").is_null())["sequence"].to_list() == [2]
        assert events["hash"].null_count() == events["previous_hash"].null_count() == 0


class TestBytes:
    def rows(self, made: Made, table: str) -> pl.DataFrame:
        return made.frames()[table]

    @pytest.mark.parametrize("table", list(COMPANY_TABLES))
    def test_the_same_rows_in_any_order_give_the_same_bytes(self, made: Made, table: str) -> None:
        rows = self.rows(made, table)
        expected = package._bytes_of(table, rows)
        for seed in range(3):
            shuffled = rows.sample(fraction=1.0, shuffle=True, seed=seed)
            in_chunks = pl.concat([shuffled[: rows.height // 3], shuffled[rows.height // 3 :]], rechunk=False)
            assert package._bytes_of(table, in_chunks.select(sorted(rows.columns))) == expected

    def test_another_value_gives_other_bytes(self, made: Made) -> None:
        rows = self.rows(made, "readings")
        other = rows.with_columns(
            pl.when(pl.int_range(pl.len()) == 7).then(pl.col("value") + 1e-12).otherwise("value").alias("value")
        )
        assert package._bytes_of("readings", other) != package._bytes_of("readings", rows)

    def test_nothing_of_the_program_or_the_time_is_in_it(self, made: Made) -> None:
        file = pq.ParquetFile(io.BytesIO(package._bytes_of("lots", self.rows(made, "lots"))))
        assert file.metadata.created_by == "annealog"
        assert set(file.metadata.metadata or {}) <= {b"ARROW:schema"}
        assert file.read().num_rows == file.metadata.num_rows > 60
        assert file.metadata.row_group(0).column(0).compression == "ZSTD"

    def test_a_flipped_byte_is_seen_by_its_hash(self, made: Made) -> None:
        data = bytearray(package._bytes_of("lots", self.rows(made, "lots")))
        data[len(data) // 2] ^= 1
        piece = next(piece for piece in made.pieces if piece.table == "lots")
        assert sha256_of(bytes(data)) != piece.sha256


class TestStretches:
    """Files of a month lie together until they hold 50,000 readings: only the last piece of a month grows."""

    def sums(self, *files: tuple[str, int, int]) -> pl.DataFrame:
        return pl.DataFrame(
            [(*file, "x") for file in files], schema=["month", "source_id", "rows", "told"], orient="row"
        )

    def cut(self, *files: tuple[str, int, int]) -> list[tuple[str, list[int]]]:
        return [(month, part["source_id"].to_list()) for month, part in package._stretches(self.sums(*files))]

    def test_a_piece_ends_at_fifty_thousand(self) -> None:
        assert self.cut(("2026-01", 1, 49_999), ("2026-01", 2, 1), ("2026-01", 3, 1)) == [
            ("2026-01", [1, 2]), ("2026-01", [3]),
        ]  # fmt: skip
        assert self.cut(("2026-01", 1, 49_998), ("2026-01", 2, 1)) == [("2026-01", [1, 2])]
        assert self.cut(("2026-01", 1, 50_000), ("2026-01", 2, 1)) == [("2026-01", [1]), ("2026-01", [2])]

    def test_months_part_and_every_file_is_in_one_piece(self) -> None:
        files = [(f"2026-0{1 + number // 7}", number, 20_000) for number in range(20)]
        cut = self.cut(*files)
        assert [number for _, numbers in cut for number in numbers] == list(range(20))
        longer = self.cut(*files, (files[-1][0], 20, 5))
        assert longer[: len(cut) - 1] == cut[:-1], "what is full does not change when a file comes"

    def test_nothing_gives_nothing(self) -> None:
        assert self.cut() == []


def _months(table: str, rows: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    return package._months(table, rows)


def test_rows_go_to_their_month_in_utc_and_those_without_a_time_to_none() -> None:
    rows = pl.DataFrame(
        {"lot": ["a", "b", "c"], "last_at": ["2026-01-31T23:59:59.999999", "2026-02-01T00:00:00", None]}
    ).with_columns(pl.col("last_at").str.to_datetime(time_unit="us", time_zone="UTC", strict=True))
    assert {month: part["lot"].to_list() for month, part in _months("lots", rows)} == {
        "2026-01": ["a"], "2026-02": ["b"], "": ["c"],
    }  # fmt: skip
    assert list(_months("lots", rows.clear())) == list(_months("meters", rows.clear())) == []


def test_a_lot_that_waits_is_open_until_somebody_decides(made: Made) -> None:
    def is_open(**changes: Any) -> bool:
        return bool(computed(replace(made.found, lots={held.lot: replace(held, **changes)}))["lots"]["open"].item())

    held = next(lot for lot in made.found.lots.values() if lot.verdict == "hold" and not lot.dispositions)
    decided = (Decision(datetime(2026, 3, 2, tzinfo=UTC), "Ada", "use_as_is", "looked at"),)
    assert is_open()
    assert is_open(verdict="reject")
    assert not is_open(dispositions=decided)
    assert not is_open(verdict="accept", conditions=())
    assert is_open(verdict="accept", conditions=("support",))
    assert not is_open(verdict="accept", conditions=("support",), dispositions=decided)
