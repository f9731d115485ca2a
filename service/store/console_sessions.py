"""Who is signed in at the console; of a session's secret only the digest is kept."""

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.store.access import AccessKey, presented_key
from service.store.database import Tx
from service.store.tables import console_sessions


@dataclass(frozen=True, slots=True)
class Session:
    """A row of console_sessions with the key that opened it, and its organisation's time zone."""

    organisation: str
    id: str
    created_at: datetime
    seen_at: datetime
    key: AccessKey
    time_zone: str


def add(tx: Tx, key: AccessKey, id_: str, secret_sha256: str, now: datetime) -> None:
    """Add a row."""
    values = {
        "organisation_id": key.holder.organisation,
        "id": id_,
        "key_id": key.id,
        "secret_sha256": secret_sha256,
        "created_at": now,
        "seen_at": now,
    }
    tx.execute(sa.insert(console_sessions).values(values))


def of_secret(tx: Tx, secret_sha256: str) -> Session | None:
    """Return the session of a secret's digest."""
    columns = console_sessions.c
    row = tx.execute(sa.select(console_sessions).where(columns.secret_sha256 == secret_sha256)).one_or_none()
    found = None if row is None else presented_key(tx, row.key_id)
    if row is None or found is None:
        return None
    return Session(row.organisation_id, row.id, row.created_at, row.seen_at, *found)


def note_seen(tx: Tx, one: Session, now: datetime) -> None:
    """Keep when a session was used last."""
    tx.execute(sa.update(console_sessions).where(_is(one)).values(seen_at=now))


def remove(tx: Tx, one: Session) -> None:
    """End a session."""
    tx.execute(sa.delete(console_sessions).where(_is(one)))


def remove_old(tx: Tx, organisation: str, *, seen_before: datetime) -> None:
    """Remove the sessions of an organisation that nobody has used for long."""
    columns = console_sessions.c
    old = (columns.organisation_id == organisation) & (columns.seen_at < seen_before)
    tx.execute(sa.delete(console_sessions).where(old))


def _is(one: Session) -> sa.ColumnElement[bool]:
    columns = console_sessions.c
    return (columns.organisation_id == one.organisation) & (columns.id == one.id)
