"""`/v1/retests.ics`: what is due, for calendar programs; its key stands in the address, since they send no headers."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from flask import Response, current_app, request, url_for

from schemas.access import FeedQuerySchema
from service.api.access import caller, context
from service.api.blueprint import Blueprint
from service.api.ics import rendered
from service.domain.errors import UnauthenticatedError
from service.use_cases.access import authenticate_calendar
from service.use_cases.calendar import read_calendar
from service.use_cases.context import Caller, Context

NAME = "calendar"
DESCRIPTION = "What is due, as a calendar that programs subscribe to."
EXAMPLE = """BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//rts-service//What is due//EN
NAME:Invented clinic: what is due
BEGIN:VEVENT
UID:01990a5e-0c1f-7d3a-9f57-2b1f6a0c9d13
SEQUENCE:3
DTSTAMP:20261120T153000Z
DTSTART;VALUE=DATE:20261204
DTEND;VALUE=DATE:20261205
SUMMARY:Retest due: ref KB-0417
STATUS:CONFIRMED
CLASS:PRIVATE
TRANSP:TRANSPARENT
END:VEVENT
END:VCALENDAR
"""
_PATH = "/v1/retests.ics"
_NOT_VALID = "this address has no key of a calendar that is valid; make another one where you made this one"

blp = Blueprint(NAME, __name__, url_prefix=_PATH, description=DESCRIPTION)


def identify(context: Context) -> Caller:
    """Return whose calendar asks.

    Raises:
        UnauthenticatedError: the address has no valid key of a calendar.
    """
    known = authenticate_calendar(context, request.args.get("key", ""))
    if known is None:
        raise UnauthenticatedError(_NOT_VALID)
    return known


def feed_address(secret: str) -> str:
    """Return the address of the feed with a key, for people to give to their calendars."""
    base = context().public_url
    return f"{base}{_PATH}?key={secret}" if base else url_for("calendar.feed", key=secret, _external=True)


@blp.get("")
@blp.response(200, {"type": "string", "examples": [EXAMPLE]}, content_type="text/calendar")
@blp.arguments(FeedQuerySchema, location="query")
@blp.doc(security=[{"calendar_key": []}])
def feed(_asked: Mapping[str, Any]) -> Response:
    """Show what is due as a calendar: an event of a whole day for each task, on the day on which it is due.

    `key` is that of a calendar (`POST /v1/calendar-keys`); an access key opens nothing here. An event has the
    athlete's ref and nothing clinical. A task that closed stays as CANCELLED until 90 days after it was due. At most
    2,000 open and 2,000 closed tasks are shown, the first due and the last due ones. Send the ETag as If-None-Match:
    the answer is 304 while nothing has changed. The address is a secret; a proxy must not log its arguments.
    """
    found = read_calendar(context(), caller(), has=request.if_none_match.contains_weak)
    if found.calendar is None:
        response = current_app.response_class(status=HTTPStatus.NOT_MODIFIED)
    else:
        response = current_app.response_class(rendered(found.calendar), mimetype="text/calendar")
    response.set_etag(found.tag)
    response.headers["Cache-Control"] = "private, no-cache"
    return response
