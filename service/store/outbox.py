"""What is to be sent: messages with their deliveries, written in the transaction of what they tell of."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from service.store.database import Tx
from service.store.ids import new_id
from service.store.sending_tables import deliveries, messages, webhooks

WEBHOOK, EMAIL = "webhook", "email"
WAITING, DELIVERED, DEAD, DROPPED = "waiting", "delivered", "dead", "dropped"
ON, OFF, REMOVED = "on", "off", "removed"

_BETWEEN_EVENTS = " "


class Message(NamedTuple):
    """A message: its id, its type, and the text that is sent."""

    id: str
    type: str
    document: str


class Recipient(NamedTuple):
    """To whom a message goes: over which channel, and the id of the webhook or the actor."""

    channel: str
    id: str


def events_text(events: Sequence[str]) -> str:
    """Return the column of the types that a webhook wants; empty: all of them."""
    return _BETWEEN_EVENTS.join(events)


def events_of(text: str) -> list[str]:
    """Return the types that a webhook wants from their column."""
    return text.split(_BETWEEN_EVENTS) if text else []


def webhooks_on(tx: Tx, organisation: str) -> dict[str, list[str]]:
    """Return the webhooks of an organisation that are on, with the types that each wants; none named: all."""
    query = sa.select(webhooks.c.id, webhooks.c.events).where(
        webhooks.c.organisation_id == organisation, webhooks.c.state == ON
    )
    return {row.id: events_of(row.events) for row in tx.execute(query)}


def add(tx: Tx, organisation: str, sent: Sequence[tuple[Message, Sequence[Recipient]]], now: datetime) -> None:
    """Add messages, each with a delivery for every one of its recipients, to be sent now; what stands there stays."""
    made = [_message(organisation, one, now) for one, _ in sent]
    due = [_delivery(organisation, one.id, to, now) for one, recipients in sent for to in recipients]
    _insert(tx, messages, made)
    _insert(tx, deliveries, due)


def _insert(tx: Tx, table: sa.Table, rows: Sequence[Mapping[str, Any]]) -> None:
    insert = sqlite.insert if tx.dialect.name == "sqlite" else postgresql.insert
    if rows:
        tx.execute(insert(table).on_conflict_do_nothing(), rows)


def _message(organisation: str, one: Message, now: datetime) -> dict[str, Any]:
    return {"organisation_id": organisation, "created_at": now, **one._asdict()}


def _delivery(organisation: str, message: str, to: Recipient, now: datetime) -> dict[str, Any]:
    return {
        "organisation_id": organisation,
        "id": new_id(now),
        "message_id": message,
        "channel": to.channel,
        "webhook_id": to.id if to.channel == WEBHOOK else None,
        "actor_id": to.id if to.channel == EMAIL else None,
        "state": WAITING,
        "attempts": 0,
        "next_at": now,
        "created_at": now,
    }
