"""The demo and the published workspaces, recomputed from their raw exports by a program that shares no code with the product.

What differs is printed with lot or meter, quantity and both values.
"""

from __future__ import annotations

import ast
import contextlib
import csv
import hashlib
import io
import json
import shutil
import sys
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import second_opinion
from demo_parts import loaded_demo
from second_opinion import corners
from second_opinion.exports import read_workspace
from second_opinion.opinion import Opinion, differences

import fixtures
from pipeline.cli import run
from pipeline.load.load import load
from pipeline.workspace.files import collect
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterable

    from second_opinion.checks import Check
    from workspace_files import Shell

    from pipeline.load.report import LoadReport


class Product:
    """A workspace, loaded, and what the product says of it through its commands."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.say("snapshot")  # which the other commands read
        self.say("export", "pack")
        self.lots = {one["lot"]: one for one in json.loads((root / "pack" / "results.json").read_text("utf-8"))}

    def say(self, *words: str) -> Any:
        """Run a command in the workspace and return its document."""
        out = io.StringIO()
        with contextlib.chdir(self.root), contextlib.redirect_stdout(out):
            code = run([*words, "--json"])
        assert code in (0, 3, 4), (words, code)
        return json.loads(out.getvalue())

    def table(self, name: str) -> list[dict[str, str]]:
        return list(csv.DictReader((self.root / "pack" / "data" / f"{name}.csv").read_text("utf-8").splitlines()))


def loaded_corners(factory: pytest.TempPathFactory) -> tuple[Path, LoadReport]:
    root = factory.mktemp("second") / "works"
    corners.build(root)
    workspace = find_workspace(root)
    return root, load(workspace, collect([workspace.inbox])[0])


@pytest.fixture(scope="module", params=[loaded_demo, loaded_corners], ids=["demo", "corners"])
def product(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Product:
    return Product(request.param(tmp_path_factory)[0])


@pytest.fixture(scope="module")
def opinion(product: Product) -> Opinion:
    return Opinion(read_workspace(product.root))


def agreed(found: Iterable[str]) -> None:
    lines = list(found)
    assert not lines, f"{len(lines)} differences:\n" + "\n".join(lines[:40])


def test_it_shares_no_code_with_the_product() -> None:
    allowed = {*sys.stdlib_module_names, "numpy", "scipy", "second_opinion"}
    for path in Path(second_opinion.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert {name.partition(".")[0] for name in names} <= allowed, (path.name, names)


def checks_beside_lots(opinion: Opinion) -> list[tuple[str, Check]]:
    """Return the checks that a data pack holds: those of the runs before and after what was read of a lot."""
    runs = {
        (meter.name, run): None
        for lot in opinion.lots.values()
        for meter, *around, _, _ in lot.brackets
        for run in around
        if run
    }
    return [(meter, check) for meter, run in runs for check in run.checks]


def test_every_reading_and_its_value_at_20(product: Product, opinion: Opinion) -> None:
    workspace = opinion.workspace
    named = {hashlib.sha256((workspace.root / r.file).read_bytes()).hexdigest(): r.file for r in workspace.readings}
    theirs = {
        (named[row["file_sha256"]], int(row["line"]), int(row["replicate"])): float(row["value_at_reference"])
        for row in product.table("readings")
        if row["value_at_reference"]
    }
    of_lots = [one for lot in opinion.lots.values() for one in lot.values]
    of_checks = [one for _, check in checks_beside_lots(opinion) for one in check.readings]
    ours = {(one.reading.file, one.reading.line, one.reading.place): one.value for one in of_lots + of_checks}
    agreed(differences(set(ours), set(theirs), "readings"))
    agreed(chain.from_iterable(differences(value, theirs[key], str(key)) for key, value in ours.items()))
    refused = {(line["file"], line["line"], line["reason"]) for line in product.say("quarantine", "list")}
    agreed(differences(set(workspace.refused), refused, "refused lines"))


def test_every_check(product: Product, opinion: Opinion) -> None:
    theirs = {}
    for row in product.table("checks"):
        numbers = {key: float(row[key]) for key in ("mean", "certified_value", "bias", "tolerance", "z")}
        rest = {
            "passes": row["passes"] == "true",
            "limits_kind": row["limits_kind"],
            "rejects": set(row["rejects"].split()),
        }
        key = (row["meter"], row["probe"], row["frequency_khz"], row["block"], row["at"][:19])
        theirs[key] = {**numbers, **rest, "readings": int(row["readings"])}
    ours = {}
    for meter, check in checks_beside_lots(opinion):
        probe, frequency, block = check.series
        assert check.certificate is not None
        ours[meter, probe, "" if frequency is None else str(frequency), block, f"{check.at:%Y-%m-%dT%H:%M:%S}"] = {
            "readings": len(check.readings), "mean": check.mean, "certified_value": check.certificate[0], "bias": check.bias,
            "tolerance": check.tolerance, "passes": check.passes, "z": check.z,
            "limits_kind": "frozen" if check.frozen else "provisional", "rejects": check.rejects,
        }  # fmt: skip
    agreed(differences(set(ours), set(theirs), "checks"))
    agreed(differences(ours, theirs, "check"))


def lot_as_compared(theirs: dict[str, Any]) -> dict[str, Any]:
    """Name what the documents list."""
    budgets = {}
    for one in theirs["budgets"]:
        lines = {
            line["name"]: [line["standard_uncertainty"], line["degrees_of_freedom"]] for line in one["contributions"]
        }
        budgets[one["of"]] = {**one, "contributions": lines, "names": set(lines)}
    levels = {one["meter"]: one for one in theirs["bias_at_level"]}
    return {**theirs, "budgets": budgets, "bias_at_level": levels, "plan": theirs.get("detail", {}).get("plan")}


def test_every_lot(product: Product, opinion: Opinion) -> None:
    found = list(differences(set(opinion.lots), set(product.lots), "lots"))
    for lot, one in opinion.lots.items():
        # the plan by variables is computed for the lot that is asked for
        theirs = product.say("lot", lot) if one.plan["conforms_by"] == "k_method" else product.lots[lot]
        found += differences(opinion.lot(lot), lot_as_compared(theirs), f"lot {lot}")
    agreed(found)


def meter_as_compared(theirs: dict[str, Any]) -> dict[str, Any]:
    def series(one: dict[str, Any]) -> tuple[Any, ...]:
        return one["probe"] or "", one["frequency_khz"], one["block"]

    drift = {series(one): [one["slope_per_30_days"], *(one["interval"] or [])] for one in theirs["drift"]}
    return {
        **theirs,
        "series": {series(one) for one in theirs["blocks"]},
        "lines": {(one["probe"] or "", one["frequency_khz"]) for one in theirs["bias_lines"]},
        "blocks": {series(one): {**one, "drift": drift.get(series(one))} for one in theirs["blocks"]},
        "signals": {(one["block"], one["at"], one["rule"]) for one in theirs["signals"] if one["reject"]},
        "bias_lines": {
            (one["probe"] or "", one["frequency_khz"]): one if one["slope"] is not None else None
            for one in theirs["bias_lines"]
        },
        "precision_signals": {(one["block"], one["at"]) for one in theirs["precision_signals"]},
        "suspect_lots": set(theirs["suspect_lots"]),
    }


def test_every_meter(product: Product, opinion: Opinion) -> None:
    ours = {name: opinion.meter(name) for name in opinion.meters}
    for name, one in ours.items():
        agreed(differences(one, meter_as_compared(product.say("meter", name)), f"meter {name}"))
    theirs = {one["meter"]: one for one in product.say("status", "--as-of", opinion.as_of.isoformat())["meters"]}
    agreed(
        differences(
            {name: one["state"] for name, one in ours.items()},
            {name: one["state"] for name, one in theirs.items()},
            "state",
        )
    )


def test_every_event_touches_the_same_lots(product: Product, opinion: Opinion) -> None:
    theirs = {
        one["name"]: {**one, "lots": {(lot["lot"], lot["doubt"]) for lot in one["lots"]}}
        for one in product.say("trace", "--all")["events"]
    }
    agreed(differences(set(opinion.events), set(theirs), "events"))
    agreed(
        chain.from_iterable(differences(opinion.event(name), theirs[name], f"event {name}") for name in opinion.events)
    )


def test_a_real_check_standard(shell: Shell, reference_data: Path) -> None:
    """NIST's check standard for resistivity: another unit, exported means, no certificate, a baseline named by a person."""
    shell("init", str(shell.root))
    real = Path(fixtures.__path__[0]) / "real" / "mpc62"
    for name, folder in {"annealog.toml": ".", "blocks.csv": "reference", "layout.toml": "layouts"}.items():
        shutil.copy(real / name, shell.root / folder)
    data = reference_data / "nist_mpc62_check_standard" / "mpc62.csv"
    shell.load(data)
    shell("record", "baseline", "--meter", "2362", "--block", "137", "--by", "NIST", "--why", "all 25 occasions")
    opinion = Opinion(read_workspace(shell.root, [data]), baselines={("2362", "137")})
    agreed(differences(opinion.meter("2362"), meter_as_compared(shell.json("meter", "2362")), "meter 2362"))
