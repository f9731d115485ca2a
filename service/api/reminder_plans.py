"""Reminder plans: `/v1/organisation/reminder-plan`, and `/v1/episodes/{id}/reminder-plan` where one differs."""

from collections.abc import Mapping
from typing import Any

from schemas.reminding import EpisodePlanSchema, PlanAnswerSchema, PlanSchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint, etag
from service.api.reading import require_if_match
from service.domain.reminding import DEFAULT
from service.use_cases.reminder_plans import (
    Shown,
    change_episode_plan,
    change_organisation_plan,
    drop_episode_plan,
    show_episode_plan,
    show_organisation_plan,
)

DESCRIPTION = (
    "When to remind of what is due, and whom: some days before, on the day, and once it is overdue. An organisation "
    "has one plan; an episode may have steps of its own."
)
OWN_STEPS = {"steps": [{"when": "on_day", "to": ["clinicians"]}, {"when": "overdue", "days": 3, "to": ["clinicians"]}]}
OF_EPISODE = {"at": DEFAULT["at"], **OWN_STEPS, "kept_by": "episode"}

blp = Blueprint("reminder_plans", __name__, url_prefix="/v1", description=DESCRIPTION)


@blp.get("/organisation/reminder-plan")
@blp.answers(PlanAnswerSchema, has_etag=True, example={**DEFAULT, "kept_by": "default"})
def of_organisation() -> Answer:
    """Show the organisation's plan; `kept_by` is `default` where it has written none."""
    return _answered(show_organisation_plan(context(), caller()))


@blp.put("/organisation/reminder-plan")
@blp.needs_if_match
@blp.answers(PlanAnswerSchema, has_etag=True, example={**DEFAULT, "kept_by": "organisation"})
@blp.arguments(PlanSchema, example=dict(DEFAULT))
def change_of_organisation(body: Mapping[str, Any]) -> Answer:
    """Write the organisation's plan; what is planned follows it at once.

    `at` is an hour of the organisation's clock. `to` names `clinicians`, `administrators` or people by their ids; they
    are sent one mail a day. Where nobody whom a step names can be sent one any more, the clinicians are. Webhooks are
    told of every step, whomever it names.
    """
    seen = require_if_match(show_organisation_plan(context(), caller()).tag)
    return _answered(change_organisation_plan(context(), caller(), body, etag=seen))


@blp.get("/episodes/<id:episode_id>/reminder-plan")
@blp.answers(PlanAnswerSchema, has_etag=True, example=OF_EPISODE)
def of_episode(episode_id: str) -> Answer:
    """Show the plan that counts for an episode; `kept_by` tells whether its steps are its own."""
    return _answered(show_episode_plan(context(), caller(), episode_id))


@blp.put("/episodes/<id:episode_id>/reminder-plan")
@blp.needs_if_match
@blp.answers(PlanAnswerSchema, has_etag=True, example=OF_EPISODE)
@blp.arguments(EpisodePlanSchema, example=OWN_STEPS)
def change_of_episode(body: Mapping[str, Any], episode_id: str) -> Answer:
    """Give an open episode steps of its own; the hour stays the organisation's."""
    seen = require_if_match(show_episode_plan(context(), caller(), episode_id).tag)
    return _answered(change_episode_plan(context(), caller(), episode_id, body, etag=seen))


@blp.delete("/episodes/<id:episode_id>/reminder-plan")
@blp.needs_if_match
@blp.answers(None, status=204)
def drop_of_episode(episode_id: str) -> Answer:
    """Let an open episode go back to the organisation's plan."""
    seen = require_if_match(show_episode_plan(context(), caller(), episode_id).tag)
    drop_episode_plan(context(), caller(), episode_id, etag=seen)
    return None


def _answered(shown: Shown) -> Answer:
    return shown.answer, etag(shown.tag)
