"""The append-only record: read an athlete's chain, add to it, null what is erased."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from service.domain.chain import Head, Link
from service.domain.record import instant
from service.store import idempotency, writers
from service.store.database import Tx
from service.store.tables import athletes, record_entries

_NAMES = {"organisation": "organisation_id", "athlete": "athlete_id", "episode": "episode_id", "actor": "actor_id"}
_COLUMNS = {one.name: _NAMES.get(one.name, one.name) for one in fields(Link)}
_MOMENTS = ("occurred_at", "recorded_at")
_MOMENT_PLACES = [place for place, name in enumerate(_COLUMNS) if name in _MOMENTS]
_ENTRY = [record_entries.c[column] for column in _COLUMNS.values()]


def head(tx: Tx, organisation: str, athlete: str, *, is_locked: bool = False) -> Head | None:
    """Return where an athlete's chain ends, None where there is no such athlete.

    Args:
        tx: the transaction.
        organisation: the organisation.
        athlete: the athlete.
        is_locked: keep other writers of this athlete out until the transaction ends, and wait for who is alone.
    """
    beside = writers.is_one(tx, organisation) if is_locked else []
    query = sa.select(athletes.c.entries, athletes.c.head_digest, *beside).where(
        athletes.c.organisation_id == organisation, athletes.c.id == athlete
    )
    found = tx.execute(query.with_for_update() if is_locked else query).one_or_none()
    return None if found is None else Head(found.entries, found.head_digest)


def read(tx: Tx, organisation: str, athlete: str) -> list[Link]:
    """Return an athlete's chain in order."""
    query = (
        sa.select(*_ENTRY)
        .where(record_entries.c.organisation_id == organisation, record_entries.c.athlete_id == athlete)
        .order_by(record_entries.c.sequence)
    )
    return [_link(row) for row in tx.execute(query)]


def read_as_kept(tx: Tx, organisation: str, athlete: str) -> list[Link]:
    """Return an athlete's chain in order, whatever somebody has put into its columns.

    PostgreSQL holds each column to its type. SQLite keeps anything, so that a row may not even be read: it comes back
    as an entry that can't hold, and so does one whose values are other texts of the same meaning.
    """
    if tx.dialect.name != "sqlite":
        return read(tx, organisation, athlete)
    query = (
        sa.select(*(sa.type_coerce(column, sa.types.NullType()).label(column.name) for column in record_entries.c))
        .where(record_entries.c.organisation_id == organisation, record_entries.c.athlete_id == athlete)
        .order_by(record_entries.c.sequence)
    )
    rows = tx.execute(query).mappings()
    return [_as_kept(tx.dialect, row) or _unreadable(place) for place, row in enumerate(rows, start=1)]


def find(tx: Tx, organisation: str, entry: str) -> Link | None:
    """Return one entry by its id."""
    query = sa.select(*_ENTRY).where(record_entries.c.organisation_id == organisation, record_entries.c.id == entry)
    row = tx.execute(query).one_or_none()
    return None if row is None else _link(row)


def documents(tx: Tx, organisation: str, ids: Iterable[str]) -> dict[str, Any]:
    """Return what entries say, by their ids; what was erased is left out."""
    columns = record_entries.c
    query = sa.select(columns.id, columns.document).where(
        columns.organisation_id == organisation, columns.id.in_(sorted(ids)), columns.document.is_not(None)
    )
    return {row.id: json.loads(row.document) for row in tx.execute(query)}


def add(tx: Tx, links: Sequence[Link]) -> None:
    """Add entries to their chain."""
    tx.execute(sa.insert(record_entries), [_row(one) for one in links])


def erase(tx: Tx, organisation: str, athlete: str, *, before: int, columns: Sequence[str]) -> None:
    """Null columns of every entry before a sequence, and forget the requests that made them."""
    erased = (
        record_entries.c.organisation_id == organisation,
        record_entries.c.athlete_id == athlete,
        record_entries.c.sequence < before,
    )
    idempotency.forget_objects(tx, organisation, sa.select(record_entries.c.id).where(*erased))
    tx.execute(sa.update(record_entries).where(*erased).values(dict.fromkeys(columns)))


def _link(row: sa.Row[Any]) -> Link:
    """Return an entry; the columns were selected in the order of its fields, as records are read whole and often."""
    values = list(row)
    for place in _MOMENT_PLACES:
        values[place] = instant(values[place])
    return Link(*values)


def _row(one: Link) -> dict[str, Any]:
    values = {column: getattr(one, name) for name, column in _COLUMNS.items()}
    return values | {name: datetime.fromisoformat(values[name]) for name in _MOMENTS}


def _as_kept(dialect: sa.Dialect, row: sa.RowMapping) -> Link | None:
    """Return an entry from what SQLite keeps, None where a column holds something that was never written there."""
    values: dict[str, Any] = {}
    for name, column in _COLUMNS.items():
        kept = row[column]
        try:
            values[name] = _value(dialect, record_entries.c[column], kept)
        except (ValueError, TypeError, AttributeError):
            return None
    return Link(**values | {name: instant(values[name]) for name in _MOMENTS})


def _value(dialect: sa.Dialect, column: sa.Column[Any], kept: Any) -> Any:
    """Return the value of a column.

    Raises:
        ValueError, TypeError, AttributeError: it is of another type, or not as this service writes it.
    """
    if kept is None and column.nullable:
        return None
    type_ = column.type.dialect_impl(dialect)
    read, write = type_.result_processor(dialect, None), type_.bind_processor(dialect)
    value = read(kept) if read else kept
    written = write(value) if write else value
    wanted = int if isinstance(column.type, sa.Integer) else str
    if type(kept) is not wanted or written != kept:
        message = f"{column.name} holds what was never written there"
        raise ValueError(message)
    return value


def _unreadable(place: int) -> Link:
    """Return an entry that stands for one that can't be read: it has no digest, so it never holds."""
    return Link(
        organisation="",
        athlete="",
        sequence=place,
        id="",
        kind="",
        episode=None,
        occurred_at="",
        occurred_on=date.min,
        recorded_at="",
        actor="",
        format=0,
        salt=None,
        document=None,
        document_digest="",
        private=None,
        private_digest="",
        previous_digest=None,
        digest="",
    )
