"""Which layout a file is written in: by a rule for its folder, else by its header; never by a guess."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.intake.decoding import choose_encoding, chunks, container
from pipeline.intake.head import read_head
from pipeline.intake.layout_errors import nearest
from pipeline.intake.reader import head_lines
from pipeline.intake.reading import Held, HoldFile, shown
from pipeline.intake.workbooks.parts import parts_of
from pipeline.intake.workbooks.reading import is_workbook, sheets_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.intake.layout import Layout

__all__ = ["match"]

# a file with the right columns and a wrong unit or serial belongs to the layout: the reader holds it and says why
_OF_THE_LAYOUT = (
    "unit_mismatch",
    "units_missing",
    "serial_mismatch",
    "preamble_mismatch",
    "preamble_key_missing",
    "file_name_mismatch",
)
_START_BYTES = 1 << 20


def match(path: str, data: bytes, layouts: Mapping[str, Layout], folder_rules: Mapping[str, str]) -> Layout | Held:
    r"""Find the layout of a file.

    Parameters
    ----------
    path
        Path of the file, with ``/`` or ``\`` between names; the longest folder rule that it lies under wins.
    data
        Its bytes.
    layouts
        Known layouts by name.
    folder_rules
        Folder (one or several names) to the name of a layout.

    Returns
    -------
    Layout or Held
        Held where no layout fits, or two do, with the differences listed.
    """
    parts = [part for part in path.replace("\\", "/").split("/") if part]
    folders, file_name = parts[:-1], parts[-1] if parts else ""
    ruled = _by_folder(folders, layouts, folder_rules)
    if ruled is not None:
        return ruled
    refused = _no_workbook(data) if is_workbook(data) else container(data)
    if refused is not None:
        return refused
    if not data.strip(b"\xef\xbb\xbf\xff\xfe\r\n\t "):
        return Held("empty_file", "The file has no line.", "Export again.")
    fitting: list[Layout] = []
    nearly: list[Layout] = []
    different: list[tuple[Layout, Held]] = []
    for name in sorted(layouts):
        layout = layouts[name]
        if not layout.dialect.header or not _may_be(layout, "/".join(folders), file_name):
            continue
        held = _difference(data, layout, file_name)
        if held is None:
            fitting.append(layout)
        elif held.reason in _OF_THE_LAYOUT:
            nearly.append(layout)
        else:
            different.append((layout, held))
    if len(fitting) == 1:
        return fitting[0]
    if not fitting and len(nearly) == 1:
        return nearly[0]
    several = fitting or nearly
    if several:
        names = ", ".join(layout.name for layout in several)
        return Held(
            "layout_ambiguous",
            f"The header fits several layouts: {names}.",
            "Name one with --layout, set a folder rule, or tell them apart by 'match' in the layouts.",
            details=tuple(f"{layout.name} (version {layout.version}): {layout.title}" for layout in several),
        )
    return _none_fits(different)


def _by_folder(
    folders: list[str], layouts: Mapping[str, Layout], folder_rules: Mapping[str, str]
) -> Layout | Held | None:
    found: dict[str, int] = {}
    for folder, name in folder_rules.items():
        wanted = [part for part in folder.replace("\\", "/").split("/") if part and part != "."]
        size = len(wanted)
        if size and any(folders[at : at + size] == wanted for at in range(len(folders) - size + 1)):
            found[name] = max(found.get(name, 0), size)
    if not found:
        return None
    longest = max(found.values())
    names = sorted(name for name, size in found.items() if size == longest)
    if len(names) > 1:
        return Held(
            "layout_ambiguous",
            f"Folder rules of the same length name several layouts: {', '.join(names)}.",
            "Make one of the rules longer, or name the layout with --layout.",
        )
    if names[0] not in layouts:
        return Held(
            "layout_unknown",
            f"A folder rule names layout '{names[0]}', which does not exist{nearest(names[0], layouts)}.",
            "Correct the rule in annealog.toml, or add the layout.",
        )
    return layouts[names[0]]


def _may_be(layout: Layout, folder: str, file_name: str) -> bool:
    rules = layout.match
    if rules.folder is not None and rules.folder.search(folder) is None:
        return False
    return rules.file_name is None or rules.file_name.fullmatch(file_name) is not None


def _no_workbook(data: bytes) -> Held | None:
    """Return what holds a workbook under every layout, or None where it can be unpacked."""
    try:
        sheets_of(data)
    except HoldFile as stop:
        return stop.held
    return None


def _difference(data: bytes, layout: Layout, file_name: str) -> Held | None:
    """Return what holds the head of the file under a layout, or None where it fits."""
    try:
        part = parts_of(data, layout, "UTC", head_only=True)[0]
        data, layout = part.text, part.layout
        encoding = choose_encoding(data, layout.dialect.encoding)
        for chunk in chunks(data[: _START_BYTES * 4], encoding, layout.dialect.line_terminator, _START_BYTES):
            lines = head_lines(chunk)
            head = read_head(lines, layout, file_name)
            wanted = layout.match.preamble
            if wanted is not None and not any(wanted in line for line in lines[: head.before]):
                return Held("header_mismatch", f"'{shown(wanted)}' does not stand before the header.", "")
            return None
    except HoldFile as stop:
        return stop.held
    return Held("empty_file", "The file has no line.", "Export again.")


def _none_fits(different: list[tuple[Layout, Held]]) -> Held:
    shared = {held.reason for _, held in different}
    damage = {"nul_byte", "mixed_encodings", "line_too_long"}
    shared.discard("encoding_mismatch")  # said of a layout in another encoding, which proves nothing
    if shared and shared <= damage:  # the bytes are damaged under every layout: that is the finding
        return next(held for _, held in different if held.reason in damage)

    def distance(entry: tuple[Layout, Held]) -> tuple[int, int, str]:
        layout, held = entry
        return (held.reason != "header_mismatch", len(held.details) or 99, layout.name)

    listed: list[str] = []
    for layout, held in sorted(different, key=distance)[:3]:
        listed.append(f"{layout.name} (version {layout.version}): {held.sentence}")
        listed.extend(f"  {detail}" for detail in held.details)
    return Held(
        "layout_unknown",
        "No layout fits the header of this file.",
        "Let `annealog layout suggest FILE` propose one, or name one with --layout.",
        details=tuple(listed),
    )
