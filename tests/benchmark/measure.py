"""The single measurements of the benchmark, each run by `run.py` in a process of its own.

Every function takes the benchmark's folder and gives plain numbers: seconds of wall clock and of processors for what is
measured (imports and preparations left out), and the highest memory of the whole process.
"""

from __future__ import annotations

import cProfile
import json
import pstats
import resource
import shutil
import sys
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

NOW = datetime(2027, 1, 4, tzinfo=UTC)
EXPORT = "readings.csv"
KEPT = "works"
"""Workspace whose history the analyses read."""

DUCKDB_COLUMNS = {
    "measured_at": "TIMESTAMPTZ",
    "meter": "VARCHAR",
    "role": "VARCHAR",
    "lot": "VARCHAR",
    "part": "VARCHAR",
    "spot": "VARCHAR",
    "block": "VARCHAR",
    "sequence": "BIGINT",
    "value": "DOUBLE",
    "unit": "VARCHAR",
    "temperature_c": "DOUBLE",
    "temperature_state": "VARCHAR",
}


@contextmanager
def timed(into: dict[str, float], name: str) -> Iterator[None]:
    """Add seconds of wall clock and of processors."""
    wall, processors = time.perf_counter(), time.process_time()
    yield
    into[f"{name}_seconds"] = time.perf_counter() - wall
    into[f"{name}_processor_seconds"] = time.process_time() - processors


