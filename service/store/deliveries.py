"""Deliveries on record: pages of them, how many wait or are dead, sent again, let go."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

import sqlalchemy as sa

from service.store.access import Place, newest_first
from service.store.database import Tx
from service.store.outbox import DEAD, DROPPED, EMAIL, WAITING
from service.store.sending_tables import deliveries, messages
from service.store.tables import actors

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which deliveries are wanted; what is None leaves nothing out."""

    state: str | None = None
    webhook: str | None = None
    channel: str | None = None
    type: str | None = None


class Counted(NamedTuple):
    """How many deliveries of a webhook wait, and how many are dead."""

    waiting: int = 0
    dead: int = 0


def list_deliveries(tx: Tx, organisation: str, wanted: Wanted, *, after: Place | None, limit: int) -> list[Row]:
    """Return a page of deliveries with their messages and the names of people, newest first."""
    columns = deliveries.c
    same = (
        (columns.state, wanted.state),
        (columns.webhook_id, wanted.webhook),
        (columns.channel, wanted.channel),
        (messages.c.type, wanted.type),
    )
    query = _of(organisation).where(*(column == value for column, value in same if value is not None))
    return _rows(tx, newest_first(query, columns.created_at, columns.id, after).limit(limit))


def delivery(tx: Tx, organisation: str, id_: str) -> Row | None:
    """Return a delivery with its message."""
    return next(iter(_rows(tx, _of(organisation).where(deliveries.c.id == id_))), None)


def of_message(tx: Tx, organisation: str, message: str) -> Row:
    """Return the delivery of a message that has one only."""
    [row] = _rows(tx, _of(organisation).where(deliveries.c.message_id == message))
    return row


def counted(tx: Tx, organisation: str, webhook_ids: Iterable[str]) -> dict[str, Counted]:
    """Return how many deliveries wait and are dead, for each webhook that has any."""
    columns = deliveries.c
    of_state = {name: sa.func.count().filter(columns.state == name) for name in (WAITING, DEAD)}
    query = (
        sa.select(columns.webhook_id, *of_state.values())
        .where(
            columns.organisation_id == organisation,
            columns.state.in_(list(of_state)),
            columns.webhook_id.in_(list(webhook_ids)),
        )
        .group_by(columns.webhook_id)
    )
    return {id_: Counted(*several) for id_, *several in tx.execute(query)}


def send_again(tx: Tx, organisation: str, id_: str, now: datetime) -> bool:
    """Let a settled delivery wait for its first try again; False where it waits already."""
    is_settled = (deliveries.c.id == id_) & (deliveries.c.state != WAITING)
    values = {"state": WAITING, "attempts": 0, "next_at": now} | dict.fromkeys(
        ("claimed_by", "status", "error", "settled_at")
    )
    asked = sa.update(deliveries).where(deliveries.c.organisation_id == organisation, is_settled).values(values)
    return tx.execute(asked.returning(deliveries.c.id)).first() is not None


def drop(tx: Tx, organisation: str, webhook: str, because: str, now: datetime) -> None:
    """Let go what waits for a webhook; a try that is on its way is no longer waited for."""
    waits = (deliveries.c.webhook_id == webhook) & (deliveries.c.state == WAITING)
    values = {"state": DROPPED, "claimed_by": None, "error": because, "settled_at": now}
    tx.execute(sa.update(deliveries).where(deliveries.c.organisation_id == organisation, waits).values(values))


def drop_mails(tx: Tx, before: datetime, because: str, now: datetime) -> None:
    """Let go the mails of every organisation whose next try was due by a moment, and that nobody is at."""
    columns = deliveries.c
    is_late = (columns.state == WAITING) & (columns.next_at <= before) & (columns.channel == EMAIL)
    late = sa.select(columns.organisation_id, columns.id).where(is_late).with_for_update(skip_locked=True)
    values = {"state": DROPPED, "claimed_by": None, "error": because, "settled_at": now}
    tx.execute(sa.update(deliveries).where(sa.tuple_(columns.organisation_id, columns.id).in_(late)).values(values))


def _of(organisation: str) -> sa.Select[Any]:
    columns = deliveries.c
    is_message = (messages.c.organisation_id == columns.organisation_id) & (messages.c.id == columns.message_id)
    is_person = (actors.c.organisation_id == columns.organisation_id) & (actors.c.id == columns.actor_id)
    return (
        sa.select(deliveries, messages.c.type, messages.c.document, actors.c.display_name)
        .select_from(deliveries.join(messages, is_message).outerjoin(actors, is_person))
        .where(columns.organisation_id == organisation)
    )


def _rows(tx: Tx, query: sa.Select[Any]) -> list[Row]:
    return [dict(row) for row in tx.execute(query).mappings()]
