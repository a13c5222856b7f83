"""The tables that say which names of sites mean the same thing; they lie in the centre's folder and are kept by people.

Nothing is joined because it looks alike: two sites that write the same name mean the same thing only where it stands here.
"""

from __future__ import annotations

import polars as pl

from schemas.declare import UTC_TIME, Column, Table

__all__ = ["NAMED", "NAME_TABLES"]

TEXT = pl.String

NAMED = {
    "suppliers": "supplier",
    "materials": "material",
    "specifications": "specification",
    "products": "product",
    "blocks": "block",
}
"""Company table -> the column of the sites' tables that holds the names."""


def _id(name: str, doc: str) -> Column:
    return Column(name, TEXT, doc, required=True, nullable=False)


_SITE = _id("site", "Site, as its packages name it.")
_WHAT = {
    "suppliers": "Supplier",
    "materials": "Material",
    "specifications": "Specification",
    "products": "Product",
    "blocks": "Reference block",
}

NAME_TABLES: dict[str, Table] = {
    "meters": Table(
        "meters",
        "Which instrument a site means by the name of a meter, and from when to when.",
        (
            _SITE,
            _id("meter", "Meter, as the site names it."),
            _id("maker", "Maker of the instrument."),
            _id("serial_number", "Serial number of the instrument."),
            Column("accuracy_percent", pl.Float64, "Accuracy statement, percent of reading (half width).", unit="%", at_least=0),
            Column("valid_from", UTC_TIME, "From when the site has it; empty: from the beginning."),
            Column("valid_to", UTC_TIME, "Until when, that moment not included; empty: it is still there."),
        ),
        ("site", "meter"),
    ),
    **{
        name: Table(
            name,
            f"{what}: the name of the company for that of a site.",
            (
                _SITE,
                _id("name", f"{what}, as the site writes it."),
                _id("company_name", f"{what}, as the company writes it{', such as laboratory and number of its certificate' if name == 'blocks' else ''}."),
            ),
            ("site", "name"),
        )
        for name, what in _WHAT.items()
    },
}  # fmt: skip
