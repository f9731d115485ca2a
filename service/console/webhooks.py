"""Webhooks among the settings: made, changed, turned on and off, tested, given a new secret, removed."""

from collections.abc import Mapping
from contextlib import suppress
from typing import Any
from urllib.parse import urlsplit

from flask import Response, request

from schemas.webhooks import MOST_HOURS, ON, STATES, USUAL_HOURS, ChangedWebhookSchema, RotationSchema, WebhookSchema
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.forms import REFUSED, faults_of, key, labelled, loaded, new_key, typed, whole, wrong_of
from service.domain.errors import FieldError, NotFoundError, ServiceError
from service.use_cases.webhooks import (
    change_webhook,
    create_webhook,
    list_webhooks,
    remove_webhook,
    rotate_secret,
    send_test,
    show_webhook,
)

MOST = 200
EVENTS = {
    "decision.made": "Decision made",
    "decision.withdrawn": "Decision withdrawn",
    "sign_off.recorded": "Sign-off recorded",
    "follow_up.answered": "Follow-up answered",
    "criteria.published": "Criteria version published",
    "task.due": "Task due",
}
PLACES = {"#/url": "url", "#/label": "label", "#/keep_previous_hours": "hours", "#/state": "state"}
"""What the fields are called, by the place in the body that they fill."""

_LABELS = {"#/url": "address", "#/label": "label", "#/keep_previous_hours": "hours"}
_NEW, _CHANGED, _ROTATION = WebhookSchema(), ChangedWebhookSchema(), RotationSchema()
_DONE = {
    "changed": "The webhook was changed.",
    "removed": "The webhook was removed. What it was sent stays among the deliveries.",
}


@blp.get("/settings/webhooks")
def webhooks() -> Response:
    """Show the webhooks, and a form for one more."""
    return _list()


@blp.post("/settings/webhooks")
def make_webhook() -> Response:
    """Make a webhook, and show its secret this once."""
    try:
        made = create_webhook(context(), caller(), loaded(_NEW, _sent()), key=key())
    except REFUSED as error:
        return _list(error)
    return page("console/settings_secret.html", one=made.answer, is_new=True, name_of=name_of)


@blp.get("/settings/webhooks/<id:webhook_id>")
def webhook(webhook_id: str) -> Response:
    """Show a webhook with all that can be done to it."""
    return _shown(webhook_id)


@blp.post("/settings/webhooks/<id:webhook_id>")
def save_webhook(webhook_id: str) -> Response:
    """Change a webhook, or turn it on or off."""
    try:
        body = loaded(_CHANGED, _sent() | typed("state"))
        change_webhook(context(), caller(), webhook_id, body, etag=request.form.get("etag", ""))
    except REFUSED as error:
        return _shown(webhook_id, "change", error)
    return go_to("webhook", webhook_id=webhook_id, done="changed")


@blp.post("/settings/webhooks/<id:webhook_id>/test")
def test_webhook(webhook_id: str) -> Response:
    """Send a test, and show what becomes of it."""
    try:
        send_test(context(), caller(), webhook_id, key=key())
    except REFUSED as error:
        return _shown(webhook_id, "test", error)
    return go_to("deliveries", webhook=webhook_id, done="test")


@blp.post("/settings/webhooks/<id:webhook_id>/secret")
def new_secret(webhook_id: str) -> Response:
    """Give a webhook a new secret, and show it this once."""
    try:
        body = loaded(_ROTATION, {"keep_previous_hours": whole(request.form.get("hours", ""))})
        made = rotate_secret(context(), caller(), webhook_id, body, key=key())
    except REFUSED as error:
        return _shown(webhook_id, "secret", error)
    return page("console/settings_secret.html", one=made.answer, is_new=False, name_of=name_of)


@blp.post("/settings/webhooks/<id:webhook_id>/remove")
def drop_webhook(webhook_id: str) -> Response:
    """Remove a webhook; one that is gone already is not missed."""
    with suppress(NotFoundError):
        remove_webhook(context(), caller(), webhook_id)
    return go_to("webhooks", done="removed")


def name_of(one: Mapping[str, Any]) -> str:
    """Return what a webhook is called: its label, else the host that it is sent to.

    >>> name_of({"label": None, "url": "https://receiver.example.org/rts?secret=1"})
    'receiver.example.org'
    """
    return str(one["label"] or urlsplit(one["url"]).hostname or one["url"])


def every_webhook() -> list[dict[str, Any]]:
    """Return the organisation's webhooks, newest first."""
    return list_webhooks(context(), caller(), limit=MOST).items


def _sent() -> dict[str, Any]:
    return typed("url", "label") | {"events": request.form.getlist("events")}


def _list(error: ServiceError | None = None) -> Response:
    faults = () if error is None else faults_of(error)
    return page(
        "console/settings_webhooks.html",
        200 if error is None else status_and_title(error)[0],
        items=every_webhook(),
        most=MOST,
        typed=request.form,
        ticked=request.form.getlist("events"),
        **_of_both(faults),
    )


def _shown(id_: str, what: str | None = None, error: ServiceError | None = None) -> Response:
    one, etag = show_webhook(context(), caller(), id_)
    faults = () if error is None else faults_of(error)
    is_kept = what == "change"
    return page(
        "console/settings_webhook.html",
        200 if error is None else status_and_title(error)[0],
        one=one,
        etag=etag,
        states=STATES,
        on=ON,
        refused=what,
        typed=request.form if what else {name: one[name] or "" for name in ("url", "label", "state")},
        ticked=request.form.getlist("events") if is_kept else one["events"],
        usual_hours=USUAL_HOURS,
        most_hours=MOST_HOURS,
        **_of_both(faults),
    )


def _of_both(faults: tuple[FieldError, ...]) -> dict[str, Any]:
    return {
        "events": EVENTS,
        "name_of": name_of,
        "faults": labelled(faults, _LABELS),
        "places": PLACES,
        "wrong": wrong_of(faults, PLACES),
        "new_key": new_key,
        "done": _DONE.get(request.args.get("done", "")),
    }
