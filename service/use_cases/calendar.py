"""The calendar of what is due, as calendar programs subscribe to it."""

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, NamedTuple

from service.domain.canonical import canonical, digest
from service.domain.record import instant
from service.store import access, tasks
from service.store.database import Tx
from service.store.task_state import OPEN
from service.use_cases.audit import note
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Caller, Context

MOST = 2000
"""The most open tasks, and the most closed ones, of a feed."""

# Practice, not evidence: a program that only adds what is new learns within this time that something is closed.
CLOSED_FOR = timedelta(days=90)


class Feed(NamedTuple):
    """A calendar, None for who has it already, and the tag of the state that it is in."""

    calendar: dict[str, Any] | None
    tag: str


def read_calendar(context: Context, caller: Caller, *, has: Callable[[str], bool]) -> Feed:
    """Return what is due in the caller's organisation, and what was and is closed: refs and dates, nothing clinical.

    The sequence of an event is the number of entries of its athlete's record, and its moment that of the last of them:
    whatever changes a task is an entry, an entry that takes another back among them, so that neither ever goes back
    and a rebuild of the state finds both again. That it was read is noted, unless the caller has it already.

    Args:
        context: the parts of the service that runs.
        caller: whose calendar asks.
        has: tells whether the caller has the calendar of a tag.
    """
    today = today_of(context, caller)

    def read(tx: Tx) -> dict[str, Any]:
        organisation = access.organisation(tx, caller.organisation)
        assert organisation is not None, "its key was valid a moment ago"
        rows = tasks.in_calendar(tx, caller.organisation, today=today, since=today - CLOSED_FOR, most=MOST)
        events = [_event(row, context.public_url) for row in rows]
        return {"id": organisation.id, "name": organisation.name, "events": events}

    calendar = context.database.read(read)
    tag = digest(canonical([context.service_version, calendar])).removeprefix("sha256:")
    if has(tag):
        return Feed(None, tag)
    now, detail = context.clock(), f"{len(calendar['events'])} shown"
    context.database.write(
        lambda tx: note(tx, caller, at=now, action="read_calendar", object_kind="task", detail=detail)
    )
    return Feed(calendar, tag)


def _event(row: Mapping[str, Any], public_url: str) -> dict[str, Any]:
    last_day = row["due_on"] + timedelta(days=row["window_days"])
    return {
        "id": row["id"],
        "kind": row["kind"],
        "athlete_ref": row["athlete_ref"],
        "due_on": row["due_on"].isoformat(),
        "last_day": last_day.isoformat(),
        "is_open": row["state"] == OPEN,
        "sequence": row["entries"],
        "at": instant(row["recorded_at"] or row["updated_at"]),
        "page": f"{public_url}/console/athletes/{row['athlete_id']}" if public_url else None,
    }
