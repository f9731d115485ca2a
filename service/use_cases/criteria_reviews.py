"""The review of criteria: a year after a version came into force, and a year after each review.

A year and its window are practice, not evidence: whoever runs the criteria looks once a year what was published since.
"""

from collections.abc import Mapping
from datetime import date, datetime
from functools import partial
from typing import Any
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from service.domain.adoption import Adopted, by_set
from service.domain.errors import ConflictError, NotFoundError
from service.store import access, idempotency, tasks
from service.store import criteria as store
from service.store.database import Tx
from service.store.task_state import CLOSED, OPEN
from service.store.tasks import CRITERIA_REVIEW
from service.use_cases.appending import Request, invalid
from service.use_cases.audit import note
from service.use_cases.context import Caller, Context, Created
from service.use_cases.reminding import follow
from service.use_cases.retests import LATEST, TASK_CLOSED, times_of

WINDOW_DAYS = 28
RESCHEDULE, CANCEL, DONE = (f"POST /v1/criteria-reviews/{{id}}/{what}" for what in ("reschedule", "cancel", "done"))

_WHAT, _DUE_ON = "criteria review", "/due_on"
_BECAUSE = {CANCEL: "cancelled", DONE: "done"}

Row = Mapping[str, Any]


def follow_criteria(tx: Tx, organisation: str, zone: ZoneInfo, now: datetime) -> None:
    """Ask for the review of the newest version of each set; those of other versions end.

    A review that was cancelled is not asked for again; the next version has its own.

    Args:
        tx: a transaction in which the organisation's criteria are locked.
        organisation: whose criteria.
        zone: the organisation's.
        now: an aware moment.
    """
    rows = tasks.reviews(tx, organisation)
    newest = _newest(tx, organisation)
    ended = [row | _closed("replaced", now) for row in rows if row["state"] == OPEN and row["about"] not in newest]
    new = [_next(organisation, one, rows, zone, now) for one in newest.values() if _is_wanted(one, rows)]
    for row in ended:
        tasks.change(tx, row)
    tasks.add(tx, new)
    before = {row["id"]: row for row in rows}
    follow(tx, organisation, now, before=before, after=before | {row["id"]: row for row in (*ended, *new)})


def follow_everywhere(context: Context) -> None:
    """Ask for the reviews of criteria that are older than reviews, or were restored, in every organisation."""
    for one in context.database.read(access.every_organisation):
        context.database.write(partial(_follow_locked, one=one, now=context.clock()))


def list_reviews(context: Context, caller: Caller) -> list[dict[str, Any]]:
    """Return the organisation's reviews, open and closed, the first due first: one a set and year."""
    rows = context.database.read(lambda tx: tasks.reviews(tx, caller.organisation))
    return [review_answer(row, _today(context, caller)) for row in rows]


def show_review(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return a review.

    Raises:
        NotFoundError: there is none.
    """
    row = context.database.read(lambda tx: _known(tx, caller, id_))
    return review_answer(row, _today(context, caller))


def change_review(  # noqa: PLR0913 - what is done to which review, and the key of the request
    context: Context, caller: Caller, id_: str, route: str, body: Mapping[str, Any], *, key: str
) -> Created:
    """Put a review on another date (`due_on`, `reason`), cancel it (`reason`) or say that it is done (`note`).

    Once one is done, the next is due a year later.

    Raises:
        NotFoundError: there is no such review.
        ConflictError: task_closed.
        InvalidDocumentError: the date lies in the past, or too far away.
    """

    def work(tx: Tx) -> Created:
        now, today = context.clock(), _today(context, caller)
        store.lock(tx, caller.organisation)
        before = _known(tx, caller, id_)
        is_again = idempotency.claim(tx, Request(route, (id_,), body, key).claim(caller), id_, now) is not None
        if not is_again:
            _refuse(before, body, today)
            moved = (
                {"due_on": body["due_on"], "updated_at": now} if route == RESCHEDULE else _closed(_BECAUSE[route], now)
            )
            after = before | moved
            tasks.change(tx, after)
            follow(tx, caller.organisation, now, before={id_: before}, after={id_: after})
            follow_criteria(tx, caller.organisation, caller.zone, now)
            said = f"{before['about']}: {body.get('reason') or body.get('note')}"
            action = f"{route.rpartition('/')[2]}_criteria_review"
            note(tx, caller, at=now, action=action, object_kind=CRITERIA_REVIEW, object_id=id_, detail=said)
        return Created(review_answer(_known(tx, caller, id_), today), id_, is_again)

    return context.database.write(work)


def review_answer(row: Row, today: date) -> dict[str, Any]:
    """Return a review as it is answered."""
    set_id, _, version = row["about"].rpartition("/")
    return {"id": row["id"], "set_id": set_id, "version": int(version), **times_of(row, today)}


def _follow_locked(tx: Tx, one: access.Organisation, now: datetime) -> None:
    store.lock(tx, one.id)
    follow_criteria(tx, one.id, ZoneInfo(one.time_zone), now)


def _newest(tx: Tx, organisation: str) -> dict[str, Adopted]:
    """Return the newest version of each set by its name, in force or to come; of a set that ends there is none."""
    sets = by_set(one for one in store.adopted(tx, organisation) if not one.is_withdrawn)
    last = (max(versions, key=lambda one: one.version) for versions in sets.values())
    return {one.name: one for one in last if one.retired_from is None}


def _is_wanted(one: Adopted, rows: list[dict[str, Any]]) -> bool:
    return all(row["closed_because"] in ("done", "replaced") for row in rows if row["about"] == one.name)


def _next(organisation: str, one: Adopted, rows: list[dict[str, Any]], zone: ZoneInfo, now: datetime) -> dict[str, Any]:
    """Return the first review of a version, or the one that follows the last."""
    count = sum(row["about"] == one.name for row in rows)
    today = now.astimezone(zone).date()
    return {
        "organisation_id": organisation,
        "id": str(uuid5(UUID(organisation), f"{CRITERIA_REVIEW}:{one.name}:{count}")),
        "athlete_id": None,
        "kind": CRITERIA_REVIEW,
        "about": one.name,
        "episode_id": None,
        "decision_id": None,
        "battery_id": None,
        "due_on": _a_year_after(max(one.in_force_from, today)),
        "window_days": WINDOW_DAYS,
        "state": OPEN,
        "closed_because": None,
        "updated_at": now,
    }


def _a_year_after(on: date) -> date:
    """Return the same day of the next year; of a leap day, the last of February."""
    try:
        return on.replace(year=on.year + 1)
    except ValueError:
        return on.replace(year=on.year + 1, day=28)


def _closed(because: str, now: datetime) -> dict[str, Any]:
    return {"state": CLOSED, "closed_because": because, "updated_at": now}


def _known(tx: Tx, caller: Caller, id_: str) -> dict[str, Any]:
    row = next((row for row in tasks.reviews(tx, caller.organisation) if row["id"] == id_), None)
    if row is None:
        raise NotFoundError(_WHAT, id_)
    return row


def _refuse(row: Row, body: Mapping[str, Any], today: date) -> None:
    if row["state"] != OPEN:
        because = str(row["closed_because"]).replace("_", " ")
        detail = f"this review is closed ({because}); look at the open ones"
        raise ConflictError(TASK_CLOSED, detail, link="/v1/criteria-reviews")
    if "due_on" in body and not today <= body["due_on"] <= today + LATEST:
        detail = f"a date from {today} to {today + LATEST} is wanted"
        raise invalid(_DUE_ON, "out_of_range", detail)


def _today(context: Context, caller: Caller) -> date:
    return context.clock().astimezone(caller.zone).date()
