"""Commands on lots together: processes and suppliers, the baseline that a person names, components of variance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.decide import record
from pipeline.cli.kept import Computed, asked, judged, written
from pipeline.cli.options import AsOf, By, DryRun, Json, Pdf, SingleFile, Why, WorkspaceOption, moment, workspace_at
from pipeline.errors import UsageError
from schemas.digits import counted, p_in_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["add_to"]


def _number(value: float | None, digits: int = 4) -> str:
    return "" if value is None else f"{value:.{digits}g}"


def _page(place: Workspace, as_of: str | None, make: Any) -> Any:
    """Return the page asked for, as of a moment."""
    with judged(place, as_of) as (found, history):
        (page,) = make(found, history, history.sources())
        return page


def process(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Product, or line.")],
    dry_run: DryRun = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Say whether a product or a line is in control, and since when not; write its page.

    Example: annealog process "copper bar"
    """
    place = workspace_at(workspace)

    def compute() -> Computed:
        from pipeline.questions.over_time.processes import process_pages

        page = _page(place, as_of, lambda a, history, sources: process_pages(place, a, history, sources, [name]))
        return page.answer, written(place, page, moment(as_of, place), dry_run=dry_run, alone=single_file, pdf=pdf)

    usual = as_of is None and not single_file
    document, path = asked(place, "process", name, compute, usual=usual, dry_run=dry_run, pdf=pdf)
    if json:
        output.print_json({**document, "page": path})
    else:
        result = output.Shown.of(document)
        output.out().print(output.plain(_headline(result.process, result.state, result.streams)))
        for reason in result.reasons:
            output.out().print(output.plain(f"  {reason}"))
        _show_streams(result.streams, place.settings, f"Streams, in {result.unit}")
        if path:
            output.out().print(path)
    raise typer.Exit(4 if document["state"] == "out_of_control" else 0)


def _show_streams(streams: list[Any], settings: Settings, title: str) -> None:
    output.table(
        title,
        ("stream", "state", "since", "subgroups", "mean", "s between", "s within", "Ppk", "95 %"),
        (
            (
                s.name, s.state.replace("_", " "), output.when(s.since, settings)[:10], s.subgroups, _number(s.mean, 5),
                _number(s.between_standard_deviation, 2), _number(s.within_standard_deviation, 2), _number(s.ppk, 3),
                _span(s.ppk_interval),
            )
            for s in streams
        ),
    )  # fmt: skip
    kinds = [s.phases[-1].baseline.kind if s.phases else "" for s in streams]
    for kind, said in (("named", "limits from a named baseline"), ("provisional", "limits are provisional")):
        if names := [s.name for s, of in zip(streams, kinds, strict=True) if of == kind]:
            output.out().print(output.plain(f"  {said}: {'; '.join(names)}"))
    for stream in streams:
        for change in stream.level_changes:
            output.out().print(
                output.plain(
                    f"  {stream.name}: level changed by {change.shift:+.3g} between {change.previous_subgroup} "
                    f"({output.when(change.previous_at, settings)[:10]}) and {change.subgroup} "
                    f"({output.when(change.at, settings)[:10]}), {p_in_words(change.p_value)}"
                )
            )


def _span(pair: Sequence[float] | None) -> str:
    return "" if pair is None else f"{pair[0]:.3g} to {pair[1]:.3g}"


