"""Laws of support, verdicts and the look-back on histories drawn at random, against a walk by hand. Invented numbers."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from look_back_story import events_of
from scenario import DAY, REFERENCE, Scenario
from workspace_files import neutral_csv

from pipeline.history.chain import Event
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.load.load import load
from pipeline.metrology.support import SUPPORT_ORDER
from pipeline.workspace.new_workspace import create_workspace
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.judge.assessment import Assessment


repeatable = settings(derandomize=True, deadline=None, max_examples=10)

LOTS = ("L1", "L2", "L3")
PASSES, AT_TOLERANCE, FAILS = 0.05, 0.289, 0.6
"""Bias of a check in MS/m; the tolerance is 0.5 %IACS, which is 0.29 MS/m."""

Step = tuple[str, int, str]
"""What is done, the minutes since the last reading of the meter before it, and the meter."""

_WHAT = st.sampled_from(["pass", "pass", "fail", *LOTS, "set", "action"])
# a run ends with a pause of an hour: just inside, at the edge and just outside; eight hours are the interval of checks
_PAUSE = st.sampled_from([11, 20, 59, 60, 61, 200, 479, 600])
HISTORY = st.lists(st.tuples(_WHAT, _PAUSE, st.sampled_from(["M1", "M1", "M2"])), min_size=3, max_size=14)

LOT_TABLE = "lot,product,material,specification,supplier\n" + "".join(f"{lot},bar,copper,S,Q\n" for lot in LOTS)


@dataclass(kw_only=True)
class Walked:
    """A history as it was played: readings, recorded actions, and what a person with a pencil makes of it."""

    scenario: Scenario = field(default_factory=lambda: Scenario(lots=LOT_TABLE))
    actions: list[tuple[str, datetime]] = field(default_factory=list)
    ends: dict[str, datetime] = field(default_factory=dict)  # when each meter was last used
    runs: dict[str, list[list[bool]]] = field(default_factory=dict)  # of each meter: whether each check passed
    read: dict[str, list[set[str]]] = field(default_factory=dict)  # lots before the first run and after each
    new_run: dict[str, bool] = field(default_factory=dict)
    checks: dict[str, list[list[tuple[datetime, datetime, float]]]] = field(default_factory=dict)
    """Of each run of a meter: first and last reading and bias of each check."""

    def play(self, what: str, minutes: int, meter: str) -> None:
        runs, read = self.runs.setdefault(meter, []), self.read.setdefault(meter, [set()])
        moment = self.ends.get(meter, DAY) + timedelta(minutes=minutes)
        if what == "action":
            self.actions.append((meter, moment))
            self.new_run[meter] = True
        elif what == "set":
            self.scenario.reading(moment, 58.0, role="setting", block="B1", meter=meter)
            self.new_run[meter] = True
        elif what in LOTS:
            for part in range(3):
                self.scenario.reading(moment, 58.5, lot=what, part=str(part), spot="1", meter=meter)
                moment += timedelta(seconds=10)
            moment -= timedelta(seconds=10)
            read[-1].add(what)
            self.new_run[meter] = True
        else:
            bias = {"pass": PASSES, "edge": AT_TOLERANCE, "fail": FAILS}[what]
            for i in range(2):
                self.scenario.reading(
                    moment + timedelta(seconds=5 * i), 58.0 + bias, role="block", block="B1", meter=meter
                )
            if self.new_run.pop(meter, False) or not runs or minutes >= 60:
                runs.append([])
                read.append(set())
                self.checks.setdefault(meter, []).append([])
            runs[-1].append(what != "fail")
            self.checks[meter][-1].append((moment, moment + timedelta(seconds=5), bias))
            moment += timedelta(seconds=5)
        self.ends[meter] = moment

    def touched(self) -> set[tuple[str, str]]:
        """Return lot and meter of all that was read between a run that passed, one that failed, and the next that passed."""
        found = set()
        for meter, runs in self.runs.items():
            passed = [all(run) for run in runs]
            for place, good in enumerate(passed):
                if good:
                    continue
                first = max((i for i in range(place) if passed[i]), default=-1)
                last = min((i for i in range(place, len(runs)) if passed[i]), default=len(runs))
                found |= {(lot, meter) for lots in self.read[meter][first + 1 : last + 1] for lot in lots}
        return found

    def failures(self) -> set[tuple[Any, ...]]:
        """Return what is to be said of each failure: what fired, when, the runs around it, and how far the meter moved."""
        found = set()
        for meter, runs in self.runs.items():
            passed, checks = [all(run) for run in runs], self.checks.get(meter, [])
            for start in range(len(runs)):
                if passed[start] or (start and not passed[start - 1]):
                    continue
                end = next((i for i in range(start, len(runs)) if passed[i]), len(runs))
                fired = [at for run, said in zip(checks[start:end], runs[start:end], strict=True)
                         for (_, at, _), good in zip(run, said, strict=True) if not good]  # fmt: skip
                before = checks[start - 1][-1] if start else None
                after = checks[end][0][0] if end < len(runs) else None
                good = before[1] if before else None
                change = FAILS - (before[2] if before else 0.0)
                found.add((meter, fired[0], fired[-1], len(fired), good, good, after, round(change, 9)))
        return found

    def assess(self, *, later: timedelta = timedelta(days=2)) -> Assessment:
        """Assess two days after the last step, when nothing is open any more."""
        days = (max(self.ends.values()) - DAY + later) // timedelta(days=1)
        return self.scenario.assess("00:00", day=days, events=[action(*one) for one in self.actions])


def action(meter: str, moment: datetime) -> Event:
    subject = {"meter": meter, "at": moment.isoformat(), "kind": "cleaned"}
    return Event(1, moment, "action", subject, "A. Ranta", "dirt on the probe", "", "")


def played(steps: list[Step]) -> Walked:
    walked = Walked()
    for step in steps:
        walked.play(*step)
    return walked


def touched(found: Assessment) -> set[tuple[str, str]]:
    """Return lot and meter of everything that an event of a failed check calls touched."""
    events = events_of(found, []).values()
    return {
        (lot.lot, lot.meter) for e in events if e.kind == "failed_check" for lot in e.lots if lot.doubt == "touched"
    }


def told(found: Assessment, *, only: set[str] | None = None) -> dict[str, Any]:
    """Return all that is said of lots, meters and events, without the moment of the question."""
    lots = {name: asdict(result) for name, result in found.lots.items() if only is None or name in only}
    if only is not None:
        return _without_moment(lots)
    meters = {name: asdict(result) for name, result in found.meters.items()}
    return _without_moment(
        {"lots": lots, "meters": meters, "events": [asdict(e) for e in events_of(found, []).values()]}
    )


def _without_moment(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_moment(inner) for name, inner in value.items() if name != "as_of"}
    if isinstance(value, (list, tuple)):
        return [_without_moment(inner) for inner in value]
    return value


def changed(value: Any, *, by: timedelta = timedelta(0), names: dict[str, str] | None = None) -> Any:
    """Return the same with every moment moved, days in sentences too, and names replaced."""
    if isinstance(value, dict):
        return {changed(name, by=by, names=names): changed(inner, by=by, names=names) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [changed(inner, by=by, names=names) for inner in value]
    if isinstance(value, datetime):
        return value + by
    if isinstance(value, str):
        for old, new in (names or {}).items():
            value = value.replace(old, new)
        value = re.sub(r"\d{4}-\d\d-\d\d", lambda m: f"{datetime.fromisoformat(m[0]) + by:%Y-%m-%d}", value)
        value = re.sub(r"202603(\d\d)(?=T)", lambda m: f"{datetime(2026, 3, int(m[1]), tzinfo=UTC) + by:%Y%m%d}", value)
        value = re.sub(r"(\d+) March", lambda m: f"{(datetime(2026, 3, int(m[1]), tzinfo=UTC) + by).day} March", value)
    return value


# what a failure touches ---------------------------------------------------------------------------------------------------


@repeatable
@given(HISTORY)
@example([("pass", 60, "M1"), ("L1", 20, "M1"), ("pass", 20, "M1"), ("fail", 59, "M1")])
@example([("pass", 60, "M1"), ("L1", 20, "M1"), ("pass", 20, "M1"), ("fail", 60, "M1")])
@example([("fail", 60, "M1"), ("action", 11, "M1"), ("pass", 11, "M1"), ("L1", 20, "M1"), ("pass", 20, "M1")])
def test_a_failure_touches_what_was_read_between_the_passes_around_it_and_nothing_else(steps: list[Step]) -> None:
    walked = played(steps)
    found = walked.assess()
    assert touched(found) == walked.touched()
    for lot, result in found.lots.items():
        in_doubt = lot in {name for name, _ in walked.touched()}
        assert (result.support == "suspect") == in_doubt, lot
        assert not in_doubt or result.verdict == "hold", lot


@repeatable
@given(HISTORY)
@example([("fail", 60, "M1")])
@example(
    [
        ("pass", 60, "M1"),
        ("fail", 200, "M1"),
        ("L1", 11, "M1"),
        ("fail", 60, "M1"),
        ("pass", 20, "M1"),
        ("pass", 60, "M1"),
    ]
)
@example(
    [
        ("pass", 60, "M1"),
        ("fail", 20, "M1"),
        ("fail", 20, "M1"),
        ("action", 11, "M1"),
        ("pass", 11, "M1"),
        ("fail", 60, "M1"),
    ]
)
def test_each_failure_is_one_event_from_the_last_pass_before_it_to_the_first_after(steps: list[Step]) -> None:
    walked = played(steps)
    found = walked.assess()
    events = [event for event in found.found_events if event.kind == "failed_check"]
    assert {
        (
            event.meter, event.fired_at, event.last_at, event.checks.height, event.last_good_at, event.window_from, event.window_to,
            round(event.changes[0].change, 9),
        )
        for event in events
    } == walked.failures()  # fmt: skip
    for event in events:
        assert (event.last_good != "") == (event.last_good_at is not None)
        assert [(change.name, change.level) for change in event.changes] == [("B1", 58.0)]
        assert set(event.touched["meter"].to_list()) <= {event.meter}
        shown = found.runs.filter(found.runs["run"].is_in(event.around))
        assert shown["meter"].unique().to_list() == [event.meter]
        assert (shown["passed"].sum(), shown["last_at"].min(), shown["first_at"].max()) == (
            (event.window_from is not None) + (event.window_to is not None),
            event.window_from or shown["last_at"].min(),
            event.window_to or shown["first_at"].max(),
        )


@repeatable
@given(HISTORY)
def test_a_meter_that_never_leaves_its_tolerance_has_no_suspect_lot(steps: list[Step]) -> None:
    found = played([("edge" if what == "fail" else what, pause, meter) for what, pause, meter in steps]).assess()
    assert touched(found) == set()
    assert "suspect" not in {result.support for result in found.lots.values()}
    assert all(result.suspect_lots == () for result in found.meters.values())


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ("fail L1 pass", {"L1"}),
        ("pass L1 fail", {"L1"}),
        ("pass L1 pass fail", {"L1"}),
        ("pass L1 pass action fail", set()),
        ("pass L1 pass set fail", set()),
        ("fail action pass L1 pass", set()),
        ("fail L1 L2 pass L1 pass L3 pass", {"L1", "L2"}),
        ("pass L1 fail L2 fail L3 pass L3", {"L1", "L2", "L3"}),
        ("pass L1 pass L2 fail", {"L2"}),
    ],
)
def test_the_walk_by_hand_and_the_tool_know_what_single_days_touch(steps: str, expected: set[str]) -> None:
    walked = played([(what, 20, "M1") for what in steps.split()])
    assert {lot for lot, _ in walked.touched()} == expected
    assert {lot for lot, _ in touched(walked.assess())} == expected


# what later days, missing readings and names can not do --------------------------------------------------------------------


@repeatable
@given(HISTORY, st.lists(st.tuples(_WHAT, _PAUSE, st.sampled_from(["M1", "M2"])), min_size=1, max_size=6))
def test_what_is_said_of_a_lot_depends_on_nothing_after_its_closing_run(steps: list[Step], later: list[Step]) -> None:
    before = played(steps).assess()
    brackets = before.brackets
    # closed: a run that is over stands after every reading
    closed = set(before.lots) - set(brackets.filter(brackets["after_run"].is_null())["lot"].to_list())
    later = [("pass" if what in closed else what, pause, meter) for what, pause, meter in later]
    whole = played([*steps, ("pass", 600, "M1"), ("pass", 600, "M2"), *later]).assess()
    # the flags speak of what came to light; a lot seen again beside a later one is another question
    kept = (
        "verdict",
        "support",
        "limits_met",
        "reasons",
        "mean",
        "expanded_uncertainty",
        "coverage_factor",
        "conformity",
    )
    for lot in sorted(closed):
        said, again = asdict(before.lots[lot]), asdict(whole.lots[lot])
        assert {name: said[name] for name in kept} == {name: again[name] for name in kept}, lot


@repeatable
@given(HISTORY, st.lists(st.tuples(_WHAT, _PAUSE, st.sampled_from(["M1", "M2"])), min_size=1, max_size=4))
def test_what_happens_later_takes_no_event_away(steps: list[Step], later: list[Step]) -> None:
    def failures(found: Assessment) -> set[str]:
        return {name for name, event in events_of(found, []).items() if event.kind == "failed_check"}

    assert failures(played(steps).assess()) <= failures(played([*steps, *later]).assess())


@repeatable
@given(HISTORY, st.data())
def test_taking_a_reading_away_makes_no_suspect_lot_supported(steps: list[Step], data: st.DataObject) -> None:
    # of a check two readings say the same, and of a lot three: no check and no lot goes with one of them
    walked = played([step for step in steps if step[0] != "set"])
    before = walked.assess()
    if not walked.scenario.rows:
        return
    walked.scenario.rows.pop(data.draw(st.integers(0, len(walked.scenario.rows) - 1)))
    after = walked.assess()
    suspect = {lot for lot, result in before.lots.items() if result.support == "suspect"}
    assert {lot: after.lots[lot].support for lot in suspect} == dict.fromkeys(suspect, "suspect")


@repeatable
@given(HISTORY)
def test_a_day_on_all_clocks_is_a_day_on_all_results(steps: list[Step]) -> None:
    walked = played(steps)
    before = told(walked.assess())
    day = timedelta(days=1)
    for row in walked.scenario.rows:
        row["measured_at"] += day
    walked.ends = {meter: moment + day for meter, moment in walked.ends.items()}
    walked.actions = [(meter, moment + day) for meter, moment in walked.actions]
    assert told(walked.assess()) == changed(before, by=day)


@repeatable
@given(HISTORY)
def test_another_name_of_a_meter_renames_and_changes_nothing(steps: list[Step]) -> None:
    names = {"M1": "Z7"}  # it stands behind M2 now, where it stood before it
    before = told(played(steps).assess())
    walked = played([(what, pause, names.get(meter, meter)) for what, pause, meter in steps])
    walked.scenario.reference["meters"] = walked.scenario.reference["meters"].replace("M1", "Z7")
    assert in_any_order(told(walked.assess())) == in_any_order(changed(before, names=names))


def in_any_order(value: Any) -> Any:
    """Return a value whose lists are told in one order: names of meters decide the order of lists that speak of several."""
    if isinstance(value, dict):
        return {name: in_any_order(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return sorted((in_any_order(inner) for inner in value), key=repr)
    return value


@settings(repeatable, max_examples=6)
@given(HISTORY, st.data())
def test_a_file_in_two_pieces_says_what_it_says_whole(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Step], data: st.DataObject
) -> None:
    header, *lines = neutral_csv(played([step for step in steps if step[0] != "action"]).scenario).splitlines()
    if not lines:
        return
    cut = data.draw(st.integers(0, len(lines)))
    pieces = {"a.csv": [header, *lines[:cut]], "b.csv": [header, *lines[cut:]]}
    names = data.draw(st.permutations(sorted(pieces)))
    whole = loaded(tmp_path_factory.mktemp("whole"), {"a.csv": [header, *lines]}, ["a.csv"])
    assert loaded(tmp_path_factory.mktemp("parts"), pieces, names) == whole


def loaded(root: Path, files: dict[str, list[str]], order: list[str]) -> dict[str, Any]:
    """Load files one after another into a new workspace; return what is said of all they hold."""
    create_workspace(root)
    for name, text in {**REFERENCE, "lots": LOT_TABLE}.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
    workspace = find_workspace(root)
    for name in order:
        path = workspace.inbox / name
        path.write_text("\n".join(files[name]) + "\n", encoding="utf-8")
        assert [report.status for report in load(workspace, [path]).files] == ["loaded"]
    with History.open(workspace.history) as history:
        return told(assess(history, workspace.settings, as_of=None))


def test_order_of_support_is_the_worst_first() -> None:
    assert SUPPORT_ORDER[0] == "suspect"
    assert SUPPORT_ORDER[-1] == "supported"
