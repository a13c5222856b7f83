"""Is everything still as it was recorded: the record is made once more from journal and raw archive, and compared."""

from __future__ import annotations

import json
import re
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline import stop
from pipeline.custody.rebuild import Replay, raw_file
from pipeline.custody.recompute import SAMPLE, verify_computed
from pipeline.errors import AnnealogError, EnvironmentProblem, IntegrityProblem
from pipeline.history.accounts import KIND as ACCOUNTS
from pipeline.history.accounts import account_of, key_of
from pipeline.history.chain import GENESIS_HASH, Event, event_hash
from pipeline.history.content import CONTENT, content_hash, verdicts_hash
from pipeline.history.disk_checksums import changed_places
from pipeline.history.journal import NOTES, Journal
from pipeline.history.snapshot import Snapshot
from pipeline.history.store import History
from pipeline.judge.findings import keep_findings, note_verified
from pipeline.kept.answers import altered_answers
from pipeline.pages.writer import altered_pages
from pipeline.questions.reports_issued import KIND, what_differs
from pipeline.workspace.recorded import recorded
from schemas.digits import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.history.accounts import Account
    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["NOT_LOOKED_AT", "VerifyReport", "verify"]

NOT_LOOKED_AT = {
    "migration": "the form of the tables; a program that does not know it refuses the history",
}
"""Tables and columns of the history that are not compared, with the reason."""

