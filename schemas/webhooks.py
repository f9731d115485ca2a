"""Webhooks and deliveries: what is sent and what is answered."""

from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import fields as marshmallow_fields

from schemas import fields, query_fields
from schemas.access import MOST_NAME, HolderSchema, line
from schemas.document import DocumentSchema, list_of, nested
from schemas.rules import Broken, RuledSchema

DECISION_MADE, DECISION_WITHDRAWN = "decision.made", "decision.withdrawn"
SIGN_OFF_RECORDED, FOLLOW_UP_ANSWERED = "sign_off.recorded", "follow_up.answered"
CRITERIA_PUBLISHED, TASK_DUE, WEBHOOK_TEST = "criteria.published", "task.due", "webhook.test"
EVENT_TYPES = (
    DECISION_MADE,
    DECISION_WITHDRAWN,
    SIGN_OFF_RECORDED,
    FOLLOW_UP_ANSWERED,
    CRITERIA_PUBLISHED,
    TASK_DUE,
    WEBHOOK_TEST,
)
"""Every type of a message to a webhook; a test is sent to the one that is tested, whatever it wants."""

WANTED_TYPES = EVENT_TYPES[:-1]
DIGEST, WEBHOOK_OFF = "digest", "webhook.off"
SENT_TYPES = (*EVENT_TYPES, DIGEST, WEBHOOK_OFF)
"""Every type of a message, those of mails too."""

ON, OFF = "on", "off"
STATES = (ON, OFF)
CHANNELS = ("webhook", "email")
DELIVERY_STATES = ("waiting", "delivered", "dead", "dropped")

MOST_URL = 2000
USUAL_HOURS, MOST_HOURS = 24, 168
MOST_COUNTED = 10**12


class WebhookSchema(RuledSchema):
    """Where to send, and which types; all of them where none is named."""

    url = fields.Text(most=MOST_URL, required=True)
    events = list_of(fields.Choice(WANTED_TYPES), load_default=list)
    label = line(MOST_NAME)

    def rules(self, loaded: Mapping[str, Any], _sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for each type once."""
        events = loaded.get("events", [])
        for place, one in enumerate(events):
            if one in events[:place]:
                yield Broken(("events", place), f"duplicate: {one} stands here twice")


class ChangedWebhookSchema(WebhookSchema):
    """A webhook as it is to be, whole; while it is off, nothing is sent to it."""

    state = fields.Choice(STATES, required=True)


class RotationSchema(DocumentSchema):
    """For how many hours the secret so far signs beside the new one; 0: no longer."""

    keep_previous_hours = fields.Whole(least=0, most=MOST_HOURS, load_default=USUAL_HOURS)


def _count() -> fields.Whole:
    return fields.Whole(least=0, most=MOST_COUNTED, required=True)


class WebhookAnswerSchema(DocumentSchema):
    """A webhook; its secret is never told again. `waiting` and `dead` count its deliveries."""

    id = query_fields.Id(required=True)
    url = fields.Text(most=MOST_URL, required=True)
    events = list_of(fields.Choice(WANTED_TYPES), required=True)
    label = fields.Text(required=True, allow_none=True)
    state = fields.Choice(STATES, required=True)
    off_because = fields.Text(required=True, allow_none=True)
    previous_secret_until = fields.Moment(required=True, allow_none=True)
    waiting = _count()
    dead = _count()
    created_at = fields.Moment(required=True)
    updated_at = fields.Moment(required=True)


class WebhookSecretSchema(WebhookAnswerSchema):
    """A webhook with its new secret, by which its receiver checks the signatures; it is told this once."""

    secret = fields.Text(required=True, allow_none=True)
    note = fields.Text(required=True)


class DeliveriesQuerySchema(query_fields.PageQuerySchema):
    """Which deliveries."""

    state = query_fields.Choice(DELIVERY_STATES)
    webhook = query_fields.Id()
    channel = query_fields.Choice(CHANNELS)
    type = query_fields.Choice(SENT_TYPES)


class DeliverySchema(DocumentSchema):
    """A message on its way to a webhook or a person; `message_id` stays the same over all tries."""

    id = query_fields.Id(required=True)
    message_id = query_fields.Id(required=True)
    type = fields.Choice(SENT_TYPES, required=True)
    channel = fields.Choice(CHANNELS, required=True)
    webhook_id = query_fields.Id(required=True, allow_none=True)
    actor = nested(HolderSchema, required=True, allow_none=True)
    state = fields.Choice(DELIVERY_STATES, required=True)
    attempts = _count()
    attempted_at = fields.Moment(required=True, allow_none=True)
    next_at = fields.Moment(required=True, allow_none=True)
    status = fields.Whole(least=100, most=999, required=True, allow_none=True)
    error = fields.Text(required=True, allow_none=True)
    created_at = fields.Moment(required=True)
    settled_at = fields.Moment(required=True, allow_none=True)


class WholeDeliverySchema(DeliverySchema):
    """A delivery with the body of its message."""

    body = marshmallow_fields.Dict(required=True)
