"""Writes pipeline/statistics/tabulated_limits.py: limits of charts at the default settings, as they are computed.

    .venv-dev/bin/python .ci/chart_limits.py

Limits from few checks take seconds to find, in every process that judges; a test holds the table against its definition.
"""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from pipeline import rules  # noqa: E402
from pipeline.metrology.control_limits import FEWEST_BEHIND_LIMITS  # noqa: E402
from pipeline.statistics import run_lengths  # noqa: E402
from pipeline.workspace.settings import Settings  # noqa: E402

CHECKS = range(FEWEST_BEHIND_LIMITS, 61)
HEAD = '''"""Limits of charts at the default settings. Written by .ci/chart_limits.py."""

TABLE: dict[tuple[str, object, float], dict[int | None, float]] = {
'''
FOOT = '''}
"""By chart, its parameter and the wanted run length: by checks behind the limits, None where centre and σ are known."""
'''


def main() -> None:
    """Compute and write."""
    settings = Settings()
    run_lengths.TABLE.clear()  # else what stands there would be written again
    rejecting = settings.reject_rules.split()
    patterns = tuple(tuple(rule.pattern) for rule in rules.find() if rule.id in rejecting and rule.pattern)
    text = HEAD
    for chart, of, parameter, length in (
        ("ewma", run_lengths.ewma_width, settings.drift_ewma_weight, settings.drift_run_length),
        ("cusum", run_lengths.cusum_interval, settings.drift_cusum_reference_value, settings.drift_run_length),
        ("patterns", run_lengths.pattern_widening, patterns, settings.reject_run_length),
    ):
        given = tuple(run_lengths.Pattern(*one) for one in patterns) if chart == "patterns" else parameter
        text += f'    ("{chart}", {parameter!r}, {length!r}): {{\n'
        text += (
            "".join(f"        {checks}: {of(given, length, checks)!r},\n" for checks in (None, *CHECKS)) + "    },\n"
        )
    (ROOT / "pipeline" / "statistics" / "tabulated_limits.py").write_text(text + FOOT, encoding="utf-8")


if __name__ == "__main__":
    main()
