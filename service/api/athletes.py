"""`/v1/athletes`: the people whose record is kept."""

from collections.abc import Mapping
from typing import Any

from schemas.appending import AddedSchema, ErasureSchema, RefChangeSchema
from schemas.people import AthleteQuerySchema, ShownAthleteSchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.entries import place_of_entry
from service.api.examples import added
from service.api.examples_shown import ATHLETE
from service.api.reading import idempotency_key
from service.use_cases.context import Created
from service.use_cases.erasing import erase_athlete
from service.use_cases.showing_people import find_athlete, show_athlete
from service.use_cases.telling_events import rename_athlete

DESCRIPTION = "Athletes: by your own refs, with as little personal data as the computation needs."

blp = Blueprint("athletes", __name__, url_prefix="/v1/athletes", description=DESCRIPTION)


@blp.get("")
@blp.answers(ShownAthleteSchema, example=ATHLETE)
@blp.arguments(AthleteQuerySchema, location="query")
def find(asked: Mapping[str, Any]) -> Answer:
    """Find an athlete by your ref."""
    return find_athlete(context(), caller(), asked["ref"])


@blp.get("/<id:athlete_id>")
@blp.answers(ShownAthleteSchema, example=ATHLETE)
def show(athlete_id: str) -> Answer:
    """Show an athlete with every episode: position, supported stage, what is open and due, the latest decision.

    Each decision's caution stands in `cautions`, under the digest of its criteria set.
    """
    return show_athlete(context(), caller(), athlete_id)


@blp.post("/<id:athlete_id>/events")
@blp.creates(AddedSchema, at=place_of_entry, example=added("event", episode_id=None))
@blp.arguments(RefChangeSchema, example={"kind": "ref_changed", "ref": "KB-0418"})
def tell(body: Mapping[str, Any], athlete_id: str) -> Created:
    """Give an athlete another ref; the former one is free for others."""
    return rename_athlete(context(), caller(), athlete_id, body, idempotency_key())


@blp.post("/<id:athlete_id>/erasure")
@blp.creates(AddedSchema, at=place_of_entry, example=added("erasure", episode_id=None))
@blp.arguments(ErasureSchema, example={"scope": "default", "reason": "the athlete asked for it"})
def erase(body: Mapping[str, Any], athlete_id: str) -> Created:
    """Erase an athlete: refs, names and free text (`default`), or all that was recorded as well (`full`).

    The chain of digests stays and still verifies. Nothing can be added afterwards; a full erasure may follow a default
    one. A person does this, and the reason stays.
    """
    return erase_athlete(context(), caller(), athlete_id, body, idempotency_key())
