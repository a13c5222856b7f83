"""Commands about what comes in: layouts and quarantine."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.options import By, DryRun, Json, Why, WorkspaceOption, workspace_at
from pipeline.errors import UsageError
from schemas.digits import counted

if TYPE_CHECKING:
    from pipeline.intake.suggest import Suggestion
    from pipeline.load.layout_tools import Check

__all__ = ["add_to"]

layout = typer.Typer(help="How an export is written.", no_args_is_help=True)
quarantine = typer.Typer(help="Lines that were refused.", no_args_is_help=True)


@layout.command("suggest")
def layout_suggest(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An export that no layout fits.")],
    answer: Annotated[
        list[str] | None, typer.Option(metavar="KEY=VALUE", help="Answer to an open question; may stand several times.")
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE", help="Write the proposed layout there.")] = None,
    ask: Annotated[bool, typer.Option("--ask", help="Ask what is open, one question after the other.")] = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Propose a layout for an unknown file, try it on the file, and say what the file does not say and which lines are lost.

    Example: annealog layout suggest inbox/new-meter.csv --answer "temperature_state=at_metal" --to layouts/new.toml
    """
    from pipeline.load.layout_tools import propose
    from pipeline.workspace.files import write_atomically
    from pipeline.workspace.settings import SETTINGS_FILE

    answers = {}
    for text in answer or []:
        key, mark, value = text.partition("=")
        if key.strip().partition(":")[0] in ("column", "values", "format", "unit", "missing", "fill_down"):
            key, mark, value = _after_name(text)
        if not mark:
            raise UsageError(f"--answer {text!r}: expected KEY=VALUE.")
        answers[key.strip()] = value.strip()
    if to is not None and to.exists():
        raise UsageError(f"{to} exists already. Name a new file.")
    inside = workspace is not None or any((one / SETTINGS_FILE).exists() for one in (Path.cwd(), *Path.cwd().parents))
    place = workspace_at(workspace) if inside else None
    found = propose(place, file, answers)
    terminal = sys.stdin.isatty() and not json
    while ask and terminal and (open_now := [question for question in found.questions if question.blocking]):
        question = open_now[0]
        if question.key in answers:  # it was answered, and that did not settle it
            raise UsageError(f"--answer {question.key}={answers[question.key]}: {question.text}")
        choices = f" [{' | '.join(question.choices)}]" if question.choices else ""
        answers[question.key] = str(typer.prompt(output.plain(f"{question.text}{choices}"))).strip()
        found = propose(place, file, answers)
    if to is not None:
        write_atomically(to, found.layout_text.encode())
    command = _command(file, answers, found, to)
    if json:
        output.print_json(
            {
                "layout": found.layout_text,
                "complete": found.complete,
                "questions": [
                    {"key": q.key, "text": q.text, "choices": list(q.choices), "open": q.blocking}
                    for q in found.questions
                ],
                "preview": _rows(found.preview),
                "counts": {} if found.tried is None else dict(found.tried.counts),
                "lost": list(found.lost),
                "command": command,
            }
        )
        return
    console = output.out()
    console.print(output.literal(found.layout_text) if to is None else f"Written to {to}")
    _preview(found.preview)
    for question in found.questions:
        mark = "OPEN" if question.blocking else "to confirm"
        choices = f" [{' | '.join(question.choices)}]" if question.choices else ""
        console.print(output.plain(f"{mark}: {question.key}: {question.text}{choices}"))
    if found.tried is not None:
        told = ", ".join(f"{fate} {count}" for fate, count in found.tried.counts.items() if count) or "nothing"
        console.print(output.plain(f"Tried on the whole file: {found.tried.readings.height} readings; lines: {told}"))
    for line in found.lost[:20]:
        console.print(output.literal(f"LOST: {line}"))
    if len(found.lost) > 20:
        console.print(f"LOST: {len(found.lost) - 20} more lines")
    if found.complete and to is not None:
        console.print("Nothing is open and no line is lost.")
    else:
        how = "Keep it" if found.complete else "Answer (nothing is ever assumed)"
        console.print(output.literal(f"{how}: {command}"))


def _after_name(text: str) -> tuple[str, str, str]:
    """Split an answer about a column, whose name may hold the mark itself, at the last mark that leaves a value."""
    kind, _, rest = text.partition(":")
    at = rest.find("=") if kind == "values" else rest.rfind("=")
    return (f"{kind}:{rest[:at]}", "=", rest[at + 1 :]) if at >= 0 and rest else text.partition("=")


