"""A workbook (ISO/IEC 29500) with one sheet to fill in and drop-down lists, from plain XML parts.

The sheet holds text cells only, so that a spreadsheet program leaves dates, lots and decimal marks as they are typed.
"""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape, quoteattr

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["column_letters", "workbook"]

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_DECLARATION = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_EPOCH = (1980, 1, 1, 0, 0, 0)

_CONTENT_TYPES = (
    f'<Types xmlns="{_PACKAGE}/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    f'<Override PartName="/xl/workbook.xml" ContentType="{_TYPE}.sheet.main+xml"/>'
    f'<Override PartName="/xl/styles.xml" ContentType="{_TYPE}.styles+xml"/>'
    f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{_TYPE}.worksheet+xml"/>'
    f'<Override PartName="/xl/worksheets/sheet2.xml" ContentType="{_TYPE}.worksheet+xml"/>'
    "</Types>"
)
_ROOT_RELATIONS = (
    f'<Relationships xmlns="{_PACKAGE}/relationships">'
    f'<Relationship Id="rId1" Type="{_RELATIONS}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
)
_BOOK_RELATIONS = (
    f'<Relationships xmlns="{_PACKAGE}/relationships">'
    f'<Relationship Id="rId1" Type="{_RELATIONS}/worksheet" Target="worksheets/sheet1.xml"/>'
    f'<Relationship Id="rId2" Type="{_RELATIONS}/worksheet" Target="worksheets/sheet2.xml"/>'
    f'<Relationship Id="rId3" Type="{_RELATIONS}/styles" Target="styles.xml"/></Relationships>'
)
_BOOK = (
    f'<workbook xmlns="{_MAIN}" xmlns:r="{_RELATIONS}"><sheets>'
    '<sheet name="readings" sheetId="1" r:id="rId1"/><sheet name="lists" sheetId="2" state="hidden" r:id="rId2"/>'
    "</sheets></workbook>"
)
# style 0 as it comes, 1 text (number format 49, "@"), 2 bold text for the header
_STYLES = (
    f'<styleSheet xmlns="{_MAIN}"><fonts count="2"><font/><font><b/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill></fills>'
    '<borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs>'
    '<cellXfs count="3"><xf xfId="0"/><xf xfId="0" numFmtId="49" applyNumberFormat="1"/>'
    '<xf xfId="0" numFmtId="49" fontId="1" applyNumberFormat="1" applyFont="1"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
)


def column_letters(place: int) -> str:
    """Return the letters of a column: 0 is A, 26 is AA."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _cell(place: int, row: int, text: str, style: int) -> str:
    return f'<c r="{column_letters(place)}{row}" s="{style}" t="inlineStr"><is><t xml:space="preserve">{escape(text)}</t></is></c>'


def _rows(rows: Sequence[Sequence[str]], style: int) -> str:
    return "".join(
        f'<row r="{number}">'
        + "".join(_cell(place, number, text, style) for place, text in enumerate(row) if text)
        + "</row>"
        for number, row in enumerate(rows, start=1)
    )


def workbook(header: Sequence[str], lists: Mapping[int, Sequence[str]], *, last_row: int = 2000) -> bytes:
    """Return a workbook with a header to fill in below.

    Parameters
    ----------
    header
        Names of the columns.
    lists
        Allowed texts of some columns, by place from 0: drop-down lists down to `last_row`.
    last_row
        Last row that the lists cover.

    Returns
    -------
    bytes
        The same for the same arguments.
    """
    filled = {place: list(texts) for place, texts in lists.items() if texts}
    longest = max((len(texts) for texts in filled.values()), default=0)
    in_lists = [[texts[row] if row < len(texts) else "" for texts in filled.values()] for row in range(longest)]
    validations = "".join(
        f'<dataValidation type="list" allowBlank="1" showErrorMessage="1" errorTitle={quoteattr(header[place])} '
        f'error="Choose from the list." sqref="{column_letters(place)}2:{column_letters(place)}{last_row}">'
        f"<formula1>lists!${column_letters(at)}$1:${column_letters(at)}${len(texts)}</formula1></dataValidation>"
        for at, (place, texts) in enumerate(filled.items())
    )
    sheet = (
        f'<worksheet xmlns="{_MAIN}"><sheetViews><sheetView workbookViewId="0">'
        '<pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/></sheetView></sheetViews>'
        f'<cols><col min="1" max="{len(header)}" width="18" style="1" customWidth="1"/></cols>'
        f"<sheetData>{_rows([header], 2)}</sheetData>"
        + (f'<dataValidations count="{len(filled)}">{validations}</dataValidations>' if filled else "")
        + "</worksheet>"
    )
    parts = {
        "[Content_Types].xml": _CONTENT_TYPES,
        "_rels/.rels": _ROOT_RELATIONS,
        "xl/workbook.xml": _BOOK,
        "xl/_rels/workbook.xml.rels": _BOOK_RELATIONS,
        "xl/styles.xml": _STYLES,
        "xl/worksheets/sheet1.xml": sheet,
        "xl/worksheets/sheet2.xml": f'<worksheet xmlns="{_MAIN}"><sheetData>{_rows(in_lists, 1)}</sheetData></worksheet>',
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(zipfile.ZipInfo(name, _EPOCH), _DECLARATION + text, zipfile.ZIP_DEFLATED)
    return packed.getvalue()
