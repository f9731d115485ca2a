"""`/v1/decisions`: what was decided, and what named professionals made of it."""

from collections.abc import Mapping
from typing import Any

from schemas.appending import AddedSchema
from schemas.decision import DecisionSchema
from schemas.history import DecisionPageSchema, DecisionsQuerySchema, VerificationSchema
from schemas.sent_battery import ShownBatterySchema
from schemas.signing import SignOffSchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.entries import place_of_entry
from service.api.examples import CAUTION, DECISION, DECISION_ID, added
from service.api.examples_shown import BRIEF, CAUTIONS, SHOWN_BATTERY
from service.api.pages import page_in_time, place_in_time
from service.api.reading import faults_at_arguments, idempotency_key
from service.use_cases.context import Created
from service.use_cases.history import list_decisions, show_battery_of, show_decision
from service.use_cases.paging import Listed
from service.use_cases.signing import sign_decision
from service.use_cases.verifying import verify_decision

DESCRIPTION = "Decisions: pass or hold for one gate, with every reason; a named professional signs them off."
SIGN_OFF = {
    "decision_digest": DECISION["digest"],
    "determination": "agree",
    "position": {"stage": "protected_loading", "participation": "none"},
    "conditions": "Crutches until the walk is even.",
    "informed": ["athlete", "head coach"],
}

VERIFICATION = {
    "decision_id": DECISION_ID,
    "result": "identical",
    "differences": [],
    "chain": {"intact": True, "entries": 2, "first_broken": None},
    "state": {"result": "matches", "differences": []},
    "caution": CAUTION,
}

blp = Blueprint("decisions", __name__, url_prefix="/v1/decisions", description=DESCRIPTION)


@blp.get("")
@blp.answers(DecisionPageSchema, example={"items": [BRIEF], "next": None, "cautions": CAUTIONS})
@blp.arguments(DecisionsQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List the decision history, newest first.

    A submitter is shown decisions of own posts only. `hold_because` takes one kind; `criterion` finds the decisions in
    which it was asked and not met or not assessed, `status` one of these; `state` is the standing as it reads today.
    `from` and `to` are days of the organisation on which it was decided, both included. The caution of each decision
    stands in `cautions`, under the digest of its criteria set: show it with the decision.
    """
    with faults_at_arguments():
        found = list_decisions(context(), caller(), asked, after=place_in_time(asked), limit=asked["limit"])
    body, headers = page_in_time(Listed(found.items, found.after))
    return body | {"cautions": found.cautions}, headers


@blp.get("/<id:decision_id>")
@blp.answers(DecisionSchema, example=DECISION)
def show(decision_id: str) -> Answer:
    """Show a decision as it was made, and what has become of it since (`standing`)."""
    return show_decision(context(), caller(), decision_id)


@blp.get("/<id:decision_id>/battery")
@blp.answers(ShownBatterySchema, example=SHOWN_BATTERY)
def battery(decision_id: str) -> Answer:
    """Show the battery that a decision was made of, as it was sent.

    Of a decision on what was stored, that is the first battery of the occasion judged. `used` of the decision names
    every battery that it rests on.
    """
    return show_battery_of(context(), caller(), decision_id)


@blp.get("/<id:decision_id>/verification")
@blp.answers(VerificationSchema, example=VERIFICATION)
def verify(decision_id: str) -> Answer:
    """Judge a decision again from the record as it is kept, and compare.

    `chain` tells whether the athlete's record holds; one that is broken at or before the decision never reads
    identical. `state` tells whether what is stored of the decision beside the record, and read by lists, is what the
    record says.
    """
    return verify_decision(context(), caller(), decision_id)


@blp.post("/<id:decision_id>/sign-offs")
@blp.creates(AddedSchema, at=place_of_entry, example=added("sign_off", caution=CAUTION))
@blp.arguments(SignOffSchema, example=SIGN_OFF)
def sign(body: Mapping[str, Any], decision_id: str) -> Created:
    """Sign off a decision: agree, be stricter, override or defer.

    The signer is the person whose access key it is, with their profession. `decision_digest` says which decision was
    seen; one that does not stand any more is refused, with a link to the current one. To agree sets no position above
    what the decision supports, and lets nobody compete at a stage before the last. An override names every criterion
    that holds, why and until when, and lapses by itself; an open finding, a not today and what lies outside the set's
    scope are resolved and can't be overridden. With the version retired, nobody moves up.
    """
    return sign_decision(context(), caller(), decision_id, body, idempotency_key())
