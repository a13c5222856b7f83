"""Names made to break out, through the whole program: every kind of page it writes shows them as text, fetches nothing."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from parsed_pages import Parsed
from scenario import Scenario
from workspace_files import neutral_csv

if TYPE_CHECKING:
    from workspace_files import Shell

NAMES = {
    "L1": "</script><script>alert(1)</script>",
    "L2": '"><img src=x onerror=alert(2)>',
    "Q": "' onmouseover='alert(3)' x='",
    "bar": "</title><svg onload=alert(4)>",
    "B1": '=HYPERLINK("http://example.invalid/","x")',
    "M1": "../../{{7*7}} <b>M</b> javascript:alert(5)",
    "copper": "--></style><style>*{display:none}</style>",
}


def renamed(text: str) -> str:
    """Return a table with those names in place of the harmless ones, quoted as CSV asks for."""
    written = io.StringIO()
    rows = list(csv.reader(io.StringIO(text)))
    csv.writer(written, lineterminator="\n").writerows(
        [rows[0], *([NAMES.get(cell, cell) for cell in row] for row in rows[1:])]
    )
    return written.getvalue()


def test_hostile_names_stay_text_on_every_kind_of_page(shell: Shell, visit: Any) -> None:
    shell("init", ".")
    scenario = Scenario().check("08:00").lot("08:30").check("09:00", bias=1.2).lot("09:30", lot="L2").check("10:00")
    for name, table in scenario.reference.items():
        (shell.root / "reference" / f"{name}.csv").write_text(renamed(table), encoding="utf-8")
    export = shell.root / "inbox" / "<img src=x onerror=alert(6)>.csv"
    export.write_text(renamed(neutral_csv(scenario)), encoding="utf-8")
    report = shell.json("load", "inbox", "--direct")
    assert [(item["status"], item["fates"]["quarantined"]) for item in report["files"]] == [("loaded", 0)], report
    shell("review", "2026-03", "--direct")
    pages = shell.json("render", "--direct")["pages"]
    assert shell.code in (0, 3, 4)
    found = sorted((shell.root / "pages").rglob("*.html"))
    assert {"lots", "meters", "events", "suppliers", "processes", "reviews"} <= {path.parent.name for path in found}
    assert len(pages) <= len(found)
    seen, without = set(), set()
    for path in found:
        assert re.fullmatch(r"[A-Za-z0-9._~-]+", path.name), path.name
        parsed = Parsed(path.read_text(encoding="utf-8"))
        assert not {tag for tag, _ in parsed.elements} & {"img", "iframe", "object", "form", "foreignobject"}
        assert not [
            key for _, attributes in parsed.elements for key in attributes if key.startswith("on") or key == "style"
        ]
        for href in parsed.values("href"):
            assert (
                href == "data:," or href.startswith("#") or re.fullmatch(r"[A-Za-z0-9._~/-]+(#[A-Za-z0-9_-]+)?", href)
            ), href
        said = {name for name in NAMES.values() if name in parsed.text}
        if not said and path.parent in without:
            continue  # as in the handbook, which has no text of the site: one such page of a folder is opened
        seen |= said
        without |= set() if said else {path.parent}
        for scripts in (True, False):
            opened = visit(path, scripts=scripts)
            assert (opened.complaints, opened.outside) == ([], []), path.name
            assert opened.page.locator("h1").is_visible()
    assert seen == set(NAMES.values())


def test_hostile_names_stay_text_in_json_and_on_the_terminal(shell: Shell) -> None:
    shell("init", ".")
    scenario = Scenario().check("08:00").lot("08:30").check("09:00")
    for name, table in scenario.reference.items():
        (shell.root / "reference" / f"{name}.csv").write_text(renamed(table), encoding="utf-8")
    (shell.root / "inbox" / "a.csv").write_text(renamed(neutral_csv(scenario)), encoding="utf-8")
    shell("load", "inbox", "--direct")
    lot = shell.json("lot", NAMES["L1"])
    assert lot["lot"] == NAMES["L1"]
    assert Path(lot["page"]).is_file()
    assert Path(lot["page"]).resolve().is_relative_to((shell.root / "pages").resolve())
    assert json.loads(json.dumps(lot)) == lot
    printed = shell("lot", NAMES["L1"])
    assert NAMES["L1"] in printed
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", printed)
