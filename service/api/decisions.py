"""`/v1/decisions`: what was decided, and what named professionals made of it."""

from collections.abc import Mapping
from typing import Any

from schemas.appending import AddedSchema
from schemas.signing import SignOffSchema
from service.api.access import caller, context
from service.api.blueprint import Blueprint
from service.api.entries import place_of_entry
from service.api.examples import CAUTION, DECISION, added
from service.api.reading import idempotency_key
from service.use_cases.context import Created
from service.use_cases.signing import sign_decision

DESCRIPTION = "Decisions: pass or hold for one gate, with every reason; a named professional signs them off."
SIGN_OFF = {
    "decision_digest": DECISION["digest"],
    "determination": "agree",
    "position": {"stage": "protected_loading", "participation": "none"},
    "conditions": "Crutches until the walk is even.",
    "informed": ["athlete", "head coach"],
}

blp = Blueprint("decisions", __name__, url_prefix="/v1/decisions", description=DESCRIPTION)


@blp.post("/<id:decision_id>/sign-offs")
@blp.creates(AddedSchema, at=place_of_entry, example=added("sign_off", caution=CAUTION))
@blp.arguments(SignOffSchema, example=SIGN_OFF)
def sign(body: Mapping[str, Any], decision_id: str) -> Created:
    """Sign off a decision: agree, be stricter, override or defer.

    The signer is the person whose access key it is, with their profession. `decision_digest` says which decision was
    seen; one that does not stand any more is refused, with a link to the current one. To agree sets no position above
    what the decision supports. An override names what it overrides, why and until when, and lapses by itself.
    """
    return sign_decision(context(), caller(), decision_id, body, idempotency_key())
