"""`annealog reference` and `annealog certificate` through the command line. Invented numbers."""

from __future__ import annotations

import csv
import hashlib
from datetime import date
from typing import TYPE_CHECKING

import openpyxl
from sample_certificates import certificate, quantity
from scenario import Scenario

from pipeline.certificates.reading import read_certificate
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from workspace_files import Shell


def rows(shell: Shell, table: str) -> list[dict[str, str]]:
    with (shell.root / "reference" / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_every_table_says_its_columns(shell: Shell) -> None:
    for name, table in REFERENCE_TABLES.items():
        document = shell.json("reference", "columns", name)
        assert [column["column"] for column in document["columns"]] == list(table.names)
    shell("reference", "columns", "blok")
    assert (shell.code, "did you mean 'blocks'?" in shell.err) == (2, True)


def test_a_row_is_added_where_the_table_holds_with_it_and_nowhere_else(shell: Shell) -> None:
    shell.make()
    before = (shell.root / "reference" / "lots.csv").read_text()
    shell("reference", "add", "lot", "lot=L9", "product=bar", "heat=H,1", "--dry-run")
    assert (shell.code, (shell.root / "reference" / "lots.csv").read_text()) == (0, before)
    shell("reference", "add", "lot", "lot=L9", "product=bar", "heat=H,1")
    assert shell.code == 0
    # a column that was not there is added; what stood there keeps its cells
    assert rows(shell, "lots")[-1] == {
        "lot": "L9", "product": "bar", "material": "", "specification": "", "supplier": "", "heat": "H,1",
    }  # fmt: skip
    assert [row["product"] for row in rows(shell, "lots")[:2]] == ["bar", "bar"]
    text = (shell.root / "reference" / "lots.csv").read_text()
    for wrong, said in (
        ("lot=L9", "valid_from="),
        ("lott=L8", "did you mean 'lot'?"),
        ("lot", "expected COLUMN=VALUE"),
        ("product=bar", "a value is needed"),
        ("lot=L8 received_on=2026-02-30", "expected a date"),
        ("lot=L8 lot=L7", "given twice"),
    ):
        shell("reference", "add", "lots", *wrong.split())
        assert (shell.code, said in shell.err) == (2, True), (wrong, shell.err)
        assert (shell.root / "reference" / "lots.csv").read_text() == text
    shell("reference", "add", "lots", "lot=L9", "product=rod", "valid_from=2026-03-05")
    assert (shell.code, rows(shell, "lots")[-1]["valid_from"]) == (0, "2026-03-05")


def test_a_certificate_becomes_a_version_of_its_block_and_lies_in_the_archive(shell: Shell) -> None:
    shell.make()
    data = certificate(quantity("58.080"), item="B1")
    (shell.root / "b1.xml").write_bytes(data)
    document = shell.json("reference", "import", "b1.xml", "--dry-run")
    assert (shell.code, document["written"], document["questions"]) == (0, [], [])
    assert not list(shell.root.glob("archive/*/*"))
    document = shell.json("reference", "import", "b1.xml")
    sha256 = hashlib.sha256(data).hexdigest()
    assert (shell.root / "archive" / sha256[:2] / sha256).read_bytes() == data
    row = rows(shell, "blocks")[-1]
    # the material, which no certificate states, stays: without it no temperature could be corrected
    assert (row["block"], row["certified_value"], row["material"]) == ("B1", "58.080", "copper")
    assert (row["valid_from"], row["certificate_file"]) == ("2026-02-11", sha256)
    # a second time is a version that stands there already
    shell("reference", "import", "b1.xml")
    assert (shell.code, "already with the same valid_from" in shell.err) == (2, True)


def test_the_value_of_a_certificate_judges_checks_from_its_day_on(shell: Shell) -> None:
    shell.make()
    (shell.root / "b1.xml").write_bytes(certificate(quantity("58.400"), item="B1", issued="2026-03-03"))
    shell("reference", "import", "b1.xml")
    assert shell.code == 0
    shell.load(shell.put("day.csv", Scenario().check("08:00", 0.1).check("08:00", 0.1, day=2)))
    certificates = shell.json("block", "B1")["certificates"]
    assert [one["certified_value"] for one in certificates] == [58.0, 58.4]
    assert [one["checks"] for one in certificates] == [1, 1]
    sha256 = hashlib.sha256((shell.root / "b1.xml").read_bytes()).hexdigest()
    assert [one["certificate_file"] for one in certificates] == [None, sha256]
    page = (shell.root / "pages" / "blocks" / "B1.html").read_text(encoding="utf-8")
    assert sha256[:16] in page


def test_verify_looks_at_the_certificates_that_tables_name(shell: Shell) -> None:
    shell.make()
    data = certificate(quantity("58.080"), item="B1")
    (shell.root / "b1.xml").write_bytes(data)
    shell("reference", "import", "b1.xml")
    sha256 = hashlib.sha256(data).hexdigest()
    kept = shell.root / "archive" / sha256[:2] / sha256
    shell.load(shell.put("day.csv", Scenario().check("08:00")))
    here = ("--workspace", str(shell.root))
    assert (shell.json("verify", *here)["problems"], shell.code) == ([], 0)
    kept.write_bytes(data + b" ")
    (problem,) = shell.json("verify", *here)["problems"]
    assert shell.code == 6
    for words in ("blocks.csv, B1", "has changed", "put it back from a backup, or import it again"):
        assert words in problem
    # the figures stand in the table: nothing that was given rests on the file
    assert (shell.json("meter", "M1", *here)["state"], shell.code) == ("fit", 0)
    kept.unlink()
    (problem,) = shell.json("verify", *here)["problems"]
    assert "cannot be read: No such file" in problem
    kept.write_bytes(data)
    assert (shell.json("verify", *here)["problems"], shell.code) == ([], 0)
    table = shell.root / "reference" / "blocks.csv"
    table.write_text(table.read_text().replace(sha256, "../" + sha256[3:]))
    shell.load(shell.put("later.csv", Scenario().check("09:00")))
    (problem,) = shell.json("verify", *here)["problems"]
    assert "is no SHA-256" in problem


def test_what_is_open_is_asked_and_nothing_is_written(shell: Shell) -> None:
    shell.make()
    before = (shell.root / "reference" / "blocks.csv").read_text()
    (shell.root / "b.xml").write_bytes(certificate(quantity("58.08"), item="unknown", temperature=("23.0",)))
    shell("reference", "import", "b.xml")
    assert shell.code == 2
    assert "--as ... --at-reference" in shell.out
    assert (shell.root / "reference" / "blocks.csv").read_text() == before
    assert not list(shell.root.glob("archive/*/*"))
    shell("reference", "import", "b.xml", "--as", "B1", "--at-reference")
    assert (shell.code, rows(shell, "blocks")[-1]["block"]) == (0, "B1")


def test_a_check_is_written_as_a_certificate_that_reads_back(shell: Shell) -> None:
    shell.make()
    settings = shell.root / "annealog.toml"
    shell.load(shell.put("day.csv", Scenario().check("08:00", 0.1).check("08:05", 0.05, block="B2")))
    shell("certificate", "M1", "--by", "A. Ranta", "--to", "m1.xml")
    assert (shell.code, "country" in shell.err) == (2, True)
    settings.write_text(settings.read_text(encoding="utf-8") + '\ncountry = "NO"\n', encoding="utf-8")
    shell("certificate", "M1", "--to", "m1.xml")
    assert (shell.code, "--by NAME" in shell.err) == (2, True)
    shell("certificate", "M1", "--by", "A. Ranta", "--to", "m1.xml")
    assert shell.code == 0, shell.err
    found = read_certificate((shell.root / "m1.xml").read_bytes(), where="m1.xml")
    assert [one.conformity for one in found.statements if one.conformity] == ["pass"]
    document = shell.json("reference", "import", "m1.xml", "--condition", "as_left", "--dry-run")
    points = [(row["meter"], float(row["nominal"]), float(row["indicated"])) for row in document["rows"]]
    assert points == [("M1", 58.0, 58.1), ("M1", 50.0, 50.05)]
    shell("certificate", "M1", "--by", "A. Ranta", "--to", "m1.xml")
    assert (shell.code, "exists" in shell.err) == (2, True)


def test_a_setting_between_two_runs_makes_as_found_and_as_left(shell: Shell) -> None:
    shell.make()
    settings = shell.root / "annealog.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + '\ncountry = "NO"\n', encoding="utf-8")
    scenario = Scenario().check("08:00", 0.6)
    scenario.reading(scenario.rows[-1]["measured_at"].replace(hour=9), 58.0, role="setting", block="B1")
    shell.load(shell.put("day.csv", scenario.check("09:30", 0.02)))
    shell("certificate", "M1", "--by", "A. Ranta", "--to", "set.xml")
    rows_read = shell.json("reference", "import", "set.xml", "--dry-run")["rows"]
    assert [(row["condition"], float(row["indicated"])) for row in rows_read] == [
        ("as_found", 58.6),
        ("as_left", 58.02),
    ]
    # asked for the run before the setting, it knows of no adjustment
    shell("certificate", "M1", "--by", "A. Ranta", "--at", "2026-03-02T08:30", "--to", "before.xml")
    document = shell.json("reference", "import", "before.xml", "--dry-run")
    assert [question["option"] for question in document["questions"]] == ["--condition"]
    assert any(note.startswith("Conformity: fail") for note in document["notes"])


def test_a_sheet_filled_in_is_imported_whole_or_not_at_all(shell: Shell) -> None:
    shell.make()
    shell("reference", "sheet", "blocks", "--to", "blocks.xlsx")
    assert shell.code == 0, shell.err
    book = openpyxl.load_workbook(shell.root / "blocks.xlsx")
    page = book["blocks"]
    header = [cell.value for cell in page[1]]
    assert header == list(REFERENCE_TABLES["blocks"].names)

    def put(row: int, **cells: object) -> None:
        for name, cell in cells.items():
            page.cell(row, header.index(name) + 1, cell)

    put(
        2,
        block="KB-01",
        certified_value=58.1,
        unit="MS/m",
        expanded_uncertainty=0.2,
        coverage_factor=2,
        certified_on=date(2026, 1, 5),
    )
    put(3, block="KB-02", certified_value=31.5, unit="MSm")
    put(5, block="KB-02", certified_value="=1+1", unit="MS/m")
    book.save(shell.root / "blocks.xlsx")
    before = (shell.root / "reference" / "blocks.csv").read_text()
    shell("reference", "import", "blocks.xlsx")
    assert (shell.code, (shell.root / "reference" / "blocks.csv").read_text()) == (2, before)
    assert "line 5, column 3: expected a value as typed, found a formula" in shell.err
    put(5, block="KB-03", certified_value=10, certified_on="soon")
    book.save(shell.root / "blocks.xlsx")
    shell("reference", "import", "blocks.xlsx")
    assert [line.split("sheet ")[1].split(":")[0] for line in shell.err.splitlines()] == [
        "'blocks', line 3, column unit", "'blocks', line 5, column certified_on",
    ]  # fmt: skip
    assert "did you mean 'MS/m'?" in shell.err
    put(3, unit="%IACS")
    put(5, certified_on="2026-01-06")
    book.save(shell.root / "blocks.xlsx")
    found = shell.json("reference", "import", "blocks.xlsx", "--dry-run")
    assert (len(found["sheets"][0]["added"]), (shell.root / "reference" / "blocks.csv").read_text()) == (3, before)
    shell("reference", "import", "blocks.xlsx")
    assert shell.code == 0, shell.err
    added = rows(shell, "blocks")[-3]
    assert (added["block"], added["certified_value"], added["certified_on"]) == ("KB-01", "58.1", "2026-01-05")
    # a second time all of it stands there; a changed row needs the day from which it holds
    found = shell.json("reference", "import", "blocks.xlsx")
    assert found["sheets"] == [{"table": "blocks", "added": [], "known": 3}]
    put(2, certified_value=58.2)
    book.save(shell.root / "blocks.xlsx")
    shell("reference", "import", "blocks.xlsx")
    assert (shell.code, "KB-01 stands in reference/blocks.csv already" in shell.err) == (2, True)
    # a table of text goes the same way, by its name or by the option
    (shell.root / "more.csv").write_text("lot,product\nL8,bar\n", encoding="utf-8")
    shell("reference", "import", "more.csv")
    assert (shell.code, "no reference table 'more'" in shell.err) == (2, True)
    shell("reference", "import", "more.csv", "--table", "lots")
    assert (shell.code, rows(shell, "lots")[-1]["lot"]) == (0, "L8")
    shell("config", "check")
    assert shell.code == 0, shell.err


def test_a_study_is_registered_by_its_plan(shell: Shell) -> None:
    shell.make()
    words = ("study", "plan", "G-1", "--operators", "Ada,Bo", "--meters", "M1", "--parts", "5", "--repeats", "2")
    shell(*words, "--to", "g.xlsx", "--dry-run")
    assert (shell.code, (shell.root / "g.xlsx").exists(), rows(shell, "studies")) == (0, False, [])
    document = shell.json(*words, "--to", "g.xlsx")
    assert (shell.code, document["registered"]) == (0, True)
    assert [(row["run"], row["kind"], row["meters"]) for row in rows(shell, "studies")] == [("G-1", "crossed", "M1")]
    shell(*words)  # printed again: the row stands there already
    assert (shell.code, len(rows(shell, "studies"))) == (0, 1)
    shell(*words[:6], "m-1", *words[7:])
    assert (shell.code, "did you mean 'M1'?" in shell.err, len(rows(shell, "studies"))) == (2, True, 1)
    shell(*words[:-1], "3", "--specification", "nothing")
    assert (shell.code, "reference/specifications.csv" in shell.err) == (2, True)
