"""Sign in at the console with a person's key, stay signed in while it is used, and sign out."""

import secrets
from datetime import timedelta
from typing import NamedTuple

from service.store import console_sessions as store
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.access import caller_of, digest_of, valid_key
from service.use_cases.audit import note
from service.use_cases.context import PERSON, Caller, Context

LONGEST = timedelta(hours=12)
"""Nobody stays signed in for longer, used or not."""

_SECRET_BYTES = 32
_NOTED_EVERY = timedelta(minutes=1)
_SESSION = "console_session"


class SignedIn(NamedTuple):
    """Who has signed in, and the secret that the browser keeps."""

    caller: Caller
    secret: str


def sign_in(context: Context, presented: str) -> SignedIn | None:
    """Begin a session for the person who presents a valid key; None for any other key, and for a system's.

    Raises:
        DatabaseUnavailableError: nobody can say now.
    """
    found = valid_key(context, presented)
    if found is None or found[0].holder.kind != PERSON:
        return None
    key, time_zone = found
    caller, secret, now = caller_of(key.holder, time_zone), secrets.token_urlsafe(_SECRET_BYTES), context.clock()

    def begin(tx: Tx) -> None:
        store.remove_old(tx, caller.organisation, seen_before=now - LONGEST)
        id_ = new_id(now)
        store.add(tx, key, id_, digest_of(secret), now)
        note(tx, caller, at=now, action="sign_in", object_kind=_SESSION, object_id=id_)

    context.database.write(begin)
    return SignedIn(caller, secret)


def resume(context: Context, secret: str, *, idle: timedelta) -> Caller | None:
    """Return who is signed in; None where nobody is, or for too long without a request, or with a key that ended.

    Args:
        context: the parts of the service that runs.
        secret: what the browser keeps.
        idle: how long a session lasts without being used.

    Raises:
        DatabaseUnavailableError: nobody can say now.
    """
    found = context.database.read(lambda tx: store.of_secret(tx, digest_of(secret)))
    now = context.clock()
    if found is None or not found.key.is_valid(now) or now - found.seen_at > idle or now - found.created_at > LONGEST:
        return None
    if now - found.seen_at > _NOTED_EVERY:
        context.database.write(lambda tx: store.note_seen(tx, found, now))
    return caller_of(found.key.holder, found.time_zone)


def sign_out(context: Context, caller: Caller, secret: str) -> None:
    """End a session; one that has ended stays so."""

    def end(tx: Tx) -> None:
        found = store.of_secret(tx, digest_of(secret))
        if found is not None:
            store.remove(tx, found)
            note(tx, caller, at=context.clock(), action="sign_out", object_kind=_SESSION, object_id=found.id)

    context.database.write(end)
