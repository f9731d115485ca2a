"""Webhooks: made, listed, changed, tested and removed; a secret is told once."""

import base64
import secrets
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from schemas.webhooks import ON, WEBHOOK_TEST
from service.domain.errors import INVALID_BODY, ConflictError, FieldError, InvalidDocumentError, NotFoundError
from service.domain.record import instant
from service.store import deliveries, idempotency
from service.store import webhooks as store
from service.store.database import Tx
from service.store.deliveries import Counted
from service.store.ids import new_id
from service.store.outbox import REMOVED
from service.store.webhooks import Webhook
from service.use_cases.appending import Request
from service.use_cases.audit import note
from service.use_cases.context import Caller, Context, Created
from service.use_cases.deliveries import delivery_answer
from service.use_cases.outbox import News, tell_webhook
from service.use_cases.paging import Listed, Place, listed
from service.use_cases.sending import WAS_TURNED_OFF
from service.use_cases.webhook_address import address_faults

KEEP_IT = "Give the secret to the receiver now: it is shown this once."
NOT_AGAIN = "An earlier request was told this secret; if it is lost, change it once more."

PRECONDITION_FAILED, CONFLICTS = "precondition_failed", "conflicts"

_WHAT = "webhook"
_MAKE, _ROTATE, _TEST = (f"POST /v1/webhooks{rest}" for rest in ("", "/{id}/rotate-secret", "/{id}/test"))
_SECRET_BYTES = 32
_WAS_REMOVED = "the webhook was removed"


def create_webhook(context: Context, caller: Caller, body: Mapping[str, Any], *, key: str) -> Created:
    """Make a webhook, with its secret; `body` is what `schemas.webhooks.WebhookSchema` loads.

    Raises:
        InvalidDocumentError: the address can't be used, or lies in a network that is refused.
        KeyReusedError: the key was sent with something else.
    """
    faults = list(address_faults(context, body["url"]))

    def work(tx: Tx) -> Created:
        now = context.clock()
        id_ = new_id(now)
        first = idempotency.claim(tx, Request(_MAKE, (), body, key).claim(caller), id_, now)
        if first is not None:
            return _told_before(tx, caller, first)
        _refuse(faults)
        one = Webhook(id_, **_sent(body), state=ON, created_at=now, updated_at=now, secret=_new_secret())
        store.add(tx, caller.organisation, one)
        _note(tx, caller, now, "create_webhook", one)
        return Created(webhook_answer(one, now, Counted()) | _told_once(one), id_, etag=tag(one))

    return context.database.write(work)


def list_webhooks(context: Context, caller: Caller, *, after: Place | None = None, limit: int) -> Listed:
    """Return a page of the organisation's webhooks, newest first."""
    now = context.clock()

    def work(tx: Tx) -> Listed:
        found = store.list_webhooks(tx, caller.organisation, after=after, limit=limit + 1)
        counts = deliveries.counted(tx, caller.organisation, [one.id for one in found])

        def answer(one: Webhook) -> dict[str, Any]:
            return webhook_answer(one, now, counts.get(one.id, Counted()))

        return listed(found, limit, answer=answer, place=lambda one: (one.created_at, one.id))

    return context.database.read(work)


def show_webhook(context: Context, caller: Caller, id_: str) -> tuple[dict[str, Any], str]:
    """Return a webhook without its secret, and its etag.

    Raises:
        NotFoundError: the organisation has no such webhook.
    """

    def work(tx: Tx) -> tuple[dict[str, Any], str]:
        one = _known(tx, caller, id_)
        return _answered(tx, caller, one, context.clock()), tag(one)

    return context.database.read(work)


def change_webhook(
    context: Context, caller: Caller, id_: str, body: Mapping[str, Any], *, etag: str | None
) -> tuple[dict[str, Any], str]:
    """Give a webhook another address, other types, another label, or turn it on or off; return it and its etag.

    Raises:
        NotFoundError: the organisation has no such webhook.
        ConflictError: precondition_failed: it is no longer the one of this etag.
        InvalidDocumentError: it is to be on, and its address can't be used.
    """
    faults = list(address_faults(context, body["url"])) if body["state"] == ON else []

    def work(tx: Tx) -> tuple[dict[str, Any], str]:
        now = context.clock()
        before = _known(tx, caller, id_, is_locked=True)
        if etag not in (None, tag(before)):
            message = "the webhook was changed meanwhile; look at it again, and make your change on what it is now"
            raise ConflictError(PRECONDITION_FAILED, message)
        _refuse(faults)
        one = replace(before, **_sent(body), state=body["state"])
        if one != before:
            because = None if one.state == ON else one.off_because
            one = replace(one, off_because=because, revision=before.revision + 1, updated_at=now)
            store.change(tx, caller.organisation, one)
            if one.state != ON:
                deliveries.drop(tx, caller.organisation, id_, WAS_TURNED_OFF, now)
            _note(tx, caller, now, "change_webhook", one, ", ".join(_differing(before, one)))
        return _answered(tx, caller, one, now), tag(one)

    return context.database.write(work)


def remove_webhook(context: Context, caller: Caller, id_: str) -> None:
    """Remove a webhook with its secrets; what waits for it is let go, and what was sent stays on record.

    Raises:
        NotFoundError: the organisation has no such webhook.
    """

    def work(tx: Tx) -> None:
        now = context.clock()
        one = _known(tx, caller, id_, is_locked=True)
        gone = replace(one, state=REMOVED, secret="", previous_secret=None, previous_until=None, updated_at=now)
        store.change(tx, caller.organisation, gone)
        deliveries.drop(tx, caller.organisation, id_, _WAS_REMOVED, now)
        _note(tx, caller, now, "remove_webhook", one)

    context.database.write(work)


