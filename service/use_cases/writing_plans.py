"""A reminder plan as somebody writes it: the plan that counts, and the people who can be named in it."""

from typing import Any

from service.domain.errors import NotFoundError
from service.store import people, reminders
from service.store.database import Tx
from service.use_cases.context import Caller, Context
from service.use_cases.reads import Seen, watched
from service.use_cases.reminder_plans import EPISODE, plan_that_counts


def organisation_plan_to_write(context: Context, caller: Caller) -> dict[str, Any]:
    """Return the organisation's plan.

    Returns:
        `{plan, tag, people}`: `people` are the names of those who can be sent a mail, by id.
    """
    return context.database.read(lambda tx: _to_write(tx, caller))


def episode_plan_to_write(context: Context, caller: Caller, episode: str) -> dict[str, Any]:
    """Return the plan that counts for an episode, with `episode` beside it; that it was read is noted.

    Raises:
        NotFoundError: there is no such episode.
    """

    def read(tx: Tx) -> Seen:
        row = people.with_athletes_ref(tx, caller.organisation, episode=episode)
        if row is None:
            raise NotFoundError(EPISODE, episode)
        of = {"id": row.id, "ref": row.ref, "athlete_id": row.athlete_id, "athlete_ref": row.athlete_ref}
        return Seen(_to_write(tx, caller, episode) | {"episode": of}, row.id, row.athlete_id)

    return watched(context, caller, read, action="read_episode", kind=EPISODE)


def _to_write(tx: Tx, caller: Caller, episode: str | None = None) -> dict[str, Any]:
    shown = plan_that_counts(tx, caller, episode)
    return {"plan": shown.answer, "tag": shown.tag, "people": reminders.reachable(tx, caller.organisation)}
