"""`/v1/organisation`: what the caller's organisation is called, and its time zone."""

from collections.abc import Mapping
from typing import Any

from schemas.access import OrganisationAnswerSchema, OrganisationSchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.use_cases.organisations import change_organisation, show_organisation

DESCRIPTION = "The caller's organisation: a clinic, club or school. Every record belongs to exactly one."
SENT = {"name": "Invented clinic", "time_zone": "Europe/Berlin"}
ANSWERED = SENT | {"id": "01990a5d-ac96-774b-bcce-b302099a8057", "created_at": "2026-08-01T07:00:00.000000Z"}

blp = Blueprint("organisation", __name__, url_prefix="/v1/organisation", description=DESCRIPTION)


@blp.get("")
@blp.answers(OrganisationAnswerSchema, example=ANSWERED)
def show() -> Answer:
    """Show the organisation."""
    return show_organisation(context(), caller())


@blp.put("")
@blp.answers(OrganisationAnswerSchema, example=ANSWERED)
@blp.arguments(OrganisationSchema, example=SENT)
def change(body: Mapping[str, Any]) -> Answer:
    """Give the organisation another name or time zone.

    What is stored keeps the local days that it has; the time zone decides on which day a later battery was performed.
    """
    return change_organisation(context(), caller(), body)