def rotate_secret(context: Context, caller: Caller, id_: str, body: Mapping[str, Any], *, key: str) -> Created:
    """Give a webhook a new secret; for some hours the one so far signs beside it.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        id_: the webhook.
        body: as `schemas.webhooks.RotationSchema` loads it.
        key: by which the request is known when it is sent again.

    Raises:
        NotFoundError: the organisation has no such webhook.
        KeyReusedError: the key was sent with something else.
    """

    def work(tx: Tx) -> Created:
        now = context.clock()
        before = _known(tx, caller, id_, is_locked=True)
        if idempotency.claim(tx, Request(_ROTATE, (id_,), body, key).claim(caller), id_, now) is not None:
            return _told_before(tx, caller, id_)
        hours = body["keep_previous_hours"]
        one = replace(
            before,
            secret=_new_secret(),
            previous_secret=before.secret if hours else None,
            previous_until=now + timedelta(hours=hours) if hours else None,
            revision=before.revision + 1,
            updated_at=now,
        )
        store.change(tx, caller.organisation, one)
        _note(tx, caller, now, "rotate_webhook_secret", one, f"the one before signs for {hours} hours more")
        return Created(_answered(tx, caller, one, now) | _told_once(one), id_, etag=tag(one))

    return context.database.write(work)


def send_test(context: Context, caller: Caller, id_: str, *, key: str) -> Created:
    """Send a message of type webhook.test to one webhook, whichever types it wants; the answer is its delivery.

    Raises:
        NotFoundError: the organisation has no such webhook.
        ConflictError: the webhook is off.
        KeyReusedError: the key was sent with something else.
    """

    def work(tx: Tx) -> Created:
        now = context.clock()
        one = _known(tx, caller, id_, is_locked=True)
        message = new_id(now)
        first = idempotency.claim(tx, Request(_TEST, (id_,), {}, key).claim(caller), message, now)
        if first is None:
            if one.state != ON:
                detail = "the webhook is off, and is sent nothing; turn it on first"
                raise ConflictError(CONFLICTS, detail)
            said = {"webhook_id": id_, "href": f"/v1/webhooks/{id_}"}
            tell_webhook(tx, caller.organisation, id_, News(message, WEBHOOK_TEST, now, said), now)
            _note(tx, caller, now, "test_webhook", one)
        made = delivery_answer(deliveries.of_message(tx, caller.organisation, first or message))
        return Created(made, made["id"], replayed=first is not None)

    return context.database.write(work)


def webhook_answer(one: Webhook, now: datetime, counts: Counted) -> dict[str, Any]:
    """Return a webhook as it is answered, without its secrets."""
    until = one.previous_until if one.previous_until is not None and one.previous_until > now else None
    return {
        "id": one.id,
        "url": one.url,
        "events": list(one.events),
        "label": one.label,
        "state": one.state,
        "off_because": one.off_because,
        "previous_secret_until": None if until is None else instant(until),
        **counts._asdict(),
        "created_at": instant(one.created_at),
        "updated_at": instant(one.updated_at),
    }


def tag(one: Webhook) -> str:
    """Return the etag of a webhook."""
    return str(one.revision)


def _told_before(tx: Tx, caller: Caller, id_: str) -> Created:
    """Return the webhook whose secret an earlier request of this key was told."""
    one = _known(tx, caller, id_)
    answer = _answered(tx, caller, one, one.updated_at) | {"secret": None, "note": NOT_AGAIN}
    return Created(answer, id_, replayed=True, etag=tag(one))


def _told_once(one: Webhook) -> dict[str, str]:
    return {"secret": one.secret, "note": KEEP_IT}


def _answered(tx: Tx, caller: Caller, one: Webhook, now: datetime) -> dict[str, Any]:
    counts = deliveries.counted(tx, caller.organisation, [one.id])
    return webhook_answer(one, now, counts.get(one.id, Counted()))


def _known(tx: Tx, caller: Caller, id_: str, *, is_locked: bool = False) -> Webhook:
    found = store.webhook(tx, caller.organisation, id_, is_locked=is_locked)
    if found is None:
        raise NotFoundError(_WHAT, id_)
    return found


def _new_secret() -> str:
    """Return a secret as Standard Webhooks writes it."""
    return f"whsec_{base64.b64encode(secrets.token_bytes(_SECRET_BYTES)).decode()}"


def _sent(body: Mapping[str, Any]) -> dict[str, Any]:
    return {"url": body["url"], "events": tuple(body["events"]), "label": body.get("label")}


def _differing(before: Webhook, one: Webhook) -> Iterator[str]:
    """Yield the names of what was changed; not the address itself, which may have something secret in it."""
    return (name for name in ("url", "events", "label", "state") if getattr(before, name) != getattr(one, name))


def _refuse(faults: list[FieldError]) -> None:
    if faults:
        raise InvalidDocumentError(INVALID_BODY, faults)


def _note(  # noqa: PLR0913, PLR0917 - what a row says
    tx: Tx, caller: Caller, now: datetime, action: str, one: Webhook, detail: str | None = None
) -> None:
    note(tx, caller, at=now, action=action, object_kind=_WHAT, object_id=one.id, detail=detail)
