"""When to remind of a task: the steps of a plan, on the days and at the hour of the organisation.

Days before and after are practice, not evidence: no publication says when a reminder works.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

BEFORE, ON_DAY, OVERDUE = "before", "on_day", "overdue"
WHEN = (BEFORE, ON_DAY, OVERDUE)
CLINICIANS, ADMINISTRATORS = "clinicians", "administrators"
GROUPS = (CLINICIANS, ADMINISTRATORS)

DEFAULT: Mapping[str, Any] = {
    "at": "07:00",
    "steps": [
        {"when": BEFORE, "days": 2, "to": [CLINICIANS]},
        {"when": ON_DAY, "to": [CLINICIANS]},
        {"when": OVERDUE, "days": 1, "to": [CLINICIANS]},
        {"when": OVERDUE, "days": 7, "to": [CLINICIANS, ADMINISTRATORS]},
    ],
}
"""The plan of an organisation that has written none; practice."""


class Due(NamedTuple):
    """A task to be reminded of: its date, the last day of its window, and whether it can be done after that."""

    due_on: date
    last_day: date
    is_late_possible: bool = True

    def is_lapsed(self, today: date) -> bool:
        """Return whether it can't be done any more."""
        return not self.is_late_possible and today > self.last_day


class Reminder(NamedTuple):
    """A reminder: the name of its step, and the moment at which it is due, in UTC."""

    step: str
    at: datetime


def counting(own: Mapping[str, Any] | None, of_episode: Mapping[str, Any] | None) -> Mapping[str, Any]:
    """Return the plan that counts: what the organisation keeps, else the default; an episode may have its own steps."""
    return {**(own or DEFAULT), **(of_episode or {})}


def name_of(step: Mapping[str, Any]) -> str:
    """Return what a step is called: `before:2`, `on_day`, `overdue:7`."""
    return f"{step['when']}:{step['days']}" if "days" in step else str(step["when"])


def to_of(steps: Iterable[Mapping[str, Any]], name: str) -> list[str]:
    """Return to whom a step goes; a step that the plan no longer has goes to the clinicians."""
    return next((list(one["to"]) for one in steps if name_of(one) == name), [CLINICIANS])


def moment_of(on: date, at: time, zone: ZoneInfo) -> datetime:
    """Return the moment of an hour on a date, in UTC.

    An hour that the clock passes twice is its first; one that the clock jumps over is as much later as the clock jumps.
    """
    return datetime.combine(on, at, zone).astimezone(UTC)


def planned(
    due: Due, plan: Mapping[str, Any], zone: ZoneInfo, now: datetime, owed: Collection[str] = ()
) -> list[Reminder]:
    """Return the reminders of a task that was made, moved or planned anew now.

    Args:
        due: the task.
        plan: `at`, an hour such as 07:00, and `steps`.
        zone: the organisation's.
        now: an aware moment.
        owed: the steps that were planned before and that nobody was reminded by yet.

    Returns:
        The steps that are still to come or still owed, in their order. Who makes a task knows what has passed by then;
        where all has, the last step comes at the next hour of sending, so that nothing due is forgotten, unless the
        task can't be done any more by then.
    """
    at = time.fromisoformat(plan["at"])
    every = sorted((Reminder(name, moment_of(on, at, zone)) for name, on in _days(due, plan["steps"])), key=_order)
    coming = [one for one in every if one.at > now or one.step in owed]
    if coming or not every:
        return coming
    last = Reminder(every[-1].step, _next(at, zone, now))
    return [] if due.is_lapsed(last.at.astimezone(zone).date()) else [last]


def _days(due: Due, steps: Iterable[Mapping[str, Any]]) -> Iterator[tuple[str, date]]:
    for step in steps:
        days = timedelta(days=step.get("days", 0))
        if step["when"] == OVERDUE:
            if due.is_late_possible:
                yield name_of(step), due.last_day + days
        else:
            yield name_of(step), due.due_on - days


def _order(one: Reminder) -> tuple[datetime, str]:
    return one.at, one.step


def _next(at: time, zone: ZoneInfo, now: datetime) -> datetime:
    today = now.astimezone(zone).date()
    first = moment_of(today, at, zone)
    return first if first > now else moment_of(today + timedelta(days=1), at, zone)
