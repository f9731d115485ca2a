"""`/v1/webhooks`: where an organisation's own systems are told of what happens."""

from collections.abc import Mapping
from typing import Any

from flask import url_for

from schemas.query_fields import PageQuerySchema, page_of
from schemas.webhooks import (
    ChangedWebhookSchema,
    DeliverySchema,
    RotationSchema,
    WebhookAnswerSchema,
    WebhookSchema,
    WebhookSecretSchema,
)
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint, etag
from service.api.deliveries import DELIVERY
from service.api.messages import WEBHOOK_ID
from service.api.pages import page_in_time, place_in_time
from service.api.reading import idempotency_key, require_if_match
from service.use_cases.context import Created
from service.use_cases.webhooks import (
    KEEP_IT,
    change_webhook,
    create_webhook,
    list_webhooks,
    remove_webhook,
    rotate_secret,
    send_test,
    show_webhook,
)

DESCRIPTION = (
    "Where an organisation's own systems are told of what happens: decisions made and withdrawn, sign-offs, answered "
    "follow-ups, new versions of criteria, tasks that are due. A message names things by their ids; what they say is "
    "read here, with a key. It is signed as Standard Webhooks 1.0 says, and tried for three days."
)
SENT = {
    "url": "https://receiver.example.org/rts",
    "events": ["decision.made", "decision.withdrawn"],
    "label": "Invented record system",
}
WEBHOOK = {
    "id": WEBHOOK_ID,
    **SENT,
    "state": "on",
    "off_because": None,
    "previous_secret_until": None,
    "waiting": 0,
    "dead": 0,
    "created_at": "2026-11-20T15:30:00.000000Z",
    "updated_at": "2026-11-20T15:30:00.000000Z",
}
TOLD = WEBHOOK | {"secret": "whsec_aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLi4uLi4=", "note": KEEP_IT}
ROTATED = TOLD | {"previous_secret_until": "2026-11-21T15:30:00.000000Z"}

blp = Blueprint("webhooks", __name__, url_prefix="/v1/webhooks", description=DESCRIPTION)


def _address(made: Created) -> str:
    return url_for("webhooks.show", webhook_id=made.id)


@blp.get("")
@blp.answers(page_of(WebhookAnswerSchema), example={"items": [WEBHOOK], "next": None})
@blp.arguments(PageQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List the webhooks, newest first."""
    return page_in_time(list_webhooks(context(), caller(), after=place_in_time(asked), limit=asked["limit"]))


@blp.post("")
@blp.creates(WebhookSecretSchema, at=_address, has_etag=True, example=TOLD)
@blp.arguments(WebhookSchema, example=SENT)
def create(body: Mapping[str, Any]) -> Created:
    """Make a webhook.

    `events` are the types that are sent, all of them where it is empty. `secret` is told this once: by it the receiver
    checks the signatures. Its host may have no private address, unless the operator allows its network
    (RTS_WEBHOOK_NETWORKS); http, without TLS, goes to such networks only.
    """
    return create_webhook(context(), caller(), body, key=idempotency_key())


@blp.get("/<id:webhook_id>")
@blp.answers(WebhookAnswerSchema, has_etag=True, example=WEBHOOK)
def show(webhook_id: str) -> Answer:
    """Show a webhook, without its secret; its ETag goes with a change, as If-Match."""
    found, tag = show_webhook(context(), caller(), webhook_id)
    return found, etag(tag)


@blp.put("/<id:webhook_id>")
@blp.needs_if_match
@blp.answers(WebhookAnswerSchema, has_etag=True, example=WEBHOOK)
@blp.arguments(ChangedWebhookSchema, example=SENT | {"state": "on"})
def change(body: Mapping[str, Any], webhook_id: str) -> Answer:
    """Change a webhook, or turn it on or off.

    While it is off, nothing is kept for it, and what waits for it is dropped; a delivery can be sent again by hand. One
    that answers 410, or takes nothing any more, is turned off by itself, and `off_because` says so.
    """
    _, current = show_webhook(context(), caller(), webhook_id)
    changed, tag = change_webhook(context(), caller(), webhook_id, body, etag=require_if_match(current))
    return changed, etag(tag)


@blp.delete("/<id:webhook_id>")
@blp.answers(None, status=204)
def remove(webhook_id: str) -> Answer:
    """Remove a webhook with its secrets; what waits for it is dropped, and what was sent stays listed."""
    remove_webhook(context(), caller(), webhook_id)
    return None


@blp.post("/<id:webhook_id>/rotate-secret")
@blp.creates(WebhookSecretSchema, at=_address, has_etag=True, example=ROTATED)
@blp.arguments(RotationSchema, example={"keep_previous_hours": 24})
def rotate(body: Mapping[str, Any], webhook_id: str) -> Created:
    """Give a webhook a new secret.

    For `keep_previous_hours` the secret so far signs beside it, so that the receiver can be changed in between; with 0
    it ends at once.
    """
    return rotate_secret(context(), caller(), webhook_id, body, key=idempotency_key())


@blp.post("/<id:webhook_id>/test")
@blp.creates(DeliverySchema, at=lambda made: url_for("deliveries.show", delivery_id=made.id), example=DELIVERY)
def try_out(webhook_id: str) -> Created:
    """Send a message of type `webhook.test`, whichever types are wanted; its delivery says what became of it."""
    return send_test(context(), caller(), webhook_id, key=idempotency_key())
