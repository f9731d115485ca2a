"""Deliveries on their way: claimed for a while, and settled by who claimed them."""

from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.store.database import Tx
from service.store.outbox import DEAD, DELIVERED, DROPPED, EMAIL, OFF, ON, WAITING
from service.store.reminders import PLANNED
from service.store.sending_tables import deliveries, messages, reminders, webhooks
from service.store.tables import actors, organisations, tasks
from service.store.tasks import named


class Claimed(NamedTuple):
    """A delivery that is being sent by who claimed it.

    `attempts` counts this one. Of a mail the webhook's columns are None, and of a webhook those of the person.
    """

    organisation: str
    id: str
    attempts: int
    channel: str
    message: str
    type: str
    document: str
    webhook: str | None
    url: str | None
    is_on: bool
    secret: str | None
    previous_secret: str | None
    previous_until: datetime | None
    actor: str | None
    email: str | None
    claimed_by: str
    until: datetime


class Settled(NamedTuple):
    """What became of a try: the state, the status answered, what failed in words, when the next try is due."""

    state: str
    status: int | None = None
    error: str | None = None
    next_at: datetime | None = None


def oldest_due(tx: Tx, now: datetime) -> datetime | None:
    """Return since when the oldest reminder is due that was not handed over, in any organisation."""
    is_due = (reminders.c.state == PLANNED) & (reminders.c.at <= now)
    return tx.execute(sa.select(sa.func.min(reminders.c.at, type_=reminders.c.at.type)).where(is_due)).scalar()


def counts(tx: Tx) -> dict[str, int]:
    """Return how many deliveries wait and how many are dead, in all organisations."""
    columns = deliveries.c
    count = sa.func.count().label("total")
    query = sa.select(columns.state, count).where(columns.state.in_((WAITING, DEAD))).group_by(columns.state)
    return {row.state: int(row.total) for row in tx.execute(query)}


