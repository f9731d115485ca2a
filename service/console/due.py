"""The due page: retests, questions of the morning after and reviews, to put off or to call off."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from flask import Response, request

from schemas.tasks import CancelSchema, RescheduleSchema
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.forms import REFUSED, faults_of, key, loaded, new_key, typed
from service.domain.errors import ServiceError
from service.use_cases.brief_decisions import today_of
from service.use_cases.due import read_due
from service.use_cases.retests import cancel_task, reschedule_task

MOST = 500
RESCHEDULE, CANCEL = "reschedule", "cancel"
_DONE = {"put_off": "Put off.", "called_off": "Called off."}
_WEEK = timedelta(days=7)
_NEW_DATE, _REASON = RescheduleSchema(), CancelSchema()


@blp.get("/due")
def due() -> Response:
    """Show what is due: what is overdue first."""
    return _shown()


@blp.post("/tasks/<id:task_id>/reschedule")
def reschedule(task_id: str) -> Response:
    """Put a task on another date."""
    try:
        reschedule_task(context(), caller(), task_id, loaded(_NEW_DATE, typed("due_on", "reason")), key())
    except REFUSED as error:
        return _shown((RESCHEDULE, task_id), error)
    return go_to("due", done="put_off")


@blp.post("/tasks/<id:task_id>/cancel")
def cancel(task_id: str) -> Response:
    """Call a task off."""
    try:
        cancel_task(context(), caller(), task_id, loaded(_REASON, typed("reason")), key())
    except REFUSED as error:
        return _shown((CANCEL, task_id), error)
    return go_to("due", done="called_off")


def _shown(form: tuple[str, str] | None = None, error: ServiceError | None = None) -> Response:
    found = read_due(context(), caller(), limit=MOST)
    today = today_of(context(), caller())
    return page(
        "console/due.html",
        200 if error is None else status_and_title(error)[0],
        groups=_groups(found["items"], today),
        is_cut=found["is_cut"],
        cautions=found["cautions"],
        most=MOST,
        faults=() if error is None else faults_of(error),
        refused=form,
        typed=request.form if form else {},
        new_key=new_key,
        done=_DONE.get(request.args.get("done", "")),
    )


def _groups(items: list[dict[str, Any]], today: date) -> list[tuple[str, list[dict[str, Any]]]]:
    """Return the tasks by how near they are, each group in the order of its dates."""
    groups: Mapping[str, list[dict[str, Any]]] = {"Overdue": [], "Due now": [], "Within a week": [], "Later": []}
    for one in items:
        on = date.fromisoformat(one["due_on"])
        if one["overdue"]:
            groups["Overdue"].append(one)
        elif on <= today:
            groups["Due now"].append(one)
        else:
            groups["Within a week" if on <= today + _WEEK else "Later"].append(one)
    return [(name, rows) for name, rows in groups.items() if rows]
