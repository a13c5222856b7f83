"""How fast pages are written: python tests/benchmark/pages.py --lots 2000.

Prints pages a second with one process and with as many as the machine has cores, on the same assessed history; by part, the
milliseconds of processor that a page costs, which say more on a machine that others use, and those of all processes, their start included; and what a rendering costs, judgement
included, that finds nothing changed.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest import mock

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]


def measure(folder: Path, lots: int, readings_per_lot: int = 100) -> dict[str, Any]:
    """Load a history and write its pages in several ways."""
    from benchmark import generate

    from pipeline.history.store import History
    from pipeline.judge.assess import assess
    from pipeline.load.load import load_files
    from pipeline.load.take_over import take_over_reference
    from pipeline.pages import writer
    from pipeline.pages.lots_and_meters import index_page, lot_pages, meter_pages
    from pipeline.pages.render import render
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

    def write(count: int) -> tuple[float, float, int]:
        def pages() -> Any:
            yield from lot_pages(workspace, assessment, sources)
            yield from meter_pages(workspace, assessment, sources)
            yield index

        start, begun = time.perf_counter(), time.process_time()
        found = write_pages(workspace, pages(), always=True, known=known, processes=count, due=len(known))
        assert len(found) >= len(known)  # what is long has a page of its own
        return time.perf_counter() - start, time.process_time() - begun, len(found)

    begun = time.process_time()
    made = sum(1 for _ in lot_pages(workspace, assessment, sources))
    gathering = time.process_time() - begun
    spent = dict.fromkeys(("drawing", "writing"), 0.0)

    def timed(part: str, real: Any) -> Any:
        def work(*given: Any, **options: Any) -> Any:
            begun = time.process_time()
            try:
                return real(*given, **options)
            finally:
                spent[part] += time.process_time() - begun

        return work

    with (
        mock.patch.object(charts.vl_convert, "vega_to_svg", timed("drawing", charts.vl_convert.vega_to_svg)),
        mock.patch.object(writer, "write_atomically", timed("writing", writer.write_atomically)),
    ):
        one, whole, pages = write(1)
    cores = processes(Settings())
    before = os.times()
    several, *_ = write(cores)
    after = os.times()
    of_all = sum(
        getattr(after, part) - getattr(before, part) for part in ("user", "system", "children_user", "children_system")
    )
    render(workspace)
    start, begun = time.perf_counter(), time.process_time()
    assert not any(report.written for report in render(workspace)[0])
    again, again_spent = time.perf_counter() - start, time.process_time() - begun
    sizes = sorted(path.stat().st_size for path in workspace.pages.rglob("*.html"))
    return {
        "pages": pages, "lots": made, "processes": cores, "pages_per_second_one_process": pages / one,
        "pages_per_second": pages / several,
        "processor_ms_a_page": {
            name: round(1000 * seconds / pages, 1)
            for name, seconds in {
                "whole": whole, "gathering": gathering, **spent, "markup": whole - gathering - sum(spent.values()),
            }.items()
        },
        "processor_ms_a_page_all_processes": round(1000 * of_all / pages, 1),
        "nothing_changed_s": again, "nothing_changed_processor_s": again_spent,
        "index_bytes": (workspace.pages / "index.html").stat().st_size,
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
