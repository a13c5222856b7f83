"""The benchmark: ratios in one run, printed as a table and written as JSON.

    python tests/benchmark/run.py --readings 1000000 --lots 5000 --json out.json

Intake and storage of a neutral export against DuckDB's own load of the same file with the schema given; the analysis of the
history against a straightforward script with pandas and SciPy, and against a bare polars group-by; what orchestration costs.
Each measurement runs in a process of its own; those that are compared alternate, and the ratio stated is the median of the
ratios of neighbours, because seconds of a shared machine say little.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

HERE = Path(__file__).resolve().parent
ROUND = ("intake_product", "intake_duckdb", "analysis_product", "analysis_pandas", "group_by")
"""What one repetition measures, in this order."""


@dataclass(frozen=True)
class Ratio:
    """One line of the table: a ratio of two figures of the same repetition, and the goal."""

    name: str
    title: str
    value: Callable[[dict[str, Any]], float]
    goal: str = ""


RATIOS = (
    Ratio(
        "intake_to_duckdb",
        "intake and storage ÷ DuckDB's bare load",
        lambda r: r["intake_product"]["intake_seconds"] / r["intake_duckdb"]["intake_seconds"],
        "≤ 8, later ≤ 4",
    ),
    Ratio(
        "intake_to_duckdb_processors",
        "  the same in processor time",
        lambda r: r["intake_product"]["intake_processor_seconds"] / r["intake_duckdb"]["intake_processor_seconds"],
    ),
    Ratio(
        "pandas_to_analysis",
        "pandas + SciPy script ÷ analysis, the script without its reading of the CSV",
        lambda r: r["analysis_pandas"]["analysis_seconds"] / r["analysis_product"]["analysis_seconds"],
        "≥ 5, later ≥ 20",
    ),
    Ratio(
        "pandas_to_analysis_processors",
        "  the same in processor time",
        lambda r: (
            r["analysis_pandas"]["analysis_processor_seconds"] / r["analysis_product"]["analysis_processor_seconds"]
        ),
    ),
    Ratio(
        "pandas_with_reading_to_analysis",
        "pandas + SciPy script ÷ analysis, the script with its reading of the CSV",
        lambda r: (
            (r["analysis_pandas"]["read_seconds"] + r["analysis_pandas"]["analysis_seconds"])
            / r["analysis_product"]["analysis_seconds"]
        ),
    ),
    Ratio(
        "analysis_to_group_by",
        "analysis ÷ bare polars group-by",
        lambda r: r["analysis_product"]["analysis_seconds"] / r["group_by"]["group_by_seconds"],
        "≤ 15 (later)",
    ),
    Ratio(
        "analysis_to_fetch_and_group_by",
        "analysis ÷ (fetch of the readings + bare polars group-by)",
        lambda r: (
            r["analysis_product"]["analysis_seconds"]
            / (r["group_by"]["fetch_seconds"] + r["group_by"]["group_by_seconds"])
        ),
    ),
)


def measure(name: str, folder: Path, readings: int, lots: int) -> dict[str, Any]:
    """Run one measurement in a process of its own."""
    done = subprocess.run(
        [sys.executable, str(HERE / "measure.py"), name, str(folder), str(readings), str(lots)],
        stdout=subprocess.PIPE,
        check=True,
        text=True,
    )
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def command(workspace: Path, *words: str) -> float:
    """Return the seconds that a command takes, from the shell's point of view."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "load", *words, "--workspace", str(workspace)],
        env=environment,
        cwd=HERE.parent.parent,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        check=False,
        text=True,
    )
    if done.returncode not in (0, 3, 4):
        raise RuntimeError(f"annealog load {' '.join(words)} ended with {done.returncode}: {done.stderr}")
    return time.perf_counter() - start


def orchestration(folder: Path, repeat: int) -> dict[str, Any]:
    """Time `annealog load` of a tiny file: without Prefect, with a new home of the flow server, and with one it had before."""
    sys.path.insert(0, str(HERE.parent))
    from benchmark.generate import write_readings, write_workspace

    found: dict[str, Any] = {"direct": [], "cold": [], "warm": []}
    for number in range(repeat):
        place = folder / f"tiny-{number}"
        write_workspace(place, 3)
        whole = place / "whole.csv"
        write_readings(whole, 360, 3)
        header, *lines = whole.read_text(encoding="utf-8").splitlines(keepends=True)
        for part, name in enumerate(found):
            export = place / "inbox" / f"{name}.csv"
            export.write_text(header + "".join(lines[120 * part : 120 * (part + 1)]), encoding="utf-8")
            found[name].append(command(place, str(export), *(["--direct"] if name == "direct" else [])))
    return found