def _command(file: Path, answers: dict[str, str], found: Suggestion, to: Path | None) -> str:
    """Return the command that answers what is open, or keeps what is complete."""
    words = [f"--answer {shlex.quote(f'{key}={value}')}" for key, value in answers.items()]
    words += [f"--answer {shlex.quote(f'{q.key}=...')}" for q in found.questions if q.blocking]
    target = to or Path("layouts") / f"{file.stem}.toml"
    if found.complete or to is not None:
        words.append(f"--to {shlex.quote(str(target))}")
    return " ".join(["annealog layout suggest", shlex.quote(str(file)), *words])


def _rows(frame: Any) -> list[dict[str, Any]]:
    import polars as pl

    return frame.head(10).with_columns(pl.col(pl.Categorical).cast(pl.String)).to_dicts()  # type: ignore[no-any-return]


def _preview(frame: Any) -> None:
    rows = _rows(frame)
    if rows:
        shown = [name for name in rows[0] if any(row[name] is not None for row in rows)]
        output.table("The first readings", shown, ([row[name] for name in shown] for row in rows[:5]))


@layout.command("check")
def layout_check(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An export.")],
    name: Annotated[
        str | None, typer.Option("--layout", metavar="NAME", help="A known layout; default: matched.")
    ] = None,
    layout_file: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A layout that is not in the workspace yet.")
    ] = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Say what a load would make of a file: counts by fate, refused lines, the first readings. Writes nothing.

    Example: annealog layout check inbox/EC-02/2026-W15.csv
    """
    from pipeline.load.layout_tools import check

    found = check(workspace_at(workspace), file, layout=name, layout_file=layout_file)
    if json:
        output.print_json(_check_document(found))
    else:
        _show_check(found)
    refused = found.result is not None and found.held is None and found.result.quarantine.height
    raise typer.Exit(3 if found.held is not None or refused else 0)


def _check_document(found: Check) -> dict[str, Any]:
    document: dict[str, Any] = {"layout": found.layout, "held": None, "counts": {}, "quarantine": [], "warnings": []}
    if found.held is not None:
        held = found.held
        document["held"] = {
            "reason": held.reason, "sentence": held.sentence, "what_to_do": held.what_to_do, "details": list(held.details),
            "line": held.line, "byte_offset": held.byte_offset,
        }  # fmt: skip
    elif found.result is not None:
        document["counts"] = _counts(found)
        document["conflicts"] = found.conflicts
        document["quarantine"] = found.result.quarantine.to_dicts()
        document["warnings"] = list(found.result.warnings)
        document["preview"] = _rows(found.result.readings)
    return document


def _counts(found: Check) -> dict[str, int]:
    counts = dict(found.result.counts) if found.result is not None else {}
    counts["accepted"] -= found.duplicate_lines
    counts["duplicate"] += found.duplicate_lines
    return counts


def _show_check(found: Check) -> None:
    console = output.out()
    if found.held is not None:
        console.print(output.plain(f"The file would be held: {found.held.reason}: {found.held.sentence}"))
        for line in found.held.details:
            console.print(output.plain(f"  {line}"))
        console.print(output.plain(f"What to do: {found.held.what_to_do}"))
        return
    if found.result is None:
        return
    console.print(output.plain(f"Layout {found.layout}: {found.result.readings.height} readings"))
    output.table("Lines by fate", ("fate", "lines"), ((fate, n) for fate, n in _counts(found).items() if n))
    if found.conflicts:
        console.print(f"{found.conflicts} readings contradict an earlier export.")
    for row in found.result.quarantine.head(20).iter_rows(named=True):
        console.print(output.plain(f"line {row['line']}: {row['reason']}: {row['sentence']}"))
    for warning in found.result.warnings:
        console.print(output.plain(f"note: {warning}"))
    _preview(found.result.readings)


@layout.command("template")
def layout_template(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write the sheet.")],
    unit: Annotated[str, typer.Option(help="Unit that the meter shows.")] = "MS/m",
    delimiter: Annotated[str, typer.Option(help="As the spreadsheet saves CSV: , or ;")] = ",",
    decimal: Annotated[str, typer.Option(help="Decimal mark: . or ,")] = ".",
    name: Annotated[str, typer.Option(help="Name of the sheet and its layout.")] = "by_hand",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write a sheet (CSV and XLSX) for readings taken down by hand, and its layout.

    Example: annealog layout template sheets --unit "%IACS"
    """
    from pipeline.load.layout_tools import write_template

    _, written = write_template(
        workspace_at(workspace),
        folder,
        unit=unit,
        delimiter=delimiter,
        decimal_char=decimal,
        name=name,
        dry_run=dry_run,
    )
    if json:
        output.print_json({"written": [str(path) for path in written], "dry_run": dry_run})
        return
    for path in written:
        output.out().print(output.plain(f"{'would write' if dry_run else 'written'}: {path}"))
    output.out().print("Fill in the sheet, save it as CSV into the inbox, and load it like any other export.")


