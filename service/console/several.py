"""Several tasks at once: what is chosen is done with each that is ticked, and what could not be is told by name."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple
from uuid import UUID, uuid5

from flask import Response, request
from marshmallow import Schema

from schemas.tasks import CancelSchema, DoneSchema, RescheduleSchema
from service.api.problems import status_and_title
from service.console.forms import REFUSED, faults_of, key, labelled, loaded, new_key, typed, wrong_of
from service.domain.errors import INVALID_BODY, FieldError, InvalidDocumentError, NotFoundError, ServiceError
from service.use_cases.context import Created

MOST_AT_ONCE = 100
RESCHEDULE, CANCEL, DONE = "reschedule", "cancel", "done"
PLACES = {"#/task": "list", "#/what": "what", "#/due_on": "due_on", "#/reason": "reason", "#/note": "reason"}
"""What the fields are called, by the place in the body that they fill."""

_CONFLICT = 409
_LABELS = {"#/due_on": "date", "#/reason": "reason", "#/note": "reason"}


class Way(NamedTuple):
    """What can be done with tasks: what it is called afterwards, and the fields that it takes by their names in it."""

    done: str
    schema: Schema
    fields: Mapping[str, str]


WAYS: Mapping[str, Way] = {
    RESCHEDULE: Way("rescheduled", RescheduleSchema(), {"due_on": "due_on", "reason": "reason"}),
    CANCEL: Way("cancelled", CancelSchema(), {"reason": "reason"}),
    DONE: Way("done", DoneSchema(), {"note": "reason"}),
}

Act = Callable[[str, Any, str], Created]
"""Does it with the task of an id: the body as its schema loads it, and the key by which it is done once."""


Answer = Callable[..., Response]


class Outcome(NamedTuple):
    """What became of a form: how many were changed and how, and why others were not, by id."""

    way: Way
    number: int
    left: Mapping[str, str]

    @property
    def said(self) -> str:
        """Return in words what was done."""
        return _said(self.way, self.number)


def _change_ticked(acts: Mapping[str, Act], name_of: Callable[[str], str]) -> Outcome:
    """Do what the form says with every task that is ticked; sent twice, it is done once.

    Args:
        acts: what does each way.
        name_of: tells what a task is called.

    Raises:
        InvalidDocumentError: nothing is ticked, or something was not typed as it is wanted; nothing was done.
    """
    what, ids = request.form.get("what", ""), list(dict.fromkeys(request.form.getlist("task")))
    faults = list(_faults(what, ids))
    if faults:
        raise InvalidDocumentError(INVALID_BODY, faults)
    way = WAYS[what]
    sent = typed(*way.fields.values())
    body = loaded(way.schema, {name: sent[field] for name, field in way.fields.items() if field in sent})
    once = UUID(key())
    left = {}
    for id_ in ids:
        try:
            acts[what](id_, body, uuid5(once, id_).hex)
        except (*REFUSED, NotFoundError) as error:
            left[id_] = f"{_named(id_, name_of)}: {faults_of(error)[0].detail}"
    return Outcome(way, len(ids) - len(left), left)


def carried_out(
    acts: Mapping[str, Act],
    name_of: Callable[[str], str],
    *,
    show: Callable[..., Response],
    back: Callable[..., Response],
) -> Response:
    """Do what the form says, and answer it.

    Args:
        acts: what does each way.
        name_of: tells what a task is called.
        show: shows the page with an `error`, or with an `outcome` that left some as they are.
        back: leads to the page, which tells what was `done` and the `count` of it.
    """
    try:
        outcome = _change_ticked(acts, name_of)
    except REFUSED as error:
        return show(error=error)
    if outcome.left:
        return show(outcome=outcome)
    return back(done=outcome.way.done, count=outcome.number)


def shown(error: ServiceError | None, outcome: Outcome | None) -> dict[str, Any]:
    """Return what the template of the panel shows: what was ticked and typed, and what was refused of it."""
    faults = () if error is None else faults_of(error)
    return {
        "left": {} if outcome is None else outcome.left,
        "ticked": request.form.getlist("task") if outcome is None else list(outcome.left),
        "typed": request.form,
        "faults": labelled(faults, _LABELS),
        "places": PLACES,
        "wrong": wrong_of(faults, PLACES),
        "new_key": new_key,
        "done": _done_before() if outcome is None else outcome.said,
    }


def status_of(error: ServiceError | None, outcome: Outcome | None) -> int:
    """Return the status of what was refused, 0 where nothing was."""
    if error is not None:
        return status_and_title(error)[0]
    return _CONFLICT if outcome is not None and outcome.left else 0


def _faults(what: str, ids: list[str]) -> Iterator[FieldError]:
    if not ids:
        yield FieldError("#/task", "missing", "tick the tasks that are meant")
    if len(ids) > MOST_AT_ONCE:
        yield FieldError("#/task", "out_of_range", f"tick {MOST_AT_ONCE} tasks at most, not {len(ids)}")
    if what not in WAYS:
        yield FieldError("#/what", "missing", "choose what to do with the ticked tasks")


def _named(id_: str, name_of: Callable[[str], str]) -> str:
    try:
        return name_of(id_)
    except NotFoundError:
        return "a task that is gone"


def _done_before() -> str:
    """Return what the page that led here has done."""
    way = next((one for one in WAYS.values() if one.done == request.args.get("done")), None)
    return _said(way, request.args.get("count", 0, type=int)) if way else ""


def _said(way: Way, number: int) -> str:
    return f"{number} {'task was' if number == 1 else 'tasks were'} {way.done}." if number else ""
