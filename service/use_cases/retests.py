"""What is due: to reschedule or cancel a task, or to say that a check-in is done; all else closes by itself."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, NamedTuple

from service.domain import record
from service.domain.errors import ConflictError, NotFoundError
from service.domain.record import instant
from service.store import tasks
from service.store.database import Tx
from service.store.task_state import (
    CANCELLED,
    CHECK_IN,
    CHECK_IN_DONE,
    CLOSED,
    FOLLOW_UP,
    OPEN,
    OVERRIDE_REVIEW,
    RESCHEDULED,
)
from service.store.tasks import DUE, LAPSED, OVERDUE, UPCOMING, Place
from service.use_cases.appending import Addition, Find, Request, append, entry_of, invalid, moment_of
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Caller, Context, Created
from service.use_cases.reads import Seen, watched
from service.use_cases.recording import Recording

TASK, TASK_CLOSED, NOT_PUT_OFF = "task", "task_closed", "not_put_off"
CLOSES_BY_ITSELF = "closes_by_itself"
RESCHEDULE, CANCEL = "POST /v1/retests/{id}/reschedule", "POST /v1/retests/{id}/cancel"
DONE = "POST /v1/retests/{id}/done"

# Practice, not evidence: what lies further away than this is no date but a slip of the pen.
LATEST = timedelta(days=366)
_DUE_ON = "/due_on"


class Page(NamedTuple):
    """A page of tasks, and where the next one begins: None on the last page."""

    items: list[dict[str, Any]]
    after: Place | None


def list_tasks(
    context: Context, caller: Caller, asked: Mapping[str, Any], *, after: Place | None = None, limit: int
) -> Page:
    """Return a page of what is due, the first due first.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        asked: `kind`, `state` (open where neither it nor `status` is told), `status`, `athlete`, `episode`,
            `due_from`, `due_to` and `overdue`.
        after: where the page begins.
        limit: the most tasks.
    """
    today = today_of(context, caller)
    usual = {} if "status" in asked else {"state": OPEN}
    filters = usual | {key: asked[key] for key in tasks.FILTERS if key in asked}
    wanted = tasks.Wanted(today=today, **filters)
    places: list[Place | None] = []

    def read(tx: Tx) -> Seen:
        rows = tasks.listed(tx, caller.organisation, wanted, after=after, limit=limit + 1)
        shown = rows[:limit]
        places[:] = [(shown[-1]["due_on"], shown[-1]["id"]) if len(rows) > limit else None]
        answer = {"items": [task_view(row, today) for row in shown]}
        return Seen(answer, athlete=wanted.athlete, detail=f"{len(shown)} shown")

    found = watched(context, caller, read, action="list_tasks", kind=TASK)
    return Page(found["items"], places[0])


def show_task(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return a task.

    Raises:
        NotFoundError: there is none.
    """
    today = today_of(context, caller)

    def read(tx: Tx) -> Seen:
        row = _known(tx, caller, id_)
        return Seen(task_view(row, today), id_, row["athlete_id"])

    return watched(context, caller, read, action="read_task", kind=TASK)


def reschedule_task(context: Context, caller: Caller, id_: str, body: Mapping[str, Any], key: str) -> Created:
    """Put a task on another date; `body` has `due_on` and `reason`.

    Returns:
        The task as it is now; `id` is that of the entry.

    Raises:
        NotFoundError: there is no such task.
        ConflictError: task_closed; not_put_off: a review of an override.
        InvalidDocumentError: the date lies in the past, before what it follows, or too far away.
    """

    def make(recording: Recording) -> Addition:
        row = _open_task(recording, id_)
        _refuse_date(recording, row, body["due_on"])
        return _event(recording, row, {"kind": RESCHEDULED, "due_on": body["due_on"].isoformat()}, body)

    return _changed(context, caller, id_, Request(RESCHEDULE, (id_,), body, key), make)


def cancel_task(context: Context, caller: Caller, id_: str, body: Mapping[str, Any], key: str) -> Created:
    """Call a task off for good; `body` has `reason`. Returns and raises as `reschedule_task`."""

    def make(recording: Recording) -> Addition:
        return _event(recording, _open_task(recording, id_), {"kind": CANCELLED}, body)

    return _changed(context, caller, id_, Request(CANCEL, (id_,), body, key), make)