def claim(  # noqa: PLR0913 - who claims what, until when
    tx: Tx, by: str, *, now: datetime, until: datetime, limit: int, each: int, has_mail: bool
) -> list[Claimed]:
    """Claim deliveries that are due, earliest first; what nobody settles until `until` is due again then.

    Args:
        tx: a transaction that writes.
        by: a name that no other claim has; only with it can they be settled.
        now: what is due by now is claimed.
        until: when the claim is over.
        limit: the most deliveries.
        each: the most deliveries of one webhook, and the most mails; fewer where many wait, so that each has its share.
        has_mail: whether mails can be sent; they wait where they can't.
    """
    columns = deliveries.c
    is_due = (columns.state == WAITING) & (columns.next_at <= now)
    if not has_mail:
        is_due &= columns.channel != EMAIL
    waiting = sa.select(columns.webhook_id).where(is_due).group_by(columns.webhook_id)
    receivers = tx.execute(waiting.order_by(sa.func.min(columns.next_at)).limit(limit)).scalars().all()
    found: list[tuple[str, str]] = []
    for one in receivers:
        is_own = columns.webhook_id.is_not_distinct_from(one)  # of mails it is null
        query = sa.select(columns.organisation_id, columns.id).where(is_due, is_own)
        first = query.order_by(columns.next_at, columns.id).limit(min(each, limit // len(receivers)))
        found += [(row.organisation_id, row.id) for row in tx.execute(first.with_for_update(skip_locked=True))]
    if not found:
        return []
    is_found = sa.tuple_(columns.organisation_id, columns.id).in_(found)
    taken = {"claimed_by": by, "attempts": columns.attempts + 1, "attempted_at": now, "next_at": until}
    tx.execute(sa.update(deliveries).where(is_found).values(taken))
    return _claimed(tx, is_found)


def _claimed(tx: Tx, is_found: sa.ColumnElement[bool]) -> list[Claimed]:
    columns = deliveries.c
    is_message = (messages.c.organisation_id == columns.organisation_id) & (messages.c.id == columns.message_id)
    is_webhook = (webhooks.c.organisation_id == columns.organisation_id) & (webhooks.c.id == columns.webhook_id)
    is_person = (actors.c.organisation_id == columns.organisation_id) & (actors.c.id == columns.actor_id)
    query = (
        sa.select(
            columns.organisation_id,
            columns.id,
            columns.attempts,
            columns.channel,
            columns.message_id,
            messages.c.type,
            messages.c.document,
            columns.webhook_id,
            webhooks.c.url,
            sa.func.coalesce(webhooks.c.state == ON, actors.c.disabled_at.is_(None)),
            webhooks.c.secret,
            webhooks.c.previous_secret,
            webhooks.c.previous_until,
            columns.actor_id,
            actors.c.email,
            columns.claimed_by,
            columns.next_at,
        )
        .select_from(deliveries.join(messages, is_message).outerjoin(webhooks, is_webhook).outerjoin(actors, is_person))
        .where(is_found)
        .order_by(columns.created_at, columns.id)
    )
    return [Claimed(*row) for row in tx.execute(query)]


def settle(tx: Tx, one: Claimed, settled: Settled, now: datetime) -> bool:
    """Write what became of a try; False where the claim was over, and somebody else has it."""
    values: dict[str, Any] = {
        "state": settled.state,
        "claimed_by": None,
        "status": settled.status,
        "error": settled.error,
        "settled_at": now if settled.state in (DELIVERED, DEAD, DROPPED) else None,
    }
    if settled.next_at is not None:
        values["next_at"] = settled.next_at
    return bool(tx.execute(sa.update(deliveries).where(_is_held(one)).values(values)).rowcount)


def give_back(tx: Tx, one: Claimed, now: datetime) -> None:
    """Make due again what was claimed and not begun: its try does not count."""
    columns = deliveries.c
    attempted_at = sa.case((columns.attempts > 1, columns.attempted_at))  # of a first try there is none
    values = {"claimed_by": None, "attempts": columns.attempts - 1, "attempted_at": attempted_at, "next_at": now}
    tx.execute(sa.update(deliveries).where(_is_held(one)).values(values))


def _is_held(one: Claimed) -> sa.ColumnElement[bool]:
    columns = deliveries.c
    is_it = (columns.organisation_id == one.organisation) & (columns.id == one.id)
    return is_it & (columns.claimed_by == one.claimed_by) & (columns.state == WAITING)


def last_states(tx: Tx, organisation: str, webhook: str, limit: int) -> list[str]:
    """Return what became of a webhook's latest settled deliveries, newest first."""
    columns = deliveries.c
    query = (
        sa.select(columns.state)
        .where(
            columns.organisation_id == organisation,
            columns.webhook_id == webhook,
            columns.state.in_((DELIVERED, DEAD)),
        )
        .order_by(columns.settled_at.desc(), columns.id.desc())
        .limit(limit)
    )
    return list(tx.execute(query).scalars())


def turn_off(tx: Tx, one: Claimed, because: str, now: datetime) -> bool:
    """Turn a webhook off.

    Returns:
        False where it was not on, or has another address by now than the one that was tried.
    """
    columns = webhooks.c
    is_it = (columns.organisation_id == one.organisation) & (columns.id == one.webhook) & (columns.url == one.url)
    off = {"state": OFF, "off_because": because, "revision": columns.revision + 1, "updated_at": now}
    return bool(tx.execute(sa.update(webhooks).where(is_it, columns.state == ON).values(off)).rowcount)


class Named(NamedTuple):
    """An organisation: what it is called, and where its days begin."""

    name: str
    zone: ZoneInfo


def digest_tasks(tx: Tx, organisation: str, task_ids: list[str]) -> list[dict[str, Any]]:
    """Return tasks as they are now, with the refs that are shown with them, the first due first."""
    is_wanted = sa.select(tasks).where(tasks.c.organisation_id == organisation, tasks.c.id.in_(task_ids))
    return named(tx, is_wanted.subquery())


def organisation_of(tx: Tx, id_: str) -> Named:
    """Return an organisation by its id."""
    query = sa.select(organisations.c.name, organisations.c.time_zone).where(organisations.c.id == id_)
    row = tx.execute(query).one()
    return Named(row.name, ZoneInfo(row.time_zone))
