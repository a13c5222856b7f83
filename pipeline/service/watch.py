"""The resident service: takes what arrives, writes again what it touched, publishes, alerts, and keeps going.

One round handles everything that is ready. The ledger in the history is the truth; what is remembered here only spares
reading files again. A fault that will pass (history busy, disk full, a share away, a table half edited) is told once and
tried again; a history that does not agree with itself stops the service.
"""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from polars.exceptions import PanicException

from pipeline import stop
from pipeline.custody.verify import verify
from pipeline.errors import (
    AnnealogError,
    EnvironmentProblem,
    FoundDamaged,
    HistoryTooNew,
    IntegrityProblem,
    SnapshotDamaged,
    UsageError,
)
from pipeline.history.snapshot import signature
from pipeline.history.store import History
from pipeline.judge.carry_on import carried_on, everything
from pipeline.judge.findings import keep_findings, last_verified, note_verified, state_of
from pipeline.kept.snapshot import holds_until, publish_snapshot, said_now
from pipeline.load.load import load
from pipeline.load.one_file import shown_name
from pipeline.load.touched import assess_touched
from pipeline.pages.board import board_pages
from pipeline.pages.render import render
from pipeline.pages.writer import processes, write_pages
from pipeline.questions.review import review_page
from pipeline.service.arrivals import Arrivals
from pipeline.service.company import Publishing
from pipeline.service.memory import give_back
from pipeline.service.notices import Telling, said_last
from pipeline.workspace.files import named, tree_state
from pipeline.workspace.program import program
from pipeline.workspace.schedule import parse_schedule
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.judge.assessment import Assessment
    from pipeline.load.report import FileReport, LoadReport
    from pipeline.service.alerts import Alert
    from pipeline.service.arrivals import Look

__all__ = ["Round", "Watch"]

_LOOK_EVERY_S = 1.0
_GLANCE_EVERY_S = 0.1
"""At the history alone, between two looks: whoever signs something looks at the board for it."""
_BOARD_EVERY_S = 60.0
_TRY_AGAIN_S = 15.0
"""After a fault that will pass."""


