"""`/v1/deliveries`: what was sent to webhooks and people, what waits, and what could not be sent."""

from collections.abc import Mapping
from typing import Any

from schemas.query_fields import page_of
from schemas.webhooks import DECISION_MADE, DeliveriesQuerySchema, DeliverySchema, WholeDeliverySchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.messages import WEBHOOK_ID, message_of
from service.api.pages import page_in_time, place_in_time
from service.use_cases.deliveries import list_deliveries, replay_delivery, show_delivery

DESCRIPTION = (
    "Messages on their way to webhooks and people: `waiting` for a try, `delivered`, `dead` after the last one, or "
    "`dropped` because there was nobody or nothing to send any more, or because it was too late for a mail."
)
MESSAGE = message_of(DECISION_MADE)
DELIVERY = {
    "id": "01a1308d-0000-7b1c-8e5a-0f1d2c3b4a04",
    "message_id": "5b0f8a52-6c1e-5d7b-9a55-1c2d3e4f5a06",
    "type": MESSAGE["type"],
    "channel": "webhook",
    "webhook_id": WEBHOOK_ID,
    "actor": None,
    "state": "waiting",
    "attempts": 0,
    "attempted_at": None,
    "next_at": "2026-11-20T15:30:00.000000Z",
    "status": None,
    "error": None,
    "created_at": "2026-11-20T15:30:00.000000Z",
    "settled_at": None,
}
WHOLE = DELIVERY | {"body": MESSAGE}
DEAD = {
    "state": "dead",
    "attempts": 10,
    "next_at": None,
    "attempted_at": "2026-11-23T19:30:00.000000Z",
    "settled_at": "2026-11-23T19:30:01.000000Z",
    "status": 503,
    "error": "the receiver answered 503",
}

blp = Blueprint("deliveries", __name__, url_prefix="/v1/deliveries", description=DESCRIPTION)


@blp.get("")
@blp.answers(page_of(DeliverySchema), example={"items": [DELIVERY | DEAD], "next": None})
@blp.arguments(DeliveriesQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List the deliveries, newest first."""
    return page_in_time(list_deliveries(context(), caller(), asked, after=place_in_time(asked), limit=asked["limit"]))


@blp.get("/<id:delivery_id>")
@blp.answers(WholeDeliverySchema, example=WHOLE | DEAD)
def show(delivery_id: str) -> Answer:
    """Show a delivery with the body of its message, and what the last try came to."""
    return show_delivery(context(), caller(), delivery_id)


@blp.post("/<id:delivery_id>/replay")
@blp.answers(WholeDeliverySchema, example=WHOLE)
def replay(delivery_id: str) -> Answer:
    """Send a delivery again that is settled, with the same id of its message and tries anew.

    One that waits already stays as it is. A receiver that knows the id has it already.
    """
    return replay_delivery(context(), caller(), delivery_id)
