"""The append-only record: read an athlete's chain, add to it, null what is erased."""

from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from service.domain.chain import Head, Link
from service.domain.record import instant
from service.store.database import Tx
from service.store.tables import athletes, record_entries

_NAMES = {"organisation": "organisation_id", "athlete": "athlete_id", "episode": "episode_id", "actor": "actor_id"}
_COLUMNS = {one.name: _NAMES.get(one.name, one.name) for one in fields(Link)}
_MOMENTS = ("occurred_at", "recorded_at")


def head(tx: Tx, organisation: str, athlete: str, *, is_locked: bool = False) -> Head | None:
    """Return where an athlete's chain ends, None where there is no such athlete.

    Args:
        tx: the transaction.
        organisation: the organisation.
        athlete: the athlete.
        is_locked: keep other writers of this athlete out until the transaction ends.
    """
    query = sa.select(athletes.c.entries, athletes.c.head_digest).where(
        athletes.c.organisation_id == organisation, athletes.c.id == athlete
    )
    found = tx.execute(query.with_for_update() if is_locked else query).one_or_none()
    return None if found is None else Head(found.entries, found.head_digest)


def read(tx: Tx, organisation: str, athlete: str) -> list[Link]:
    """Return an athlete's chain in order."""
    query = (
        sa.select(record_entries)
        .where(record_entries.c.organisation_id == organisation, record_entries.c.athlete_id == athlete)
        .order_by(record_entries.c.sequence)
    )
    return [_link(row) for row in tx.execute(query)]


def find(tx: Tx, organisation: str, entry: str) -> Link | None:
    """Return one entry by its id."""
    query = sa.select(record_entries).where(
        record_entries.c.organisation_id == organisation, record_entries.c.id == entry
    )
    row = tx.execute(query).one_or_none()
    return None if row is None else _link(row)


def add(tx: Tx, links: Sequence[Link]) -> None:
    """Add entries to their chain."""
    tx.execute(sa.insert(record_entries), [_row(one) for one in links])


def erase(tx: Tx, organisation: str, athlete: str, *, before: int, columns: Sequence[str]) -> None:
    """Null columns of every entry before a sequence."""
    tx.execute(
        sa.update(record_entries)
        .where(
            record_entries.c.organisation_id == organisation,
            record_entries.c.athlete_id == athlete,
            record_entries.c.sequence < before,
        )
        .values(dict.fromkeys(columns))
    )


def _link(row: sa.Row[Any]) -> Link:
    values = {name: getattr(row, column) for name, column in _COLUMNS.items()}
    return Link(**values | {name: instant(values[name]) for name in _MOMENTS})


def _row(one: Link) -> dict[str, Any]:
    values = {column: getattr(one, name) for name, column in _COLUMNS.items()}
    return values | {name: datetime.fromisoformat(values[name]) for name in _MOMENTS}
