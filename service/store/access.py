"""Organisations, actors and access keys; of a key's secret only the digest is kept."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from service.store.database import Tx
from service.store.tables import access_keys, actors, organisations

API, CALENDAR = "api", "calendar"
"""What a key opens: everything that its holder may do, or the feed of what is due and nothing else."""

OPERATOR_ISSUER = "rts-service:command-line"
"""Marks the one actor of an organisation as which the command line acts; nobody signs in as it."""

_BETWEEN_ROLES = " "

Place = tuple[datetime, str]
"""A row's moment and id; a page of a list, newest first, begins after it."""


@dataclass(frozen=True, slots=True)
class Organisation:
    """A row of organisations."""

    id: str
    name: str
    time_zone: str
    created_at: datetime


@dataclass(frozen=True, slots=True)
class Actor:
    """A row of actors; `roles` in the order in which they were given."""

    organisation: str
    id: str
    kind: str
    display_name: str
    roles: tuple[str, ...]
    created_at: datetime
    profession: str | None = None
    registration: str | None = None
    email: str | None = None
    disabled_at: datetime | None = None
    is_operator: bool = False


@dataclass(frozen=True, slots=True)
class AccessKey:
    """A row of access_keys with the actor who holds it."""

    id: str
    holder: Actor
    secret_sha256: str
    created_at: datetime
    label: str | None = None
    purpose: str = API
    expires_at: datetime | None = None
    revoked_at: datetime | None = None
    last_used_on: date | None = None

    def is_valid(self, now: datetime) -> bool:
        """Tell whether the key opens anything at a moment."""
        is_over = self.expires_at is not None and self.expires_at <= now
        return self.revoked_at is None and self.holder.disabled_at is None and not is_over


def add_organisation(tx: Tx, one: Organisation) -> None:
    """Add a row."""
    values = {"id": one.id, "name": one.name, "time_zone": one.time_zone, "created_at": one.created_at}
    tx.execute(sa.insert(organisations).values(values))


def organisation(tx: Tx, id_: str) -> Organisation | None:
    """Return the organisation of an id."""
    found = tx.execute(sa.select(organisations).where(organisations.c.id == id_)).one_or_none()
    return Organisation(*found) if found else None


def every_organisation(tx: Tx) -> list[Organisation]:
    """Return every organisation, oldest first: for the operator, who sees them all."""
    return [Organisation(*row) for row in tx.execute(sa.select(organisations).order_by("created_at", "id"))]


def change_organisation(tx: Tx, id_: str, *, name: str, time_zone: str) -> None:
    """Give an organisation another name or time zone."""
    tx.execute(sa.update(organisations).where(organisations.c.id == id_).values(name=name, time_zone=time_zone))


def lock_organisation(tx: Tx, id_: str) -> None:
    """Let one transaction at a time change who may act for an organisation; SQLite has one writer anyway."""
    lock = sa.select(organisations.c.id).where(organisations.c.id == id_).with_for_update(key_share=True)
    tx.execute(lock)  # key_share: rows that only name the organisation need not wait


def add_actor(tx: Tx, one: Actor) -> None:
    """Add a row; of an organisation's operator, the first one stays."""
    insert = sqlite.insert if tx.dialect.name == "sqlite" else postgresql.insert
    values = {
        "organisation_id": one.organisation,
        "id": one.id,
        "kind": one.kind,
        "display_name": one.display_name,
        "profession": one.profession,
        "registration": one.registration,
        "email": one.email,
        "roles": _BETWEEN_ROLES.join(one.roles),
        "issuer": OPERATOR_ISSUER if one.is_operator else None,
        "subject": one.organisation if one.is_operator else None,
        "created_at": one.created_at,
    }
    new = insert(actors).values(values)
    tx.execute(new.on_conflict_do_nothing(index_elements=["issuer", "subject"]) if one.is_operator else new)


def actor(tx: Tx, organisation_id: str, id_: str) -> Actor | None:
    """Return an actor of an organisation."""
    found = tx.execute(_actors(organisation_id).where(actors.c.id == id_)).one_or_none()
    return _actor(found) if found else None


def operator(tx: Tx, organisation_id: str) -> Actor | None:
    """Return the actor as which the command line acts."""
    of_operator = (actors.c.issuer == OPERATOR_ISSUER) & (actors.c.subject == organisation_id)
    found = tx.execute(_actors(organisation_id).where(of_operator)).one_or_none()
    return _actor(found) if found else None


def actors_named(tx: Tx, organisation_id: str, display_name: str) -> list[Actor]:
    """Return the actors of a name who are not disabled, oldest first."""
    is_named = (actors.c.display_name == display_name) & actors.c.disabled_at.is_(None)
    asked = _actors(organisation_id).where(is_named).order_by(actors.c.created_at, actors.c.id)
    return [_actor(row) for row in tx.execute(asked)]


def list_actors(tx: Tx, organisation_id: str, *, after: Place | None, limit: int) -> list[Actor]:
    """Return a page of actors, newest first."""
    asked = newest_first(_actors(organisation_id), actors.c.created_at, actors.c.id, after).limit(limit)
    return [_actor(row) for row in tx.execute(asked)]


def change_email(tx: Tx, organisation_id: str, id_: str, email: str | None) -> None:
    """Give an actor another address, or none."""
    is_it = (actors.c.organisation_id == organisation_id) & (actors.c.id == id_)
    tx.execute(sa.update(actors).where(is_it).values(email=email))


