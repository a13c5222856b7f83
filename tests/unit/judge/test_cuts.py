"""Where what a meter read is cut in two, told in small stories: a word a minute, what stands in one word was read at one time.

`c` a check of a run that passed, `x` of one that failed, `u` of one that could not be judged; `p` a part, `?` a part without a clock that
is believed, `y` a reading of a study; `s` a reading of a setting, `a` a setting that somebody recorded; `.` nothing.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl
import pytest

from pipeline.history.found import FoundStore
from pipeline.judge.checks import Checks
from pipeline.judge.cuts import AFTER, EARLY, LATE, Cuts, behind_all, cuts_of, no_cuts

if TYPE_CHECKING:
    from pathlib import Path

BEGUN = datetime(2026, 3, 2, 8, tzinfo=UTC)
TICK = timedelta(microseconds=1)
_TIME, _WORD, _NUMBER = pl.Datetime("us", "UTC"), pl.String, pl.Int64
SCHEMAS: dict[str, dict[str, Any]] = {
    "meter_settings": {"meter": _WORD, "at": _TIME},
    "on_blocks": {"meter": _WORD, "measured_at": _TIME, "role": _WORD, "clock": _WORD, "run": _WORD, "temperature_state": _WORD, "sensor": _WORD},
    "late_baselines": {"meter": _WORD},
    "marks": {"meter": _WORD, "measured_at": _TIME, "clock": _WORD},
    "checks": {"meter": _WORD, "at": _TIME, "check": _NUMBER, "run": _NUMBER, "parts_before": _NUMBER},
    "runs": {"meter": _WORD, "run": _NUMBER, "first_at": _TIME, "last_at": _TIME, "passed": pl.Boolean, "parts_before": _NUMBER},
    "part_stream": {"meter": _WORD, "measured_at": _TIME, "clock": _WORD, "parts_before": _NUMBER},
}  # fmt: skip
PASSED = {"c": True, "x": False, "u": None}


def minute(number: int) -> datetime:
    return BEGUN + timedelta(minutes=number)


class Told:
    """Stories of meters, as a load keeps what it found of them."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.recorded = folder, list[Any]()
        self.rows: dict[str, list[dict[str, Any]]] = {name: [] for name in SCHEMAS}

    def of(self, meter: str, story: str) -> Told:
        parts = checks = runs = 0
        last = "p"
        for number, word in enumerate(story.split()):
            moment = {"meter": meter, "measured_at": minute(number)}
            for letter in word.replace(".", ""):
                if letter in PASSED:
                    runs += last not in PASSED
                    checks += 1
                    self._run(meter, runs, minute(number), PASSED[letter], parts)
                    self.rows["checks"].append({"meter": meter, "at": minute(number), "check": checks, "run": runs, "parts_before": parts})  # fmt: skip
                    self.rows["on_blocks"].append({**moment, "role": "block", "clock": "known"})
                elif letter in "py":
                    parts += 1
                    self.rows["part_stream"].append({**moment, "clock": "known", "parts_before": parts})
                    table = "marks" if letter == "p" else "on_blocks"
                    self.rows[table].append({**moment, "role": "block", "clock": "known", "run": "STUDY"})
                elif letter == "?":
                    for table in ("marks", "part_stream"):
                        self.rows[table].append({**moment, "clock": "wrong", "parts_before": None})
                elif letter in "sa":
                    if letter == "s":
                        self.rows["on_blocks"].append({**moment, "role": "setting", "clock": "known"})
                    else:
                        self.recorded.append((meter, minute(number)))
                    if last not in "sa":
                        self.rows["meter_settings"].append({"meter": meter, "at": minute(number)})
                last = letter
        return self

    def _run(self, meter: str, number: int, moment: datetime, passed: bool | None, parts: int) -> None:
        runs = self.rows["runs"]
        if runs and (runs[-1]["meter"], runs[-1]["run"]) == (meter, number):
            runs[-1]["last_at"] = moment
        else:
            runs.append({"meter": meter, "run": number, "first_at": moment, "last_at": moment, "passed": passed, "parts_before": parts})  # fmt: skip

    def kept(self) -> FoundStore:
        store = FoundStore(duckdb.connect(), self.folder / "history.duckdb")
        for name, rows in self.rows.items():
            keys, rows = SCHEMAS[name], rows[::-1]  # no order is promised
            store.put(name, "meter", None, pl.DataFrame([{key: row.get(key) for key in keys} for row in rows], keys))
        return store

    def cut(self, studies: tuple[str, ...] = (), **before: datetime) -> Cuts:
        recorded = pl.DataFrame(self.recorded, {"meter": _WORD, "measured_at": _TIME}, orient="row")
        return cuts_of(self.kept(), before, adjustments=recorded, studies=list(studies))


