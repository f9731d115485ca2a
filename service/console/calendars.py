"""A person's own calendars: the addresses from which they read what is due, each shown once."""

from typing import Any

from flask import Response, request

from schemas.access import CalendarKeySchema
from service.api.access import caller, context
from service.api.calendar_keys import with_address
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.forms import REFUSED, faults_of, key, loaded, new_key, typed, wrong_of
from service.domain.errors import ServiceError
from service.use_cases.calendar_keys import create_calendar_key, list_calendar_keys, revoke_calendar_key

MOST = 50
PLACES = {"#/label": "label"}
_KEY = CalendarKeySchema()


@blp.get("/calendars")
def calendars() -> Response:
    """Show the keys of the person's calendars, and a form for one more."""
    return _shown()


@blp.post("/calendars")
def make_calendar() -> Response:
    """Make an address for a calendar, and show it this once."""
    try:
        made = with_address(create_calendar_key(context(), caller(), loaded(_KEY, typed("label")), key=key()))
    except REFUSED as error:
        return _shown(error=error)
    return _shown(made=made.answer)


@blp.post("/calendars/<id:key_id>/revoke")
def revoke_calendar(key_id: str) -> Response:
    """Close the address of a calendar at once."""
    revoke_calendar_key(context(), caller(), key_id)
    return go_to("calendars", done="revoked")


def _shown(error: ServiceError | None = None, made: Any = None) -> Response:
    found = list_calendar_keys(context(), caller(), limit=MOST)
    faults = () if error is None else faults_of(error)
    return page(
        "console/calendars.html",
        200 if error is None else status_and_title(error)[0],
        items=found.items,
        is_cut=found.after is not None,
        most=MOST,
        made=made,
        typed={} if made else request.form,
        faults=faults,
        places=PLACES,
        wrong=wrong_of(faults, PLACES),
        new_key=new_key,
        is_revoked=request.args.get("done") == "revoked",
    )
