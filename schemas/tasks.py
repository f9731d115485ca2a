"""What is due: retests, questions of the morning after, outcomes of referrals, reviews of overrides, check-ins."""

from collections.abc import Iterator, Mapping
from typing import Any

from schemas import fields, query_fields
from schemas.document import DocumentSchema
from schemas.history import in_order
from schemas.reason import count
from schemas.rules import Broken, RuledSchema

KINDS = ("retest", "follow_up", "override_review", "referral_outcome", "check_in")
STATUSES = ("upcoming", "due", "overdue", "lapsed", "closed")
STATES = ("open", "closed")
CLOSED_BECAUSE = ("done", "replaced", "cancelled", "episode_closed", "void", "erased")


class TimesSchema(DocumentSchema):
    """When something is due, in time until the last day of its window, and what became of it."""

    due_on = fields.Day(required=True)
    window_days = count(required=True)
    last_day = fields.Day(required=True)
    overdue = fields.Flag(required=True)
    status = fields.Choice(STATUSES, required=True)
    state = fields.Choice(STATES, required=True)
    closed_because = fields.Choice(CLOSED_BECAUSE, required=True, allow_none=True)
    updated_at = fields.Moment(required=True)


class TaskSchema(TimesSchema):
    """A task; `reminded_at` is of the last reminder."""

    id = query_fields.Id(required=True)
    kind = fields.Choice(KINDS, required=True)
    about = fields.Text(required=True, allow_none=True)
    athlete_id = query_fields.Id(required=True)
    athlete_ref = fields.ref(required=True, allow_none=True)
    episode_id = query_fields.Id(required=True, allow_none=True)
    episode_ref = fields.ref(required=True, allow_none=True)
    decision_id = query_fields.Id(required=True, allow_none=True)
    battery_id = query_fields.Id(required=True, allow_none=True)
    reminded_at = fields.Moment(required=True, allow_none=True)


class TasksQuerySchema(query_fields.PageQuerySchema, RuledSchema):
    """Which tasks; open ones where neither state nor status is named."""

    kind = query_fields.Choice(KINDS)
    state = query_fields.Choice(STATES)
    status = query_fields.Choice(STATUSES)
    athlete = query_fields.Id()
    episode = query_fields.Id()
    due_from = query_fields.Day()
    due_to = query_fields.Day()
    overdue = query_fields.FlagText()

    def rules(self, loaded: Mapping[str, Any], _sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for days in their order."""
        return in_order(loaded, "due_from", "due_to")


class RescheduleSchema(DocumentSchema):
    """On which date instead, and why."""

    due_on = fields.Day(required=True)
    reason = fields.Text(required=True)


class CancelSchema(DocumentSchema):
    """Why a task is cancelled."""

    reason = fields.Text(required=True)


class DoneSchema(DocumentSchema):
    """How a check-in went."""

    note = fields.Text(required=True)
