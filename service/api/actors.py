"""`/v1/actors`: the people and systems that act for an organisation."""

from collections.abc import Mapping
from typing import Any

from flask import url_for

from schemas.access import ActorAnswerSchema, ActorSchema, EmailSchema
from schemas.query_fields import PageQuerySchema, page_of
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.pages import page_in_time, place_in_time
from service.api.reading import idempotency_key
from service.use_cases.actors import change_email, create_actor, disable_actor, list_actors, show_actor
from service.use_cases.context import Created

DESCRIPTION = "The people and systems that hold access keys and act for the organisation."
SENT = {
    "kind": "person",
    "display_name": "Kim Invented",
    "profession": "physiotherapist",
    "registration": "invented-123",
    "email": "kim@example.org",
    "roles": ["clinician"],
}
ANSWERED = {
    "id": "01990a5d-ac96-774b-bcce-b302099a8057",
    **SENT,
    "created_at": "2026-08-01T07:00:00.000000Z",
    "disabled_at": None,
}

blp = Blueprint("actors", __name__, url_prefix="/v1/actors", description=DESCRIPTION)


@blp.get("")
@blp.answers(page_of(ActorAnswerSchema), example={"items": [ANSWERED], "next": None})
@blp.arguments(PageQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List the actors, newest first."""
    return page_in_time(list_actors(context(), caller(), after=place_in_time(asked), limit=asked["limit"]))


@blp.post("")
@blp.creates(ActorAnswerSchema, at=lambda made: url_for("actors.show", actor_id=made.id), example=ANSWERED)
@blp.arguments(ActorSchema, example=SENT)
def create(body: Mapping[str, Any]) -> Created:
    """Make an actor.

    A person who is to hold the role clinician has a profession: it stands with whatever that person signs. `email` is
    where a person is sent reminders; administrators alone see it.
    """
    return create_actor(context(), caller(), body, key=idempotency_key())


@blp.get("/<id:actor_id>")
@blp.answers(ActorAnswerSchema, example=ANSWERED)
def show(actor_id: str) -> Answer:
    """Show an actor."""
    return show_actor(context(), caller(), actor_id)


@blp.put("/<id:actor_id>/email")
@blp.answers(ActorAnswerSchema, example=ANSWERED)
@blp.arguments(EmailSchema, example={"email": SENT["email"]})
def change_address(body: Mapping[str, Any], actor_id: str) -> Answer:
    """Give a person another e-mail address, or with null none: an administrator anybody, everybody themselves.

    A reminder plan may go on naming a person without one: its steps reach the others whom they name.
    """
    return change_email(context(), caller(), actor_id, body)


@blp.post("/<id:actor_id>/disable")
@blp.answers(ActorAnswerSchema, example=ANSWERED | {"disabled_at": "2026-11-20T15:30:00.000000Z"})
def disable(actor_id: str) -> Answer:
    """Close all access keys of an actor at once, for good.

    Doing it again changes nothing. It is refused where nobody could administer the organisation any more.
    """
    return disable_actor(context(), caller(), actor_id)
