"""What settings admit: each interval just inside and just outside of its ends."""

from __future__ import annotations

import re

import pytest

from pipeline.errors import SettingsError
from pipeline.workspace.settings import Settings, read_settings


@pytest.mark.parametrize(
    ("name", "admitted", "refused", "expected"),
    [
        ("tolerance", [1e-9], [0.0], "a number above 0"),
        ("page_processes", [0, 1], [-1], "a whole number of at least 0"),
        ("alert_silence_hours", [0.0], [-1e-9], "a number of at least 0"),
        ("bracketing_blocks", [1], [0], "a whole number of at least 1"),
        ("baseline_checks", [2], [1], "a whole number of at least 2"),
        ("supplier_baseline_lots", [3], [2], "a whole number of at least 3"),
        ("process_ewma_weight", [1e-9, 1.0], [0.0, 1.000001], "a number above 0 and up to 1"),
        ("soft_spot_percent", [1e-9, 100.0], [0.0, 100.0001], "a number above 0 and up to 100"),
        ("certificate_correlation", [0.0, 0.999], [-1e-9, 1.0], "a number from 0 to below 1"),
        ("lift_off_allowance_percent", [0.0, 99.999], [-1e-9, 100.0], "a number from 0 to below 100"),
        ("confidence", [0.5, 0.999], [0.4999, 1.0], "a number from 0.5 to below 1"),
        ("drift_ewma_weight", [0.03, 1.0], [0.0299, 1.0001], "a number from 0.03 to 1"),
        ("reject_run_length", [20.0, 1e5], [19.99, 100000.1], "a number from 20 to 100000"),
        ("earliest_clock_year", [1900, 2200], [1899, 2201], "a whole number from 1900 to 2200"),
    ],
)
def test_a_number_lies_in_its_interval(name: str, admitted: list[float], refused: list[float], expected: str) -> None:
    for value in admitted:
        assert getattr(read_settings(f"{name} = {value!r}"), name) == value
    for value in refused:
        with pytest.raises(SettingsError, match=re.escape(f"{name} = {value!r}: expected {expected}.")):
            read_settings(f"{name} = {value!r}")


def test_words_are_held_against_their_choices_and_the_nearest_is_named() -> None:
    for name in ("process_spread", "process_limits", "tolerance_unit", "temperature_sources", "process_streams"):
        usual = getattr(Settings(), name)
        assert getattr(read_settings(f'{name} = "{usual}"'), name) == usual
    with pytest.raises(SettingsError, match=r"expected one of standard_deviation, range; did you mean 'range'\?"):
        read_settings('process_spread = "ranges"')
    with pytest.raises(SettingsError, match=r"temperature_sources names 'extern': .*did you mean 'external'\?"):
        read_settings('temperature_sources = "internal extern"')
    assert read_settings('process_streams = ""').process_streams == ""