def supplier(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Supplier.")],
    start: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="First day of the period; default: the first lot.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="Last day of the period; default: the last lot.")
    ] = None,
    dry_run: DryRun = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Report on a supplier: lots, level over time, Ppk, certificates of the mill, others of the same material.

    Example: annealog supplier "Ostrovald Copper" --from 2026-04-01 --to 2026-06-30
    """
    place = workspace_at(workspace)
    since, until = moment(start, place, first=True), moment(end, place)

    def compute() -> Computed:
        from pipeline.questions.over_time.suppliers import supplier_pages

        page = _page(
            place,
            as_of,
            lambda a, history, sources: supplier_pages(place, a, history, sources, [name], start=since, end=until),
        )
        return page.answer, written(place, page, moment(as_of, place), dry_run=dry_run, alone=single_file, pdf=pdf)

    usual = as_of is None and since is None and until is None and not single_file
    document, path = asked(place, "supplier", name, compute, usual=usual, dry_run=dry_run, pdf=pdf)
    result = output.Shown.of(document)
    if json:
        output.print_json({**document, "page": path})
    else:
        _show_supplier(result, path, place.settings)
    raise typer.Exit(4 if result.state == "out_of_control" or result.held or result.rejected else 0)


def _headline(name: str, state: str, streams: Sequence[Any]) -> str:
    """Return name and state; what was judged in part is never plainly in control."""
    judged = sum(stream.state != "not_assessed" for stream in streams)
    part = f", {judged} of {len(streams)} judged" if state == "in_control" and judged < len(streams) else ""
    return f"{name}: {state.upper().replace('_', ' ')}{part}"


def _show_supplier(result: Any, path: str | None, settings: Settings) -> None:
    console = output.out()
    console.print(
        output.plain(_headline(result.supplier, result.state, [material.stream for material in result.materials]))
    )
    for reason in result.reasons:
        console.print(output.plain(f"  {reason}"))
    output.table(
        f"Materials, in {result.unit}",
        ("material", "lots", "accepted", "held", "rejected", "mean", "Ppk", "95 %", "capability"),
        (
            (
                m.material, m.lots, m.accepted, m.held, m.rejected, _number(m.level.mean, 5), _number(m.level.ppk, 3),
                _span(m.level.ppk_interval), m.capability.replace("_", " "),
            )
            for m in result.materials
        ),
    )  # fmt: skip
    _show_streams([m.stream for m in result.materials], settings, "Lot means over time")
    for material in result.materials:
        found = material.certificates
        if found.mean_difference is not None and found.limits_of_agreement is not None:
            console.print(
                output.plain(
                    f"  certificates, {material.material}: incoming minus mill {found.mean_difference:+.3g} {result.unit} "
                    f"({_span(found.mean_difference_interval)}), limits of agreement {_span(found.limits_of_agreement)}, "
                    f"|Eₙ| above 1 for {len(found.beyond)} of {found.normalised_errors}"
                )
            )
    if path:
        console.print(path)


def components(
    lots: Annotated[list[str] | None, typer.Argument(metavar="[LOT]...", help="Lots; default: all that fit.")] = None,
    product: Annotated[str | None, typer.Option(metavar="NAME", help="Lots of this product.")] = None,
    line: Annotated[str | None, typer.Option(metavar="NAME", help="Lots of this line.")] = None,
    supplier: Annotated[str | None, typer.Option(metavar="NAME", help="Lots of this supplier.")] = None,
    material: Annotated[str | None, typer.Option(metavar="NAME", help="Lots of this material.")] = None,
    start: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="First day of the period; default: the first lot.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="Last day of the period; default: the last lot.")
    ] = None,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Say how much lots, parts, spots and readings vary, over several lots, by two methods, with a test of each.

    Example: annealog components --product "copper bar" --from 2026-04-01 --to 2026-06-30
    """
    from pipeline.questions.over_time.components import components_of_lots
    from schemas.documents import as_json

    place = workspace_at(workspace)
    of = {"product": product, "line": line, "supplier": supplier, "material": material}
    asked_for = {column: value for column, value in of.items() if value is not None}
    if not lots and not asked_for:
        raise UsageError("Name lots, or a product, a line, a supplier or a material (annealog components --help).")
    since, until = moment(start, place, first=True), moment(end, place)
    with judged(place, as_of) as (assessment, _):
        found = as_json(components_of_lots(assessment, lots=lots or (), of=asked_for, start=since, end=until))
    if json:
        output.print_json(found)
    else:
        _show_components(output.Shown.of(found))


