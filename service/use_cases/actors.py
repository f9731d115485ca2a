"""Actors: the people and systems that act for an organisation."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.domain.canonical import canonical, digest
from service.domain.errors import (
    INVALID_BODY,
    ConflictError,
    FieldError,
    ForbiddenError,
    InvalidDocumentError,
    NotFoundError,
)
from service.domain.record import instant
from service.store import access, idempotency
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.access import refuse_locking_out
from service.use_cases.audit import note
from service.use_cases.context import ADMINISTRATOR, PERSON, ROLES, Caller, Context, Created
from service.use_cases.paging import Listed, Place, listed

_WHAT = "actor"
_ROUTE = "POST /v1/actors"


def create_actor(context: Context, caller: Caller, body: Mapping[str, Any], *, key: str) -> Created:
    """Make an actor.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        body: as `schemas.access.ActorSchema` loads it.
        key: by which the request is known when it is sent again.

    Raises:
        KeyReusedError: the key was sent with something else.
    """
    now = context.clock()
    id_ = new_id(now)
    claim = idempotency.Claim(caller.organisation, caller.actor, key, _ROUTE, digest(canonical(dict(body))))

    def work(tx: Tx) -> Created:
        first = idempotency.claim(tx, claim, id_, now)
        if first is not None:
            return Created(_answer(_known(tx, caller, first)), first, replayed=True)
        return Created(_answer(add_actor(tx, caller, body, id_=id_, now=now)), id_)

    return context.database.write(work)


def list_actors(context: Context, caller: Caller, *, after: Place | None = None, limit: int) -> Listed:
    """Return a page of the organisation's actors, newest first."""
    found = context.database.read(lambda tx: access.list_actors(tx, caller.organisation, after=after, limit=limit + 1))
    return listed(found, limit, answer=_answer, place=lambda one: (one.created_at, one.id))


def show_actor(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return an actor.

    Raises:
        NotFoundError: the organisation has no such actor.
    """
    return _answer(context.database.read(lambda tx: _known(tx, caller, id_)))


def change_email(context: Context, caller: Caller, id_: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """Give a person another e-mail address, or none; whoever plans reminders may name one with an address only.

    Args:
        context: the parts of the service that runs.
        caller: an administrator, or the person.
        id_: the person's id.
        body: as `schemas.access.EmailSchema` loads it.

    Raises:
        NotFoundError: the organisation has no such actor.
        ForbiddenError: somebody else's, and the caller is no administrator.
        InvalidDocumentError: an address for a system.
    """
    now, email = context.clock(), body["email"]

    def work(tx: Tx) -> dict[str, Any]:
        before = _known(tx, caller, id_)
        if id_ != caller.actor and ADMINISTRATOR not in caller.roles:
            message = "only an administrator changes somebody else's e-mail address"
            raise ForbiddenError(message, roles=[ADMINISTRATOR])
        if email is not None and before.kind != PERSON:
            detail = f"{before.display_name} is a system, and reads no mail; give a person the address"
            raise InvalidDocumentError(INVALID_BODY, [FieldError("#/email", "conflicts", detail)])
        if email != before.email:
            access.change_email(tx, caller.organisation, id_, email)
            detail = "changed" if email else "removed"
            note(tx, caller, at=now, action="change_email", object_kind=_WHAT, object_id=id_, detail=detail)
        return _answer(_known(tx, caller, id_))

    return context.database.write(work)


def disable_actor(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Close all keys of an actor at once, for good; one that is disabled stays as it is.

    Raises:
        NotFoundError: the organisation has no such actor.
        ConflictError: last_administrator_key; operator_stays.
    """
    now = context.clock()

    def work(tx: Tx) -> dict[str, Any]:
        refuse_locking_out(tx, caller, now, lost=lambda one: one.holder.id == id_)
        before = _known(tx, caller, id_)
        if before.is_operator:
            code, message = "operator_stays", "this is the operator at the command line, who can't be disabled"
            raise ConflictError(code, message)
        if before.disabled_at is None:
            access.disable_actor(tx, caller.organisation, id_, now)
            note(tx, caller, at=now, action="disable_actor", object_kind=_WHAT, object_id=id_)
        return _answer(_known(tx, caller, id_))

    return context.database.write(work)


def add_actor(tx: Tx, caller: Caller, body: Mapping[str, Any], *, id_: str, now: datetime) -> access.Actor:
    """Add an actor to the caller's organisation and return it."""
    one = access.Actor(
        organisation=caller.organisation,
        id=id_,
        kind=body["kind"],
        display_name=body["display_name"],
        roles=tuple(role for role in ROLES if role in body["roles"]),
        created_at=now,
        profession=body.get("profession"),
        registration=body.get("registration"),
        email=body.get("email"),
    )
    access.add_actor(tx, one)
    detail = f"{one.kind}: {', '.join(one.roles)}"
    note(tx, caller, at=now, action="create_actor", object_kind=_WHAT, object_id=id_, detail=detail)
    return one


def _known(tx: Tx, caller: Caller, id_: str) -> access.Actor:
    found = access.actor(tx, caller.organisation, id_)
    if found is None:
        raise NotFoundError(_WHAT, id_)
    return found


def _answer(one: access.Actor) -> dict[str, Any]:
    return {
        "id": one.id,
        "kind": one.kind,
        "display_name": one.display_name,
        "profession": one.profession,
        "registration": one.registration,
        "email": one.email,
        "roles": list(one.roles),
        "created_at": instant(one.created_at),
        "disabled_at": instant(one.disabled_at) if one.disabled_at else None,
    }