@pytest.fixture
def told(tmp_path: Path) -> Told:
    return Told(tmp_path)


def row(cuts: Cuts, meter: str = "M1") -> dict[str, Any]:
    (found,) = cuts.at.filter(pl.col("meter") == meter).to_dicts()
    return found


def at_minute(cuts: Cuts, meter: str = "M1") -> int | None:
    """Return the minute of the cut; None where it lies before everything."""
    moment = row(cuts, meter)["at"]
    return None if moment == EARLY else int((moment - BEGUN) / timedelta(minutes=1))


def test_a_cut_lies_at_the_last_setting_before_what_is_new_and_counts_what_stands_before(told: Told) -> None:
    cuts = told.of("M1", "c c p p c s c p c s c").cut(M1=minute(8))
    assert row(cuts) == {"meter": "M1", "at": minute(5), "check": 3, "run": 2, "parts": 2, "judged": 2}
    assert cuts.runs is not None
    assert cuts.parts is not None
    assert cuts.runs.select("meter", "run", "passed").rows() == [("M1", 2, True)]
    assert cuts.parts.height == 0, "no part was read between that run and the setting"


@pytest.mark.parametrize(("new", "cut"), [(minute(7), 2), (minute(7) + TICK, 7)])
def test_what_is_new_at_the_time_of_a_setting_stands_before_it(told: Told, new: datetime, cut: int) -> None:
    assert at_minute(told.of("M1", "c p s c p c p s c").cut(M1=new)) == cut


@pytest.mark.parametrize(
    ("story", "cut"),
    [
        ("c p s c", 2),
        ("c p a c", 2),
        ("c p s s c", 2),
        ("c p s a s c", 2),
        ("c p s p s c", 4),
        ("c s . ? s c", 1),  # a part without a clock stands nowhere, so between no two settings either
        ("c p cs c", None),  # with a check or a part at its time the order of the export decides
        ("c p sc c", None),
        ("c p sp c", None),
        ("c p ap c", None),
        ("c p s c p sp c", 2),
        ("c p cs s c", None),  # it goes on with the setting before
        ("s c p c", None),  # nothing stands before
        ("p s c p c", None),
        ("p p p", None),
    ],
)
def test_a_meter_is_cut_at_the_first_reading_of_a_setting_that_stands_alone(
    told: Told, story: str, cut: int | None
) -> None:
    assert at_minute(told.of("M1", story).cut(M1=minute(30))) == cut


@pytest.mark.parametrize(
    ("story", "parts"),
    [("p c p p s c", 3), ("p c s p c", 1), ("p c pp ? p s c", 4), ("p c y s c", 1), ("p c a p s c", 2)],
)
def test_parts_before_the_cut_are_those_before_the_last_check_and_those_behind_it(
    told: Told, story: str, parts: int
) -> None:
    assert row(told.of("M1", story).cut(M1=minute(30)))["parts"] == parts


def test_readings_of_a_study_count_as_parts_where_they_are_told_as_such(told: Told) -> None:
    told.of("M1", "p c y y s c")
    assert row(told.cut(M1=minute(30)))["parts"] == 1
    assert row(told.cut(("ANOTHER", "STUDY"), M1=minute(30)))["parts"] == 3
    assert row(told.cut(("ANOTHER",), M1=minute(30)))["parts"] == 1


def test_a_setting_within_a_study_is_a_setting_and_no_part(told: Told) -> None:
    told.of("M1", "p c p s c")
    for reading in told.rows["on_blocks"]:
        reading["run"] = "STUDY" if reading["role"] == "setting" else None
    assert row(told.cut(("STUDY",), M1=minute(30)))["parts"] == 2


@pytest.mark.parametrize(("story", "cut"), [("c p cp s c", None), ("c p cp p s c", None), ("c p c p s c", 4), ("c pc s c", None), ("cp c s c", 2)])  # fmt: skip
def test_a_part_at_the_time_of_the_last_check_has_no_place_that_could_be_counted(
    told: Told, story: str, cut: int | None
) -> None:
    assert at_minute(told.of("M1", story).cut(M1=minute(30))) == cut


