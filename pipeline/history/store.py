"""What the history holds: files and readings, quarantine, events, reference tables, baselines. Every query is here."""

from __future__ import annotations

import hashlib
import json
import logging
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, cast

import polars as pl

from pipeline.errors import IntegrityProblem, UsageError
from pipeline.history.accounts import KIND as ACCOUNT
from pipeline.history.accounts import key_of
from pipeline.history.chain import Event, event_hash, signature_in_force
from pipeline.history.database import Database, naive, with_utc
from pipeline.history.journal import Journal, follows
from schemas.tables import BASELINE, EVENT, FATES, READING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pipeline.history.chain import Signature

__all__ = ["History"]

SLOT_COLUMNS = (
    "meter", "measured_at", "sequence", "role", "part", "spot", "occurrence", "value", "unit", "temperature_c",
    "temperature_state", "lot", "block", "non_reading", "count", "standard_deviation",
)  # fmt: skip
"""Columns of stored readings that decide whether a reading of a new file is already there."""

_OF_PRODUCTION = "(run IS NULL OR run NOT IN (SELECT unnest(?::VARCHAR[])))"
"""Holds for readings outside studies, whose runs are the parameter."""
_BATCH = 250_000
"""Rows fetched at a time: their text stands in memory twice before it becomes categories."""
_ABOUT = ("lot", "event", "meter", "block", "at", "sha256", "line", "stream")
"""What tells the thing that a decision is about."""
_log = logging.getLogger(__name__)

_READ_COLUMNS = tuple(f'"{name}"' for name in READING.names)


