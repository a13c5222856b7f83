"""How fast pages are written: python tests/benchmark/pages.py --lots 2000.

Prints pages a second with one process and with as many as the machine has cores, on the same assessed history, the share of
what the drawing engine costs, and how long a second rendering takes that finds nothing changed.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]


def measure(folder: Path, lots: int, readings_per_lot: int = 100) -> dict[str, Any]:
    """Load a history and write its pages in several ways."""
    from benchmark import generate

    from pipeline.history.store import History
    from pipeline.judge.assess import assess
    from pipeline.load.load import load_files, take_over_reference
    from pipeline.pages.lots_and_meters import index_page, lot_pages, meter_pages
    from pipeline.pages.writer import processes, write_pages
    from pipeline.workspace.settings import Settings, find_workspace
    from reports import address
    from reports.kit import charts

    export = folder / "inbox" / "readings.csv"
    generate.write_workspace(folder, lots)
    generate.write_readings(export, lots * readings_per_lot, lots)
    workspace, now = find_workspace(folder), datetime(2026, 1, 1, tzinfo=UTC)
    take_over_reference(workspace, now=now)
    load_files(workspace, [export], now=now)
    with History.open(workspace.history) as history:
        assessment, sources = assess(history, workspace.settings, as_of=None), history.sources()
        index = index_page(workspace, assessment, history, sources)
    known = [
        *(address("lot", lot) for lot in assessment.lots),
        *(address("meter", m) for m in assessment.meters),
        "index.html",
    ]

    def write(count: int, *, always: bool) -> tuple[float, int]:
        def pages() -> Any:
            yield from lot_pages(workspace, assessment, sources)
            yield from meter_pages(workspace, assessment, sources)
            yield index

        start = time.perf_counter()
        found = write_pages(workspace, pages(), always=always, known=known, processes=count)
        took = time.perf_counter() - start
        assert len(found) >= len(known)  # what is long has a page of its own
        assert all(report.written == always for report in found)
        return took, len(found)

    start = time.perf_counter()
    made = sum(1 for _ in lot_pages(workspace, assessment, sources))
    making = time.perf_counter() - start
    drawing, real = 0.0, charts.vl_convert.vega_to_svg

    def timed(*given: Any, **options: Any) -> Any:
        nonlocal drawing
        begun = time.perf_counter()
        drawn = real(*given, **options)
        drawing += time.perf_counter() - begun
        return drawn

    charts.vl_convert.vega_to_svg = timed
    try:
        one, pages = write(1, always=True)
    finally:
        charts.vl_convert.vega_to_svg = real
    cores = processes(Settings())
    several, _ = write(cores, always=True)
    again, _ = write(1, always=False)
    sizes = sorted(path.stat().st_size for path in workspace.pages.rglob("*.html"))
    return {
        "pages": pages, "lots": made, "processes": cores, "pages_per_second_one_process": pages / one,
        "pages_per_second": pages / several, "share_of_drawing": drawing / one, "share_of_gathering": making / one,
        "nothing_changed_s": again, "index_bytes": (workspace.pages / "index.html").stat().st_size,
        "median_bytes": sizes[len(sizes) // 2], "largest_bytes": sizes[-1],
    }  # fmt: skip


def main() -> None:
    """Print the figures as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lots", type=int, default=2000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps(measure(Path(folder), given.lots), indent=1))


if __name__ == "__main__":
    main()