def test_brackets_reach_back_to_the_last_run_that_could_be_judged(told: Told) -> None:
    cuts = told.of("M1", "c p x p ? u p s p c p s c").cut(M1=minute(9))
    assert (row(cuts)["run"], row(cuts)["judged"], row(cuts)["parts"]) == (3, 2, 3)
    assert cuts.runs is not None
    assert cuts.parts is not None
    assert cuts.runs.select("run", "passed", "parts_before").rows() == [(2, False, 1)]
    assert cuts.parts["measured_at"].sort().to_list() == [minute(3), minute(6)], (
        "with a clock, behind the run, before the cut"
    )


def test_of_each_meter_the_parts_behind_its_own_last_run_are_there(told: Told) -> None:
    cuts = told.of("M1", "c p p s c").of("M2", ". . . . . c p s c").cut(M2=minute(30), M1=minute(30))
    assert cuts.parts is not None
    assert sorted(cuts.parts.select("meter", "measured_at").rows()) == [("M1", minute(1)), ("M1", minute(2)), ("M2", minute(6))]  # fmt: skip


def test_where_no_run_could_be_judged_everything_is_behind_the_cut(told: Told) -> None:
    cuts = told.of("M1", "u p u s c").cut(M1=minute(30))
    assert row(cuts) == {"meter": "M1", "at": EARLY, "check": 0, "run": 0, "parts": 0, "judged": -1}
    assert (cuts.runs, cuts.parts) == (None, None)


@pytest.mark.parametrize("asks", [{"temperature_state": "relative"}, {"sensor": "T1"}])
def test_a_meter_whose_readings_ask_for_what_stands_before_is_not_cut(told: Told, asks: dict[str, str]) -> None:
    told.of("M1", "c p s c p").of("M2", "c c c s c p")
    for reading in told.rows["on_blocks"]:
        if reading["meter"] == "M1" and reading["measured_at"] == minute(3):
            reading.update(asks)
    cuts = told.cut(M1=minute(4), M2=minute(5))
    assert (at_minute(cuts, "M1"), at_minute(cuts, "M2")) == (None, 3)
    assert row(cuts, "M2")["check"] == 3
    assert row(cuts, "M1")["judged"] == -1


def test_a_meter_with_a_baseline_that_late_readings_would_change_is_not_cut(told: Told) -> None:
    told.of("M1", "c p s c p").of("M2", "c c c s c p").rows["late_baselines"].append({"meter": "M1"})
    cuts = told.cut(M1=minute(4), M2=minute(5))
    assert (at_minute(cuts, "M1"), at_minute(cuts, "M2")) == (None, 3)


@pytest.mark.parametrize(("settings", "alone", "found"), [(4, 1, True), (5, 1, False), (5, 2, False), (5, 3, True), (6, 3, False), (6, 4, True)])  # fmt: skip
def test_of_the_years_before_only_the_last_four_settings_are_looked_at(
    told: Told, settings: int, alone: int, found: bool
) -> None:
    """All but one have a check at their time; nothing is known of what came before the first of those that are looked at."""
    words = ["p c s p" if number == alone else "p c sc p" for number in range(1, settings + 1)]
    # of another meter everything is looked at
    cuts = told.of("M1", " ".join(words)).of("M2", "p c s p").cut(M1=minute(99), M2=minute(99))
    assert at_minute(cuts) == (4 * alone - 2 if found else None)
    assert at_minute(cuts, "M2") == 2


def test_a_setting_at_the_time_of_what_is_new_is_none_of_the_four(told: Told) -> None:
    told.of("M1", "p c s p" + " p c sc p" * 4)
    assert at_minute(told.cut(M1=minute(18))) == 2
    assert at_minute(told.cut(M1=minute(18) + TICK)) is None


