"""Reading whole files: the examples, the forms a layout can declare, and what comes with the readings."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from intake_checks import FIXTURES, is_whole, layouts, load

from fixtures.damaged.build import files
from pipeline.intake import reader
from pipeline.intake.layout import Layout, parse_layout

NEUTRAL = "measured_at,meter,role,lot,value,unit,temperature_state"
ROW = "2026-03-02T08:00:00+01:00,EC-01,part,L-0007,33.5,MS/m,at_metal"


def rows_of(layout: str, file: str) -> list[dict[str, Any]]:
    data = (FIXTURES / "exports" / file).read_bytes()
    reading = load(data, layouts()[layout], name=file)
    is_whole(reading)
    assert reading.held is None
    assert reading.quarantine.height == 0
    assert reading.warnings == ()
    return reading.readings.to_dicts()


def changed(layout: Layout, old: str, new: str, text: str) -> Layout:
    assert old in text
    return parse_layout(text.replace(old, new), layout.name)


def test_block_means() -> None:
    rows = rows_of("block_means", "block_means.csv")
    assert [row["count"] for row in rows] == [5, 5, 5, 5]
    first = rows[0]
    assert (first["role"], first["block"], first["lot"]) == ("block", "BL-C1", None)
    assert (first["value"], first["unit"], first["standard_deviation"]) == (1.7241, "uOhm.cm", 0.0012)
    assert first["value_ms_per_m"] == pytest.approx(100 / 1.7241)
    assert first["temperature_c"] == pytest.approx(22.0, abs=1e-12)
    assert first["measured_at"] == datetime(2026, 3, 2, 12, 31, 5, tzinfo=UTC)
    assert rows[1]["measured_at"] == datetime(2026, 3, 2, 17, 2, 40, tzinfo=UTC)
    assert rows[1]["remark"] == "edge chipped, read at centre"
    assert rows[2]["remark"] == 'marked "B"'
    assert (rows[3]["value"], rows[3]["non_reading"]) == (None, "no_contact")


def test_columns_by_spaces() -> None:
    rows = rows_of("columns_by_spaces", "columns_by_spaces.txt")
    assert [row["line"] for row in rows] == [2, 3, 4, 6, 7]
    assert [row["value"] for row in rows] == [58.01, 58.01, 57.88, None, 57.93]
    assert rows[3]["non_reading"] == "lifted"
    assert {row["meter"] for row in rows} == {"OLD-7"}
    assert rows[0]["measured_at"] == datetime(2026, 3, 2, 6, 31, tzinfo=UTC)
    assert layouts()["columns_by_spaces"].repeats_kept


def test_report_with_statistics() -> None:
    rows = rows_of("report_with_statistics", "report_with_statistics.txt")
    assert [row["value"] for row in rows] == [58.12, 58.09, 57.97]
    assert [row["unit"] for row in rows] == ["%IACS"] * 3
    assert [row["frequency_khz"] for row in rows] == [60.0, 60.0, 480.0]
    assert [row["temperature_c"] for row in rows] == [21.4, 21.4, None]
    assert [row["temperature_state"] for row in rows] == ["relative", "relative", "at_metal"]
    assert {row["operator"] for row in rows} == {"op17"}
    assert rows[0]["measured_at"] == datetime(2026, 3, 2, 6, 31, 5, 250_000, tzinfo=UTC)
    assert rows[2]["measured_at"] == datetime(2026, 5, 12, 8, tzinfo=UTC)


@pytest.mark.parametrize("size", [300, 450, 1000])
@pytest.mark.parametrize(
    "name",
    [
        "codes_and_impossible_values.csv",
        "readings_after_footer.csv",
        "block_or_product.csv",
        "two_exports_in_one.csv",
        "cut_in_last_row.csv",
        "clock_changes.csv",
    ],
)
def test_the_size_of_a_chunk_makes_no_difference(name: str, size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    layout = layouts()["neutral" if name in ("block_or_product.csv", "two_exports_in_one.csv") else "semicolon"]
    whole = load(files()[name], layout)
    monkeypatch.setattr(reader, "CHUNK_BYTES", size)
    pieces = load(files()[name], layout)
    assert pieces.counts == whole.counts
    assert pieces.warnings == whole.warnings
    assert pieces.quarantine.equals(whole.quarantine)
    plain = pl.col(pl.Categorical).cast(pl.String)
    assert pieces.readings.with_columns(plain).equals(whole.readings.with_columns(plain))


def test_neutral_columns_come_in_any_order() -> None:
    names = NEUTRAL.split(",")
    cells = ROW.split(",")
    forward = load(f"{NEUTRAL}\n{ROW}\n".encode(), layouts()["neutral"])
    backward = load(f"{','.join(names[::-1])}\n{','.join(cells[::-1])}\n".encode(), layouts()["neutral"])
    assert forward.readings.to_dicts() == backward.readings.to_dicts()
    assert forward.readings.columns == [
        "line",
        "replicate",
        "measured_at",
        "clock",
        "meter",
        "role",
        "lot",
        "value",
        "unit",
        "value_ms_per_m",
        "temperature_state",
    ]


def test_several_units_in_one_file() -> None:
    lines = [
        ROW,
        ROW.replace("33.5,MS/m", "100,%IACS"),
        ROW.replace("33.5,MS/m", "1.75,uOhm.cm"),
        ROW.replace("33.5,MS/m", "17.5,nOhm.m"),
        ROW.replace("33.5,MS/m", "0.00000175,Ohm.cm"),
    ]
    readings = load("\n".join([NEUTRAL, *lines, ""]).encode(), layouts()["neutral"]).readings
    assert readings["value_ms_per_m"].to_list() == pytest.approx([33.5, 58.0, 100 / 1.75, 100 / 1.75, 100 / 1.75])
    assert readings["unit"].to_list() == ["MS/m", "%IACS", "uOhm.cm", "nOhm.m", "Ohm.cm"]


def test_clocks_that_cannot_be_believed() -> None:
    times = {
        "2009-12-31T23:59:59Z": "unknown",
        "2010-01-01T00:00:00Z": "known",
        "2026-12-01T23:59:59Z": "known",
        "2026-12-02T00:00:01Z": "unknown",
    }
    rows = [ROW.replace("2026-03-02T08:00:00+01:00", at) for at in times]
    readings = load("\n".join([NEUTRAL, *rows, ""]).encode(), layouts()["neutral"]).readings
    assert readings["clock"].to_list() == list(times.values())


def test_limits_of_the_table_of_readings() -> None:
    header = NEUTRAL + ",frequency_khz,count,standard_deviation,coating_um"
    rows = [f"{ROW},60,5,0.1,0", f"{ROW},0,5,0.1,0", f"{ROW},60,0,0.1,0", f"{ROW},60,5,-0.1,0", f"{ROW},60,5,0.1,-1"]
    reading = load("\n".join([header, *rows, ""]).encode(), layouts()["neutral"])
    is_whole(reading)
    assert reading.counts["accepted"] == 1
    assert list(reading.quarantine.select("line", "column", "reason").iter_rows()) == [
        (3, "frequency_khz", "out_of_range"),
        (4, "count", "out_of_range"),
        (5, "standard_deviation", "out_of_range"),
        (6, "coating_um", "out_of_range"),
    ]
    assert "a number above 0" in reading.quarantine["sentence"][0]


def test_yes_and_no() -> None:
    header = NEUTRAL + ",curvature_compensated"
    reading = load(
        "\n".join([header, f"{ROW},yes", f"{ROW},no", f"{ROW},", f"{ROW},maybe", ""]).encode(), layouts()["neutral"]
    )
    assert reading.readings["curvature_compensated"].to_list() == [True, False, None]
    assert reading.quarantine["reason"].to_list() == ["not_in_list"]


def test_a_line_with_several_faults_is_refused_once() -> None:
    row = ROW.replace("33.5", "xx").replace("MS/m", "mm").replace("at_metal", "hot")
    reading = load(f"{NEUTRAL}\n{row}\n".encode(), layouts()["neutral"])
    assert reading.quarantine.height == 1
    assert reading.counts["quarantined"] == 1


def test_the_first_line_of_a_quarantine_sentence_says_where_what_and_what_to_do() -> None:
    reading = load(f"{NEUTRAL}\n{ROW.replace('33.5', '3x.5')}\n".encode(), layouts()["neutral"])
    assert reading.quarantine.to_dicts() == [
        {
            "line": 2,
            "column": "value",
            "reason": "not_a_number",
            "sentence": "Column 'value': found '3x.5', expected a number with decimal mark '.'. If it is a code of the meter, add "
            "it to nonReadings of the layout, then replay the line.",
            "original": ROW.replace("33.5", "3x.5"),
        }
    ]


def test_what_the_ledger_needs() -> None:
    data = files()["good_cp1252.csv"]
    reading = load(data, layouts()["semicolon"], name="week.csv")
    assert (reading.name, reading.size, reading.layout_name, reading.layout_version) == (
        "week.csv",
        len(data),
        "semicolon",
        1,
    )
    assert reading.zone == "Europe/Oslo"
    assert len(reading.sha256) == 64
    assert reading.metadata == {
        "Serial": "EC-02",
        "Probe": "P-21",
        "Operator": "Zoë Åkerlind",
        "text": "Export of readings",
    }
    assert load(data, layouts()["semicolon"], name="again.csv").sha256 == reading.sha256


def test_the_zone_of_the_site() -> None:
    text = (FIXTURES / "demo/layouts/semicolon.toml").read_text(encoding="utf-8")
    layout = changed(layouts()["semicolon"], 'zone = "Europe/Oslo"', 'zone = "site"', text)
    reading = load(files()["good_cp1252.csv"], layout, site_zone="Asia/Kolkata")
    assert reading.zone == "Asia/Kolkata"
    assert reading.readings["measured_at"][0] == datetime(2026, 3, 2, 2, 1, 5, tzinfo=UTC)


def test_a_declared_pattern_overrules_the_suspicion_of_a_spreadsheet() -> None:
    text = (FIXTURES / "damaged/layouts/neutral_without_last_line_end.toml").read_text(encoding="utf-8")
    layout = changed(
        layouts()["neutral"],
        'column = "lot"\n',
        "column = \"lot\"\nconstraints = { pattern = '[0-9]{2}-[A-Z][a-z]{2}' }\n",
        text,
    )
    data = f"{NEUTRAL}\n{ROW.replace('L-0007', '03-Apr')}\n{ROW}\n".encode()
    reading = load(data, layout)
    assert reading.readings["lot"].to_list() == ["03-Apr"]
    assert reading.quarantine["reason"].to_list() == ["breaks_constraint"]


def test_plausibility_is_a_setting() -> None:
    data = f"{NEUTRAL}\n{ROW}\n".encode()
    assert (
        load(data, layouts()["neutral"], plausible_ms_per_m=(0.5, 30.0)).quarantine["reason"][0] == "implausible_value"
    )
    assert load(data, layouts()["neutral"], plausible_ms_per_m=(0.5, 33.5)).counts["accepted"] == 1


@pytest.mark.parametrize(
    ("cell", "held", "read"),
    [
        ('"1,250"', True, None),  # 1.250 mm with the other mark: 1250 mm would be thick enough for every frequency
        ('"1,000"', True, None),
        ('"1,250.0"', False, 1250.0),  # a decimal mark says what the other one is
        ("1250", False, 1250.0),
        ("999.9", False, 999.9),
        ("1.250", False, 1.25),
    ],
)
def test_a_thickness_is_not_a_thousand_times_too_large_by_a_group_mark(
    cell: str, held: bool, read: float | None
) -> None:
    text = (Path(reader.__file__).parent / "layouts" / "neutral.toml").read_text(encoding="utf-8")
    old = 'column = "thickness_mm"\ntype = "number"\n'
    layout = changed(layouts()["neutral"], old, f'{old}groupChar = ","\n', text)
    found = load(f"{NEUTRAL},thickness_mm\n{ROW},{cell}\n".encode(), layout)
    assert (found.held is not None and found.held.reason == "number_format_mismatch") == held
    assert held or found.readings["thickness_mm"].to_list() == [read]


def test_spelled_units_are_compared_letter_by_letter() -> None:
    good = files()["good_cp1252.csv"]
    for spelling, held in (("IACS", None), ("% IACS", None), ("%iacs", "unit_mismatch"), ("", "unit_mismatch")):
        reading = load(good.replace(b"%IACS", spelling.encode("cp1252")), layouts()["semicolon"])
        assert (reading.held.reason if reading.held else None) == held, spelling


def test_blank_lines_and_comments_have_their_fates() -> None:
    text = (FIXTURES / "damaged/layouts/neutral_without_last_line_end.toml").read_text(encoding="utf-8")
    layout = changed(
        layouts()["neutral"], 'delimiter = ","', 'delimiter = ","\ncommentChar = "#"\ncommentRows = [2, 6]', text
    )
    data = f'# made\nnot a header\n\n{NEUTRAL}\n{ROW}\n"anything at all\n#x"\n\n{ROW}'.encode()
    reading = load(data, layout)
    is_whole(reading)
    assert {fate: count for fate, count in reading.counts.items() if count} == {
        "preamble": 4,
        "blank": 2,
        "header": 1,
        "accepted": 2,
    }
