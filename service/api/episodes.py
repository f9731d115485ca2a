"""`/v1/episodes`: one injury of one athlete over time."""

from collections.abc import Mapping
from typing import Any

from schemas.appending import (
    AddedSchema,
    PostedEventSchema,
    PostedExceptionSchema,
    PostedResolutionSchema,
    StoredEvidenceSchema,
)
from schemas.decision import DecisionSchema
from schemas.people import ShownEpisodeSchema
from schemas.signing import PositionSignOffSchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.entries import place_of_entry
from service.api.examples import CAUTION, DECISION, DECISION_ID, added
from service.api.examples_shown import EPISODE
from service.api.reading import idempotency_key
from service.use_cases.context import Created
from service.use_cases.deciding import decide_now
from service.use_cases.overruling import except_criterion, resolve_finding
from service.use_cases.showing_people import show_episode
from service.use_cases.signing import sign_position
from service.use_cases.telling_events import tell_event

DESCRIPTION = "Episodes: what happened to one injury, and what people decided about it."
STORED_DECISION = DECISION | {"battery_id": None, "created": [], "data_quality": [], "performed_at": None}
EXCEPTION = {
    "stage": "rebuild",
    "criterion": "walks-without-limp",
    "until": "2026-10-20",
    "reason": "An old limp of the other leg.",
}
SIGN_OFF = {
    "position": {"stage": "protected_loading", "participation": "none"},
    "rationale": "Nothing was measured yet; protected until Monday.",
}

blp = Blueprint("episodes", __name__, url_prefix="/v1/episodes", description=DESCRIPTION)


@blp.get("/<id:episode_id>")
@blp.answers(ShownEpisodeSchema, example=EPISODE)
def show(episode_id: str) -> Answer:
    """Show an episode: its facts in force, position and supported stage, findings, exceptions, and all that happened.

    The timeline has one plain sentence an entry, oldest first, and a `lapse` where a position ended by its date. Each
    decision's caution stands in `cautions`, under the digest of its criteria set.
    """
    return show_episode(context(), caller(), episode_id)


@blp.post("/<id:episode_id>/decisions")
@blp.creates(DecisionSchema, at=lambda made: f"/v1/decisions/{made.id}", example=STORED_DECISION)
@blp.arguments(StoredEvidenceSchema, example={"target_stage": "rebuild"})
def decide(body: Mapping[str, Any], episode_id: str) -> Created:
    """Judge what is stored of an episode now, by the version in force today.

    A submitter does so for episodes of which it has posted a battery.
    """
    return decide_now(context(), caller(), episode_id, body, idempotency_key())


@blp.post("/<id:episode_id>/events")
@blp.creates(AddedSchema, at=place_of_entry, example=added("event", withdrawn=[DECISION_ID], caution=CAUTION))
@blp.arguments(PostedEventSchema, example={"kind": "giving_way", "on": "2026-10-13"})
def tell(body: Mapping[str, Any], episode_id: str) -> Created:
    """Tell what happened, what became known, or how the episode is called from now on.

    giving_way, setback and re_injury cancel what was measured before; reclassified and corrected change the facts of
    the episode; closed ends it; ref_changed gives it another ref. It judges nothing by itself: decisions that no longer
    stand because of it are listed.
    """
    return tell_event(context(), caller(), episode_id, body, idempotency_key())


@blp.post("/<id:episode_id>/findings/<string:finding>/resolution")
@blp.creates(AddedSchema, at=place_of_entry, example=added("finding_resolution"))
@blp.arguments(PostedResolutionSchema, example={"as": "ruled_out", "rationale": "Radiographs without a fracture."})
def resolve(body: Mapping[str, Any], episode_id: str, finding: str) -> Created:
    """Resolve a finding, as the person with a profession whose access key it is.

    ruled_out and released (treated, allowed to load) close it; confirmed keeps it open, or opens it again, and is a
    setback from the date on which it was raised.
    """
    return resolve_finding(context(), caller(), episode_id, finding, body, idempotency_key())


@blp.post("/<id:episode_id>/exceptions")
@blp.creates(AddedSchema, at=place_of_entry, example=added("exception", caution=CAUTION))
@blp.arguments(PostedExceptionSchema, example=EXCEPTION)
def waive(body: Mapping[str, Any], episode_id: str) -> Created:
    """Waive one criterion at one stage until a date, as the person with a profession whose access key it is.

    The criterion keeps its true status in every decision, and is shown as excepted. It never touches what
    holds besides. It ends with its date, and before that with a re-injury, a confirmed finding, a reclassification or a
    correction of the side that is recorded after it.
    """
    return except_criterion(context(), caller(), episode_id, body, idempotency_key())


@blp.post("/<id:episode_id>/sign-offs")
@blp.creates(AddedSchema, at=place_of_entry, example=added("sign_off", caution=CAUTION))
@blp.arguments(PositionSignOffSchema, example=SIGN_OFF)
def sign(body: Mapping[str, Any], episode_id: str) -> Created:
    """Set the position without a decision, as the person with a profession whose access key it is.

    Above what the decisions on record support it needs an end date, and lapses by itself. With a finding open, or no
    version in force, nobody moves up: participation `none`, or a position no higher than the present one, is taken.
    """
    return sign_position(context(), caller(), episode_id, body, idempotency_key())