def test_what_stands_before_is_numbered_on_by_meter() -> None:
    at = [("M1", BEGUN, 3, 2, 5, 2), ("M2", BEGUN, 10, 7, 0, 7)]
    cuts = Cuts(at=pl.DataFrame(at, schema=no_cuts([]).at.schema, orient="row"))
    rows = pl.DataFrame({"meter": ["M1", "M2", "M3"], "check": [1, 1, 1], "run": [2, 2, 2], "parts_before": [4, 4, 4]})
    none = pl.DataFrame()
    on = cuts.numbered_on(Checks(rows, rows.drop("check"), none, none, none, rows.select("meter", "parts_before")))
    assert on.checks.rows() == [("M1", 4, 4, 9), ("M2", 11, 9, 4), ("M3", 1, 2, 4)]
    assert on.runs.rows() == [("M1", 4, 9), ("M2", 9, 4), ("M3", 2, 4)]
    assert on.part_stream.rows() == [("M1", 9), ("M2", 4), ("M3", 4)]
    whole = Checks(rows, rows, none, none, none, rows)
    assert no_cuts([]).numbered_on(whole) is whole


def test_behind_a_cut_stands_what_was_read_at_its_time_or_later_and_what_has_a_cut_of_none(told: Told) -> None:
    cuts = told.of("M1", "c p s c").cut(M1=minute(30), M2=minute(30))
    times = [minute(2) - TICK, minute(2), None]
    frame = pl.DataFrame(
        {"meter": ["M1"] * 3 + ["M2"] * 3 + ["M3"] * 3, "at": times * 3}, {"meter": _WORD, "at": _TIME}
    )
    behind = cuts.behind(frame, "at")
    assert behind.filter(pl.col("meter") == "M1")["at"].to_list() == [minute(2)]
    for meter in ("M2", "M3"):
        assert behind.filter(pl.col("meter") == meter)["at"].to_list() == times
    assert no_cuts([]).behind(frame, "at") is frame


def test_behind_all_cuts_begins_with_the_first_of_them() -> None:
    at = pl.DataFrame({"meter": ["M1", "M2"], "at": [minute(9), minute(4)]}, {"meter": _WORD, "at": _TIME})
    assert behind_all(at) == (minute(4), LATE)
    since, until = behind_all(at.clear())
    assert since >= until, "of no meter no row"


def test_meters_that_are_not_cut_stand_by_name(told: Told) -> None:
    cuts = told.of("M2", "c p").of("M1", "c p").cut(M2=minute(9), M1=minute(9))
    assert cuts.at["meter"].to_list() == ["M1", "M2"]


def test_no_cut_lies_before_everything() -> None:
    cuts = no_cuts(["M1", "M2"])
    assert cuts.at["meter"].to_list() == ["M1", "M2"]
    assert datetime(1900, 1, 1, tzinfo=UTC) > EARLY
    assert datetime(2900, 1, 1, tzinfo=UTC) < LATE
    assert row(cuts, "M2") == {"meter": "M2", "at": EARLY, "check": 0, "run": 0, "parts": 0, "judged": -1}


@pytest.mark.parametrize(
    ("name", "rows", "behind"),
    [
        ("on_blocks", [{"measured_at": minute(2) - TICK}, {"measured_at": minute(2)}], [1]),
        ("unused", [{"measured_at": minute(2) - TICK}, {"measured_at": minute(2)}], [1]),
        ("marks", [{"measured_at": minute(1), "clock": c} for c in ("known", "wrong")], [1]),
        ("part_stream", [{"measured_at": minute(n), "clock": "known"} for n in (1, 2)], [1]),
        ("checks", [{"check": n} for n in (1, 2, 3)], [2]),
        ("runs", [{"run": n} for n in (4, 5, 6)], [2]),
        ("meter_settings", [{"at": minute(1)}, {"at": minute(2)}], [1]),
        ("late_baselines", [{"at": minute(1)}], [0]),
        ("brackets", [{"before_run": n, "unknown_clock": u} for n, u in ((2, 0), (3, 0), (None, 0), (None, 1))], [1, 3]),
    ],
)  # fmt: skip
def test_of_each_table_those_rows_go_that_lie_behind_the_cut_or_reach_across_it(
    told: Told, name: str, rows: list[dict[str, Any]], behind: list[int]
) -> None:
    """The cut lies at minute 2, behind check 2 and run 5, and run 3 is the last that could be judged."""
    store = FoundStore(duckdb.connect(), told.folder / "history.duckdb")
    frame = pl.DataFrame([{"meter": "M1", **one, "number": n} for n, one in enumerate(rows)])
    store.put(name, "meter", None, frame)
    at = pl.DataFrame([("M1", minute(2), 2, 5, 0, 3)], schema=no_cuts([]).at.schema, orient="row")
    assert store.read(name, "meter", where=(AFTER[name], at))["number"].to_list() == behind
