"""`/v1/entries`: any entry of a record, by its id."""

from collections.abc import Mapping
from typing import Any

from schemas.appending import AddedSchema, PostedVoidSchema
from service.api.access import caller, context
from service.api.blueprint import Blueprint
from service.api.examples import DECISION_ID, added
from service.api.reading import idempotency_key
from service.use_cases.context import Created
from service.use_cases.overruling import void_entry

DESCRIPTION = "Entries of athletes' records: whatever was made in error is taken back, and stays on record."

blp = Blueprint("entries", __name__, url_prefix="/v1/entries", description=DESCRIPTION)


def place_of_entry(made: Created) -> str:
    """Return where an entry is seen: with its episode, or with its athlete."""
    episode = made.answer["episode_id"]
    return f"/v1/athletes/{made.answer['athlete_id']}" if episode is None else f"/v1/episodes/{episode}"


@blp.post("/<id:entry_id>/void")
@blp.creates(AddedSchema, at=place_of_entry, example=added("void", withdrawn=[DECISION_ID]))
@blp.arguments(PostedVoidSchema, example={"reason": "posted for the wrong athlete"})
def void(body: Mapping[str, Any], entry_id: str) -> Created:
    """Take back an entry that was made in error.

    Decisions that rest on it are withdrawn, and listed. A battery that it had superseded does not come back: post anew.
    A void decision is listed itself, and still supersedes the one before it, unless the battery that it was posted for
    is void too: ask for the decision again. A void can't be voided.
    """
    return void_entry(context(), caller(), entry_id, body, idempotency_key())
