"""A company on one computer to try it out: the demo's meters spread over three sites, each a workspace, and a centre beside them."""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.centre.decisions import add_site
from pipeline.centre.given import key_of
from pipeline.centre.place import make_centre
from pipeline.centre.register import Register
from pipeline.load.load import load
from pipeline.publish.given import CENTRE_KEY
from pipeline.publish.outbox import KEY, Outbox
from pipeline.publish.seal import make_key
from pipeline.workspace.files import collect, write_atomically
from pipeline.workspace.settings import SETTINGS_FILE, find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from pipeline.centre.place import Centre

__all__ = ["build_company"]

_SITES = {"P-001": ("EC-01", "studies"), "P-002": ("EC-02", "EC-03"), "P-003": ("EC-21", "EC-31", "block-set")}
"""Which folders of the demo's inbox each site has."""
_NAMED = {
    "suppliers": ("supplier", "supplier"),
    "materials": ("material", "material"),
    "specifications": ("specification", "specification"),
    "blocks": ("block", "certificate"),
}
"""Reference table -> its column of names, and the column that the company goes by."""


def build_company(root: Path, tell: Callable[[str], None]) -> Centre:
    """Build three sites and their centre below a new folder; every site has published once, nothing is taken in yet."""
    from fixtures.demo import build

    (root / "storage").mkdir(parents=True)
    centre = make_centre(root / "centre", name="Hallormond Works (invented)", storage=str(root / "storage"))
    with Register(centre.register) as register:
        register.make()
        with tempfile.TemporaryDirectory() as scratch:
            build(Path(scratch))
            for name, folders in _SITES.items():
                site = root / name
                _workspace(Path(scratch), site, name, folders, storage=root / "storage")
                place = find_workspace(site)
                files, passed = collect([place.inbox])
                readings = sum(file.readings for file in load(place, files, passed_over=passed).files)
                public = make_key(site / KEY)
                write_atomically((site / KEY).with_suffix(".pub"), public.encode())
                write_atomically(site / CENTRE_KEY, key_of(centre).encode())
                add_site(register, name, public.strip(), by="the demo", why="the company is built")
                sent = Outbox(find_workspace(site)).publish()
                tell(
                    f"{name}: {readings} readings loaded, {sent.pieces} pieces of {sent.bytes / 1000:,.0f} kB published"
                )
            _names(Path(scratch), centre.root / "names")
    return centre


def _workspace(demo: Path, site: Path, name: str, folders: tuple[str, ...], *, storage: Path) -> None:
    for part in ("reference", "layouts"):
        shutil.copytree(demo / part, site / part)
    for folder in folders:
        shutil.copytree(demo / "inbox" / folder, site / "inbox" / folder)
    settings = (demo / SETTINGS_FILE).read_text(encoding="utf-8")
    mine = f'site = "{name}"\npublish_to = "{storage.as_posix()}"\n'
    write_atomically(site / SETTINGS_FILE, (mine + settings).encode())


def _names(demo: Path, folder: Path) -> None:
    """Write the company's tables of names: the demo's sites write all names alike, which nothing but these tables may say."""

    def rows(table: str) -> list[dict[str, str]]:
        text = (demo / "reference" / f"{table}.csv").read_text(encoding="utf-8")
        return list(csv.DictReader(io.StringIO(text, newline="")))

    def write(table: str, header: tuple[str, ...], lines: Iterable[tuple[str, ...]]) -> None:
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows([header, *dict.fromkeys(lines)])
        write_atomically(folder / f"{table}.csv", text.getvalue().encode())

    meters = {row["meter"]: row for row in rows("meters")}
    columns = ("maker", "serial_number", "accuracy_percent")
    here = [(name, meter) for name, folders in _SITES.items() for meter in folders if meter in meters]
    lines = [(name, meter, *(meters[meter][column] for column in columns)) for name, meter in here]
    write("meters", ("site", "meter", *columns), lines)
    for table, (column, called) in _NAMED.items():
        known = {
            row[column]: row[called] for row in reversed(rows(table))
        }  # a block keeps its name when it gets a new certificate
        named = [(name, here, there) for name in _SITES for here, there in known.items()]
        write(table, ("site", "name", "company_name"), named)
    products = [(name, row["product"], row["product"]) for name in _SITES for row in rows("lots") if row["product"]]
    write("products", ("site", "name", "company_name"), products)
