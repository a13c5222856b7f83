"""The forms: each decision that the commands know, declared once, carried out by the function of its command."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

from pipeline.decisions.hand_over import record_hand_over
from pipeline.decisions.layouts import asked, complete_layout, name_of
from pipeline.decisions.process_baseline import record_process_baseline
from pipeline.decisions.quarantine import discard, replay
from pipeline.decisions.record import (
    ACTIONS,
    DECISIONS,
    deciding,
    record_action,
    record_adjustment,
    record_baseline,
    record_disposition,
    record_exclusion,
)
from pipeline.errors import AnnealogError, UsageError
from pipeline.history.store import History
from pipeline.load.reference_rows import add_rows
from pipeline.load.refused import held
from pipeline.load.take_over import read_reference, take_over
from pipeline.load.touched import assess_touched
from pipeline.web.file_pages import METROLOGY, preview
from pipeline.web.forms import Field, Form
from pipeline.workspace.files import write_atomically
from pipeline.workspace.recorded import recorded, recorded_settings
from reports.words import web as words
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pipeline.workspace.settings import Workspace

__all__ = ["FORMS"]

_BENCH = frozenset({"technician", "metrologist", "supervisor"})
_RELEASE = frozenset({"supervisor"})

LAST_WORDS = ("accepted with evidence", "rejected", "customer told")
"""Decisions that let a lot go or stop it: those of a supervisor (common practice, no source)."""
FOUND = tuple(decision for decision in DECISIONS if decision not in LAST_WORDS)


def _meters(workspace: Workspace) -> list[str]:
    with _open(workspace) as history:
        return history.all_meters()


def _of_table(name: str, column: str) -> Callable[[Workspace], list[str]]:
    def names(workspace: Workspace) -> list[str]:
        with _open(workspace) as history:
            texts = history.reference_texts()
        _, tables = recorded(texts, workspace.settings)
        return sorted(set(tables[name][column].to_list()))

    return names


_blocks, _registered = _of_table("blocks", "block"), _of_table("meters", "meter")


def _lots(workspace: Workspace) -> list[str]:
    with _open(workspace) as history:
        return history.all_lots()


def _files(workspace: Workspace) -> list[str]:
    with _open(workspace) as history:
        return history.sources()["name"].unique().sort().to_list()


def _held(workspace: Workspace) -> list[str]:
    return [str(row["file"]) for row in held(workspace)]


def _open(workspace: Workspace) -> History:
    return History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds)


def _dispose(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    given: dict[str, Any] = {key: values.get(key) for key in ("lot", "event", "meter", "block", "at", "decision")}
    record_disposition(workspace, **given, **who)
    return ()


def _set(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    record_adjustment(
        workspace, values["meter"], values["at"], block=values["block"], temperature_c=values["temperature"], **who
    )
    return ()


def _hand_over(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    record_hand_over(workspace, values["meter"], values["at"], to=values.get("to"), sender=values.get("sender"), **who)
    return ()


def _act(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    record_action(workspace, values["meter"], values["at"], kind=values["kind"], **who)
    return ()


def _exclude(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    record_exclusion(workspace, file=values["file"], line=values["line"], **who)
    return ()


def _include(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    record_exclusion(workspace, file=values["file"], line=values["line"], undo=True, **who)
    return ()


def _limit(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    _, limits = record_baseline(workspace, **_given(values, "meter", "block", "start", "end"), **who)
    return [
        f"{row['checks']} checks: centre {row['centre']:.6g}, standard deviation {row['standard_deviation']:.4g} {row['unit']}"
        for row in limits.iter_rows(named=True)
    ]


def _limit_process(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    given = _given(values, "product", "line", "supplier", "material", "start", "end")
    _, stream, limits = record_process_baseline(workspace, **given, **who)
    return [f"{stream}: {limits.subgroups} subgroups, centre {limits.centre:.6g}"]


def _discard(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    names = (values["lines"] or "").split()
    found = discard(workspace, names, file=values["file"], reason=values["reason"], **who)
    return [f"{found.lines} lines", *found.files]


def _settle(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    if values["file"] not in _held(workspace):
        raise UsageError(f"{values['file']} is held no more.")
    found = discard(workspace, [row["sha256"] for row in held(workspace) if row["file"] == values["file"]], **who)
    return found.files


def _replay(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:  # noqa: ARG001
    reports = replay(workspace, **who)
    touched = [report.source_id for report in reports if report.readings]
    told = [f"{one.file}: {one.sentence}; {one.still_refused} still refused" for one in reports] or ["Nothing waits."]
    return [*told, *_follow(workspace, touched)] if touched and not who["dry_run"] else told


_MOST_LOST = 20


def _complete(workspace: Workspace, values: dict[str, Any], **who: Any) -> Sequence[str]:
    given = {name: value for name, value in values.items() if value is not None}
    found, name, file = complete_layout(workspace, file=values["file"], given=given, name=values["layout_name"], **who)
    if file is not None:
        return [words.TOLD["layout_kept"].format(name=name), file.sentence, *file.details, *file.warnings]
    tried = found.tried
    counts = {} if tried is None else dict(tried.counts)
    told = ", ".join(f"{words.FATE.get(fate, fate)} {count}" for fate, count in counts.items() if count)
    said = words.TOLD["layout_reads"].format(
        name=name, readings=0 if tried is None else tried.readings.height, lines=told
    )
    lost = [
        *found.lost[:_MOST_LOST],
        *([f"... {len(found.lost) - _MOST_LOST} more"] if len(found.lost) > _MOST_LOST else []),
    ]
    return [said, *lost, *preview(found)]


def _questions(workspace: Workspace, sent: Mapping[str, str]) -> list[Field]:
    """Return what the file that was chosen leaves open: the questions that the command asks."""
    if sent.get("file", "") not in _held(workspace):
        return []
    fields = []
    for one in asked(workspace, sent["file"], sent).questions:
        offered = f"{one.key}: {' | '.join(one.choices)}" if one.choices else one.key
        kind, choices = ("known", partial(_offered, one.choices)) if one.choices else ("text", None)
        fields.append(
            Field(name=name_of(one.key), label=one.text, hint=offered, needed=one.blocking, kind=kind, choices=choices)
        )
    return fields


def _offered(choices: Sequence[str], _: Workspace) -> Sequence[str]:
    return choices


def _follow(workspace: Workspace, source_ids: Sequence[int] = ()) -> list[str]:
    """Assess what was recorded; where that cannot be now it stays recorded, and what cannot be said now is said later."""
    try:
        assess_touched(workspace, source_ids, now=datetime.now(UTC), refresh=True)
    except AnnealogError as error:
        return [words.TOLD["later"], str(error)]
    return []


def _row(table: str) -> Any:
    def add(workspace: Workspace, values: dict[str, Any], *, by: str, why: str, dry_run: bool) -> Sequence[str]:
        """Add a row, and take over this table alone at once; where that is refused the table is as it was before."""
        cells = {name: "" if values[name] is None else str(values[name]) for name in values if name != "why"}
        path = workspace.reference / f"{table}.csv"
        # the service takes over what it sees there: it sees the row only when this is through, or else takes it over unsigned
        with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
            texts = history.reference_texts()
            if read_reference(workspace).get(table, "") != texts.get(table, ""):
                raise UsageError(words.TOLD["edited"].format(table=table))
            before = path.read_bytes() if path.exists() else None
            (row,) = add_rows(workspace, table, [cells], valid_from=None, dry_run=dry_run)
            told = [", ".join(f"{column}={value}" for column, value in row.items())]
            if dry_run:
                return told
            try:
                texts[table] = read_reference(workspace)[table]
                settings = recorded_settings(texts, workspace.settings)
                take_over(history, texts, settings, now=datetime.now(UTC), by=by, why=why)
            except BaseException:
                if before is None:
                    path.unlink(missing_ok=True)
                else:
                    write_atomically(path, before)
                raise
        return [*told, *_follow(workspace)]

    return add


def _given(values: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: values[name] for name in names}


def _cells(table: str, *, lot: bool = True) -> tuple[Field, ...]:
    """Return the fields of a reference table: its own declaration says what there is."""
    return tuple(
        Field(
            name=column.name, kind="known" if column.name == "lot" else "text", needed=not column.nullable,
            choices=_lots if lot and column.name == "lot" else None,
        )
        for column in REFERENCE_TABLES[table]
    )  # fmt: skip


_METER = Field(name="meter", kind="choice", choices=_meters, needed=True)
_AT = Field(name="at", kind="time")
_FILE_LINE = (
    Field(name="file", kind="known", choices=_files, needed=True),
    Field(name="line", kind="whole", needed=True),
)

_ALL = (
    Form(
        name="lot", roles=METROLOGY, of={"lot": "lot"}, do=_dispose,
        fields=(
            Field(name="lot", kind="known", choices=_lots, needed=True),
            Field(name="decision", kind="choice", choices=lambda _: FOUND, needed=True),
        ),
    ),
    Form(
        name="event", roles=METROLOGY, of={"event": "event"}, do=_dispose,
        fields=(
            Field(name="event", needed=True), Field(name="lot", kind="known", choices=_lots),
            Field(name="decision", kind="choice", choices=lambda _: FOUND, needed=True),
        ),
    ),
    Form(
        name="release", roles=_RELEASE, of={"lot": "lot", "event": "event", "meter": "meter"}, do=_dispose,
        fields=(
            Field(name="lot", kind="known", choices=_lots), Field(name="event"),
            Field(name="meter", kind="choice", choices=_meters), Field(name="block", kind="choice", choices=_blocks), _AT,
            Field(name="decision", kind="choice", choices=lambda _: LAST_WORDS, needed=True),
        ),
    ),
    Form(
        name="signal", roles=METROLOGY, of={"meter": "meter"}, do=_dispose,
        fields=(
            _METER, Field(name="block", kind="choice", choices=_blocks), _AT,
            Field(name="decision", kind="choice", choices=lambda _: FOUND, needed=True),
        ),
    ),
    Form(
        name="setting", roles=_BENCH, of={"meter": "meter"}, do=_set,
        fields=(
            _METER, Field(name="at", kind="time", needed=True), Field(name="block", kind="choice", choices=_blocks),
            Field(name="temperature", kind="number"),
        ),
    ),
    Form(
        name="hand-over", roles=METROLOGY, of={"meter": "meter"}, do=_hand_over,
        fields=(_METER, Field(name="at", kind="time", needed=True), Field(name="to", needed=True)),
    ),
    Form(
        name="receipt", roles=METROLOGY, of={"index": "", "meter": "meter"}, do=_hand_over,
        fields=(
            Field(name="meter", kind="choice", choices=_registered, needed=True), Field(name="at", kind="time", needed=True),
            Field(name="sender", needed=True),
        ),
    ),
    Form(
        name="action", roles=_BENCH, of={"meter": "meter"}, do=_act,
        fields=(_METER, _AT, Field(name="kind", kind="choice", choices=lambda _: ACTIONS, needed=True)),
    ),
    Form(name="exclusion", roles=METROLOGY, of={"lot": "", "readings": ""}, do=_exclude, fields=_FILE_LINE),
    Form(name="inclusion", roles=METROLOGY, of={"lot": "", "readings": ""}, do=_include, fields=_FILE_LINE),
    Form(
        name="baseline", roles=METROLOGY, of={"meter": "meter", "block": "block"}, do=_limit,
        fields=(
            _METER, Field(name="block", kind="choice", choices=_blocks, needed=True), Field(name="start", kind="first"),
            Field(name="end", kind="time"),
        ),
    ),
    Form(
        name="process-baseline", roles=METROLOGY, of={"process": "", "supplier": "supplier"}, do=_limit_process,
        fields=(
            *(Field(name=name) for name in ("product", "line", "supplier", "material")),
            Field(name="start", kind="first"), Field(name="end", kind="time"),
        ),
    ),
    Form(
        name="discard", roles=METROLOGY, of={"index": "", "files": "", "review": ""}, do=_discard,
        fields=(Field(name="lines"), Field(name="file"), Field(name="reason")),
    ),
    Form(name="replay", roles=METROLOGY, of={"index": "", "files": "", "review": ""}, do=_replay, fields=()),
    Form(
        name="held", roles=METROLOGY, of={"index": "", "files": "", "review": ""}, do=_settle,
        fields=(Field(name="file", kind="choice", choices=_held, needed=True),),
    ),
    Form(
        name="layout", roles=METROLOGY, of={"index": "", "files": "", "review": ""}, do=_complete, more=_questions,
        fields=(Field(name="file", kind="choice", choices=_held, needed=True), Field(name="layout_name")),
    ),
    Form(name="hardness", roles=_BENCH, of={"lot": "lot"}, do=_row("hardness"), fields=_cells("hardness")),
    Form(name="lot-data", roles=_BENCH, of={"lot": "lot"}, do=_row("lots"), fields=_cells("lots", lot=False)),
)  # fmt: skip

FORMS = {form.name: form for form in _ALL}
"""Every form by its name."""