def _show_components(result: Any) -> None:
    console = output.out()
    counts = ", ".join(counted(level.groups, level.level) for level in result.levels)
    console.print(output.plain(f"{counts}; mean {_number(result.mean, 5)} {result.unit}"))
    levels = [level for level in result.levels if level.reason is None]
    output.table(
        f"By analysis of variance, standard deviations in {result.unit}",
        ("between", "s", "95 %", "share", "\u03bd", "F", "p"),
        (
            (
                f"{level.level}s", _number(level.anova.standard_deviation, 3),
                _span([end**0.5 for end in level.anova.interval]), _percent(level.anova.share),
                _number(level.anova.degrees_of_freedom, 4), _number(level.anova.f_ratio, 3), _p(level.anova.p_value),
            )
            for level in levels
        ),
    )  # fmt: skip
    output.table(
        f"By restricted maximum likelihood, standard deviations in {result.unit}",
        ("between", "s", "share", "likelihood ratio", "p"),
        (
            (
                f"{level.level}s", _number(level.reml.standard_deviation, 3), _percent(level.reml.share),
                _number(level.reml.likelihood_ratio, 3), _p(level.reml.p_value),
            )
            for level in levels
        ),
    )  # fmt: skip
    for level in result.levels:
        if level.reason is not None:
            console.print(output.plain(f"  {level.level}s: {level.reason}"))
    for name in ("f_ratio", "interval", "likelihood_ratio"):
        console.print(output.plain(f"  {_METHOD_WORDS[name]}: {result.methods[name]}"))
    for caution in result.cautions:
        console.print(output.plain(f"  caution: {caution}"))
    for lot in result.left_out:
        console.print(output.plain(f"  left out: {lot.lot}, {lot.reason}"))


_METHOD_WORDS = {"f_ratio": "F", "interval": "95 %", "likelihood_ratio": "likelihood ratio"}


def _percent(share: float | None) -> str:
    return "" if share is None else f"{100 * share:.1f} %"


def _p(value: float | None) -> str:
    return "" if value is None else p_in_words(value)


@record.command("process")
def record_process(
    product: Annotated[str | None, typer.Option(metavar="NAME", help="Product of the stream.")] = None,
    line: Annotated[str | None, typer.Option(metavar="NAME", help="Line of the stream.")] = None,
    supplier: Annotated[str | None, typer.Option(metavar="NAME", help="Supplier of the stream.")] = None,
    material: Annotated[
        str | None, typer.Option(metavar="NAME", help="With --supplier: the chart of that supplier's material.")
    ] = None,
    start: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="First subgroup, or its day; default: the first one.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="Last subgroup, or its day; default: the last one.")
    ] = None,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Name the lots whose means and spread are the limits of a process from the first of them on.

    Example: annealog record process --product "copper bar" --from 2026-03-01 --to 2026-05-31 --by Ada --why "reviewed"
    """
    from pipeline.decisions.process_baseline import record_process_baseline

    place = workspace_at(workspace)
    event, stream, limits = record_process_baseline(
        place, product=product, line=line, supplier=supplier, material=material, start=moment(start, place, first=True),
        end=moment(end, place), by=by, why=why, dry_run=dry_run,
    )  # fmt: skip
    if json:
        output.print_json(
            {
                "recorded": event is not None, "stream": stream, "subgroups": limits.subgroups, "centre": limits.centre,
                "standard_deviation": limits.sigma, "within_standard_deviation": limits.within_sigma,
                **({} if event is None else {"sequence": event.sequence, "kind": event.kind, "hash": event.hash}),
            }
        )  # fmt: skip
        return
    output.out().print(
        output.plain(
            f"{stream}: {limits.subgroups} subgroups, centre {_number(limits.centre, 6)}, standard deviation of means "
            f"{_number(limits.sigma) or 'none'}, within {_number(limits.within_sigma) or 'none'}"
        )
    )
    if event is None:
        output.out().print("Nothing was recorded (dry run).")
    else:
        output.out().print(f"Recorded as event {event.sequence}: {event.kind} ({event.hash[:12]}…)")


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (process, supplier, components):
        app.command(help=command.__doc__)(command)