_BESIDE = (
    "Not looked at beside the history: settings, tables and layouts as they lie in the workspace (a load says what changed), the "
    "inbox, PDFs and whatever else no rendering wrote, and whether pages show what would be drawn now (they are as they were "
    "written; annealog render --all writes them again)."
)


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was recomputed and what did not agree."""

    files: int
    events: int
    readings: int
    quarantined: int
    chain_head: str
    problems: tuple[str, ...]
    content: str
    """Hash of the logical content, which a rebuilt history has, too."""
    notes: tuple[str, ...] = ()


@dataclass
class _Found:
    """What does not agree: by hash of the file concerned, and what concerns everything."""

    files: dict[str, list[str]] = field(default_factory=dict)
    everything: list[str] = field(default_factory=list)
    papers: list[str] = field(default_factory=list)
    """Of reports that were issued: a paper is in doubt for it, no verdict is."""
    notes: list[str] = field(default_factory=list)

    def about(self, sha256: str | None, sentence: str) -> None:
        """Take down a sentence, of a file where it is known which."""
        if sha256 is None:
            self.everything.append(sentence)
        else:
            self.files.setdefault(sha256, []).append(sentence)


def verify(workspace: Workspace, *, every: bool = False) -> VerifyReport:
    """Make the record once more from the journal and the archived files, and compare every value of every table with it.

    What is kept beside the record (snapshot, answers) is held to its hashes and computed again: `every` answer, or a sample.

    What does not agree is kept, so that no verdict is given on it until it was mended and found whole. A workspace that
    cannot be written is looked at all the same.

    Raises
    ------
    IntegrityProblem
        If the history cannot be read at all; then that is kept as what does not agree.
    """
    found = _Found()
    try:
        report = _verify(workspace, found, every=every)
    except IntegrityProblem as error:
        _keep(workspace, _Found(everything=[str(error)]))
        raise
    return report


def _keep(workspace: Workspace, found: _Found, *, note: bool = False) -> tuple[str, ...]:
    """Keep what was found; return what is to be said of that."""
    try:
        files = {sha: said[0] for sha, said in found.files.items()}
        keep_findings(workspace.history, files, found.everything, note=note)
    except EnvironmentProblem as error:
        return (f"What was found is not kept, so that nothing follows from it here. {error}",)
    note_verified(workspace.history, datetime.now(UTC))
    return ()


def _verify(workspace: Workspace, found: _Found, *, every: bool) -> VerifyReport:
    found.notes += [f"Not looked at: {what} ({why})." for what, why in NOT_LOOKED_AT.items()]
    found.notes.append(_BESIDE)
    if not every:
        found.notes.append(
            f"Of the answers that are kept, those on {SAMPLE} lots and {SAMPLE} meters were computed again; all: verify --all."
        )
    with (
        History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds, snapshot=False) as history,
        tempfile.TemporaryDirectory(prefix="annealog-verify-") as scratch,
        History.open(Path(scratch) / "history" / workspace.history.name, write=True) as again,
    ):
        rows = history.event_rows()
        head = _verify_chain(rows, found)
        _verify_signatures(rows, found)
        papers = _Papers(workspace.settings, again, found) if KIND in rows["kind"] else None
        whole = _replay(workspace, history, again, rows, found, papers)
        if papers is not None:
            papers.compute()
        _compare(history, again, found, whole=whole)
        sources = history.sources()
        _verify_verdicts(history, rows, found)
        content = content_hash(history)
        # on the open file: nobody writes it meanwhile
        found.notes += [_of_place(workspace.history, *place) for place in changed_places(workspace.history) or ()]
        problems = (
            *(sentence for said in found.files.values() for sentence in said),
            *found.everything,
            *_verify_certificates(workspace, again),
            *found.papers,
            *_verify_kept(workspace),
            # what follows from a record in doubt is withheld, whatever is kept
            *(() if found.files or found.everything else verify_computed(workspace, history, every=every)),
        )
        found.notes += _keep(workspace, found, note=whole)  # while nobody can write the journal
    return VerifyReport(
        sources.height,
        rows.height,
        int(sources["readings"].sum()),
        int(sources["quarantined"].sum()),
        head,
        problems,
        content,
        tuple(found.notes),
    )


_SHA256 = re.compile("[0-9a-f]{64}", re.ASCII)


def _verify_certificates(workspace: Workspace, again: History) -> Iterator[str]:
    """Say which certificates of reference tables do not lie in the archive as they were; figures stand in the tables themselves."""
    texts = again.reference_texts()
    try:
        _, tables = recorded(texts, workspace.settings)
    except AnnealogError:
        return  # a text that was changed is told by what it was compared with
    named: dict[str, str] = {}
    for table, frame in sorted(tables.items()):
        if "certificate_file" in frame.columns:
            rows = frame.filter(pl.col("certificate_file").is_not_null()).select(frame.columns[0], "certificate_file")
            named |= {digest: f"{table}.csv, {name}" for name, digest in rows.unique(maintain_order=True).iter_rows()}
    for digest, where in named.items():
        stop.look()
        if not _SHA256.fullmatch(digest):
            yield f"{where}: certificate_file {digest!r} is no SHA-256, so it names no file of the archive."
            continue
        try:
            raw_file(workspace.archive, digest, where)
        except IntegrityProblem as error:
            yield f"{error} It is the certificate; put it back from a backup, or import it again: annealog reference import"


def _verify_kept(workspace: Workspace) -> Iterator[str]:
    """Say what of that which is kept beside the history is not as it was kept; the record is not in doubt for it."""
    anew = "No verdict rests on it, and it is believed no more."
    snapshot = Snapshot.current(workspace.history)
    if snapshot is None and Snapshot.there(workspace.history):
        yield f"The snapshot is not the one that was published. {anew} Take a new one: annealog snapshot"
    elif snapshot is not None and not snapshot.whole():
        yield f"A file of the snapshot in {snapshot.folder} has changed. {anew} Take a new one: annealog snapshot"
    for what in altered_answers(workspace):
        yield f"{what}. {anew} Write it anew: annealog render"
    for folder in sorted({path.parent for path in workspace.pages.glob("**/.written.json")}):
        for address in altered_pages(folder):
            how = "test-report --again NUMBER" if address.startswith("papers/") else "render"
            yield f"The page {folder / address} is not as it was written. {anew} Write it anew: annealog {how}"


def _of_place(history: Path, first: int, last: int) -> str:
    """Say that a place of the file has changed where nothing of the record lies: all of that was read, and agrees."""
    return (
        f"Bytes {first} to {last} of {history} do not agree with their checksum. Nothing of the record lies there, for all of it "
        "was read. A process that was killed while it wrote leaves such a place; if none was, look after the disk. A new "
        "file is written by: annealog rebuild"
    )


def _verify_chain(rows: pl.DataFrame, found: _Found) -> str:
    """Look at the hash of each event and at how they hang together; return the last one."""
    head, last = GENESIS_HASH, None
    for number, row in enumerate(rows.iter_rows(named=True), start=1):
        expected_hash = event_hash(
            row["sequence"], row["at"], row["kind"], row["subject"], row["by"], row["why"], row["previous_hash"]
        )
        if row["sequence"] != number or row["previous_hash"] != head or row["hash"] != expected_hash:
            found.everything.append(
                f"Event {row['sequence']} ({row['kind']}) was changed, or one before it is missing."
            )
        if last is not None and row["at"] < last:
            found.notes.append(
                f"Event {row['sequence']} is dated before event {row['sequence'] - 1}: the clock was set back."
            )
        head, last = row["hash"], row["at"]
    return head


def _verify_signatures(rows: pl.DataFrame, found: _Found) -> None:
    """Hold each signature against the accounts as they were then, and say who signed from where."""
    accounts: dict[str, Account] = {}
    signed: Counter[tuple[str, str, str]] = Counter()
    for row in rows.filter((pl.col("kind") == ACCOUNTS) | pl.col("subject").str.contains('"signed"')).iter_rows(
        named=True
    ):
        try:
            subject = json.loads(row["subject"])
            if row["kind"] == ACCOUNTS:
                account = account_of(subject, row["sequence"])
                accounts[key_of(account.name)] = account
            if (signature := subject.get("signed")) is None:
                continue
            who, role, place = signature["account"], signature["role"], signature["from"]
            by = accounts.get(key_of(who))
        except (IntegrityProblem, ValueError, KeyError, TypeError, AttributeError):
            found.everything.append(
                f"Event {row['sequence']} ({row['kind']}) states no account, or a signature that is none."
            )
            continue
        if by is None or (by.name, by.role, by.open, row["by"]) != (who, role, True, who):
            found.everything.append(
                f"Event {row['sequence']} ({row['kind']}) is signed by {who} as {role}, who had no such account then."
            )
        signed[(who, role, place)] += 1
    found.notes += [
        f"Signed by {who}, {role}, from {place}: {counted(count, 'event')}."
        for (who, role, place), count in sorted(signed.items())
    ]


_ENTRIES_AT_ONCE = _FILES_AT_ONCE = 200


def _replay(
    workspace: Workspace, history: History, again: History, rows: pl.DataFrame, found: _Found, papers: _Papers | None
) -> bool:
    """Compare the journal with the chain, event by event, and do each once more; say whether it goes to the end of the chain."""
    journal = Journal(workspace.history)
    replay = Replay(workspace, again, journal)
    events = {row["sequence"]: row for row in rows.iter_rows(named=True)}
    number = 0
    entries = journal.entries()
    try:
        while batch := list(islice(entries, _ENTRIES_AT_ONCE)):
            with again.transaction():
                for entry in batch:
                    stop.look()
                    number += 1
                    row = events.get(number)
                    if row is None:
                        if history.notes_alone():
                            return True
                        found.everything.append(
                            f"The journal goes on to event {entry['sequence']}, the history ends with {len(events)}."
                        )
                        return True
                    if any(
                        entry[name] != (value.isoformat() if name == "at" else value) for name, value in row.items()
                    ):
                        found.everything.append(
                            f"Event {number} differs between the history and its journal {journal.path}."
                        )
                    if papers is not None and entry["kind"] not in (KIND, *NOTES):
                        papers.compute()
                    _do_again(replay, history, again, entry, found)
                    if papers is not None:
                        papers.take(entry)
    except IntegrityProblem as error:
        found.everything.append(str(error))
    except (KeyError, TypeError, ValueError):
        found.everything.append(f"Line {number} of {journal.path} was changed.")
    if number < len(events):
        said = f"ends with event {number}" if number else "holds no event"
        found.everything.append(
            f"The journal {journal.path} {said}, the history goes on to event {len(events)}. A crash or a full disk can leave "
            "that behind, and the next load adds what is missing; where neither happened somebody cut it: compare with a backup."
        )
    return number >= len(events)


class _Papers:
    """Computes each report that was issued once more, from the history as it was made again up to there.

    Reports between which nothing else happened are computed together.
    """

    def __init__(self, settings: Settings, again: History, found: _Found) -> None:
        self._settings = settings
        self._again = again
        self._found = found
        self._whole = True
        self._waiting: list[Event] = []

    def take(self, entry: dict[str, Any]) -> None:
        """Take in an event that was done again: reports follow from decisions, too."""
        if not self._whole:
            return
        if entry["kind"] == KIND:
            values = {name: entry[name] for name in ("sequence", "kind", "by", "why", "previous_hash", "hash")}
            at, subject = datetime.fromisoformat(entry["at"]), json.loads(entry["subject"])
            self._waiting.append(Event(**values, at=at, subject=subject))
        try:
            self._again.put_event(entry)
        except IntegrityProblem:
            self._whole = False
            self._found.papers.append(f"Reports issued from event {entry['sequence']} on were not computed again.")

    def compute(self) -> None:
        """Compute those that wait: what is done next may change what they follow from."""
        if not self._waiting:
            return
        waiting, self._waiting = self._waiting, []
        try:
            self._found.papers += what_differs(self._again, self._settings, waiting)
        except EnvironmentProblem:
            raise
        except (AnnealogError, KeyError, TypeError, ValueError) as error:
            numbers = ", ".join(str(event.sequence) for event in waiting)
            self._found.papers.append(f"The reports of event {numbers} cannot be computed again: {error!r}.")


def _do_again(replay: Replay, history: History, again: History, entry: dict[str, Any], found: _Found) -> None:
    """Do an event again; a file that cannot be read again is in doubt, and those after it are compared all the same."""
    try:
        replay.do(entry)
    except EnvironmentProblem:
        raise
    except (AnnealogError, KeyError, TypeError, ValueError) as error:
        if entry["kind"] not in ("load", "replay"):
            raise IntegrityProblem(f"{error} Nothing after event {entry['sequence']} was compared.") from None
        subject = json.loads(entry["subject"])
        found.about(subject["sha256"], str(error))
        if entry["kind"] == "load":
            again.copy_file(history, subject["sha256"])


def _verify_verdicts(history: History, rows: pl.DataFrame, found: _Found) -> None:
    """Compare the verdicts given last with the hash that the event which gave them states."""
    stated = [json.loads(subject).get("verdicts") for subject in rows["subject"]]
    last = next((digest for digest in reversed(stated) if digest is not None), None)
    if last is None and not history.verdicts_given().height:
        return
    if verdicts_hash(history) != last:
        found.everything.append("The verdicts given last, as the history holds them, are not those that a load gave.")


def _compare(history: History, again: History, found: _Found, *, whole: bool) -> None:
    """Compare all tables; without the `whole` journal, only what it tells of."""
    known, sources = history.sources(), again.sources()
    names = dict(known.select("source_id", "name").iter_rows()) | dict(sources.select("source_id", "name").iter_rows())
    hashes = dict(known.select("source_id", "sha256").iter_rows())
    for table, keys in CONTENT.items():
        if table == "event":
            continue  # compared with the journal
        for stored, made in _pieces(history, again, table):
            rows = _differences(stored.sort(keys), made.sort(keys), keys)
            rows = rows if whole else rows.filter(pl.col("what") != _UNKNOWN)
            if "source_id" not in rows.columns:
                for row in rows.iter_rows(named=True):
                    found.everything.append(f"{_named(table, row)}: {row['what']}.")
                continue
            for (number,), of_file in rows.group_by("source_id", maintain_order=True):
                name = names.get(number, f"file number {number}, which the ledger does not know")
                found.about(hashes.get(number), f"{name}: {_of_file(table, of_file)}.")


_UNKNOWN = "stands in the history alone"


def _pieces(history: History, again: History, table: str) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
    """Yield a table of both histories, readings some files at a time."""
    if table != "reading":
        yield history.table(table), again.table(table)
        return
    last = again.last_source_id()
    for after in range(0, max(last, 1), _FILES_AT_ONCE):
        stop.look()
        # files with other numbers than these were made up
        first = after or -(2**31)
        to = after + _FILES_AT_ONCE if after + _FILES_AT_ONCE < last else None
        yield history.table(table, after=first, to=to), again.table(table, after=first, to=to)


def _differences(stored: pl.DataFrame, made: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """Return the keys of rows that differ, with the names of the columns, and what tells of them."""
    if stored.equals(made):
        return pl.DataFrame(schema={**{key: stored.schema[key] for key in keys}, "what": pl.String})
    columns = [name for name in made.columns if name not in keys]
    both = stored.with_columns(pl.lit(value=True).alias("_stored")).join(
        made.with_columns(pl.lit(value=True).alias("_made")), on=keys, how="full", coalesce=True, suffix="_made"
    )
    differing = pl.concat_list(
        pl.when(pl.col(name).ne_missing(pl.col(f"{name}_made"))).then(pl.lit(name)) for name in columns
    )
    what = (
        pl.when(pl.col("_stored").is_null())
        .then(pl.lit("is missing in the history"))
        .when(pl.col("_made").is_null())
        .then(pl.lit(_UNKNOWN))
        .when(pl.len().over(keys) > 1)
        .then(pl.lit("stands there more than once"))
        .otherwise(differing.list.drop_nulls().list.join(", "))
    )
    return both.with_columns(what.alias("what")).filter(pl.col("what") != "").sort(keys)


def _of_file(table: str, rows: pl.DataFrame) -> str:
    """Say in words what differs of one file."""
    what = ", ".join(dict.fromkeys(word for said in rows["what"].to_list() for word in said.split(", ")))
    if table == "source_file":
        return f"its row of the ledger differs from the archived file and the journal: {what}"
    lines = rows["line"].unique().sort().to_list()
    shown = ", ".join(str(line) for line in lines[:5]) + (" ..." if len(lines) > 5 else "")
    kind = "stored" if table == "reading" else "refused"
    counted = f"1 {kind} line differs" if len(lines) == 1 else f"{len(lines)} {kind} lines differ"
    return f"{counted} from the archived file and the journal: {what} (line {shown})"


def _named(table: str, row: dict[str, Any]) -> str:
    """Name a row of a table that tells of no file."""
    if table == "baseline":
        meter, block = (row[name] or row[f"{name}_made"] for name in ("meter", "block"))
        return f"The limits of control of {meter} on {block} in the history differ from those that were recorded"
    name = row["name"] or row["name_made"]
    if table == "held_file":
        return f"{name}: what is said of this file, which is held, is not what was said when it was looked at"
    return f"The text of reference table {name} in the history is not the one that was taken over"
