"""Webhooks: where an organisation is told of what happens, and the secrets that sign it."""

from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from service.store.access import Place, newest_first
from service.store.database import Tx
from service.store.outbox import REMOVED, events_of, events_text
from service.store.sending_tables import webhooks


@dataclass(frozen=True, slots=True)
class Webhook:
    """A row of webhooks; `events` empty: all types. The secrets are kept as they are told: they sign."""

    id: str
    url: str
    events: tuple[str, ...]
    label: str | None
    state: str
    created_at: datetime
    updated_at: datetime
    secret: str = field(repr=False)
    previous_secret: str | None = field(default=None, repr=False)
    previous_until: datetime | None = None
    off_because: str | None = None
    revision: int = 1


_COLUMNS = [webhooks.c[one.name] for one in fields(Webhook)]


def add(tx: Tx, organisation: str, one: Webhook) -> None:
    """Add a row."""
    tx.execute(sa.insert(webhooks).values(organisation_id=organisation, **_values(one)))


def webhook(tx: Tx, organisation: str, id_: str, *, is_locked: bool = False) -> Webhook | None:
    """Return a webhook that was not removed; locked, until the transaction ends, for who is to change it."""
    query = _of(organisation).where(webhooks.c.id == id_)
    row = tx.execute(query.with_for_update(key_share=True) if is_locked else query).one_or_none()
    return None if row is None else _webhook(row)


def list_webhooks(tx: Tx, organisation: str, *, after: Place | None, limit: int) -> list[Webhook]:
    """Return a page of webhooks that were not removed, newest first."""
    query = newest_first(_of(organisation), webhooks.c.created_at, webhooks.c.id, after).limit(limit)
    return [_webhook(row) for row in tx.execute(query)]


def change(tx: Tx, organisation: str, one: Webhook) -> None:
    """Write a webhook as it is now."""
    is_it = (webhooks.c.organisation_id == organisation) & (webhooks.c.id == one.id)
    tx.execute(sa.update(webhooks).where(is_it).values(_values(one)))


def _of(organisation: str) -> sa.Select[Any]:
    return sa.select(*_COLUMNS).where(webhooks.c.organisation_id == organisation, webhooks.c.state != REMOVED)


def _values(one: Webhook) -> dict[str, Any]:
    return {column.name: getattr(one, column.name) for column in _COLUMNS} | {"events": events_text(one.events)}


def _webhook(row: sa.Row[Any]) -> Webhook:
    values = row._asdict()
    return Webhook(**values | {"events": tuple(events_of(row.events))})
