"""What a webhook is sent, as OpenAPI describes it: a request for each type of message, with headers and an example."""

from collections.abc import Callable, Mapping
from typing import Any

from marshmallow import Schema

from schemas.messages import DATA, MESSAGES
from schemas.webhooks import (
    CRITERIA_PUBLISHED,
    DECISION_MADE,
    DECISION_WITHDRAWN,
    FOLLOW_UP_ANSWERED,
    SIGN_OFF_RECORDED,
    TASK_DUE,
    WEBHOOK_TEST,
)
from service.api.examples import ATHLETE_ID, BATTERY_ID, DECISION_ID, EPISODE_ID

WEBHOOK_ID = "01a1308d-0000-7b1c-8e5a-0f1d2c3b4a03"

_SIGN_OFF_ID, _TASK_ID = "01a1308e-6200-7c11-8e5a-0f1d2c3b4a59", "c6d51c83-cb8f-59f6-af9e-1bc39943d658"
_OF = {"athlete_id": ATHLETE_ID, "episode_id": EPISODE_ID}
_DECISION = {"decision_id": DECISION_ID, **_OF, "href": f"/v1/decisions/{DECISION_ID}"}
_EXAMPLES: Mapping[str, Mapping[str, Any]] = {
    DECISION_MADE: {**_DECISION, "awaiting_sign_off": True},
    DECISION_WITHDRAWN: _DECISION,
    SIGN_OFF_RECORDED: {"sign_off_id": _SIGN_OFF_ID, **_DECISION, "awaiting_sign_off": False},
    FOLLOW_UP_ANSWERED: {"battery_id": BATTERY_ID, **_OF, "href": f"/v1/batteries/{BATTERY_ID}"},
    CRITERIA_PUBLISHED: {
        "set_id": "lateral-ankle-sprain",
        "version": 1,
        "href": "/v1/criteria-sets/lateral-ankle-sprain/versions/1",
    },
    TASK_DUE: {
        "task_id": _TASK_ID,
        "kind": "retest",
        **_OF,
        "decision_id": DECISION_ID,
        "due_on": "2026-11-24",
        "last_day": "2026-11-26",
        "step": "before:2",
        "overdue": False,
        "href": f"/v1/retests/{_TASK_ID}",
    },
    WEBHOOK_TEST: {"webhook_id": WEBHOOK_ID, "href": f"/v1/webhooks/{WEBHOOK_ID}"},
}
_HEADERS = {
    "webhook-id": "The same over all tries of a message: do what it tells of once for each id.",
    "webhook-timestamp": "When this try was signed, in seconds since 1970.",
    "webhook-signature": "`v1,` and the signature; after a rotation one for each secret, with a space between.",
}
_ANSWERS = {
    "2XX": {"description": "It was taken, and is not sent again."},
    "410": {"description": "Nothing is wanted here any more: the webhook is turned off."},
    "default": {"description": "It was not taken, and is tried again for three days."},
}


def message_of(type_: str) -> dict[str, Any]:
    """Return the example of a message."""
    return {"type": type_, "timestamp": "2026-11-20T15:30:00.000000Z", "data": _EXAMPLES[type_]}


def webhooks_of(shape: Callable[[type[Schema]], Mapping[str, Any]]) -> dict[str, Any]:
    """Return the webhooks of the OpenAPI document; `shape` registers a schema and returns the reference to it."""
    return {type_: {"post": _told(type_, shape(schema))} for type_, schema in MESSAGES.items()}


def _told(type_: str, schema: Mapping[str, Any]) -> dict[str, Any]:
    named = [
        {"in": "header", "name": name, "required": True, "description": about, "schema": {"type": "string"}}
        for name, about in _HEADERS.items()
    ]
    return {
        "operationId": f"told_{type_.replace('.', '_')}",
        "summary": (DATA[type_].__doc__ or "").strip(),
        "parameters": named,
        "requestBody": {"content": {"application/json": {"schema": dict(schema), "example": message_of(type_)}}},
        "responses": _ANSWERS,
    }
