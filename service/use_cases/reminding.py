"""Remind of tasks: planned with them, and handed over once they are due, to webhooks and in one mail a person.

A reminder is planned in the transaction that makes, moves or closes its task. Its id follows from the task, the date
and the step, so that none is handed over twice.
"""

import logging
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from schemas.webhooks import DIGEST, TASK_DUE
from service.domain.errors import DatabaseUnavailableError
from service.domain.reminding import ADMINISTRATORS, CLINICIANS, Due, counting, planned, to_of
from service.store import access, reminders
from service.store.database import Tx
from service.store.reminders import HANDED, TOO_LATE, New
from service.store.sending import organisation_of
from service.store.task_state import FOLLOW_UP, OPEN
from service.store.tasks import CRITERIA_REVIEW
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, Context
from service.use_cases.outbox import News, tell_all, tell_people

_LOG = logging.getLogger("rts.reminders")

MOST_AT_ONCE = 10_000
_ROLE_OF = {CLINICIANS: CLINICIAN, ADMINISTRATORS: ADMINISTRATOR}
_MOVES = ("due_on", "window_days", "state")

Row = Mapping[str, Any]
Rows = Mapping[Any, Row]
Owed = Mapping[str, Collection[str]]


def follow(tx: Tx, organisation: str, now: datetime, *, before: Rows, after: Rows) -> None:
    """Plan the reminders of tasks that are new, moved or closed; where none is, nothing is asked of the database.

    Args:
        tx: the transaction that writes the tasks.
        organisation: whose they are.
        now: an aware moment.
        before: the rows of the tasks as they were, by key.
        after: the rows as they are.
    """
    changed = {key: row for key, row in after.items() if _has_moved(before.get(key), row)}
    over = [row["id"] for key, row in before.items() if key not in after or key in changed]
    reminders.forget_planned(tx, organisation, over)
    _plan(tx, organisation, now, [row for row in changed.values() if row["state"] == OPEN], owed={})


def replan(tx: Tx, organisation: str, now: datetime, *, episode: str | None = None) -> None:
    """Plan what is to come anew for the open tasks of an organisation, or of one of its episodes.

    A step that was still planned and is past by the new plan or time zone is due at once.
    """
    rows = reminders.open_tasks(tx, organisation, episode=episode)
    owed = reminders.forget_planned(tx, organisation, [row["id"] for row in rows])
    _plan(tx, organisation, now, rows, owed=owed)


def plan_missing(context: Context) -> None:
    """Plan reminders of open tasks that have none at all: of a record that is older than reminders, or was restored."""
    for one in context.database.read(access.every_organisation):
        missing = partial(_plan_unplanned, organisation=one.id, now=context.clock())
        context.database.write(missing)


def hand_due(context: Context, *, has_mail: bool) -> int:
    """Hand over every reminder that is due, an organisation at a time, each in one transaction.

    A fault in one organisation is logged, and keeps no other waiting.

    Args:
        context: the parts of the service that runs.
        has_mail: whether mails can be sent.

    Returns:
        How many were handed over; of an organisation that another process cares for, none.
    """
    now = context.clock()
    found = context.database.read(lambda tx: reminders.waiting(tx, now))
    return sum(_handed(context, _Handing(id_, now, has_mail=has_mail)) for id_ in found)


def _handed(context: Context, handing: "_Handing") -> int:
    try:
        return context.database.write(handing)
    except DatabaseUnavailableError:
        raise
    except Exception:  # noqa: BLE001 - whatever it was, the next tick tries again
        _LOG.exception("what is due in organisation %s could not be handed over", handing.organisation)
        return 0


def _has_moved(before: Row | None, after: Row) -> bool:
    return before is None or any(before[name] != after[name] for name in _MOVES)


def _plan_unplanned(tx: Tx, organisation: str, now: datetime) -> None:
    _plan(tx, organisation, now, reminders.open_tasks(tx, organisation, is_unplanned=True), owed={})


def _plan(tx: Tx, organisation: str, now: datetime, rows: Sequence[Row], *, owed: Owed) -> None:
    if not rows:
        return
    zone = organisation_of(tx, organisation).zone  # as it is by now: whoever waited for its change knows another
    of_episode = _plans(tx, organisation, rows)
    new = [
        New(_id(row, one.step), row["id"], row["due_on"], one.step, one.at)
        for row in rows
        for one in planned(_due(row), of_episode[row["episode_id"]], zone, now, owed.get(row["id"], ()))
    ]
    reminders.plan(tx, organisation, new)