@quarantine.command("list")
def quarantine_list(
    state: Annotated[str, typer.Option(help="new, replayed, discarded, held or all.")] = "new",
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """List refused lines and held files with their reasons.

    Example: annealog quarantine list
    """
    from pipeline.kept.snapshot import published_refused
    from pipeline.load.refused import held

    place = workspace_at(workspace)
    rows = published_refused(place) if state == "new" else None
    if rows is None and state != "held":
        from pipeline.load.refused import listed

        rows = listed(place, state=state).to_dicts()
    files = held(place) if state in ("new", "held", "all") else []
    if json:
        output.print_json([*(rows or ()), *files])
        return
    if rows is not None:
        output.table(
            f"{len(rows)} lines, state {state}",
            ("id", "file", "line", "reason", "state", "what"),
            ((r["quarantine_id"], r["file"], r["line"], r["reason"], r["state"], r["sentence"]) for r in rows),
        )
    if files or rows is None:
        output.table(
            f"{len(files)} files held",
            ("file", "hash", "held", "reason", "what", "same name loaded"),
            (
                (
                    f["file"], f["sha256"][:12], output.when(f["held_at"], place.settings), f["reason"], f["sentence"],
                    output.when(f["loaded_since"], place.settings),
                )
                for f in files
            ),
        )  # fmt: skip


@quarantine.command("show")
def quarantine_show(
    number: Annotated[int, typer.Argument(metavar="ID", help="Number from the list.")],
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Show one refused line as it stands in the file, beside the reason.

    Example: annealog quarantine show 3
    """
    from pipeline.kept.snapshot import published_refused

    place = workspace_at(workspace)
    waiting = published_refused(place) or ()
    row = next((one for one in waiting if one["quarantine_id"] == number), None)
    if row is None:
        from pipeline.load.refused import shown

        row = shown(place, number)
    if json:
        output.print_json(row)
        return
    console = output.out()
    console.print(output.plain(f"{row['file']}, line {row['line']}, state {row['state']}"))
    console.print(output.literal(f"  line as it stands: {row['original']}"))
    console.print(output.plain(f"  {row['reason']}: {row['sentence']}"))
    if row["decided_by"]:
        console.print(output.plain(f"  {row['state']} by {row['decided_by']}: {row['decided_why']}"))


@quarantine.command("replay")
def quarantine_replay(
    by: By = "", why: Why = "", dry_run: DryRun = False, workspace: WorkspaceOption = None, json: Json = False
) -> None:
    """Read refused lines again with the layouts as they are now, and store what fits.

    Example: annealog quarantine replay --by Ada --why "layout 2 knows the code LIFT"
    """
    from datetime import UTC, datetime

    from pipeline.decisions.quarantine import replay
    from pipeline.load.report import Touched
    from pipeline.load.touched import assess_touched

    place = workspace_at(workspace)
    reports = replay(place, by=by, why=why, dry_run=dry_run)
    touched = [report.source_id for report in reports if report.readings]
    found = Touched() if dry_run else assess_touched(place, touched, now=datetime.now(UTC))
    if json:
        output.print_json(
            {
                "files": [{n: getattr(r, n) for n in r.__slots__} for r in reports],
                "lots": found.lots,
                "meters": found.meters,
                "changes": output.changes_document(found.changes),
            }
        )
    else:
        for report in reports:
            output.out().print(output.plain(f"{report.file}: {report.sentence}; {report.still_refused} still refused"))
        if not reports:
            output.out().print("Nothing waits in quarantine.")
        output.print_changes(found.changes)
    from pipeline.cli.work import exit_code

    raise typer.Exit(exit_code(found.lots, found.meters, quarantined=sum(report.still_refused for report in reports)))


@quarantine.command("discard")
def quarantine_discard(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="[ID...]", help="Numbers of lines; names or hashes of held files, from the list."),
    ] = None,
    file: Annotated[
        str | None, typer.Option(metavar="NAME", help="All that waits of this file, by name or hash.")
    ] = None,
    reason: Annotated[
        str | None, typer.Option(metavar="CODE", help="All that waits for this reason; with --file, of that file.")
    ] = None,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Mark refused lines and held files as discarded, with a reason. They stay in the record.

    Example: annealog quarantine discard 3 4 --by Ada --why "test prints of the meter"
    """
    from pipeline.decisions.quarantine import discard

    place = workspace_at(workspace)
    found = discard(place, names or (), file=file, reason=reason, by=by, why=why, dry_run=dry_run)
    if json:
        output.print_json({"discarded": found.lines, "files": list(found.files), "dry_run": dry_run})
    else:
        counts = [(found.lines, "line"), (len(found.files), "held file")]
        said = " and ".join(counted(n, noun) for n, noun in counts if n)
        output.out().print(f"{said} {'would be ' if dry_run else ''}discarded, kept in the record.")


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(layout, name="layout")
    app.add_typer(quarantine, name="quarantine")
