"""Keys that make a repeated request one request: a retry finds what the first one made."""

from datetime import datetime
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from service.domain.errors import ConflictError, KeyReusedError
from service.store.database import Tx
from service.store.tables import idempotency_keys as table

ERASED = "erased"


class Claim(NamedTuple):
    """What a request is, for its retries: who sent it, under which key, to which route, with which body."""

    organisation: str
    actor: str
    key: str
    route: str
    body_digest: str


def claim(tx: Tx, one: Claim, object_id: str, now: datetime) -> str | None:
    """Keep a request's key with the id of what it is about to make; None, or the id that the first such request made.

    On PostgreSQL a second request waits here until the first has ended, so there is never an answer "in progress".

    Raises:
        KeyReusedError: the key was used for another route or another body.
        ConflictError: erased: what the first request made is no more.
    """
    insert = sqlite.insert if tx.dialect.name == "sqlite" else postgresql.insert
    values = {
        "organisation_id": one.organisation,
        "actor_id": one.actor,
        "key": one.key,
        "route": one.route,
        "body_digest": one.body_digest,
        "object_id": object_id,
        "created_at": now,
    }
    # What was inserted is asked for: the count of rows is not told by every driver.
    inserted = insert(table).values(values).on_conflict_do_nothing().returning(table.c.key)
    if tx.execute(inserted).first() is not None:
        return None
    first = tx.execute(
        sa.select(table.c.route, table.c.body_digest, table.c.object_id).where(
            table.c.organisation_id == one.organisation, table.c.actor_id == one.actor, table.c.key == one.key
        )
    ).one()
    if first.body_digest == ERASED:
        message = "what this request made was erased since; nothing was made anew"
        raise ConflictError(ERASED, message)
    if (first.route, first.body_digest) != (one.route, one.body_digest):
        raise KeyReusedError(one.key)
    return str(first.object_id)


def forget(tx: Tx, before: datetime) -> int:
    """Forget the keys of requests made before a moment; return how many."""
    return tx.execute(sa.delete(table).where(table.c.created_at < before)).rowcount


def forget_objects(tx: Tx, organisation: str, objects: sa.Select[Any]) -> None:
    """Forget what the requests said that made these objects: the digest of a body tells it to who guesses it.

    Their keys stay, so that a request sent again does not make anew what was erased.

    Args:
        tx: the transaction.
        organisation: the organisation.
        objects: selects their ids.
    """
    own = (table.c.organisation_id == organisation, table.c.object_id.in_(objects))
    tx.execute(sa.update(table).where(*own).values(body_digest=ERASED))