def table(document: dict[str, Any]) -> str:
    """Return the document as text to read."""
    about, figures = document["about"], document["measurements"]
    lines = [
        (
            f"{about['readings']:,} readings in {about['lots']:,} lots, {about['bytes'] / 1e6:.0f} MB; "
            f"{about['repeats']} repetitions, {about['processors']} processors"
        ),
        "",
        f"{'ratio (median of neighbours)':<78}{'reached':>9}  goal",
    ]
    for ratio in RATIOS:
        entry = document["ratios"][ratio.name]
        lines.append(f"{ratio.title:<78}{entry['median']:>9.2f}  {ratio.goal}")
    lines += ["", f"{'what':<40}{'wall s':>10}{'processor s':>13}{'peak memory MB':>16}"]
    for name, part in (
        ("intake_product", "intake"), ("intake_product", "reference"), ("intake_duckdb", "intake"),
        ("analysis_product", "analysis"), ("analysis_pandas", "read"), ("analysis_pandas", "analysis"),
        ("group_by", "fetch"), ("group_by", "group_by"),
    ):  # fmt: skip
        wall, processors, memory = (
            median(row[key] for row in figures[name])
            for key in (f"{part}_seconds", f"{part}_processor_seconds", "peak_memory_mb")
        )
        lines.append(f"{name + ': ' + part:<40}{wall:>10.2f}{processors:>13.2f}{memory:>16.0f}")
    lines.append(f"verdicts of the product {figures['analysis_product'][0]['verdicts']}")
    lines.append(f"verdicts of the script  {figures['analysis_pandas'][0]['verdicts']}")
    for what in ("intake", "analysis"):
        lines += ["", f"where the time goes: {what:<57}{'share':>7}{'seconds':>9}{'calls':>8}"]
        lines += [
            f"  {row['function']:<76}{row['share']:>7.1%}{row['cumulative']:>9.2f}{row['calls']:>8}"
            for row in document["where_the_time_goes"][what]
        ]
    if document["orchestration"]:
        found = document["orchestration"]
        lines += [
            "",
            (
                f"annealog load of a tiny file: {found['direct_seconds']:.2f} s --direct; orchestration adds "
                f"{found['added_cold_seconds']:.2f} s cold (goal ≤ 7), {found['added_warm_seconds']:.2f} s warm, and "
                f"{found['added_further_flow_seconds']:.3f} s a further flow (goal ≤ 0.2)"
            ),
        ]
    return "\n".join(lines)


def run(readings: int, lots: int, repeat: int, folder: Path, *, with_orchestration: bool) -> dict[str, Any]:
    """Measure everything."""

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    say(f"generating {readings:,} readings")
    generated = measure("generate", folder, readings, lots)
    rounds: list[dict[str, Any]] = []
    for number in range(repeat):
        done = {}
        for name in ROUND:
            say(f"repetition {number + 1} of {repeat}: {name}")
            done[name] = measure(name, folder, readings, lots)
        rounds.append(done)
    say("profiling")
    profiles = {
        what: measure(f"profile_{what}", folder, readings, lots)["functions"] for what in ("intake", "analysis")
    }
    added: dict[str, Any] = {}
    if with_orchestration:
        say("orchestration")
        seconds = orchestration(folder, repeat)
        flows = measure("further_flows", folder, readings, lots)
        direct = median(seconds["direct"])
        added = {
            "direct_seconds": direct,
            "added_cold_seconds": median(seconds["cold"]) - direct,
            "added_warm_seconds": median(seconds["warm"]) - direct,
            # the first flow of a process pays for imports
            "added_further_flow_seconds": median(flows["flow_seconds"][1:]) - median(flows["direct_seconds"][1:]),
            "commands": seconds,
            "flows": flows,
        }
    return {
        "about": {
            "readings": readings,
            "lots": lots,
            "bytes": generated["bytes"],
            "repeats": repeat,
            "processors": os.cpu_count(),
            "python": platform.python_version(),
            "versions": {
                name: importlib.metadata.version(name) for name in ("polars", "duckdb", "pandas", "scipy", "prefect")
            },
        },
        "ratios": {
            ratio.name: {
                "median": median(ratio.value(one) for one in rounds),
                "all": [ratio.value(one) for one in rounds],
                "goal": ratio.goal,
            }
            for ratio in RATIOS
        },
        "measurements": {name: [one[name] for one in rounds] for name in ROUND},
        "where_the_time_goes": profiles,
        "orchestration": added,
    }


def main() -> None:
    """Parse the arguments, measure, print the table and write the JSON."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=1_000_000, help="readings in the export")
    parser.add_argument("--lots", type=int, default=5_000, help="lots among which they are divided")
    parser.add_argument("--repeat", type=int, default=3, help="repetitions of what is compared")
    parser.add_argument("--json", type=Path, help="where to write the figures")
    parser.add_argument("--folder", type=Path, help="an existing folder to work in; default: a temporary one")
    parser.add_argument("--without-orchestration", action="store_true", help="leave the flows out")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        document = run(
            given.readings, given.lots, given.repeat, Path(folder), with_orchestration=not given.without_orchestration
        )
    print(table(document))
    if given.json:
        given.json.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
