"""`/v1/criteria-reviews`: once a year the criteria are looked at again."""

from collections.abc import Mapping
from typing import Any

from flask import url_for

from schemas.criteria_reviews import CriteriaReviewSchema, CriteriaReviewsSchema
from schemas.tasks import CancelSchema, DoneSchema, RescheduleSchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.reading import idempotency_key
from service.use_cases.context import Created
from service.use_cases.criteria_reviews import CANCEL, DONE, RESCHEDULE, change_review, list_reviews, show_review

DESCRIPTION = (
    "The newest version of each set is reviewed a year after it came into force, and a year after each review: what "
    "was published since, and whether its thresholds still hold. A new version, or retiring the set, ends its review."
)
REVIEW = {
    "id": "6f0a1f0e-9d3c-5b0e-8a55-3f4f0f1f8c11",
    "set_id": "lateral-ankle-sprain",
    "version": 1,
    "due_on": "2027-11-20",
    "window_days": 28,
    "last_day": "2027-12-18",
    "overdue": False,
    "status": "upcoming",
    "state": "open",
    "closed_because": None,
    "updated_at": "2026-11-20T15:30:00.000000Z",
}
_OVER = {"status": "closed", "state": "closed"}

blp = Blueprint("criteria_reviews", __name__, url_prefix="/v1/criteria-reviews", description=DESCRIPTION)


def _address(made: Created) -> str:
    return url_for("criteria_reviews.show", task_id=made.id)


@blp.get("")
@blp.answers(CriteriaReviewsSchema, example={"items": [REVIEW]})
def every() -> Answer:
    """List the reviews, open and closed, the first due first."""
    return {"items": list_reviews(context(), caller())}


@blp.get("/<id:task_id>")
@blp.answers(CriteriaReviewSchema, example=REVIEW)
def show(task_id: str) -> Answer:
    """Show a review, open or closed."""
    return show_review(context(), caller(), task_id)


@blp.post("/<id:task_id>/reschedule")
@blp.creates(CriteriaReviewSchema, at=_address, example=REVIEW | {"due_on": "2027-12-01", "last_day": "2027-12-29"})
@blp.arguments(RescheduleSchema, example={"due_on": "2027-12-01", "reason": "After the congress."})
def reschedule(body: Mapping[str, Any], task_id: str) -> Created:
    """Put an open review on another date, and say why."""
    return change_review(context(), caller(), task_id, RESCHEDULE, body, key=idempotency_key())


@blp.post("/<id:task_id>/cancel")
@blp.creates(CriteriaReviewSchema, at=_address, example=REVIEW | _OVER | {"closed_because": "cancelled"})
@blp.arguments(CancelSchema, example={"reason": "The set is no longer used."})
def cancel(body: Mapping[str, Any], task_id: str) -> Created:
    """Call an open review off for good, and say why; the next version of the set has its own."""
    return change_review(context(), caller(), task_id, CANCEL, body, key=idempotency_key())


@blp.post("/<id:task_id>/done")
@blp.creates(CriteriaReviewSchema, at=_address, example=REVIEW | _OVER | {"closed_because": "done"})
@blp.arguments(DoneSchema, example={"note": "Nothing published since changes a threshold."})
def done(body: Mapping[str, Any], task_id: str) -> Created:
    """Say that a review is done, and what came of it; the next one is due a year later."""
    return change_review(context(), caller(), task_id, DONE, body, key=idempotency_key())
