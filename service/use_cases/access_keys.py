"""Access keys: made, listed and revoked; a key's secret is told once."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.domain.canonical import canonical, digest
from service.domain.errors import INVALID_BODY, FieldError, InvalidDocumentError, NotFoundError
from service.domain.record import instant
from service.store import access, idempotency
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.access import mint, refuse_locking_out
from service.use_cases.audit import note
from service.use_cases.context import Caller, Context, Created
from service.use_cases.paging import Listed, Place, listed

KEEP_IT = "Keep the secret now: it is shown this once, and only its digest is stored."
NOT_AGAIN = "An earlier request made this key and was told its secret; if it is lost, revoke this key and make another."

_WHAT = "access key"
_KIND = "access_key"
_ROUTE = "POST /v1/access-keys"


def create_access_key(context: Context, caller: Caller, body: Mapping[str, Any], *, key: str) -> Created:
    """Make an access key for an actor.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        body: as `schemas.access.AccessKeySchema` loads it.
        key: by which the request is known when it is sent again.

    Raises:
        InvalidDocumentError: no such actor, or one that can hold no key; an end that is past.
        KeyReusedError: the key was sent with something else.
    """
    now = context.clock()
    id_ = new_id(now)
    claim = idempotency.Claim(caller.organisation, caller.actor, key, _ROUTE, _digest(body))

    def work(tx: Tx) -> Created:
        first = idempotency.claim(tx, claim, id_, now)
        if first is not None:
            answer = key_answer(_known(tx, caller, first), now)
            return Created(answer | {"secret": None, "note": NOT_AGAIN}, first, replayed=True)
        holder = access.actor(tx, caller.organisation, body["actor_id"])
        faults = [*end_faults(body, now), *_holder_faults(holder, body["actor_id"])]
        if holder is None or faults:
            raise InvalidDocumentError(INVALID_BODY, faults)
        return Created(add_key(tx, caller, holder, body, id_=id_, now=now), id_)

    return context.database.write(work)


def list_access_keys(context: Context, caller: Caller, *, after: Place | None = None, limit: int) -> Listed:
    """Return a page of the organisation's keys, newest first."""
    now = context.clock()
    found = context.database.read(lambda tx: access.list_keys(tx, caller.organisation, after=after, limit=limit + 1))
    return listed(found, limit, answer=lambda one: key_answer(one, now), place=lambda one: (one.created_at, one.id))


def show_access_key(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return a key without its secret.

    Raises:
        NotFoundError: the organisation has no such key.
    """
    now = context.clock()
    return key_answer(context.database.read(lambda tx: _known(tx, caller, id_)), now)


def revoke_access_key(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Revoke a key at once; one that is revoked stays as it is.

    Raises:
        NotFoundError: the organisation has no such key.
        ConflictError: last_administrator_key.
    """
    now = context.clock()

    def work(tx: Tx) -> dict[str, Any]:
        refuse_locking_out(tx, caller, now, lost=lambda one: one.id == id_)
        if _known(tx, caller, id_).revoked_at is None:
            access.revoke_key(tx, caller.organisation, id_, now)
            note(tx, caller, at=now, action="revoke_access_key", object_kind=_KIND, object_id=id_)
        return key_answer(_known(tx, caller, id_), now)

    return context.database.write(work)


def add_key(  # noqa: PLR0913 - what a row is made of
    tx: Tx,
    caller: Caller,
    holder: access.Actor,
    body: Mapping[str, Any],
    *,
    id_: str,
    now: datetime,
    purpose: str = access.API,
) -> dict[str, Any]:
    """Add a key for an actor and return it with its secret."""
    minted = mint(id_)
    one = access.AccessKey(
        id_,
        holder,
        minted.digest,
        now,
        label=body.get("label"),
        purpose=purpose,
        expires_at=body.get("expires_at"),
    )
    access.add_key(tx, one)
    detail = f"for actor {holder.id}" + ("" if purpose == access.API else f": {purpose}")
    note(tx, caller, at=now, action="create_access_key", object_kind=_KIND, object_id=id_, detail=detail)
    return key_answer(one, now) | {"secret": minted.presented, "note": KEEP_IT}


def key_answer(one: access.AccessKey, now: datetime) -> dict[str, Any]:
    """Return a key as it is answered, without its secret."""
    return {
        "id": one.id,
        "actor": {"id": one.holder.id, "display_name": one.holder.display_name},
        "roles": list(one.holder.roles),
        "purpose": one.purpose,
        "label": one.label,
        "state": _state(one, now),
        "created_at": instant(one.created_at),
        "expires_at": instant(one.expires_at) if one.expires_at else None,
        "revoked_at": instant(one.revoked_at) if one.revoked_at else None,
        "last_used_on": one.last_used_on.isoformat() if one.last_used_on else None,
    }


def end_faults(body: Mapping[str, Any], now: datetime) -> list[FieldError]:
    """Return the fault of a key that would never be valid, if it is one."""
    end = body.get("expires_at")
    if end is None or end > now:
        return []
    detail = f"this is past: it is {instant(now)} now; leave it out for a key without an end"
    return [FieldError("#/expires_at", "out_of_range", detail)]


def _state(one: access.AccessKey, now: datetime) -> str:
    if one.revoked_at is not None:
        return "revoked"
    if one.holder.disabled_at is not None:
        return "actor_disabled"
    return "valid" if one.is_valid(now) else "expired"


def _known(tx: Tx, caller: Caller, id_: str) -> access.AccessKey:
    found = access.key(tx, caller.organisation, id_)
    if found is None:
        raise NotFoundError(_WHAT, id_)
    return found


def _digest(body: Mapping[str, Any]) -> str:
    end = body.get("expires_at")
    return digest(canonical({**body, "expires_at": instant(end) if end else None}))


def _holder_faults(holder: access.Actor | None, id_: str) -> list[FieldError]:
    if holder is None:
        return [FieldError("#/actor_id", "unknown_name", f"there is no actor {id_!r} in this organisation")]
    if holder.disabled_at is not None:
        return [FieldError("#/actor_id", "conflicts", f"{holder.display_name} is disabled; make another actor")]
    if holder.is_operator:
        detail = "this is the operator at the command line, who needs no key; make an actor of your own"
        return [FieldError("#/actor_id", "conflicts", detail)]
    return []
