"""The register: which packages of which site were let in, in which order, and why others were not.

The same statements for SQLite and PostgreSQL. What was registered is only ever added to: on PostgreSQL by the rights of three
roles, on SQLite by triggers. Every question of a site goes by key, so that it costs the same with a thousand sites.
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Self

import sqlalchemy as sa

from pipeline.errors import EnvironmentProblem, HistoryBusy, IntegrityProblem, SettingsError, UsageError
from pipeline.history.chain import GENESIS_HASH, Event, event_hash
from pipeline.near import nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

__all__ = ["ROLES", "Refusal", "Register", "Registered", "SiteState", "now"]

_METADATA = sa.MetaData()
_TEXT = sa.Text


def _text(name: str, **more: Any) -> sa.Column[str]:
    return sa.Column(name, _TEXT, nullable=False, **more)


SITE = sa.Table(
    "site", _METADATA, _text("name", primary_key=True), _text("key"), _text("state"), _text("why"), _text("at")
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Registered:
    """A package that was let in; columns as in its manifest, and what the centre saw.

    Parameters
    ----------
    generation
        1, and one more each time that a person says that another branch of a forked history is the site.
    stored_at, clock_s
        When storage says that it came, and by how many seconds the site's clock differs from that.
    pieces, bytes
        How many pieces it has, and their bytes together.
    at
        When it was registered.
    """

    site: str
    generation: int
    number: int
    sha256: str
    before: str
    made_at: str
    program: str
    as_of: str
    history_state: str
    head: str
    last_reading_at: str
    stored_at: str
    clock_s: float
    pieces: int
    bytes: int
    at: str

    @property
    def came_at(self) -> datetime:
        """When it came, whatever the clock of the site: as storage says, but not after it was registered."""
        return min(datetime.fromisoformat(self.stored_at), datetime.fromisoformat(self.at))


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a package was not let in, and what to do.

    Parameters
    ----------
    number, sha256
        Of the package; of a gap the number that is missing, without a hash.
    kind
        ``fork`` holds the site; others concern the package alone.
    """

    site: str
    number: int
    sha256: str
    kind: str
    words: str
    at: str


_TYPES = {"str": _TEXT, "int": sa.Integer, "float": sa.Float}


def _declared(name: str, kind: Any, *keys: str, **changed: Any) -> sa.Table:
    """Return the table of a dataclass: its fields, some of them the key; a hash that is none stands once."""
    columns = [
        sa.Column(
            one.name, changed.get(one.name, _TYPES[str(one.type)]), primary_key=one.name in keys, nullable=False, autoincrement=False,
            unique=(one.name == "sha256" and "sha256" not in keys) or None,
        )
        for one in fields(kind)
    ]  # fmt: skip
    return sa.Table(name, _METADATA, *columns)


PACKAGE = _declared("package", Registered, "site", "generation", "number", bytes=sa.BigInteger)
PACKAGE.append_constraint(sa.ForeignKeyConstraint(["site"], ["site.name"]))
REFUSAL = _declared("refusal", Refusal, "site", "number", "sha256", "kind")
"""Also of sites that nobody added."""
RESULT = sa.Table(
    "result",
    _METADATA,
    *(sa.Column(name, _TEXT, primary_key=True) for name in ("kind", "key", "heads", "program")),
    _text("body"),
    _text("at"),
)
DECISION = sa.Table(
    "decision",
    _METADATA,
    sa.Column("sequence", sa.Integer, primary_key=True, autoincrement=False),
    *(_text(name) for name in ("at", "kind", "subject", "by", "why", "previous_hash", "hash")),
    sa.Column("site", _TEXT, index=True),
)

ROLES: dict[str, tuple[sa.Table, ...]] = {
    "annealog_taker": (PACKAGE, REFUSAL),
    "annealog_computer": (RESULT,),
    "annealog_reader": (),
}
"""Roles on PostgreSQL: each may read everything, and add to these tables. Nobody but the owner changes what is there."""

_LOCK = 20_260
"""First key of our advisory locks in PostgreSQL; the second is made of what is locked."""


