"""The delivery log among the settings: what was sent to whom, what waits, what failed and why; sent again by hand."""

from typing import Any
from urllib.parse import urlencode

from flask import Response, request

from schemas.query_fields import PageQuerySchema
from schemas.webhooks import DELIVERY_STATES, ON
from service.api.access import caller, context
from service.api.pages import CURSOR, cursor_of, place_in_time
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.filtering import FAULTY, asked_in_vain, asked_of
from service.console.forms import REFUSED, faults_of, loaded
from service.console.webhooks import EVENTS, every_webhook, name_of
from service.domain.errors import ServiceError
from service.domain.record import instant
from service.use_cases.deliveries import list_deliveries, replay_delivery

STATE, WEBHOOK = "state", "webhook"
ANY = "any"
SENT = EVENTS | {"webhook.test": "Test", "digest": "Daily mail of what is due", "webhook.off": "Webhook turned off"}
"""What the types of messages are called."""

_PAGE = PageQuerySchema()
_DONE = {
    "test": "The test is on its way. Load this page again in a moment to see what became of it.",
    "again": "It is on its way again, under the id that it had.",
}


@blp.get("/settings/deliveries")
def deliveries() -> Response:
    """Show the deliveries, newest first, of a state or a webhook where the address asks for one."""
    return _shown()


@blp.post("/settings/deliveries/<id:delivery_id>/replay")
def send_again(delivery_id: str) -> Response:
    """Send a delivery again that is settled."""
    try:
        replay_delivery(context(), caller(), delivery_id)
    except REFUSED as error:
        return _shown(error)
    return go_to("deliveries", **_here(), done="again")


def _shown(error: ServiceError | None = None) -> Response:
    known = {one["id"]: one for one in every_webhook()}
    named = {id_: name_of(one) for id_, one in known.items()}
    choices = {
        STATE: {ANY: "Any", **{one: one.capitalize() for one in DELIVERY_STATES}},
        WEBHOOK: {ANY: "Any, and mails", **named},
    }
    asked, in_vain = asked_of(choices), asked_in_vain(choices, (CURSOR, "done"))
    place = loaded(_PAGE, {CURSOR: request.args[CURSOR]} if request.args.get(CURSOR) else {})
    wanted = {name: value for name, value in asked.items() if value != ANY}
    limit, listed = place["limit"], f"deliveries?{urlencode(wanted)}"
    found = list_deliveries(context(), caller(), wanted, after=place_in_time(place, of=listed), limit=limit)
    return page(
        "console/settings_deliveries.html",
        FAULTY if in_vain else 200 if error is None else status_and_title(error)[0],
        items=[one | {"can_be_sent": _can_be_sent(one, known)} for one in found.items],
        here=_here(),
        following=found.after and cursor_of((instant(found.after[0]), found.after[1]), of=listed),
        is_first=CURSOR not in request.args,
        named=named,
        sent=SENT,
        choices=choices,
        asked=asked,
        is_filtered=bool(wanted),
        in_vain=in_vain,
        faults=() if error is None else faults_of(error),
        done=_DONE.get(request.args.get("done", "")),
    )


def _here() -> dict[str, str]:
    """Return where in the list the reader is."""
    return {name: request.args[name] for name in (STATE, WEBHOOK, CURSOR) if name in request.args}


def _can_be_sent(one: dict[str, Any], known: dict[str, Any]) -> bool:
    """Return whether a delivery can be sent again: it is settled, and its receiver is there and on."""
    receiver = known.get(one["webhook_id"])
    is_received = one["actor"] is not None or (receiver is not None and receiver["state"] == ON)
    return is_received and one["state"] != "waiting"
