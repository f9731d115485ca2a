"""A calendar as RFC 5545 writes it."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from service.domain.words import REMINDS_ONLY, task_title

if TYPE_CHECKING:
    from icalendar import Event

PRODUCT = "-//rts-service//What is due//EN"
REFRESH = timedelta(hours=1)


def rendered(calendar: Mapping[str, Any]) -> bytes:
    """Return a calendar of `use_cases.calendar` as text: no METHOD, since it is a feed and no invitation."""
    from icalendar import Calendar  # noqa: PLC0415 - slow to load, and only this needs it

    made = Calendar.new(prodid=PRODUCT, uid=calendar["id"], name=f"{calendar['name']}: what is due")
    made.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for one in calendar["events"]:
        made.add_component(_event(one))
    text: bytes = made.to_ical()
    return text


def _event(one: Mapping[str, Any]) -> "Event":
    """Return a task as an event of the whole day on which it is due: a date, the same in every time zone."""
    from icalendar import Event  # noqa: PLC0415 - as above

    due_on, at = date.fromisoformat(one["due_on"]), datetime.fromisoformat(one["at"])
    event = Event.new(
        uid=one["id"],
        sequence=one["sequence"],
        stamp=at,
        last_modified=at,
        start=due_on,
        end=due_on + timedelta(days=1),
        summary=_summary(one),
        description=_description(one),
        url=one["page"],
    )
    event.add("status", "CONFIRMED" if one["is_open"] else "CANCELLED")
    event.add("class", "PRIVATE")
    event.add("transp", "TRANSPARENT")
    return event


def _summary(one: Mapping[str, Any]) -> str:
    title = f"{task_title(one['kind']).capitalize()} due"
    return title if one["athlete_ref"] is None else f"{title}: ref {one['athlete_ref']}"


def _description(one: Mapping[str, Any]) -> str:
    has_window = one["last_day"] != one["due_on"]
    return "\n".join([f"In time until {one['last_day']}."] * has_window + [REMINDS_ONLY])
