"""The due page: what is due, found by kind and status; rescheduled, cancelled or done for several at once."""

from collections.abc import Callable, Mapping
from datetime import date, timedelta
from typing import Any, NamedTuple
from uuid import UUID, uuid5

from flask import Response, request
from marshmallow import Schema

from schemas.tasks import CancelSchema, DoneSchema, RescheduleSchema
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.filtering import FAULTY, asked_in_vain, asked_of
from service.console.forms import REFUSED, faults_of, key, loaded, named, new_key, typed, wrong_of
from service.console.words import day
from service.domain.errors import INVALID_BODY, FieldError, InvalidDocumentError, NotFoundError, ServiceError
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Created
from service.use_cases.due import read_due
from service.use_cases.retests import cancel_task, finish_task, reschedule_task, show_task

MOST, MOST_AT_ONCE = 500, 100
KIND, STATUS, ANY = "kind", "status", "any"
KINDS = {
    "retest": "Retest",
    "follow_up": "Follow-up",
    "override_review": "Override review",
    "referral_outcome": "Referral outcome",
    "check_in": "Check-in",
}
STATUSES = {"upcoming": "Upcoming", "due": "Due now", "overdue": "Overdue"}
PLACES = {"#/task": "list", "#/what": "what", "#/due_on": "due_on", "#/reason": "reason", "#/note": "reason"}
"""What the fields are called, by the place in the body that they fill."""

_LABELS = {"due_on": "date", "reason": "reason"}
_WEEK = timedelta(days=7)
_CONFLICT = 409


class Way(NamedTuple):
    """What can be done with tasks: what it is called before and after, the fields that it takes, and what does it."""

    name: str
    done: str
    schema: Schema
    fields: Mapping[str, str]
    act: Callable[..., Created]


WAYS: Mapping[str, Way] = {
    "reschedule": Way(
        "Reschedule",
        "rescheduled",
        RescheduleSchema(),
        {"due_on": "due_on", "reason": "reason"},
        reschedule_task,
    ),
    "cancel": Way("Cancel", "cancelled", CancelSchema(), {"reason": "reason"}, cancel_task),
    "done": Way("Done (check-ins only)", "done", DoneSchema(), {"note": "reason"}, finish_task),
}


@blp.get("/due")
def due() -> Response:
    """Show what is due: what is overdue first."""
    return _shown()


@blp.post("/due")
def change_tasks() -> Response:
    """Reschedule, cancel or finish every task that is ticked; one that can't be is told, and stays ticked."""
    try:
        way, ids, body, once = _asked()
    except REFUSED as error:
        return _shown(error=error)
    left = {id_: because for id_ in ids if (because := _refused(way, id_, body, once))}
    done = len(ids) - len(left)
    if left:
        return _shown(left=left, done=_said(way, done))
    return go_to("due", **_here(), done=way.done, count=done)


def _asked() -> tuple[Way, list[str], Any, UUID]:
    """Return what is to be done, with which tasks, the body, and the key of the form.

    Raises:
        InvalidDocumentError: nothing is ticked, or something was not typed as it is wanted.
    """
    ids = list(dict.fromkeys(request.form.getlist("task")))
    way = WAYS.get(request.form.get("what", ""))
    faults = list(_faults(ids, way))
    if way is None or faults:
        raise InvalidDocumentError(INVALID_BODY, faults)
    sent = typed(*way.fields.values())
    body = {name: sent[field] for name, field in way.fields.items() if field in sent}
    return way, ids, loaded(way.schema, body), UUID(key())


def _faults(ids: list[str], way: Way | None) -> list[FieldError]:
    faults = []
    if not ids:
        faults.append(FieldError("#/task", "missing", "tick the tasks that are meant"))
    if len(ids) > MOST_AT_ONCE:
        faults.append(FieldError("#/task", "out_of_range", f"tick {MOST_AT_ONCE} tasks at most, not {len(ids)}"))
    if way is None:
        faults.append(FieldError("#/what", "missing", "choose what to do with the ticked tasks"))
    return faults


def _refused(way: Way, id_: str, body: Any, once: UUID) -> str | None:
    """Return which task could not be changed and why, None where it was; sent twice, each is done once."""
    try:
        way.act(context(), caller(), id_, body, uuid5(once, id_).hex)
    except (*REFUSED, NotFoundError) as error:
        return f"{_name_of(id_)}: {faults_of(error)[0].detail}"
    return None


def _name_of(id_: str) -> str:
    try:
        one = show_task(context(), caller(), id_)
    except NotFoundError:
        return "a task that is gone"
    return f"{one['athlete_ref'] or 'erased athlete'}, {KINDS[one['kind']].lower()} of {day(one['due_on'])}"


def _said(way: Way, count: int) -> str:
    return f"{count} {'task was' if count == 1 else 'tasks were'} {way.done}." if count else ""


def _done_before() -> str:
    """Return what the page that led here has done."""
    way = next((one for one in WAYS.values() if one.done == request.args.get("done")), None)
    return _said(way, request.args.get("count", 0, type=int)) if way else ""


def _here() -> dict[str, str]:
    """Return the filters that the address has."""
    return {name: request.args[name] for name in (KIND, STATUS) if name in request.args}


def _shown(error: ServiceError | None = None, left: Mapping[str, str] | None = None, done: str = "") -> Response:
    choices = {KIND: {ANY: "Any", **KINDS}, STATUS: {ANY: "Any", **STATUSES}}
    asked, in_vain = asked_of(choices), asked_in_vain(choices, ("done", "count"))
    wanted = {name: value for name, value in asked.items() if value != ANY}
    found = read_due(context(), caller(), limit=MOST, **wanted)
    faults = () if error is None else faults_of(error)
    return page(
        "console/due.html",
        _status(error, left, in_vain),
        groups=_groups(found["items"], today_of(context(), caller())),
        is_cut=found["is_cut"],
        is_filtered=bool(wanted),
        cautions=found["cautions"],
        most=MOST,
        kinds=KINDS,
        choices=choices,
        asked=asked,
        in_vain=in_vain,
        here=_here(),
        ways=WAYS,
        left=left or {},
        ticked=request.form.getlist("task") if left is None else list(left),
        typed=request.form,
        faults=named(faults, PLACES, _LABELS),
        places=PLACES,
        wrong=wrong_of(faults, PLACES),
        new_key=new_key,
        done=done or _done_before(),
    )


def _status(error: ServiceError | None, left: Mapping[str, str] | None, in_vain: list[str]) -> int:
    if error is not None:
        return status_and_title(error)[0]
    return _CONFLICT if left else FAULTY if in_vain else 200


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
