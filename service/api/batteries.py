"""`/v1/batteries`: what was measured, as it is posted."""

from collections.abc import Mapping
from typing import Any

from schemas.appending import AddedSchema, PostedBatterySchema, PostedConfirmationSchema
from schemas.battery import BatterySchema
from schemas.sent_battery import BatteryQuerySchema, ShownBatterySchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.entries import place_of_entry
from service.api.examples import BATTERIES, DECISION, added
from service.api.examples_shown import SHOWN_BATTERY
from service.api.reading import idempotency_key
from service.use_cases.context import Created
from service.use_cases.overruling import confirm_battery
from service.use_cases.posting import post_battery
from service.use_cases.showing_batteries import find_battery, show_battery

DESCRIPTION = "Test batteries of athletes: assessments, baselines and the mornings after."

blp = Blueprint("batteries", __name__, url_prefix="/v1/batteries", description=DESCRIPTION)


def _place(made: Created) -> str:
    """Return the address of the decision, or of the battery where nothing was judged."""
    decision = made.answer.get("id")
    return f"/v1/batteries/{made.id}" if decision is None else f"/v1/decisions/{decision}"


@blp.post("")
@blp.creates(PostedBatterySchema, at=_place, example=DECISION)
@blp.arguments(BatterySchema, examples=BATTERIES)
def create(body: Mapping[str, Any]) -> Created:
    """Post a battery, and have the gate judged that it asks about.

    Without `target_stage` it is kept and not judged: the answer has `battery_id`, `created`, `data_quality` and
    `withdrawn`, and its Location is the battery's. A follow-up judges again the gate of the occasion that it follows,
    where it comes in time. An assessment brings the facts of its episode whole each time, a follow-up needs none, a
    baseline has none. What a battery that `supersedes` another takes back of referral signs, events, pain beyond
    the limit, giving way and failed landings is named in `data_quality`, as corrected_away. All faults of form are told
    at once, then who or what is named and not there, then all other faults; nothing of a refused battery is kept.
    """
    return post_battery(context(), caller(), body, idempotency_key())


@blp.get("")
@blp.answers(ShownBatterySchema, example=SHOWN_BATTERY)
@blp.arguments(BatteryQuerySchema, location="query")
def find(asked: Mapping[str, Any]) -> Answer:
    """Find a battery by the ref that you gave it: its latest revision, or the one asked for.

    A submitter finds own posts only.
    """
    return find_battery(context(), caller(), asked["ref"], asked.get("revision"))


@blp.get("/<id:battery_id>")
@blp.answers(ShownBatterySchema, example=SHOWN_BATTERY)
def show(battery_id: str) -> Answer:
    """Show a battery as it was sent, what became of it, and the decisions made of it.

    Figures are text, exactly as they are kept. A submitter is shown own posts only.
    """
    return show_battery(context(), caller(), battery_id)


@blp.post("/<id:battery_id>/confirmations")
@blp.creates(AddedSchema, at=place_of_entry, example=added("confirmation"))
@blp.arguments(PostedConfirmationSchema, example={"confirms": ["sides"]})
def confirm(body: Mapping[str, Any], battery_id: str) -> Created:
    """Confirm what a battery leaves in doubt: the sides are as they were sent.

    It judges nothing by itself; post, or ask for a decision on what is stored.
    """
    return confirm_battery(context(), caller(), battery_id, body, idempotency_key())