def now() -> str:
    """Return the moment as the register states it: ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteState:
    """A site as the register has it.

    Parameters
    ----------
    key
        Its public key.
    state
        open, held or closed, as a person decided last.
    why, at
        Of that decision.
    last
        The package that was let in last.
    """

    name: str
    key: str
    state: str
    why: str
    at: str
    last: Registered | None


class Register:
    """The register at an address: ``sqlite:///FILE`` or ``postgresql+psycopg://...``."""

    def __init__(self, address: str) -> None:
        try:
            url = sa.make_url(address)
        except sa.exc.ArgumentError:
            raise SettingsError("register in centre.toml is no address: a file, or postgresql+psycopg://...") from None
        kind = url.get_backend_name()
        if kind not in ("sqlite", "postgresql"):
            raise SettingsError(f"register in centre.toml names {kind}: expected a file of SQLite, or PostgreSQL.")
        self.lite = kind == "sqlite"
        self.where = url.render_as_string(hide_password=True)
        try:
            # on SQLite a transaction begins where `_writing` says so, and holds the file from there
            self._engine = sa.create_engine(
                url if self.lite else url.set(drivername="postgresql+psycopg"),
                connect_args={"timeout": 60, "isolation_level": None} if self.lite else {"connect_timeout": 10},
                pool_pre_ping=not self.lite,
            )
        except ModuleNotFoundError:
            raise EnvironmentProblem("A register in PostgreSQL needs more: pip install 'annealog[centre]'") from None

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- making it --------------------------------------------------------------------------------------------------

    def make(self) -> None:
        """Make what is missing of tables, roles and rights; nothing that is there is changed.

        Raises
        ------
        EnvironmentProblem
            If the database is away, or the user may not do that.
        """
        with self._connection() as connection:
            if self.lite:
                connection.exec_driver_sql("PRAGMA journal_mode = WAL")
            _METADATA.create_all(connection)
            for table in (PACKAGE, REFUSAL, RESULT, DECISION) if self.lite else ():
                for action in ("UPDATE", "DELETE"):
                    connection.exec_driver_sql(
                        f"CREATE TRIGGER IF NOT EXISTS no_{action.lower()}_of_{table.name} BEFORE {action} ON {table.name} "
                        f"BEGIN SELECT RAISE(ABORT, 'what was registered stays'); END"
                    )
            if not self.lite:
                for role, added in ROLES.items():
                    known = connection.scalar(sa.text("SELECT 1 FROM pg_roles WHERE rolname = :role"), {"role": role})
                    if not known:
                        connection.exec_driver_sql(f"CREATE ROLE {role} NOLOGIN")
                    for table in _METADATA.tables.values():
                        rights = "SELECT, INSERT" if table in added else "SELECT"
                        connection.exec_driver_sql(f"GRANT {rights} ON {table.name} TO {role}")
            connection.commit()

    # -- sites and heads --------------------------------------------------------------------------------------------

    def sites(self, *, only: str | None = None) -> list[SiteState]:
        """Return sites by name, each with the package that was let in last: by key for each, whatever lies behind it."""
        later = PACKAGE.alias()
        newest = (
            sa.select(later.c.sha256)
            .where(later.c.site == SITE.c.name)
            .order_by(later.c.generation.desc(), later.c.number.desc())
            .limit(1)
            .scalar_subquery()
        )
        joined = SITE.outerjoin(PACKAGE, PACKAGE.c.sha256 == newest)
        question = sa.select(SITE, PACKAGE).select_from(joined).order_by(SITE.c.name)
        if only is not None:
            question = question.where(SITE.c.name == only)
        with self._connection() as connection:
            rows = connection.execute(question).all()
        width = len(SITE.c)
        return [
            SiteState(
                **dict(zip(SITE.c.keys(), row[:width], strict=True)),
                last=None
                if row[width] is None
                else Registered(**dict(zip(PACKAGE.c.keys(), row[width:], strict=True))),
            )
            for row in rows
        ]

    def site(self, name: str) -> SiteState:
        """Return one site.

        Raises
        ------
        UsageError
            If nobody added it.
        """
        found = self.sites(only=name)
        if not found:
            known = [site.name for site in self.sites()]
            raise UsageError(
                f"No site {name} is registered{nearest(name, known) or '.'} Add it: annealog centre site add {name} --key FILE"
            )
        return found[0]

    def packages(self, site: str, *, since: int = 0) -> list[Registered]:
        """Return the packages of a site from a number on, in the order in which they were let in."""
        question = sa.select(PACKAGE).where(PACKAGE.c.site == site, PACKAGE.c.number >= since)
        with self._connection() as connection:
            rows = connection.execute(question.order_by(PACKAGE.c.generation, PACKAGE.c.number)).all()
        return [Registered(**row._mapping) for row in rows]  # noqa: SLF001 - the public name of a row's mapping

    def let_in(self, package: Registered) -> bool:
        """Register a package if it still is the next one of its site; return whether it was registered now.

        One transaction under a lock of the site: of twelve who come at once one registers, the others find it known.

        Raises
        ------
        IntegrityProblem
            If another package stands in its place, so that the site was looked at before somebody else let that in.
        """
        with self._writing(f"site {package.site}") as connection:
            if connection.scalar(sa.select(PACKAGE.c.number).where(PACKAGE.c.sha256 == package.sha256)) is not None:
                return False
            last = connection.execute(
                sa.select(PACKAGE.c.generation, PACKAGE.c.number, PACKAGE.c.sha256)
                .where(PACKAGE.c.site == package.site)
                .order_by(PACKAGE.c.generation.desc(), PACKAGE.c.number.desc())
                .limit(1)
            ).first()
            generation, number, sha256 = last or (1, 0, "")
            follows = package.generation == generation and package.number == number + 1 and package.before == sha256
            if not follows and package.generation != generation + 1:
                raise IntegrityProblem(f"Package {package.number} of {package.site} no longer follows {number}.")
            state = connection.scalar(sa.select(SITE.c.state).where(SITE.c.name == package.site))
            if state != "open":
                raise IntegrityProblem(f"Site {package.site} is {state}: nothing is taken in.")
            connection.execute(PACKAGE.insert().values(**{name: getattr(package, name) for name in package.__slots__}))
        return True

    # -- refusals ---------------------------------------------------------------------------------------------------

    def refuse(self, refusal: Refusal) -> bool:
        """State once why a package was not let in; return whether it is stated now."""
        values = {name: getattr(refusal, name) for name in refusal.__slots__}
        same = [column == values[column.name] for column in REFUSAL.primary_key]
        with self._writing(f"refusals of {refusal.site}") as connection:
            if connection.scalar(sa.select(sa.literal(1)).select_from(REFUSAL).where(*same)) is not None:
                return False
            connection.execute(REFUSAL.insert().values(**values))
        return True

    def refusals(self, site: str | None = None) -> list[Refusal]:
        """Return what is refused and not healed since: not registered, not left by decision, the gap not filled."""
        registered = sa.exists().where(PACKAGE.c.sha256 == REFUSAL.c.sha256)
        filled = sa.exists().where(PACKAGE.c.site == REFUSAL.c.site, PACKAGE.c.number == REFUSAL.c.number)
        added = sa.exists().where(SITE.c.name == REFUSAL.c.site)
        healed = sa.case((REFUSAL.c.kind == "gap", filled), (REFUSAL.c.kind == "unknown", added), else_=registered)
        question = sa.select(REFUSAL).where(~healed).order_by(REFUSAL.c.site, REFUSAL.c.number, REFUSAL.c.at)
        if site is not None:
            question = question.where(REFUSAL.c.site == site)
        with self._connection() as connection:
            found = [Refusal(**row._mapping) for row in connection.execute(question)]  # noqa: SLF001 - as above
        if not found:
            return []
        left = self.branches(site)[1]
        return [refusal for refusal in found if refusal.sha256 not in left]

    def branches(self, site: str | None = None) -> tuple[set[str], set[str]]:
        """Return the packages that a person chose to go on from, and those that were left for them."""
        subjects = [event.subject for event in self.decisions(kind="branch", site=site)]
        left = {sha256 for subject in subjects for sha256 in subject["left"]}
        return {subject["taken"] for subject in subjects} - left, left

    # -- results ----------------------------------------------------------------------------------------------------

    def keep(self, kind: str, key: str, heads: str, program: str, body: str) -> bool:
        """Keep a result under what it follows from; return False where it is there: the same inputs give the same result."""
        with self._writing(f"result {kind} {key}") as connection:
            if connection.scalar(_result(kind, key, heads, program)) is not None:
                return False
            connection.execute(
                RESULT.insert().values(kind=kind, key=key, heads=heads, program=program, body=body, at=now())
            )
        return True

    def kept(self, kind: str, key: str, heads: str, program: str) -> str | None:
        """Return a result that was kept, or None."""
        with self._connection() as connection:
            found = connection.execute(_result(kind, key, heads, program)).first()
        return None if found is None else found[0]

    def kept_of(self, kind: str, key: str | None = None) -> list[str]:
        """Return every result of a kind (and key), in the order in which they were kept: revisions stand beside one another."""
        question = sa.select(RESULT.c.body).where(RESULT.c.kind == kind).order_by(RESULT.c.at)
        if key is not None:
            question = question.where(RESULT.c.key == key)
        with self._connection() as connection:
            return list(connection.scalars(question))

    # -- decisions --------------------------------------------------------------------------------------------------

    def decide(
        self, kind: str, subject: Mapping[str, Any], *, by: str, why: str, site: str | None = None, state: str | None = None,
        key: str | None = None,
    ) -> Event:  # fmt: skip
        """Append a decision to the centre's own chain, and do what it says to the site, in one transaction.

        Parameters
        ----------
        kind, subject, by, why
            As the events of a site's history.
        site
            The site that it is about.
        state, key
            The state and the public key of the site from now on; a site that nobody added is added with both.

        Raises
        ------
        UsageError
            If nobody decides, or for no reason.
        """
        if not by.strip() or not why.strip():
            raise UsageError("A decision states who decides and why: --by NAME --why TEXT")
        with self._writing("decisions") as connection:
            last = connection.execute(
                sa.select(DECISION.c.sequence, DECISION.c.hash).order_by(DECISION.c.sequence.desc()).limit(1)
            ).first()
            sequence, before = (last[0] + 1, last[1]) if last else (1, GENESIS_HASH)
            at, text = now(), json.dumps(subject, sort_keys=True, ensure_ascii=False)
            moment = datetime.fromisoformat(at)
            digest = event_hash(sequence, moment, kind, text, by, why, before)
            connection.execute(
                DECISION.insert().values(
                    sequence=sequence, at=at, kind=kind, subject=text, by=by, why=why, previous_hash=before, hash=digest, site=site
                )
            )  # fmt: skip
            if state is not None:
                values = {"state": state, "why": why, "at": at} | ({} if key is None else {"key": key})
                changed = connection.execute(SITE.update().where(SITE.c.name == site).values(**values))
                if not changed.rowcount:
                    connection.execute(SITE.insert().values(name=site, **values))
        return Event(sequence, moment, kind, json.loads(text), by, why, before, digest)

    def decisions(self, kind: str | None = None, *, site: str | None = None) -> list[Event]:
        """Return decisions in their order, of one kind or about one site.

        Raises
        ------
        IntegrityProblem
            If all are asked for and one is not what its hash says, or does not follow the one before.
        """
        question = sa.select(*(column for column in DECISION.c if column.name != "site")).order_by(DECISION.c.sequence)
        if kind is not None:
            question = question.where(DECISION.c.kind == kind)
        if site is not None:
            question = question.where(DECISION.c.site == site)
        with self._connection() as connection:
            rows = [row._mapping for row in connection.execute(question)]  # noqa: SLF001 - as above
        events = [
            Event(**{**row, "at": datetime.fromisoformat(row["at"]), "subject": json.loads(row["subject"])})
            for row in rows
        ]
        if kind is None and site is None:
            before = GENESIS_HASH
            for row, event in zip(rows, events, strict=True):
                found = event_hash(event.sequence, event.at, event.kind, row["subject"], event.by, event.why, before)
                if (event.previous_hash, event.hash) != (before, found):
                    raise IntegrityProblem(f"Decision {event.sequence} of the centre is not as it was taken.")
                before = found
        return events

    # -- connections ------------------------------------------------------------------------------------------------

    @contextmanager
    def _connection(self) -> Iterator[sa.Connection]:
        try:
            with self._engine.connect() as connection:
                yield connection
        except (sa.exc.OperationalError, sa.exc.ProgrammingError) as error:
            raise self._said(error) from None

    @contextmanager
    def _writing(self, what: str) -> Iterator[sa.Connection]:
        """Give a transaction that nobody else writes to `what` beside it, and that is whole or nothing."""
        with self._connection() as connection:
            if self.lite:
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            else:
                connection.execute(
                    sa.text("SELECT pg_advisory_xact_lock(:ours, hashtext(:what))"), {"ours": _LOCK, "what": what}
                )
            yield connection
            connection.commit()

    def _said(self, error: sa.exc.DBAPIError) -> Exception:
        text = str(error.orig).strip().splitlines()[0]
        if "no such table" in text or ("does not exist" in text and "relation" in text):
            return EnvironmentProblem(f"The register {self.where} has no tables yet: annealog centre init")
        if "permission denied" in text or "must be owner" in text:
            return EnvironmentProblem(f"The register {self.where} does not let this user do that: {text}")
        if "locked" in text:
            return HistoryBusy(f"The register {self.where} was busy for a minute. Try again.")
        return EnvironmentProblem(f"The register {self.where} cannot be asked: {text}")


def _result(kind: str, key: str, heads: str, program: str) -> sa.Select[str]:
    asked: Iterable[tuple[str, str]] = (("kind", kind), ("key", key), ("heads", heads), ("program", program))
    return sa.select(RESULT.c.body).where(*(RESULT.c[name] == value for name, value in asked))
