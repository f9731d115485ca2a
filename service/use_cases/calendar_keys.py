"""The keys of calendars: a clinician makes, lists and revokes their own; each opens the feed and nothing else."""

from collections.abc import Mapping
from typing import Any

from service.domain.canonical import canonical, digest
from service.domain.errors import NotFoundError
from service.store import access, idempotency
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.access_keys import NOT_AGAIN, add_key, key_answer
from service.use_cases.audit import note
from service.use_cases.context import Caller, Context, Created
from service.use_cases.paging import Listed, Place, listed

KEEP_TO_YOURSELF = (
    "Give this address to your calendar now: it is shown this once. Whoever has it sees what is due; revoke the key "
    "where somebody else has come by it."
)

_WHAT = "calendar key"
_KIND = "access_key"
_ROUTE = "POST /v1/calendar-keys"
_SHOWN = ("id", "label", "state", "created_at", "revoked_at", "last_used_on")


def create_calendar_key(context: Context, caller: Caller, body: Mapping[str, Any], *, key: str) -> Created:
    """Make a key for a calendar of the caller's.

    Args:
        context: the parts of the service that runs.
        caller: who asks, and is to hold the key.
        body: as `schemas.access.CalendarKeySchema` loads it.
        key: by which the request is known when it is sent again.

    Returns:
        The key with its `secret` and a `note`; the secret is None where the request was sent before.

    Raises:
        KeyReusedError: the key was sent with something else.
    """
    now = context.clock()
    id_ = new_id(now)
    claim = idempotency.Claim(caller.organisation, caller.actor, key, _ROUTE, digest(canonical(dict(body))))

    def work(tx: Tx) -> Created:
        first = idempotency.claim(tx, claim, id_, now)
        if first is not None:
            answer = _shown(key_answer(_own(tx, caller, first), now))
            return Created(answer | {"secret": None, "note": NOT_AGAIN}, first, replayed=True)
        holder = access.actor(tx, caller.organisation, caller.actor)
        assert holder is not None, "who asks was known a moment ago, and no actor is ever deleted"
        made = add_key(tx, caller, holder, body, id_=id_, now=now, purpose=access.CALENDAR)
        return Created(_shown(made) | {"secret": made["secret"], "note": KEEP_TO_YOURSELF}, id_)

    return context.database.write(work)


def list_calendar_keys(context: Context, caller: Caller, *, after: Place | None = None, limit: int) -> Listed:
    """Return a page of the keys of the caller's calendars, newest first, without their secrets."""
    now = context.clock()
    found = context.database.read(
        lambda tx: access.list_keys(tx, caller.organisation, after=after, limit=limit + 1, calendars_of=caller.actor)
    )
    return listed(
        found, limit, answer=lambda one: _shown(key_answer(one, now)), place=lambda one: (one.created_at, one.id)
    )


def show_calendar_key(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return a key of a calendar of the caller's, without its secret.

    Raises:
        NotFoundError: the caller has no such key.
    """
    now = context.clock()
    return _shown(key_answer(context.database.read(lambda tx: _own(tx, caller, id_)), now))


def revoke_calendar_key(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Revoke a key of a calendar of the caller's at once; one that is revoked stays as it is.

    Raises:
        NotFoundError: the caller has no such key.
    """
    now = context.clock()

    def work(tx: Tx) -> dict[str, Any]:
        if _own(tx, caller, id_).revoked_at is None:
            access.revoke_key(tx, caller.organisation, id_, now)
            note(tx, caller, at=now, action="revoke_access_key", object_kind=_KIND, object_id=id_)
        return _shown(key_answer(_own(tx, caller, id_), now))

    return context.database.write(work)


def _own(tx: Tx, caller: Caller, id_: str) -> access.AccessKey:
    found = access.key(tx, caller.organisation, id_)
    if found is None or found.purpose != access.CALENDAR or found.holder.id != caller.actor:
        raise NotFoundError(_WHAT, id_)
    return found


def _shown(answer: Mapping[str, Any]) -> dict[str, Any]:
    return {name: answer[name] for name in _SHOWN}
