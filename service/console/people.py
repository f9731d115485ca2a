"""People among the settings: where each is sent mails."""

from typing import Any

from flask import Response, current_app, request

from schemas.access import PERSON, EmailSchema
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.forms import REFUSED, faults_of, loaded, wrong_of
from service.domain.errors import ServiceError
from service.use_cases.actors import change_email, list_actors

MOST = 200
_EMAIL = EmailSchema()


@blp.get("/settings/people")
def people() -> Response:
    """Show the people with their e-mail addresses."""
    return _shown()


@blp.post("/settings/people/<id:actor_id>/email")
def save_email(actor_id: str) -> Response:
    """Give a person another e-mail address, or none."""
    try:
        body = loaded(_EMAIL, {"email": request.form.get("email", "").strip() or None})
        change_email(context(), caller(), actor_id, body)
    except REFUSED as error:
        return _shown(actor_id, error)
    return go_to("people", done="email")


def _shown(refused: str | None = None, error: ServiceError | None = None) -> Response:
    found = list_actors(context(), caller(), limit=MOST)
    faults = () if error is None else faults_of(error)
    places = {"#/email": f"email-{refused}"}
    return page(
        "console/settings_people.html",
        200 if error is None else status_and_title(error)[0],
        items=sorted(filter(_is_there, found.items), key=lambda one: str(one["display_name"]).casefold()),
        is_cut=found.after is not None,
        most=MOST,
        has_mail=bool(current_app.extensions["rts-settings"].smtp_url),
        refused=refused,
        typed=request.form,
        faults=faults,
        places=places,
        wrong=wrong_of(faults, places),
        is_done=request.args.get("done") == "email",
    )


def _is_there(one: dict[str, Any]) -> bool:
    return one["kind"] == PERSON and one["disabled_at"] is None
