"""The decisions on record, one by one and as a history; what shows a decision shows its caution."""

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Any, NamedTuple

from service.domain.errors import ConflictError, NotFoundError
from service.domain.standing import WITHDRAWN
from service.store import entries, history, people
from service.store.database import Tx
from service.store.history import Place
from service.use_cases.brief_decisions import brief, briefs, cautions, today_of
from service.use_cases.context import Caller, Context
from service.use_cases.decision_view import decision_view
from service.use_cases.in_force import by_digest, refuse_unknown_names
from service.use_cases.reads import Seen, sees_all, watched
from service.use_cases.showing_batteries import battery_view
from service.use_cases.withdrawing import why_withdrawn

DECISION, ERASED = "decision", "erased"
_SAME = (
    "athlete",
    "episode",
    "outcome",
    "hold_because",
    "stage",
    "condition",
    "criteria_set",
    "version",
    "criterion",
    "status",
    "state",
    "signed",
)


class Page(NamedTuple):
    """A page of decisions, the cautions that go with them, and where the next page begins: None on the last one."""

    items: list[dict[str, Any]]
    cautions: dict[str, Any]
    after: Place | None


def list_decisions(
    context: Context, caller: Caller, asked: Mapping[str, Any], *, after: Place | None = None, limit: int
) -> Page:
    """Return a page of the decision history, newest first.

    Args:
        context: the parts of the service that runs.
        caller: who asks; a submitter sees decisions of own posts only.
        asked: `athlete`, `athlete_ref`, `episode`, `outcome`, `hold_because`, `stage`, `condition`, `criteria_set`,
            `version`, `criterion`, `status`, `state`, `signed`, and the days `from_` and `to`, each only where it is
            to filter.
        after: where the page begins.
        limit: the most decisions.

    Raises:
        InvalidDocumentError: invalid_body: no version adopted has the stage, the criterion or the set.
    """
    today = today_of(context, caller)
    places: list[Place | None] = []

    def read(tx: Tx) -> Seen:
        refuse_unknown_names(tx, caller.organisation, asked)
        wanted = _wanted(tx, caller, asked, today)
        rows = [] if wanted is None else history.listed(tx, caller.organisation, wanted, after=after, limit=limit + 1)
        shown = rows[:limit]
        places[:] = [(shown[-1]["decided_at"], shown[-1]["id"]) if len(rows) > limit else None]
        answer = {"items": [brief(row, today) for row in shown], "cautions": cautions(tx, caller, shown)}
        detail = f"{len(shown)} shown" + "".join(f", {key}" for key in asked if key in (*_SAME, "from_", "to"))
        return Seen(answer, athlete=None if wanted is None else wanted.athlete, detail=detail)

    found = watched(context, caller, read, action="list_decisions", kind=DECISION)
    return Page(found["items"], found["cautions"], places[0])


def _wanted(tx: Tx, caller: Caller, asked: Mapping[str, Any], today: date) -> history.Wanted | None:
    """Return what the store is asked for; None where nothing can fit, as no athlete has the ref."""
    told = {key: asked[key] for key in _SAME if key in asked}
    if "athlete_ref" in asked:
        athlete = people.athlete_of_ref(tx, caller.organisation, asked["athlete_ref"])
        if athlete is None or told.setdefault("athlete", athlete) != athlete:
            return None
    return history.Wanted(
        today=today,
        posted_by=None if sees_all(caller) else caller.actor,
        since=_start(caller, asked["from_"]) if "from_" in asked else None,
        until=_start(caller, asked["to"] + timedelta(days=1)) if "to" in asked else None,
        **told,
    )


def _start(caller: Caller, day: date) -> datetime:
    return datetime.combine(day, time(), caller.zone)


def show_decision(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return a decision as it was made, and what has become of it since.

    Raises:
        NotFoundError: there is none, or a submitter asks for one that was made of another's post.
        ConflictError: erased.
    """
    today = today_of(context, caller)

    def read(tx: Tx) -> Seen:
        row = known_row(tx, caller, id_)
        return Seen(show(tx, caller, row, today), id_, row["athlete_id"])

    return watched(context, caller, read, action="read_decision", kind=DECISION)


def show_battery_of(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return the battery that a decision was made of: the one posted for it, else the first of the judged occasion.

    Raises:
        NotFoundError: there is no such decision, or no battery that the caller may see.
        ConflictError: erased.
    """
    today = today_of(context, caller)

    def read(tx: Tx) -> Seen:
        row = known_row(tx, caller, id_)
        link = entries.find(tx, caller.organisation, id_)
        assert link is not None, "a decision's row names its entry"
        battery = row["battery_id"] or link.content["occasion"]
        answer = battery_view(tx, caller, battery) if battery is not None else None
        if answer is None:
            what = "battery of the decision"
            raise NotFoundError(what, id_)
        made = briefs(tx, caller, history.of_battery(tx, caller.organisation, battery), today)
        return Seen(answer | made, battery, row["athlete_id"])

    return watched(context, caller, read, action="read_battery", kind="battery")


def known_row(tx: Tx, caller: Caller, id_: str) -> Mapping[str, Any]:
    """Return the row of a decision that the caller may see.

    Raises:
        NotFoundError: there is none for this caller.
        ConflictError: erased.
    """
    row = history.decision(tx, caller.organisation, id_)
    if row is not None and (sees_all(caller) or row["posted_by"] == caller.actor):
        return row
    where = history.origin(tx, caller.organisation, id_) if row is None else None
    if where is not None and (sees_all(caller) or where.actor == caller.actor):
        message = "this decision was erased with its athlete's record; its verification shows what is left of it"
        raise ConflictError(ERASED, message, link=f"/v1/decisions/{id_}/verification")
    raise NotFoundError(DECISION, id_)


def show(tx: Tx, caller: Caller, row: Mapping[str, Any], today: date) -> dict[str, Any]:
    """Return a decision on record from its row."""
    link = entries.find(tx, caller.organisation, row["id"])
    assert link is not None, "a decision's row names its entry"
    criteria = by_digest(tx, caller.organisation, link.content["verdict"]["criteria"])
    tasks = history.tasks_of(tx, caller.organisation, link.id, link.content["occasion"])
    why = None
    if row["state"] == WITHDRAWN:
        chain = entries.read(tx, caller.organisation, link.athlete)
        why = why_withdrawn(tx, caller, chain, link, today)
    return decision_view(link, criteria, row, tasks=tasks, today=today, withdrawn_because=why)