@dataclass(frozen=True, slots=True)
class Round:
    """What one round did."""

    at: datetime
    report: LoadReport | None
    pages: int
    alerts: tuple[Alert, ...] = ()
    notes: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return the JSON document."""
        files = () if self.report is None else self.report.files
        return {
            "at": self.at.isoformat(),
            "files": [
                {"name": f.name, "status": f.status, "readings": f.readings, "sentence": f.sentence} for f in files
            ],
            "lots": {} if self.report is None else self.report.lots,
            "meters": {} if self.report is None else self.report.meters,
            "conditions": {} if self.report is None else {lot: list(c) for lot, c in self.report.conditions.items()},
            "changes": [] if self.report is None else [change.sentence for change in self.report.changes],
            "pages": self.pages,
            "alerts": [alert.sentence for alert in self.alerts],
            "notes": list(self.notes),
        }


def _plainly(_: str, function: Callable[[], Any]) -> Any:
    return function()


@dataclass
class Watch:
    """Keeps a workspace up to date.

    Parameters
    ----------
    root
        The workspace; its settings are read again for each round.
    say
        Told of every round that did something.
    in_flow
        Carries out a round as a flow run: called with a name, the work and what it is about; None works without.
    """

    root: Path
    say: Callable[[Round], None]
    in_flow: Callable[[str, Any, dict[str, Any]], Any] | None = None
    _loaded: Assessment | None = None
    _shown: Assessment | None = None
    _now: Assessment | None = None
    _rules: str = ""
    _judged_anew: bool = False
    _looked: list[int] = field(default_factory=list)
    _seen: list[int] = field(default_factory=list)
    _published: list[int] = field(default_factory=list)
    _holds_until: datetime | None = None
    _board_at: float = 0.0
    _left: dict[str, Exception] = field(default_factory=dict)
    """Why a file or folder could not be taken, by path."""

    def __post_init__(self) -> None:
        self.workspace = find_workspace(self.root)
        self.arrivals = Arrivals(self.workspace.root / ".watch.json", self.workspace.settings.watch_settle_seconds)
        self.telling = Telling(datetime.now(UTC))
        self.company = Publishing()
        self._due: dict[str, datetime | None] = {}
        program()  # while what is running is what lies on the disk

    # -- the loop -----------------------------------------------------------------------------------------------

    def run(self, *, once: bool = False) -> None:
        """Go on until somebody asks to stop; with `once`, until everything that is there was taken.

        Raises
        ------
        IntegrityProblem
            If the history does not agree with itself.
        Exception
            With `once`, what a service would wait for: history busy, disk full, a change that needs consent; and, when
            everything else was taken, why a file or folder could not be.
        """
        try:
            self._run(once=once)
        finally:
            self.company.end()

    def _run(self, *, once: bool) -> None:
        recalled = False
        while True:
            began = time.monotonic()
            idle = True
            pause = _LOOK_EVERY_S
            try:
                if not recalled:
                    self.arrivals.recall(self._mark())
                    recalled = True
                idle = self._look()
                if not once:
                    self._unpublished(self.company.look(self.workspace))
            except (Exception, PanicException) as error:
                # a damaged snapshot is written anew by the next publication, what was found by the next load
                if isinstance(error, IntegrityProblem) and not isinstance(error, SnapshotDamaged | FoundDamaged):
                    self._damaged(error)
                    raise
                self._stopped(error)
                if once:
                    raise
                pause = _TRY_AGAIN_S
            if once and idle:
                self._unpublished(self.company.settle(self.workspace))
                if self._left:
                    raise next(iter(self._left.values()))
                return
            # a slow share is not asked all the time
            rest = max(pause, min(5.0, 5.0 * (time.monotonic() - began)))
            if pause > _LOOK_EVERY_S or not idle:
                stop.wait(rest if pause > _LOOK_EVERY_S else 0.05)
            else:
                self._rest(rest)

    def _rest(self, seconds: float) -> None:
        """Wait until the next look, or until somebody writes the history."""
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0.0 and signature(self.workspace.history) == self._looked:
            stop.wait(min(left, _GLANCE_EVERY_S))

    def _stopped(self, error: BaseException) -> None:
        """Tell that a round failed; by an alert, too, where a person must act before loading can go on."""
        told = isinstance(error, AnnealogError | OSError)
        self._note(str(error) if told else f"internal error, {type(error).__name__}: {error}. It is tried again.")
        if isinstance(error, UsageError) and not self.telling.refused:
            self.telling.refused = f"Nothing is loaded until this is settled: {str(error).splitlines()[0]}"
            self._tell(said_last(self.workspace.history))

    def _unpublished(self, why: str) -> None:
        if why:
            self._note(f"Not published to the company: {why} It is tried again.", repeat_s=3600.0)

    def _damaged(self, error: IntegrityProblem) -> None:
        """Tell, before the service ends, that the history cannot be read, and have no verdict given on it."""
        self._note(str(error))
        self.telling.ended = f"The history cannot be read, and the service has ended: {str(error).splitlines()[0]}"
        if not isinstance(error, HistoryTooNew):  # nothing is wrong with that one
            with contextlib.suppress(EnvironmentProblem):
                keep_findings(self.workspace.history, {}, [str(error)])
        self._tell(said_last(self.workspace.history))

    def _look(self) -> bool:
        """Look once and do what is due; whether there was nothing to do or to wait for."""
        self.workspace = workspace = find_workspace(self.root)
        self.arrivals.settle_s = workspace.settings.watch_settle_seconds
        folders = [workspace.inbox, *(workspace.root / folder for folder in workspace.settings.watch_folders)]
        rules = tree_state([workspace.reference, workspace.layouts])
        if self._rules and rules != self._rules:
            self.arrivals.again(self._held())
        changed = rules != self._rules
        self._rules = rules
        look = self.arrivals.look(folders)
        self._left = {name: error for name, error in self._left.items() if Path(name).is_file()}
        told = {
            str(folder): f"{folder} is not there; it is looked at again when it is back." for folder in look.missing
        }
        for name, why in look.unread.items():
            told[name] = f"Cannot read {named(name)}: {why}. What lies beside it is taken."
        for name, sentence in told.items():
            self._note(sentence, repeat_s=3600.0)
            self._left[name] = EnvironmentProblem(sentence)
        self._looked = signature(workspace.history)
        written = workspace.history.exists() and self._looked != self._published
        if look.ready or changed or written:
            self._round(look)
            return False
        self._on_time()
        return look.settling == 0

    # -- one round ----------------------------------------------------------------------------------------------

    def _round(self, look: Look) -> None:
        workspace, files = self.workspace, [path for path in look.ready if path.exists()]
        about = {"folder": str(workspace.root), "files": len(files)}
        results: dict[str, Any] = {}

        def work(step: Any) -> None:
            results["report"] = report = self._load(files, step)
            self.telling.refused = ""
            if any(file.status == "loaded" for file in report.files):
                self.telling.last_arrival = datetime.now(UTC)
            results["pages"] = step("refresh_pages", lambda: self._refresh())

        if self.in_flow is not None and files:
            self.in_flow("watch", work, about)
        else:
            work(_plainly)
        report: LoadReport = results["report"]
        self.arrivals.keep(self._mark())
        if report.files or results["pages"]:
            self.say(Round(datetime.now(UTC), report, results["pages"]))
        self._publish_and_say()
        give_back()

    def _load(self, files: list[Path], step: Any) -> LoadReport:
        """Load files. Only what was loaded, is known or is held was dealt with; what could not be read is tried again."""

        def loaded(found: list[FileReport]) -> None:
            for path, file in zip(files, found, strict=True):
                if file.error is None:
                    self.arrivals.done(path)
                    self._left.pop(str(path), None)
                else:
                    self.arrivals.failed(path)
                    self._left[str(path)] = file.error

        return load(self.workspace, files, step=step, loaded=loaded, assessed=self._take)

    def _take(self, found: Assessment) -> None:
        self._loaded = found

    def _refresh(self) -> int:
        if not self.workspace.history.exists():
            return 0
        # two assessments are held at once while pages are written, but the readings only of one
        found, self._loaded = self._loaded, None
        if not self._judged_anew and not self._is_kept(found):
            # another program kept what was found: not every decision from here on is to be followed from nothing
            self._judged_anew = True
            now = datetime.now(UTC)
            assess_touched(self.workspace, [], now=now, refresh=True, assessed=self._take)
            found, self._loaded = self._loaded, None
        self._board(found)
        self._seen = signature(self.workspace.history)
        pages, shown = render(
            self.workspace,
            processes=processes(self.workspace.settings),
            assessed=self._publish_first,
            found=found,
            board=False,
        )
        self._shown = _without_rows(shown)
        return sum(page.written for page in pages)

    def _is_kept(self, found: Assessment | None) -> bool:
        """Whether what was found lies beside the history: what was just judged, or what lay there before."""
        if found is None:
            with self._history() as history:
                found = carried_on(history, self.workspace.settings)
        return found is not None and found.kept is not None and not found.kept.aside

    def _publish_first(self, found: Assessment) -> None:
        """Publish the snapshot and tell what needs a person, while the pages are still to be written."""
        try:
            sent, notes = self._tell(said_now(publish_snapshot(self.workspace, found, assessed=self._keep_now)))
        except IntegrityProblem:
            raise
        except (AnnealogError, OSError):
            return  # it is tried again, and told, when the pages are written
        if sent or notes:
            self.say(Round(datetime.now(UTC), None, 0, tuple(sent), tuple(notes)))

    def _publish(self) -> tuple[list[Alert], list[str]]:
        """Publish the snapshot and the board, and tell what needs a person."""
        workspace = self.workspace
        if not workspace.history.exists():
            return [], []
        snapshot = publish_snapshot(workspace, self._shown, assessed=self._keep_now)
        # what another process wrote since the pages were refreshed is left for the next round
        self._published = self._seen
        kept = said_now(snapshot)
        self._holds_until = datetime.fromisoformat(kept["until"])
        self._board()
        return self._tell(kept)

    def _publish_and_say(self) -> None:
        sent, notes = self._publish()
        if sent or notes:
            self.say(Round(datetime.now(UTC), None, 0, tuple(sent), tuple(notes)))

    def _board(self, just: Assessment | None = None) -> Assessment:
        """Write the board as of now, from what was just found where that says the same, and return what it shows.

        No rendering of the service writes it.
        """
        workspace = self.workspace
        self._board_at = time.monotonic()
        with self._history() as history:
            now = datetime.now(UTC)
            state = state_of(history)
            for found in (just, self._shown, self._now):
                if (
                    found is not None
                    and found.history_state == state
                    and found.as_of <= now < holds_until(found, history)
                ):
                    found.ask(history)
                    break
            else:
                found = everything(history, workspace.settings, as_of=now)
                self._keep_now(found)
            pages = board_pages(workspace, found, history, history.sources(), as_of=now)
        write_pages(workspace, pages)
        return found

    def _keep_now(self, found: Assessment) -> None:
        """Keep what says the state now, for the board."""
        self._now = None if found is self._shown else _without_rows(found)

    def _tell(self, kept: dict[str, Any]) -> tuple[list[Alert], list[str]]:
        return self.telling.alert(self.workspace, kept)

    # -- what is due by the clock -------------------------------------------------------------------------------

    def _on_time(self) -> None:
        """Do what the clock asks for: the board, overdue checks, the review of the month before."""
        workspace, now = self.workspace, datetime.now(UTC)
        settings = workspace.settings
        overdue = self._time_for("overdue", settings.watch_overdue_at, now)
        if workspace.history.exists():
            stale = self._holds_until is not None and now >= self._holds_until
            if overdue or stale:
                self._publish_and_say()
            elif time.monotonic() - self._board_at > _BOARD_EVERY_S:
                self._board()
            if self._time_for("review", settings.watch_review_at, now):
                last = now.astimezone(settings.zone).replace(day=1) - timedelta(days=1)
                self._review(f"{last:%Y-%m}")
            if settings.watch_verify_at and self._verify_due(settings.watch_verify_at, now):
                self._verify()

    def _verify_due(self, schedule: str, now: datetime) -> bool:
        """Whether the record was not verified since the schedule last asked for it, however often the service was started."""
        last = last_verified(self.workspace.history)
        if last is None or last > now:
            note_verified(self.workspace.history, now)  # from now on it is known when the next one is due
            return False
        due = parse_schedule(schedule).next_after(last, self.workspace.settings.zone)
        return due is not None and now >= due

    def _verify(self) -> None:
        """Verify the whole record; what does not agree changes pages, snapshot and alerts in the round that follows."""
        report = verify(self.workspace)
        said = f"verified: {report.files} raw files, {report.events} events, {report.readings} readings"
        found = report.problems or ("all agree",)
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        self.say(Round(datetime.now(UTC), None, 0, (), (f"{said}: {found[0]}{more}",)))

    def _review(self, month: str) -> None:
        """Write the review of a month, as a flow run where there is a server."""

        def write() -> int:
            return sum(page.written for page in write_pages(self.workspace, [review_page(self.workspace, month)]))

        def work(step: Any) -> Any:
            return step("write_review", write)

        about = {"folder": str(self.workspace.root), "month": month}
        written = work(_plainly) if self.in_flow is None else self.in_flow("review", work, about)
        self.say(Round(datetime.now(UTC), None, written, (), (f"review of {month} written",)))

    def _time_for(self, name: str, schedule: str, now: datetime) -> bool:
        key = f"{name} {schedule}"
        due = self._due.get(key)
        if key not in self._due or (due is not None and now >= due):
            self._due[key] = parse_schedule(schedule).next_after(now, self.workspace.settings.zone)
        return due is not None and now >= due

    # -- small things -------------------------------------------------------------------------------------------

    def _history(self) -> History:
        """Open the history to read; not its snapshot, for reading that takes memory from a pool that hardly gives any back."""
        workspace = self.workspace
        return History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds, snapshot=False)

    def _mark(self) -> str:
        """Return what tells this history from another: the hash of its first event."""
        workspace = self.workspace
        if not workspace.history.exists():
            return ""
        with self._history() as history:
            return history.first_hash()

    def _held(self) -> list[Path]:
        """Return the files that wait for a layout or a repair."""
        workspace = self.workspace
        if not workspace.history.exists():
            return []
        with self._history() as history:
            names = set(history.held_files()["name"].to_list())
        return [path for path in map(Path, self.arrivals.dealt) if shown_name(workspace, path) in names]

    def _note(self, text: str, *, repeat_s: float = 600.0) -> None:
        notes = self.telling.once(text, repeat_s=repeat_s)
        if notes:
            self.say(Round(datetime.now(UTC), None, 0, (), tuple(notes)))


_ROWS = (
    "readings", "part_stream", "spot_values", "part_values", "budget_inputs", "bias_at_level", "study_readings",
)  # fmt: skip


def _without_rows(found: Assessment) -> Assessment:
    """Return what was said without the rows that it follows from: they take most of its memory, and neither board nor snapshot needs them."""
    if found.kept is not None:
        return found  # it holds none
    return replace(found, **{name: getattr(found, name).clear() for name in _ROWS})
