"""Who calls: the holder of a valid access key, or the operator at the command line."""

import hashlib
import hmac
import re
import secrets
import uuid
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from service.domain.errors import ConflictError, NotFoundError
from service.store import access
from service.store.access import API, CALENDAR
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.context import ADMINISTRATOR, ROLES, SYSTEM, Caller, Context

OPERATOR = "Command line"

_PREFIX, _BETWEEN = "rts", "_"
_SECRET_BYTES = 32
_ID = re.compile(r"[0-9a-f]{32}", re.ASCII)
_NO_DIGEST = "0" * 64


class Minted(NamedTuple):
    """A new key as its holder sends it, and the digest that is kept of its secret."""

    presented: str
    digest: str


def mint(id_: str) -> Minted:
    """Return a new secret for the key of an id."""
    secret = secrets.token_urlsafe(_SECRET_BYTES)
    return Minted(_BETWEEN.join((_PREFIX, uuid.UUID(id_).hex, secret)), digest_of(secret))


def authenticate(context: Context, presented: str) -> Caller | None:
    """Return who presents a key, or None: which of unknown, wrong, expired, revoked or disabled it is, nobody learns.

    An unknown id takes the way of a known one, so that the time tells nothing either. The key of a calendar is of
    another kind, and opens nothing here.

    Raises:
        DatabaseUnavailableError: nobody can say now.
    """
    return _caller(context, valid_key(context, presented))


def authenticate_calendar(context: Context, presented: str) -> Caller | None:
    """Return whose calendar presents a key, or None, as `authenticate` does of the keys that open everything else.

    Raises:
        DatabaseUnavailableError: nobody can say now.
    """
    return _caller(context, valid_key(context, presented, purpose=CALENDAR))


def valid_key(context: Context, presented: str, *, purpose: str = API) -> tuple[access.AccessKey, str] | None:
    """Return the key that is presented and its organisation's time zone, None where it opens nothing of a purpose.

    Raises:
        DatabaseUnavailableError: nobody can say now.
    """
    id_, secret = _parts(presented)
    found = context.database.read(lambda tx: access.presented_key(tx, id_)) if id_ else None
    is_known = hmac.compare_digest(digest_of(secret), found[0].secret_sha256 if found else _NO_DIGEST)
    opens = found is not None and found[0].purpose == purpose and found[0].is_valid(context.clock())
    return found if is_known and opens else None


def operator(context: Context, organisation: str) -> Caller:
    """Return the operator as a caller of an organisation; its first use makes its actor.

    Raises:
        NotFoundError: there is no such organisation.
        DatabaseUnavailableError: busy, gone or not migrated.
    """

    def read(tx: Tx) -> tuple[access.Organisation | None, access.Actor | None]:
        return access.organisation(tx, organisation), access.operator(tx, organisation)

    home, actor = context.database.read(read)
    if home is None:
        what = "organisation"
        raise NotFoundError(what, organisation)
    if actor is None:
        actor = context.database.write(lambda tx: add_operator(context, tx, organisation))
    return caller_of(actor, home.time_zone)


def add_operator(context: Context, tx: Tx, organisation: str) -> access.Actor:
    """Return the actor as which the command line acts for an organisation, made if there is none."""
    now = context.clock()
    actor = access.Actor(organisation, new_id(now), SYSTEM, OPERATOR, ROLES, now, is_operator=True)
    access.add_actor(tx, actor)
    return access.operator(tx, organisation) or actor


def caller_of(actor: access.Actor, time_zone: str) -> Caller:
    """Return an actor as a caller."""
    return Caller(
        organisation=actor.organisation,
        actor=actor.id,
        kind=actor.kind,
        name=actor.display_name,
        profession=actor.profession,
        roles=frozenset(actor.roles),
        zone=ZoneInfo(time_zone),
    )


def refuse_locking_out(tx: Tx, caller: Caller, now: datetime, *, lost: Callable[[access.AccessKey], bool]) -> None:
    """Refuse to lose the last key that opens the administration; the operator may, and can make another.

    Args:
        tx: one that changes it, too; others that would wait until it has ended.
        caller: who asks.
        now: the moment.
        lost: tells whether a key would be lost.

    Raises:
        ConflictError: last_administrator_key.
    """
    access.lock_organisation(tx, caller.organisation)
    operator = access.operator(tx, caller.organisation)
    opening = [one for one in access.unrevoked_keys(tx, caller.organisation) if _administers(one, now)]
    is_operator = operator is not None and operator.id == caller.actor
    if not is_operator and any(map(lost, opening)) and all(map(lost, opening)):
        code = "last_administrator_key"
        message = "this would leave nobody who can administer the organisation; make another administrator's key first"
        raise ConflictError(code, message)


def _administers(key: access.AccessKey, now: datetime) -> bool:
    return key.purpose == API and key.is_valid(now) and ADMINISTRATOR in key.holder.roles


def _caller(context: Context, found: tuple[access.AccessKey, str] | None) -> Caller | None:
    if found is None:
        return None
    key, time_zone = found
    caller = caller_of(key.holder, time_zone)
    _note_use(context, key, context.clock().astimezone(caller.zone).date())
    return caller


def _parts(presented: str) -> tuple[str | None, str]:
    """Return the id and the secret; a secret may have underscores of its own."""
    prefix, _, rest = presented.partition(_BETWEEN)
    id_, _, secret = rest.partition(_BETWEEN)
    is_ours = prefix == _PREFIX and _ID.fullmatch(id_) is not None
    return str(uuid.UUID(id_)) if is_ours else None, secret


def digest_of(secret: str) -> str:
    """Return what is kept of a secret: it is random and long, so no slow digest is needed."""
    return hashlib.sha256(secret.encode(errors="replace")).hexdigest()


def _note_use(context: Context, key: access.AccessKey, on: date) -> None:
    """Keep the day of a key's last use: one short write a day, and a request never fails for it."""
    if key.last_used_on is None or key.last_used_on < on:
        with suppress(Exception):
            context.database.write(lambda tx: access.note_use(tx, key.holder.organisation, key.id, on))
