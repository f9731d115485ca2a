"""The due page: what is due, found by kind and status; rescheduled, cancelled or done for several at once."""

from collections.abc import Mapping
from datetime import date, timedelta
from functools import partial
from typing import Any

from flask import Response, request

from service.api.access import caller, context
from service.console.blueprint import blp, go_to, page
from service.console.filtering import FAULTY, asked_in_vain, asked_of
from service.console.several import CANCEL, DONE, RESCHEDULE, Act, Outcome, carried_out, shown, status_of
from service.console.words import day
from service.domain.errors import ServiceError
from service.use_cases.brief_decisions import today_of
from service.use_cases.due import read_due
from service.use_cases.retests import cancel_task, finish_task, reschedule_task, show_task

MOST = 500
KIND, STATUS, ANY = "kind", "status", "any"
KINDS = {
    "retest": "Retest",
    "follow_up": "Follow-up",
    "override_review": "Override review",
    "referral_outcome": "Referral outcome",
    "check_in": "Check-in",
}
STATUSES = {"upcoming": "Upcoming", "due": "Due now", "overdue": "Overdue"}

_ACTS: Mapping[str, Act] = {
    RESCHEDULE: lambda id_, body, key: reschedule_task(context(), caller(), id_, body, key),
    CANCEL: lambda id_, body, key: cancel_task(context(), caller(), id_, body, key),
    DONE: lambda id_, body, key: finish_task(context(), caller(), id_, body, key),
}
_WEEK = timedelta(days=7)


@blp.get("/due")
def due() -> Response:
    """Show what is due: what is overdue first."""
    return _shown()


@blp.post("/due")
def change_tasks() -> Response:
    """Reschedule, cancel or finish every task that is ticked; one that can't be is told, and stays ticked."""
    return carried_out(_ACTS, _name_of, show=_shown, back=partial(go_to, "due", **_here()))


def _name_of(id_: str) -> str:
    one = show_task(context(), caller(), id_)
    return f"{one['athlete_ref'] or 'erased athlete'}, {KINDS[one['kind']].lower()} of {day(one['due_on'])}"


def _here() -> dict[str, str]:
    """Return the filters that the address has."""
    return {name: request.args[name] for name in (KIND, STATUS) if name in request.args}


def _shown(error: ServiceError | None = None, outcome: Outcome | None = None) -> Response:
    choices = {KIND: {ANY: "Any", **KINDS}, STATUS: {ANY: "Any", **STATUSES}}
    asked, in_vain = asked_of(choices), asked_in_vain(choices, ("done", "count"))
    wanted = {name: value for name, value in asked.items() if value != ANY}
    found = read_due(context(), caller(), limit=MOST, **wanted)
    return page(
        "console/due.html",
        status_of(error, outcome) or (FAULTY if in_vain else 200),
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
        **shown(error, outcome),
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