def _plans(tx: Tx, organisation: str, rows: Iterable[Row]) -> dict[str | None, Mapping[str, Any]]:
    """Return the plan of each episode: the organisation's, with the episode's own steps where it has some."""
    episodes = {row["episode_id"] for row in rows}
    asked = [organisation, *(one for one in episodes if one is not None)]
    kept = {of: one.document for of, one in reminders.plans(tx, organisation, asked).items()}
    return {one: counting(kept.get(organisation), kept.get(one)) for one in episodes}


def _due(row: Row) -> Due:
    last_day = row["due_on"] + timedelta(days=row["window_days"])
    return Due(row["due_on"], last_day, is_late_possible=row["kind"] != FOLLOW_UP)


def _is_useful(row: Row, today: date) -> bool:
    """Return whether the task of a reminder is still open, on that date, and can be done."""
    return row["task_state"] == OPEN and row["due_on"] == row["task_due_on"] and not _due(row).is_lapsed(today)


def _id(row: Row, step: str) -> str:
    return str(uuid5(UUID(row["id"]), f"{row['due_on'].isoformat()}:{step}"))


class _Handing:
    """The due reminders of one organisation on their way to the outbox."""

    def __init__(self, organisation: str, now: datetime, *, has_mail: bool) -> None:
        self.organisation = organisation
        self.now = now
        self.has_mail = has_mail

    def __call__(self, tx: Tx) -> int:
        zone = reminders.lock(tx, self.organisation)
        if zone is None:
            return 0
        rows = reminders.due(tx, self.organisation, self.now, MOST_AT_ONCE)
        today = self.now.astimezone(ZoneInfo(zone)).date()
        useful = [row for row in rows if _is_useful(row, today)]
        latest = {row["task_id"]: row for row in useful}  # in the order of their moments: the last one stays
        handed = {row["id"] for row in latest.values()}
        states = {row["id"]: HANDED if row["id"] in handed else TOO_LATE for row in rows}
        reminders.settle(tx, self.organisation, states, self.now)
        tell_all(tx, self.organisation, [self._news(row, today) for row in latest.values()], self.now)
        if self.has_mail and latest:
            self._tell_people(tx, list(latest.values()), today)
        return len(handed)

    def _news(self, row: Row, today: date) -> News:
        last_day = row["due_on"] + timedelta(days=row["window_days"])
        is_of_criteria = row["kind"] == CRITERIA_REVIEW
        data = {
            "task_id": row["task_id"],
            "kind": row["kind"],
            "athlete_id": row["athlete_id"],
            "episode_id": row["episode_id"],
            "decision_id": row["decision_id"],
            "due_on": row["due_on"].isoformat(),
            "last_day": last_day.isoformat(),
            "step": row["step"],
            "overdue": today > last_day,
            "href": f"/v1/{'criteria-reviews' if is_of_criteria else 'retests'}/{row['task_id']}",
        }
        return News(row["id"], TASK_DUE, row["at"].astimezone(UTC), data)

    def _tell_people(self, tx: Tx, rows: Sequence[Row], today: date) -> None:
        people = reminders.people_with_mail(tx, self.organisation)
        plans = _plans(tx, self.organisation, rows)
        of_person: dict[str, list[dict[str, str]]] = {}
        for row in rows:
            to = to_of(plans[row["episode_id"]]["steps"], row["step"])
            if row["kind"] == CRITERIA_REVIEW:
                found = _recipients([ADMINISTRATORS], people)  # clinicians neither see nor change it
            else:
                found = _recipients(to, people) or _recipients([CLINICIANS], people)
            for one in found:
                of_person.setdefault(one, []).append({"task_id": row["task_id"], "step": row["step"]})
        for one, about in of_person.items():
            data = {"on": today.isoformat(), "tasks": about}
            tell_people(tx, self.organisation, type_=DIGEST, data=data, actor_ids=[one], now=self.now)


def _recipients(to: Iterable[str], people: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the people of a step, each once: those of a group, and those who are named."""
    found = [person for one in to for person, roles in people.items() if person == one or _ROLE_OF.get(one) in roles]
    return list(dict.fromkeys(found))