class History(Database):
    """The history of a workspace.

    Use :meth:`open` as a context manager; a history opened to read never creates or changes a file.
    """

    # -- the whole, for snapshots and comparisons ---------------------------------------------------------------

    def table_names(self) -> list[str]:
        """Return the names of all tables."""
        return [row[0] for row in self._run("SELECT table_name FROM information_schema.tables ORDER BY 1")]

    def table(self, name: str, *, after: int = 0, to: int | None = None) -> pl.DataFrame:
        """Return a table as stored; of `reading` the rows of the files numbered above `after`, up to `to`.

        Times are in UTC without a zone, as in the file.
        """
        if name not in self.table_names():
            raise ValueError(f"no table {name!r}")
        query, parameters = f'SELECT * FROM "{name}"', []
        if name == "reading":
            query += " WHERE source_id > ? AND source_id <= ? ORDER BY source_id, line, replicate"
            parameters = [after, 2**31 - 1 if to is None else to]
        with self._readable():
            found: pl.DataFrame = self._connection.sql(query, params=parameters).pl()
        return found

    def counts(self) -> dict[str, int]:
        """Return the number of rows of each table."""
        return {name: int((self._one(f'SELECT count(*) FROM "{name}"') or (0,))[0]) for name in self.table_names()}

    def first_hash(self) -> str:
        """Return the hash of the first event, which no other history has; empty where there is none."""
        row = self._one('SELECT hash FROM event ORDER BY "sequence" LIMIT 1')
        return "" if row is None else str(row[0])

    def last_source_id(self) -> int:
        """Return the number of the file loaded last, 0 where there is none."""
        return int((self._one("SELECT coalesce(max(source_id), 0) FROM source_file") or (0,))[0])

    def readings_up_to(self, source_id: int) -> int:
        """Return how many readings the files up to a number hold."""
        return int((self._one("SELECT count(*) FROM reading WHERE source_id <= ?", [source_id]) or (0,))[0])

    def state(self) -> str:
        """Return a text that differs whenever anything that decides what is said differs."""
        parts = [
            # notes and accounts say nothing of the record
            self._one(
                "SELECT \"sequence\", hash FROM event WHERE kind NOT IN ('kept', 'verified', 'account', 'brought') ORDER BY \"sequence\" DESC LIMIT 1"
            ),
            self._run("SELECT sha256, held_at::VARCHAR FROM held_file ORDER BY ALL"),
            self._run("SELECT state, count(*) FROM quarantine GROUP BY 1 ORDER BY 1"),
            sorted((name, count) for name, count in self.counts().items() if name != "event"),
        ]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()

    def next_measured_after(self, moment: datetime) -> datetime | None:
        """Return the time of the first reading after a moment."""
        row = self._one("SELECT min(measured_at) FROM reading WHERE measured_at > ?", [naive(moment)])
        return None if row is None or row[0] is None else row[0].replace(tzinfo=UTC)

    # -- what a site publishes ----------------------------------------------------------------------------------

    def ledger(self) -> pl.DataFrame:
        """Return the ledger with the hash of each layout in the place of its text."""
        return self._frame("SELECT * EXCLUDE layout_text, sha256(layout_text) AS layout_sha256 FROM source_file")

    def texts_taken_over(self) -> pl.DataFrame:
        """Return every text of tables and settings, and every layout that a file was read by."""
        return self._frame(
            "SELECT 'reference' AS kind, name, \"sequence\", sha256, content, recorded_at FROM reference_text UNION ALL "
            "SELECT 'layout', layout, min(source_id)::BIGINT, sha256(layout_text), layout_text, min(loaded_at) "
            "FROM source_file GROUP BY layout, layout_text"
        )

    def reading_sums(self) -> pl.DataFrame:
        """Return, by month (UTC) and file, in order: how many readings there are, and a sum that tells them from others."""
        return self._frame(
            "SELECT strftime(measured_at, '%Y-%m') AS month, source_id, count(*) AS rows, sum(hash(r))::VARCHAR AS told "
            "FROM reading r GROUP BY 1, 2 ORDER BY 1, 2"
        )

    def readings_of_files(self, month: str, source_ids: Sequence[int]) -> pl.DataFrame:
        """Return the readings of one month in some files, whose numbers lie close together."""
        return self._frame(
            # a range of times lets DuckDB skip whole row groups
            "SELECT * FROM reading WHERE source_id BETWEEN ? AND ? "
            "AND measured_at >= ?::TIMESTAMP AND measured_at < ?::TIMESTAMP + INTERVAL 1 MONTH",
            [min(source_ids), max(source_ids), *[f"{month}-01"] * 2],
        )

    # -- files and readings -------------------------------------------------------------------------------------

    def source(self, sha256: str) -> dict[str, Any] | None:
        """Return the ledger row of a file by its hash, or None."""
        frame = self._frame("SELECT * EXCLUDE layout_text FROM source_file WHERE sha256 = ?", [sha256])
        return frame.row(0, named=True) if frame.height else None

    def source_ids(self, hashes: Iterable[str]) -> list[int]:
        """Return the numbers of files by their hashes."""
        return [
            row[0]
            for row in self._run("SELECT source_id FROM source_file WHERE sha256 IN (SELECT unnest(?))", [list(hashes)])
        ]

    def sources(self) -> pl.DataFrame:
        """Return the ledger, in order of loading."""
        return self._frame("SELECT * EXCLUDE layout_text FROM source_file ORDER BY source_id")

    def stored_slots(self, new: pl.DataFrame) -> pl.DataFrame:
        """Return the stored readings at the meters and times of a new file, reduced to `SLOT_COLUMNS`.

        Cheap for a small file beside a big history: the range of times lets DuckDB skip whole row groups.
        """
        columns = ", ".join(f'r."{name}"' for name in SLOT_COLUMNS)
        low, high = new["measured_at"].min(), new["measured_at"].max()
        nothing = f"SELECT {columns} FROM reading r LIMIT 0"
        if low is None or high is None:
            return self._frame(nothing)
        span = [naive(cast("datetime", low)), naive(cast("datetime", high))]
        # most files are newer than all that is stored; then no keys are needed
        if not self._run("SELECT 1 FROM reading WHERE measured_at BETWEEN ? AND ? LIMIT 1", span):
            return self._frame(nothing)
        keys = new.select("meter", "measured_at").unique()
        with self._registered("keys", keys.with_columns(pl.col("meter").cast(pl.String))):
            return self._frame(
                f"SELECT {columns} FROM reading r SEMI JOIN keys k ON r.meter = k.meter AND r.measured_at = k.measured_at "
                "WHERE r.measured_at BETWEEN ? AND ?",
                span,
            )

    def add_file(self, ledger: dict[str, Any], readings: pl.DataFrame, quarantine: pl.DataFrame) -> int:
        """Store a file: ledger row, readings and quarantine. Call inside a transaction; return its number.

        Parameters
        ----------
        ledger
            Columns of `source_file` but `source_id`; the balance of lines is checked by the table itself.
        readings
            Columns of `schemas.tables.READING` (missing ones become null), with `occurrence` and `conflict`.
        quarantine
            Columns of `schemas.tables.QUARANTINE`.
        """
        balance = sum(int(ledger[fate]) for fate in FATES)
        if balance != ledger["lines"]:
            raise IntegrityProblem(
                f"{ledger['name']}: {ledger['lines']} lines, but {balance} by fate. Nothing was loaded."
            )
        source_id = int((self._one("SELECT coalesce(max(source_id), 0) + 1 FROM source_file") or (1,))[0])
        row = pl.DataFrame([{"source_id": source_id, **ledger}], infer_schema_length=None)
        self._insert("source_file", row)
        self._insert("reading", readings.with_columns(pl.lit(source_id, dtype=pl.Int32).alias("source_id")))
        first = int((self._one("SELECT coalesce(max(quarantine_id), 0) + 1 FROM quarantine") or (1,))[0])
        self._insert(
            "quarantine",
            quarantine.with_row_index("quarantine_id", offset=first).with_columns(
                pl.lit(source_id).alias("source_id"), pl.lit("new").alias("state")
            ),
        )
        self._run("DELETE FROM held_file WHERE sha256 = ?", [ledger["sha256"]])
        return source_id

    def copy_file(self, other: History, sha256: str) -> None:
        """Store a file as another history holds it, where it does. Call inside a transaction."""
        for table in ("source_file", "reading", "quarantine"):
            query = f"SELECT * FROM {table} WHERE source_id = (SELECT source_id FROM source_file WHERE sha256 = ?)"
            self._insert(table, other._frame(query, [sha256]))

    def readings(
        self,
        *,
        lots: Iterable[str] | None = None,
        meters: Iterable[str] | None = None,
        roles: Iterable[str] | None = None,
        runs: Iterable[str] | None = None,
        sensors: Iterable[str] | None = None,
        between: tuple[datetime, datetime] | None = None,
        after: int | None = None,
        believed: bool | None = None,
        columns: Sequence[str] | None = None,
        categorical: bool = False,
    ) -> pl.DataFrame:
        """Return stored readings with `source_id`, `conflict`, `occurrence`; none of the filters means all.

        `between` are the first and the last time of measuring; `after` leaves out the files up to that number; `believed`
        asks for those alone whose clock is believed, or is not.

        Not sorted: the computations sort by their own keys. With `categorical` the text columns but `remark` come as
        categories, for computations over millions of rows.
        """
        names = ", ".join(
            [f'"{name}"' for name in columns]
            if columns is not None
            else ["source_id", *_READ_COLUMNS, "occurrence", "conflict"]
        )
        conditions: list[str] = []
        parameters: list[Any] = []
        for column, values in (("lot", lots), ("meter", meters), ("role", roles), ("run", runs), ("sensor", sensors)):
            if values is not None:
                conditions.append(f"{column} IN (SELECT unnest(?))")
                parameters.append(list(values))
        if between is not None:
            conditions.append("measured_at BETWEEN ? AND ?")
            parameters += [naive(moment) for moment in between]
        if after is not None:
            conditions.append("source_id > ?")
            parameters.append(after)
        if believed is not None:
            conditions.append(f"clock {'=' if believed else '<>'} 'known'")
        where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
        if categorical:
            return self._as_categories(names, where, parameters)
        return self._frame(f"SELECT {names} FROM reading{where}", parameters)

    def _as_categories(self, names: str, where: str, parameters: Sequence[Any]) -> pl.DataFrame:
        """Fetch readings batch by batch, text as categories, and columns without any value as one null each.

        Few distinct texts stand in many rows: codes are copied, grouped and joined many times faster than text. Half the
        columns of most histories are empty; a column made of one null takes no room however often the frame is copied.
        """
        wanted = names.split(", ")
        filled = self._run(f"SELECT {', '.join(f'count({name})' for name in wanted)} FROM reading{where}", parameters)[
            0
        ]
        present = [name for name, count in zip(wanted, filled, strict=True) if count]
        if not present:
            frame = self._frame(f"SELECT {names} FROM reading{where}", parameters)
            return frame.with_columns(pl.col(pl.String).exclude("remark").cast(pl.Categorical))
        relation = self._connection.sql(f"SELECT {', '.join(present)} FROM reading{where}", params=list(parameters))
        with self._readable():
            batches = [
                with_utc(cast("pl.DataFrame", pl.from_arrow(batch))).with_columns(
                    pl.col(pl.String).exclude("remark").cast(pl.Categorical)
                )
                for batch in relation.to_arrow_reader(_BATCH)
            ]
        frame = pl.concat(batches)
        empty: dict[str, Any] = READING.polars_schema | {"source_id": pl.Int32}
        lacking = [name.strip('"') for name in wanted if name not in present]
        return frame.with_columns(
            pl.lit(None, pl.Categorical if empty[name] == pl.String and name != "remark" else empty[name]).alias(name)
            for name in lacking
        ).select(name.strip('"') for name in wanted)

    def lots_that_contradict(self, lots: Iterable[str]) -> list[str]:
        """Return some lots with those that have a reading at the meter and time of a contradicted one of theirs."""
        names = sorted(set(lots))
        if self._one("SELECT 1 FROM reading WHERE conflict LIMIT 1") is None:
            return names
        rows = self._run(
            "WITH c AS (SELECT DISTINCT meter, measured_at FROM reading WHERE conflict), "
            "o AS (SELECT r.lot, r.meter, r.measured_at FROM reading r JOIN c USING (meter, measured_at)) "
            "SELECT DISTINCT a.lot FROM o a SEMI JOIN (SELECT * FROM o WHERE lot IN (SELECT unnest(?))) b "
            "ON a.meter = b.meter AND a.measured_at = b.measured_at WHERE a.lot IS NOT NULL",
            [names],
        )
        return sorted({*names, *(row[0] for row in rows)})

    def last_measured_at(self, *, before: datetime | None = None) -> datetime | None:
        """Return the time of the last reading whose clock is believed, of all or of those before a moment."""
        row = self._one(
            "SELECT max(measured_at) FROM reading WHERE clock = 'known' AND (?::TIMESTAMP IS NULL OR measured_at < ?)",
            [None if before is None else naive(before)] * 2,
        )
        return None if row is None or row[0] is None else row[0].replace(tzinfo=UTC)

    def lots_and_meters_of(self, source_ids: Iterable[int]) -> tuple[list[str], list[str]]:
        """Return the lots and the meters that some files touched."""
        ids = list(source_ids)
        lots = self._run(
            "SELECT DISTINCT lot FROM reading WHERE source_id IN (SELECT unnest(?)) AND lot IS NOT NULL ORDER BY lot",
            [ids],
        )
        meters = self._run(
            "SELECT DISTINCT meter FROM reading WHERE source_id IN (SELECT unnest(?)) ORDER BY meter", [ids]
        )
        return [row[0] for row in lots], [row[0] for row in meters]

    def first_of_meters(self, after: int) -> list[tuple[str, datetime | None]]:
        """Return, of the files above a number, each meter and its first reading whose clock is believed."""
        rows = self._run(
            "SELECT meter, min(measured_at) FILTER (clock = 'known') FROM reading WHERE source_id > ? GROUP BY 1",
            [after],
        )
        return [(meter, None if at is None else at.replace(tzinfo=UTC)) for meter, at in rows]

    def lots_of(self, after: int, studies: Iterable[str]) -> list[str]:
        """Return the lots of which the files above a number have part readings; those of studies make no lot."""
        rows = self._run(
            "SELECT DISTINCT lot FROM reading WHERE source_id > ? AND role = 'part' AND lot IS NOT NULL "
            f"AND {_OF_PRODUCTION}",
            [after, list(studies)],
        )
        return [row[0] for row in rows]

    def meters_of(self, after: int, studies: Iterable[str]) -> list[str]:
        """Return the meters of which the files above a number have readings outside studies."""
        rows = self._run(
            f"SELECT DISTINCT meter FROM reading WHERE source_id > ? AND (role = 'setting' OR {_OF_PRODUCTION})",
            [after, list(studies)],
        )
        return [row[0] for row in rows]

    def sensors(self, studies: Iterable[str]) -> list[str]:
        """Return the temperature sensors that stand on readings of parts outside studies."""
        rows = self._run(
            f"SELECT DISTINCT sensor FROM reading WHERE role = 'part' AND sensor IS NOT NULL AND {_OF_PRODUCTION}",
            [list(studies)],
        )
        return [row[0] for row in rows]

    def parts_without_lot(self, after: int, studies: Iterable[str]) -> pl.DataFrame:
        """Return how many part readings of the files above a number name no lot: source_id, n."""
        return self._frame(
            "SELECT source_id, count(*) AS n FROM reading WHERE source_id > ? AND role = 'part' AND lot IS NULL "
            f"AND {_OF_PRODUCTION} GROUP BY 1",
            [after, list(studies)],
        )

    def first_file(
        self, meter: str, role: str, start: datetime, end: datetime, *, studies: Iterable[str] = ()
    ) -> int | None:
        """Return the number of the first file with a reading of a meter in some role within a time, ends included."""
        row = self._one(
            "SELECT min(source_id) FROM reading WHERE meter = ? AND role = ? AND measured_at BETWEEN ? AND ? "
            f"AND {_OF_PRODUCTION}",
            [meter, role, naive(start), naive(end), list(studies)],
        )
        return None if row is None or row[0] is None else int(row[0])

    def all_meters(self) -> list[str]:
        """Return every meter with a reading."""
        return [row[0] for row in self._run("SELECT DISTINCT meter FROM reading ORDER BY 1")]

    def all_lots(self) -> list[str]:
        """Return every lot with a reading."""
        return [row[0] for row in self._run("SELECT DISTINCT lot FROM reading WHERE lot IS NOT NULL ORDER BY 1")]

    # -- held files and quarantine ------------------------------------------------------------------------------

    def hold_file(self, sha256: str, name: str, size: int, reason: str, sentence: str, at: datetime) -> bool:
        """Record a file that was not loaded, in the place of what was said of the same bytes; whether that is anything new."""
        said = (name, size, reason, sentence)
        if self._one("SELECT name, size, reason, sentence FROM held_file WHERE sha256 = ?", [sha256]) == said:
            return False
        self._run("DELETE FROM held_file WHERE sha256 = ?", [sha256])
        self._run("INSERT INTO held_file VALUES (?, ?, ?, ?, ?, ?)", [sha256, *said, naive(at)])
        return True

    def held_files(self) -> pl.DataFrame:
        """Return files that wait for a layout or a repair."""
        return self._frame("SELECT * FROM held_file ORDER BY name, sha256")

    def held_up_to(self, size: int) -> list[tuple[str, str]]:
        """Return name and hash of held files that are no larger than a size in bytes."""
        return self._run("SELECT name, sha256 FROM held_file WHERE size <= ? ORDER BY name, sha256", [size])

    def release_held(self, sha256: Iterable[str]) -> None:
        """Hold some files no more."""
        self._run("DELETE FROM held_file WHERE sha256 IN (SELECT unnest(?))", [list(sha256)])

    def quarantine(self, *, states: Iterable[str] | None = None) -> pl.DataFrame:
        """Return refused lines with the file they came from."""
        where = "" if states is None else " WHERE q.state IN (SELECT unnest(?))"
        return self._frame(
            "SELECT q.*, s.name AS file, s.sha256 FROM quarantine q JOIN source_file s USING (source_id)"
            f"{where} ORDER BY q.quarantine_id",
            [] if states is None else [list(states)],
        )

    def readings_of(self, source_id: int) -> pl.DataFrame:
        """Return the stored readings of one file."""
        return self._frame(f"SELECT {', '.join(_READ_COLUMNS)} FROM reading WHERE source_id = ?", [source_id])

    def add_replayed(
        self,
        source_id: int,
        readings: pl.DataFrame,
        *,
        lines: int,
        duplicates: int,
        layout_version: int,
        layout_text: str,
    ) -> None:
        """Store readings of lines that were refused before. Call inside a transaction; the ledger stays balanced."""
        self._insert("reading", readings.with_columns(pl.lit(source_id, dtype=pl.Int32).alias("source_id")))
        self._run(
            "UPDATE source_file SET accepted = accepted + ?, duplicate = duplicate + ?, quarantined = quarantined - ?, "
            "readings = readings + ?, conflicts = conflicts + ?, layout_version = ?, layout_text = ? WHERE source_id = ?",
            [
                lines - duplicates,
                duplicates,
                lines,
                readings.height,
                int(readings["conflict"].sum()),
                layout_version,
                layout_text,
                source_id,
            ],
        )

    def mark_quarantine(self, quarantine_ids: Iterable[int], state: str, by: str, why: str) -> None:
        """Mark refused lines as replayed or discarded; the rows stay."""
        self._run(
            "UPDATE quarantine SET state = ?, decided_by = ?, decided_why = ? WHERE quarantine_id IN (SELECT unnest(?))",
            [state, by, why, list(quarantine_ids)],
        )

    # -- events -------------------------------------------------------------------------------------------------

    def append_event(
        self, kind: str, subject: dict[str, Any], *, by: str, why: str, at: datetime | None = None
    ) -> Event:
        """Append an event to the chain, as of now unless told otherwise. Call inside a transaction.

        Raises
        ------
        UsageError
            If it is signed, and somebody decided on the same thing since the signer looked, or the account was closed or
            changed since its password was given.
        """
        sequence, previous = self._take_notes()
        signature = signature_in_force(by)
        if signature is not None:
            self._still_as_seen(kind, subject, signature)
            subject = {**subject, "signed": signature.stated()}
        text = json.dumps(subject, sort_keys=True, ensure_ascii=False, allow_nan=False)
        moment = (at or datetime.now(UTC)).astimezone(UTC)
        before = self._one('SELECT max("at") FROM event')
        if before is not None and before[0] is not None and naive(moment) < before[0]:
            _log.warning(
                "The clock of this computer stands before the last event (%s UTC); was it set back? Events keep their "
                "order by number, not by time. Check the clock.",
                f"{before[0]:%Y-%m-%d %H:%M:%S}",
            )
        digest = event_hash(sequence, moment, kind, text, by, why, previous)
        self._run(
            "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [sequence, naive(moment), kind, text, by, why, previous, digest],
        )
        event = Event(sequence, moment, kind, subject, by, why, previous, digest)
        if signature is not None:
            signature.events.append(event)
        return event

    def _still_as_seen(self, kind: str, subject: dict[str, Any], signature: Signature) -> None:
        for event in self._events('WHERE "sequence" > ? AND kind = ?', [signature.stated_by, ACCOUNT]):
            if event not in signature.events and key_of(str(event.subject.get("name"))) == key_of(signature.account):
                raise UsageError(
                    f"The account of {signature.account} was closed or changed meanwhile, by {event.by} ({event.why}). "
                    "Nothing of this was recorded."
                )
        if not any(key in subject for key in _ABOUT):
            return  # rows of tables, refused lines: whoever adds or discards them looks at what is there now
        for event in self._events('WHERE "sequence" > ? AND kind = ?', [signature.seen, kind]):
            if event not in signature.events and all(event.subject.get(key) == subject.get(key) for key in _ABOUT):
                said = event.subject.get("decision", kind)
                raise UsageError(
                    f"Since you looked, {event.by} decided on the same: {said} ({event.why}). Nothing of yours was recorded. "
                    "Look at it again, and decide once more if that is still needed."
                )

    def _take_notes(self) -> tuple[int, str]:
        """Put the notes that the journal holds beyond this history into the chain; return the place and the hash to go on from."""
        sequence, head = self._last_event()
        notes = Journal(self.path).after(sequence)
        if notes and follows(notes, sequence, head) is not None:
            for entry in notes:
                self.put_event(entry)
            sequence, head = self._last_event()
        return sequence + 1, head

    def note(self, kind: str, subject: dict[str, Any]) -> None:
        """Write a note into the journal, whose place in the chain the next event confirms.

        Call on a history that is open to read, so that nobody writes it meanwhile; its file stays as it is.

        Raises
        ------
        EnvironmentProblem
            If the journal cannot be written.
        """
        Journal(self.path).note(kind, subject, self._keep_journal)

    def put_event(self, entry: Mapping[str, Any]) -> None:
        """Put an event of a journal back as it stands there. Call inside a transaction.

        Raises
        ------
        IntegrityProblem
            If it does not follow the one before, or its hash does not agree.
        """
        last = self._last_event()
        moment = datetime.fromisoformat(entry["at"])
        parts = [entry[name] for name in ("kind", "subject", "by", "why", "previous_hash")]
        digest = event_hash(entry["sequence"], moment, *parts)
        if (entry["sequence"], entry["previous_hash"], entry["hash"]) != (last[0] + 1, last[1], digest):
            raise IntegrityProblem(
                f"Event {entry['sequence']} of the journal was changed, or one before it is missing."
            )
        self._run(
            "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [entry["sequence"], naive(moment), entry["kind"], *parts[1:], digest],
        )

    def events(self, kind: str | None = None) -> list[Event]:
        """Return events in order, all or of one kind."""
        return self._events("" if kind is None else "WHERE kind = ?", [] if kind is None else [kind])

    def _events(self, where: str, parameters: Sequence[Any]) -> list[Event]:
        frame = self._frame(f'SELECT * FROM event {where} ORDER BY "sequence"', parameters)
        return [
            Event(**{**row, "subject": json.loads(row["subject"])})
            for row in EVENT.complete(frame).iter_rows(named=True)
        ]

    def events_after(self, sequence: int) -> list[Event]:
        """Return the events behind a place in the chain."""
        return self._events('WHERE "sequence" > ?', [sequence])

    def last_event(self) -> tuple[int, str]:
        """Return the place and the hash of the last event."""
        return self._last_event()

    def last_of(self, kind: str) -> Event | None:
        """Return the last event of a kind, None where there is none."""
        found = self._events('WHERE "sequence" = (SELECT max("sequence") FROM event WHERE kind = ?)', [kind])
        return found[0] if found else None

    def hash_of_event(self, sequence: int) -> str:
        """Return the hash of the event at a place in the chain; empty where there is none."""
        row = self._one('SELECT hash FROM event WHERE "sequence" = ?', [sequence])
        return "" if row is None else str(row[0])

    def decisions(self) -> list[Event]:
        """Return the events that verdicts may follow from: all but those of which there are as many as files."""
        return self._events(
            "WHERE kind NOT IN ('load', 'held', 'held_closed', 'verdicts', 'kept', 'verified', 'account', 'brought')",
            [],
        )

    def event_rows(self) -> pl.DataFrame:
        """Return the chain as stored, for `verify`."""
        return EVENT.complete(self._frame('SELECT * FROM event ORDER BY "sequence"'))

    # -- reference tables, baselines, verdicts ------------------------------------------------------------------

    def reference_texts(self) -> dict[str, str]:
        """Return the reference tables as last taken over: name to text."""
        rows = self._run(
            'SELECT name, content FROM reference_text QUALIFY row_number() OVER (PARTITION BY name ORDER BY "sequence" DESC) = 1 '
            "ORDER BY name"
        )
        return {str(name): str(content) for name, content in rows}

    def put_reference_text(self, name: str, content: str, at: datetime) -> None:
        """Take over a new text of a reference table; earlier ones stay."""
        number = (self._one('SELECT coalesce(max("sequence"), 0) + 1 FROM reference_text') or (1,))[0]
        digest = hashlib.sha256(content.encode()).hexdigest()
        self._run("INSERT INTO reference_text VALUES (?, ?, ?, ?, ?)", [name, digest, content, naive(at), number])

    def baselines(self) -> pl.DataFrame:
        """Return frozen limits, the latest last."""
        return BASELINE.complete(self._frame('SELECT * EXCLUDE "sequence" FROM baseline ORDER BY "sequence"'))

    def add_baselines(self, frame: pl.DataFrame) -> None:
        """Store frozen limits. Call inside a transaction."""
        number = int((self._one('SELECT coalesce(max("sequence"), 0) + 1 FROM baseline') or (1,))[0])
        self._insert("baseline", BASELINE.complete(frame).with_row_index("sequence", offset=number))

    def verdicts_given(self) -> pl.DataFrame:
        """Return the last verdict given for each lot."""
        return self._frame("SELECT * FROM verdict_given ORDER BY lot")

    def put_verdicts(self, frame: pl.DataFrame) -> None:
        """Replace the given verdicts of some lots (columns lot, verdict, support, as_of)."""
        if not frame.height:
            return
        with self._registered("incoming_lots", frame.select("lot")):
            self._run("DELETE FROM verdict_given WHERE lot IN (SELECT lot FROM incoming_lots)")
        self._insert("verdict_given", frame.select("lot", "verdict", "support", "as_of"))

    def is_empty(self) -> bool:
        """Whether no file was loaded yet."""
        return bool((self._one("SELECT count(*) FROM source_file") or (0,))[0] == 0)