def finish_task(context: Context, caller: Caller, id_: str, body: Mapping[str, Any], key: str) -> Created:
    """Say that a check-in is done; `body` has `note`, how it went. Returns and raises as `reschedule_task`.

    Raises:
        ConflictError: closes_by_itself: any other kind of task closes with what it waits for.
    """

    def make(recording: Recording) -> Addition:
        row = _open_task(recording, id_)
        if row["kind"] != CHECK_IN:
            detail = "only a check-in is said to be done; this closes with the battery or the resolution that it awaits"
            raise ConflictError(CLOSES_BY_ITSELF, detail, link=f"/v1/retests/{id_}")
        return _event(recording, row, {"kind": CHECK_IN_DONE}, {"note": body["note"]})

    return _changed(context, caller, id_, Request(DONE, (id_,), body, key), make)


def _changed(context: Context, caller: Caller, id_: str, request: Request, make: Any) -> Created:
    made = append(context, caller, request, find=_athlete_of(caller, id_), make=make)
    today = today_of(context, caller)
    answer = context.database.read(lambda tx: task_view(_known(tx, caller, id_), today))
    return Created(answer, made.id, made.replayed)


def _athlete_of(caller: Caller, id_: str) -> Find:
    return lambda tx: str(_known(tx, caller, id_)["athlete_id"])


def _known(tx: Tx, caller: Caller, id_: str) -> dict[str, Any]:
    row = tasks.one(tx, caller.organisation, id_)
    if row is None:
        raise NotFoundError(TASK, id_)
    return row


def _open_task(recording: Recording, id_: str) -> Mapping[str, Any]:
    """Return the task as it is once the record is locked.

    Raises:
        ConflictError: task_closed, not_put_off.
    """
    row = recording.before["tasks"][(id_,)]
    if row["state"] != OPEN:
        because = str(row["closed_because"]).replace("_", " ")
        detail = f"this task is closed ({because}); look at what is due now"
        raise ConflictError(TASK_CLOSED, detail, link="/v1/retests")
    if row["kind"] == OVERRIDE_REVIEW:
        detail = "a review of an override is neither rescheduled nor cancelled; sign off anew, or void the override"
        raise ConflictError(NOT_PUT_OFF, detail, link=f"/v1/decisions/{row['decision_id']}")
    return row


def _refuse_date(recording: Recording, row: Mapping[str, Any], due_on: date) -> None:
    of = row["decision_id"] or row["battery_id"]
    earliest = max(recording.today, entry_of(recording, of).occurred_on) if of else recording.today
    if not earliest <= due_on <= earliest + LATEST:
        detail = f"a date from {earliest} to {earliest + LATEST} is wanted"
        raise invalid(_DUE_ON, "out_of_range", detail)


def _event(
    recording: Recording, row: Mapping[str, Any], document: Mapping[str, Any], body: Mapping[str, Any]
) -> Addition:
    at, on = moment_of(recording, {})
    private = {key: body[key] for key in ("reason", "note") if key in body}
    return Addition(record.EVENT, row["episode_id"], at, on, {**document, TASK: row["id"]}, private)


def task_view(row: Mapping[str, Any], today: date) -> dict[str, Any]:
    """Return a task as it is answered."""
    return {
        "id": row["id"],
        "kind": row["kind"],
        "about": row["about"],
        "athlete_id": row["athlete_id"],
        "athlete_ref": row["athlete_ref"],
        "episode_id": row["episode_id"],
        "episode_ref": row["episode_ref"],
        "decision_id": row["decision_id"],
        "battery_id": row["battery_id"],
        **times_of(row, today),
        "reminded_at": None if row["reminded_at"] is None else instant(row["reminded_at"]),
    }


def times_of(row: Mapping[str, Any], today: date) -> dict[str, Any]:
    """Return when a task is due and what became of it, as both are answered.

    It is overdue once the last day of its window is over; a question of the morning after can't be answered then.
    """
    last_day = row["due_on"] + timedelta(days=row["window_days"])
    return {
        "due_on": row["due_on"].isoformat(),
        "window_days": row["window_days"],
        "last_day": last_day.isoformat(),
        "overdue": _status(row, today, last_day) == OVERDUE,
        "status": _status(row, today, last_day),
        "state": row["state"],
        "closed_because": row["closed_because"],
        "updated_at": instant(row["updated_at"]),
    }


def _status(row: Mapping[str, Any], today: date, last_day: date) -> str:
    if row["state"] != OPEN:
        return CLOSED
    if today > last_day:
        return LAPSED if row["kind"] == FOLLOW_UP else OVERDUE
    return DUE if today >= row["due_on"] else UPCOMING
