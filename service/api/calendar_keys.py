"""`/v1/calendar-keys`: by which a clinician's own calendars subscribe to what is due."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from flask import url_for

from schemas.access import CalendarKeyAnswerSchema, CalendarKeySchema, CreatedCalendarKeySchema
from schemas.query_fields import PageQuerySchema, page_of
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.calendar import feed_address
from service.api.pages import page_in_time, place_in_time
from service.api.reading import idempotency_key
from service.use_cases.calendar_keys import (
    KEEP_TO_YOURSELF,
    create_calendar_key,
    list_calendar_keys,
    revoke_calendar_key,
    show_calendar_key,
)
from service.use_cases.context import Created

DESCRIPTION = (
    "Keys by which your own calendars subscribe to `/v1/retests.ics`. Each opens that and nothing else; an address is "
    "told once, when its key is made."
)
SENT = {"label": "Telephone"}
ANSWERED = {
    "id": "01990a5e-0c1f-7d3a-9f57-2b1f6a0c9d12",
    **SENT,
    "state": "valid",
    "created_at": "2026-08-01T07:05:00.000000Z",
    "revoked_at": None,
    "last_used_on": None,
}
MADE = ANSWERED | {
    "address": "https://rts.example.org/v1/retests.ics?key=rts_01990a5e0c1f7d3a9f572b1f6a0c9d12_an-invented-secret",
    "note": KEEP_TO_YOURSELF,
}

blp = Blueprint("calendar_keys", __name__, url_prefix="/v1/calendar-keys", description=DESCRIPTION)


@blp.get("")
@blp.answers(page_of(CalendarKeyAnswerSchema), example={"items": [ANSWERED], "next": None})
@blp.arguments(PageQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List the keys of your calendars, newest first."""
    return page_in_time(list_calendar_keys(context(), caller(), after=place_in_time(asked), limit=asked["limit"]))


@blp.post("")
@blp.creates(CreatedCalendarKeySchema, at=lambda made: url_for("calendar_keys.show", key_id=made.id), example=MADE)
@blp.arguments(CalendarKeySchema, example=SENT)
def create(body: Mapping[str, Any]) -> Created:
    """Make a key for a calendar of yours.

    `address` is what the calendar subscribes to. It is told this once: where the same request is sent again, `address`
    is null, and `note` says so.
    """
    return with_address(create_calendar_key(context(), caller(), body, key=idempotency_key()))


def with_address(made: Created) -> Created:
    """Return a new key with the address of its feed in the place of its secret."""
    secret = made.answer["secret"]
    shown = {name: one for name, one in made.answer.items() if name != "secret"}
    return replace(made, answer=shown | {"address": secret and feed_address(secret)})


@blp.get("/<id:key_id>")
@blp.answers(CalendarKeyAnswerSchema, example=ANSWERED)
def show(key_id: str) -> Answer:
    """Show a key of a calendar of yours, without its address."""
    return show_calendar_key(context(), caller(), key_id)


@blp.post("/<id:key_id>/revoke")
@blp.answers(
    CalendarKeyAnswerSchema, example=ANSWERED | {"state": "revoked", "revoked_at": "2026-11-20T15:30:00.000000Z"}
)
def revoke(key_id: str) -> Answer:
    """Close the feed of one calendar of yours at once, for good; doing it again changes nothing."""
    return revoke_calendar_key(context(), caller(), key_id)
