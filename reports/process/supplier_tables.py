"""The tables of a supplier: materials, certificates, suppliers of one material, lots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.links import linked
from reports.kit.markup import Html, isolated, shorten
from reports.kit.numbers import compact, decimals_for, finite, fixed, significant
from reports.kit.states import toned
from reports.kit.tables import Heading, capped, caption, table
from reports.process.tables import interval, of_need, state_of
from reports.words import general
from reports.words import process as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from reports.kit.numbers import Clock
    from reports.kit.tables import Numbered
    from schemas.suppliers import SupplierResult

__all__ = ["certificates_table", "lots_table", "materials_table", "peers_tables"]

MOST_LOTS = 300
_C = words.COLUMN
_CAPABLE = {"capable": "accept", "not_capable": "reject", "undecided": "hold"}


def materials_table(result: SupplierResult, number: int, *, unit: str) -> Html:
    """Return one row a material."""
    columns = [
        Heading(_C["material"]), Heading(_C["state"]), Heading(_C["lots"], kind="n"), Heading(_C["accepted"], kind="n"),
        Heading(_C["held"], kind="n"), Heading(_C["rejected"], kind="n"), Heading(_C["mean"], unit, "n"), Heading(_C["ppk"], kind="n"),
        Heading(_C["interval"]), Heading(_C["capability"]), Heading(_C["slope"], unit, "n"), Heading(_C["interval"]),
    ]  # fmt: skip
    rows = []
    for material in sorted(result.materials, key=lambda one: of_need(one.stream)):
        level = material.level
        decimals = decimals_for(finite(level.within_standard_deviation), level.mean)
        said = words.CAPABILITY_SHORT[material.capability]
        tone = _CAPABLE.get(material.capability)
        pair = material.slope_interval
        slope_decimals = decimals_for(None if pair is None else (pair[1] - pair[0]) / 2)
        rows.append(
            (
                isolated(material.material, 60), state_of(material.stream.state), material.lots, material.accepted, material.held,
                material.rejected, fixed(level.mean, decimals), significant(level.ppk, 3), interval(level.ppk_interval, 2),
                said if tone is None else toned(tone, said), fixed(material.slope_per_30_days, slope_decimals, sign=True),
                interval(pair, slope_decimals, sign=True) or shorten(material.slope_reason or "", 80),
            )
        )  # fmt: skip
    return table(
        number,
        "materials",
        caption(words.TABLE["materials"].format(asked=compact(result.materials[0].ppk_asked, 3))),
        columns,
        rows,
    )


def certificates_table(result: SupplierResult, number: int, here: str, *, unit: str) -> Html:
    """Return how certificates agree with incoming readings, one row a material."""
    columns = [
        Heading(_C["material"]), Heading(_C["pairs"], kind="n"), Heading(_C["mean_difference"], unit, "n"), Heading(_C["interval"]),
        Heading(_C["agreement"], unit), Heading(_C["largest"], kind="n"), Heading("|Eₙ| > 1"),
    ]  # fmt: skip
    rows: list[list[object]] = []
    for material in result.materials:
        found = material.certificates
        pair = found.mean_difference_interval
        decimals = decimals_for(None if pair is None else (pair[1] - pair[0]) / 2, found.mean_difference)
        beyond: object = general.FRAGMENT["none"]
        if found.beyond:
            shown = [linked(here, "lot", lot) for lot in found.beyond[:12]]
            more = len(found.beyond) - len(shown)
            rest = [general.FRAGMENT["and_more"].format(n=more)] if more else []
            beyond = Html(", ".join([*shown, *rest]))
        rows.append(
            [
                isolated(material.material, 60), found.pairs, fixed(found.mean_difference, decimals, sign=True),
                interval(pair, decimals, sign=True) or shorten(found.reason or "", 120),
                interval(found.limits_of_agreement, decimals, sign=True), fixed(found.largest_normalised_error, 2, sign=True), beyond,
            ]
        )  # fmt: skip
    marked = [bool(material.certificates.beyond) for material in result.materials]
    return table(number, "certificates", caption(words.TABLE["certificates"]), columns, rows, marked=marked)


def peers_tables(result: SupplierResult, numbered: Numbered, here: str, *, unit: str) -> list[Html]:
    """Return, for each material, its suppliers side by side."""
    columns = [
        Heading(_C["supplier"]), Heading(_C["lots"], kind="n"), Heading(_C["parts"], kind="n"), Heading(_C["mean"], unit, "n"),
        Heading(_C["interval"], unit), Heading(_C["between"], unit, "n"), Heading(_C["within"], unit, "n"), Heading(_C["ppk"], kind="n"),
        Heading(_C["interval"]),
    ]  # fmt: skip
    found = []
    for place, material in enumerate(result.materials):
        rows = []
        for peer in material.peers:
            decimals = decimals_for(finite(peer.within_standard_deviation), peer.mean)
            own = peer.supplier == result.supplier
            rows.append(
                (
                    isolated(peer.supplier, 60) if own else linked(here, "supplier", peer.supplier), peer.lots, peer.parts,
                    fixed(peer.mean, decimals), interval(peer.mean_interval, decimals), significant(peer.between_standard_deviation, 2),
                    significant(peer.within_standard_deviation, 2), significant(peer.ppk, 3),
                    interval(peer.ppk_interval, 2) or shorten(peer.not_computable.get("ppk", ""), 120),
                )
            )  # fmt: skip
        said = caption(words.TABLE["peers"].format(material=shorten(material.material, 60)))
        marked = [peer.supplier == result.supplier for peer in material.peers]
        found.append(table(numbered.table(), f"peers{place}", said, columns, rows, marked=marked))
    return found


def lots_table(
    lots: pl.DataFrame,
    material: str,
    number: int,
    place: int,
    figures: Sequence[tuple[int, str]],
    clock: Clock,
    here: str,
    *,
    unit: str,
) -> Html:
    """Return the lots of one material; those that wait or disagree are marked."""
    errors = lots["normalised_error"].abs().fill_null(0.0) > 1.0
    flagged = (errors | lots["verdict"].is_in(["hold", "reject"])).to_list()
    frame, flagged, note = capped(lots, flagged, MOST_LOTS)
    columns = [
        Heading(_C["lot"]), Heading(_C["at"], clock.zone, "t"), Heading(_C["verdict"]), Heading(_C["parts"], kind="n"),
        Heading(_C["mean"], unit, "n"), Heading(_C["ppk"], kind="n"), Heading(_C["certificate"]), Heading(_C["certified"], unit, "n"),
        Heading(_C["difference"], unit, "n"), Heading(_C["en"], kind="n"),
    ]  # fmt: skip
    spread = lots["standard_deviation"].drop_nulls()
    decimals = decimals_for(float(spread[0]) if spread.len() else None, lots["mean"].drop_nulls().first())  # type: ignore[arg-type]
    rows = [
        (
            linked(here, "lot", row["lot"]), clock.minute(row["first_at"]),
            toned(row["verdict"], general.VERDICT.get(row["verdict"], row["verdict"])), row["parts"], fixed(row["mean"], decimals),
            significant(row["ppk"], 3), shorten(row["certificate"] or "", 40), fixed(row["certified"], decimals),
            fixed(row["difference"], decimals, sign=True), fixed(row["normalised_error"], 2, sign=True),
        )
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    own = [pair for pair in figures if pair[1].startswith("certificates")]
    said = caption(words.TABLE["lots"].format(material=shorten(material, 60)), note, figures=own)
    return table(number, f"lots{place}", said, columns, rows, marked=flagged)