def generate(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Write the export."""
    from benchmark.generate import write_readings

    found: dict[str, Any] = {}
    with timed(found, "generate"):
        write_readings(folder / EXPORT, readings, lots)
    return found | {"bytes": (folder / EXPORT).stat().st_size}


def _workspace(folder: Path, lots: int) -> Any:
    from benchmark.generate import write_workspace

    from pipeline.workspace.settings import find_workspace

    shutil.rmtree(folder, ignore_errors=True)
    write_workspace(folder, lots)
    return find_workspace(folder)


def intake_product(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Load the export into an empty history: read, archive, match, validate, identify, insert, checkpoint."""
    import pandera.polars  # noqa: F401 - as in analysis_product

    from pipeline.load.load import load_files
    from pipeline.load.take_over import take_over_reference

    place = folder / "works-new"
    workspace = _workspace(place, lots)
    found: dict[str, Any] = {}
    with timed(found, "reference"):
        take_over_reference(workspace, now=NOW)
    with timed(found, "intake"):
        (report,) = load_files(workspace, [folder / EXPORT], now=NOW)
    if report.readings != readings:
        raise RuntimeError(f"{report.readings} of {readings} readings were loaded: {report.sentence}")
    found["history_bytes"] = workspace.history.stat().st_size
    if (folder / KEPT).exists():
        shutil.rmtree(place)
    else:
        place.rename(folder / KEPT)
    return found


def intake_duckdb(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Let DuckDB load the same file by itself, with the schema given, into a file of its own."""
    import duckdb

    place = folder / "bare.duckdb"
    place.unlink(missing_ok=True)
    columns = ", ".join(f"'{name}': '{kind}'" for name, kind in DUCKDB_COLUMNS.items())
    found: dict[str, Any] = {}
    with timed(found, "intake"):
        connection = duckdb.connect(str(place))
        connection.execute(
            f"CREATE TABLE reading AS SELECT * FROM read_csv('{folder / EXPORT}', auto_detect = false, header = true, "
            f"delim = ',', columns = {{{columns}}})"
        )
        connection.execute("CHECKPOINT")
        counted = connection.execute("SELECT count(*) FROM reading").fetchall()[0][0]
        connection.close()
    if counted != readings:
        raise RuntimeError(f"DuckDB loaded {counted} of {readings} readings")
    place.unlink()
    return found


def analysis_product(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Assess every lot and meter from the stored history."""
    import pandera.polars  # noqa: F401 - the product imports it at first use; imports are left out on both sides

    from pipeline.history.store import History
    from pipeline.judge.assess import assess
    from pipeline.workspace.settings import find_workspace

    workspace = find_workspace(folder / KEPT)
    found: dict[str, Any] = {}
    with timed(found, "analysis"), History.open(workspace.history) as history:
        assessed = assess(history, workspace.settings, as_of=None)
    return found | {"verdicts": _counts(result.verdict for result in assessed.lots.values())}


def analysis_pandas(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Do the same analysis by the script with pandas and SciPy, from the export."""
    from benchmark import baseline_pandas

    found: dict[str, Any] = {}
    reference = baseline_pandas.read_reference(folder / KEPT / "reference")
    with timed(found, "read"):
        frame = baseline_pandas.read_readings(folder / EXPORT)
    with timed(found, "analysis"):
        result = baseline_pandas.analyse(frame, reference)
    return found | {"verdicts": _counts(result["verdict"])}


def group_by(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Fetch the readings, then group the values by lot, part and spot with polars, and nothing else."""
    import polars as pl

    from pipeline.history.store import History
    from pipeline.workspace.settings import find_workspace

    workspace = find_workspace(folder / KEPT)
    found: dict[str, Any] = {}
    with History.open(workspace.history) as history, timed(found, "fetch"):
        frame = history.readings()
    value = pl.col("value_ms_per_m")
    with timed(found, "group_by"):
        frame.group_by("lot", "part", "spot").agg(
            pl.len(), value.mean(), value.std().alias("deviation"), value.min().alias("low"), value.max().alias("high")
        )
    return found


def _counts(words: Any) -> dict[str, int]:
    counts: dict[str, int] = {}
    for word in words:
        counts[word] = counts.get(word, 0) + 1
    return dict(sorted(counts.items()))


def profile_intake(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Say where the time of the intake goes."""
    import pandera.polars  # noqa: F401

    from pipeline.load.load import load_files
    from pipeline.load.take_over import take_over_reference

    place = folder / "works-profile"
    workspace = _workspace(place, lots)
    take_over_reference(workspace, now=NOW)
    found = _profile(lambda: load_files(workspace, [folder / EXPORT], now=NOW))
    shutil.rmtree(place)
    return found


def profile_analysis(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Say where the time of the analysis goes."""
    import pandera.polars  # noqa: F401

    from pipeline.history.store import History
    from pipeline.judge.assess import assess
    from pipeline.workspace.settings import find_workspace

    workspace = find_workspace(folder / KEPT)
    with History.open(workspace.history) as history:
        return _profile(lambda: assess(history, workspace.settings, as_of=None))


def _profile(work: Callable[[], Any], most: int = 15) -> dict[str, Any]:
    profile = cProfile.Profile()
    profile.runcall(work)
    rows = []
    for (file, _, name), (_, calls, own, cumulative, _) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        path = Path(file)
        if path.is_relative_to(ROOT) and path.relative_to(ROOT).parts[0] in ("pipeline", "schemas"):
            module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            if not name.startswith("<"):
                rows.append({"function": f"{module}.{name}", "calls": calls, "own": own, "cumulative": cumulative})
    rows.sort(key=lambda row: (-row["cumulative"], row["function"]))
    whole = rows[0]["cumulative"]
    return {"functions": [{**row, "share": row["cumulative"] / whole} for row in rows[:most]]}


def further_flows(folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Time flows in one command beyond the first, against the same work without Prefect."""
    from pipeline import flows
    from pipeline.load.load import load

    workspace = _workspace(folder / "works-flows", 3)
    load(workspace, [], now=NOW)
    found: dict[str, Any] = {"direct_seconds": [], "flow_seconds": []}
    with flows.carrying_out(workspace, direct=False) as run:
        for _ in range(5):
            start = time.perf_counter()
            load(workspace, [], now=NOW)
            between = time.perf_counter()
            run("load", lambda step: load(workspace, [], step=step, now=NOW), {})
            found["direct_seconds"].append(between - start)
            found["flow_seconds"].append(time.perf_counter() - between)
    shutil.rmtree(workspace.root)
    return found


MEASUREMENTS = {
    function.__name__: function
    for function in (
        generate, intake_product, intake_duckdb, analysis_product, analysis_pandas, group_by, profile_intake,
        profile_analysis, further_flows,
    )
}  # fmt: skip


def main() -> None:
    """Run one measurement: name, folder, readings, lots; JSON on standard output."""
    name, folder, readings, lots = sys.argv[1:]
    found = MEASUREMENTS[name](Path(folder), int(readings), int(lots))
    # kilobytes on Linux, bytes on macOS
    unit = 1 if sys.platform == "darwin" else 1024
    found["peak_memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6
    print(json.dumps(found))


if __name__ == "__main__":
    main()