def disable_actor(tx: Tx, organisation_id: str, id_: str, now: datetime) -> None:
    """Disable an actor from now on."""
    is_it = (actors.c.organisation_id == organisation_id) & (actors.c.id == id_)
    tx.execute(sa.update(actors).where(is_it, actors.c.disabled_at.is_(None)).values(disabled_at=now))


def add_key(tx: Tx, one: AccessKey) -> None:
    """Add a row."""
    values = {
        "organisation_id": one.holder.organisation,
        "id": one.id,
        "actor_id": one.holder.id,
        "secret_sha256": one.secret_sha256,
        "purpose": one.purpose,
        "label": one.label,
        "created_at": one.created_at,
        "expires_at": one.expires_at,
    }
    tx.execute(sa.insert(access_keys).values(values))


def presented_key(tx: Tx, id_: str) -> tuple[AccessKey, str] | None:
    """Return the key of an id, whosever it is, with its organisation's time zone."""
    asked = _KEYS.add_columns(organisations.c.time_zone)
    asked = asked.join(organisations, organisations.c.id == access_keys.c.organisation_id)
    found = tx.execute(asked.where(access_keys.c.id == id_)).one_or_none()
    return (_key(found), found.time_zone) if found else None


def key(tx: Tx, organisation_id: str, id_: str) -> AccessKey | None:
    """Return a key of an organisation."""
    found = tx.execute(_keys(organisation_id).where(access_keys.c.id == id_)).one_or_none()
    return _key(found) if found else None


def list_keys(
    tx: Tx, organisation_id: str, *, after: Place | None, limit: int, calendars_of: str | None = None
) -> list[AccessKey]:
    """Return a page of keys, newest first: all of them, or those of somebody's calendars."""
    asked = _keys(organisation_id)
    if calendars_of is not None:
        asked = asked.where(access_keys.c.actor_id == calendars_of, access_keys.c.purpose == CALENDAR)
    asked = newest_first(asked, access_keys.c.created_at, access_keys.c.id, after).limit(limit)
    return [_key(row) for row in tx.execute(asked)]


def unrevoked_keys(tx: Tx, organisation_id: str) -> list[AccessKey]:
    """Return the keys of an organisation that nobody has revoked, with those that have expired."""
    return [_key(row) for row in tx.execute(_keys(organisation_id).where(access_keys.c.revoked_at.is_(None)))]


def revoke_key(tx: Tx, organisation_id: str, id_: str, now: datetime) -> None:
    """Revoke a key from now on."""
    is_it = (access_keys.c.organisation_id == organisation_id) & (access_keys.c.id == id_)
    tx.execute(sa.update(access_keys).where(is_it, access_keys.c.revoked_at.is_(None)).values(revoked_at=now))


def note_use(tx: Tx, organisation_id: str, id_: str, on: date) -> None:
    """Keep the day on which a key was used last."""
    is_it = (access_keys.c.organisation_id == organisation_id) & (access_keys.c.id == id_)
    is_new = access_keys.c.last_used_on.is_(None) | (access_keys.c.last_used_on < on)
    tx.execute(sa.update(access_keys).where(is_it, is_new).values(last_used_on=on))


def newest_first(
    asked: sa.Select[Any], at: sa.Column[datetime], id_: sa.Column[str], after: Place | None
) -> sa.Select[Any]:
    """Return a query sorted newest first, from a place on."""
    if after is not None:
        moment, last = after
        asked = asked.where((at < moment) | ((at == moment) & (id_ < last)))
    return asked.order_by(at.desc(), id_.desc())


def _actors(organisation_id: str) -> sa.Select[Any]:
    return sa.select(actors).where(actors.c.organisation_id == organisation_id)


_OF_HOLDER = {one: one.label(f"holder_{one.name}") for one in actors.c}
_KEYS = sa.select(access_keys, *_OF_HOLDER.values()).join(
    actors, (actors.c.organisation_id == access_keys.c.organisation_id) & (actors.c.id == access_keys.c.actor_id)
)


def _keys(organisation_id: str) -> sa.Select[Any]:
    return _KEYS.where(access_keys.c.organisation_id == organisation_id)


def _actor(row: Any, prefix: str = "") -> Actor:
    column = row._mapping  # noqa: SLF001 - SQLAlchemy's public name for a row by its columns
    return Actor(
        organisation=column[f"{prefix}organisation_id"],
        id=column[f"{prefix}id"],
        kind=column[f"{prefix}kind"],
        display_name=column[f"{prefix}display_name"],
        roles=tuple(column[f"{prefix}roles"].split(_BETWEEN_ROLES)),
        created_at=column[f"{prefix}created_at"],
        profession=column[f"{prefix}profession"],
        registration=column[f"{prefix}registration"],
        email=column[f"{prefix}email"],
        disabled_at=column[f"{prefix}disabled_at"],
        is_operator=column[f"{prefix}issuer"] == OPERATOR_ISSUER,
    )


def _key(row: Any) -> AccessKey:
    return AccessKey(
        id=row.id,
        holder=_actor(row, "holder_"),
        secret_sha256=row.secret_sha256,
        created_at=row.created_at,
        label=row.label,
        purpose=row.purpose,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
        last_used_on=row.last_used_on,
    )
