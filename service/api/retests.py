"""`/v1/retests`: what is due."""

from collections.abc import Mapping
from datetime import date
from typing import Any
from uuid import UUID

from flask import url_for

from schemas.query_fields import page_of
from schemas.tasks import CancelSchema, DoneSchema, RescheduleSchema, TaskSchema, TasksQuerySchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.examples_shown import TASK
from service.api.pages import page, place_of, refuse_cursor
from service.api.reading import idempotency_key
from service.use_cases.context import Created
from service.use_cases.retests import cancel_task, finish_task, list_tasks, reschedule_task, show_task

DESCRIPTION = (
    "What is due: the retest of each episode, the question of the morning after each occasion, the outcome of each "
    "referral, the review that each override asks for within 72 hours, and check-ins 2, 6 and 12 weeks after a return."
)
LATER = {"due_on": "2026-10-19", "reason": "The athlete travels with the team."}
CHECKED_IN = {"kind": "check_in", "about": "2_weeks", "state": "closed", "status": "closed", "closed_because": "done"}

blp = Blueprint("retests", __name__, url_prefix="/v1/retests", description=DESCRIPTION)


@blp.get("")
@blp.answers(page_of(TaskSchema), example={"items": [TASK], "next": None})
@blp.arguments(TasksQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List what is due, the first due first; open tasks where neither `state` nor `status` is named.

    `status` is as of today in the organisation's time zone: `upcoming`, `due` in its window, `overdue` after it,
    `lapsed` where it can't be answered any more, or `closed`.
    """
    found = list_tasks(context(), caller(), asked, after=_place(asked), limit=asked["limit"])
    return page(found.items, after=None if found.after is None else (found.after[0].isoformat(), found.after[1]))


def _place(asked: Mapping[str, Any]) -> tuple[date, str] | None:
    place = place_of(asked, parts=2)
    if place is None:
        return None
    try:
        return date.fromisoformat(place[0]), str(UUID(place[1]))
    except ValueError:
        refuse_cursor()


@blp.get("/<id:task_id>")
@blp.answers(TaskSchema, example=TASK)
def show(task_id: str) -> Answer:
    """Show a task, open or closed."""
    return show_task(context(), caller(), task_id)


def _address(made: Created) -> str:
    address: str = url_for("retests.show", task_id=made.answer["id"])
    return address


@blp.post("/<id:task_id>/reschedule")
@blp.creates(TaskSchema, at=_address, example=TASK | {"due_on": LATER["due_on"], "last_day": "2026-10-21"})
@blp.arguments(RescheduleSchema, example=LATER)
def reschedule(body: Mapping[str, Any], task_id: str) -> Created:
    """Put an open task on another date, and say why; the record keeps both."""
    return reschedule_task(context(), caller(), task_id, body, idempotency_key())


@blp.post("/<id:task_id>/cancel")
@blp.creates(
    TaskSchema, at=_address, example=TASK | {"state": "closed", "status": "closed", "closed_because": "cancelled"}
)
@blp.arguments(CancelSchema, example={"reason": "Seen elsewhere."})
def cancel(body: Mapping[str, Any], task_id: str) -> Created:
    """Call an open task off for good, and say why; the record keeps it."""
    return cancel_task(context(), caller(), task_id, body, idempotency_key())


@blp.post("/<id:task_id>/done")
@blp.creates(TaskSchema, at=_address, example=TASK | CHECKED_IN)
@blp.arguments(DoneSchema, example={"note": "Plays without pain."})
def done(body: Mapping[str, Any], task_id: str) -> Created:
    """Say that a check-in is done, and how it went; every other kind of task closes by itself."""
    return finish_task(context(), caller(), task_id, body, idempotency_key())
