"""The bodies of messages to webhooks, one shape for each type: ids, states and where to read, nothing clinical."""

from collections.abc import Mapping
from typing import Any

from schemas import fields, query_fields
from schemas.document import DocumentSchema, nested
from schemas.history import MOST_VERSION
from schemas.tasks import KINDS
from schemas.webhooks import (
    CRITERIA_PUBLISHED,
    DECISION_MADE,
    DECISION_WITHDRAWN,
    FOLLOW_UP_ANSWERED,
    SIGN_OFF_RECORDED,
    TASK_DUE,
    WEBHOOK_TEST,
)

_STEP = r"on_day|(before|overdue):[1-9][0-9]*"


def _id(**settings: Any) -> query_fields.Id:
    return query_fields.Id(required=True, **settings)


def _href() -> fields.Text:
    return fields.Text(required=True, pattern=r"/v1/.+")


class OfEpisodeSchema(DocumentSchema):
    """What happened to an episode, and the address at which to read of it."""

    athlete_id = _id()
    episode_id = _id()
    href = _href()


class ToldWithdrawalSchema(OfEpisodeSchema):
    """A decision that does not stand any more."""

    decision_id = _id()


class ToldDecisionSchema(ToldWithdrawalSchema):
    """A decision that was made."""

    awaiting_sign_off = fields.Flag(required=True)


class ToldSignOffSchema(OfEpisodeSchema):
    """A sign-off; one that sets the position without a decision names none."""

    sign_off_id = _id()
    decision_id = query_fields.Id()
    awaiting_sign_off = fields.Flag()


class ToldFollowUpSchema(OfEpisodeSchema):
    """An answered follow-up."""

    battery_id = _id()


class ToldVersionSchema(DocumentSchema):
    """A version of criteria that was adopted or published."""

    set_id = fields.slug(required=True)
    version = fields.Whole(least=1, most=MOST_VERSION, required=True)
    href = _href()


class ToldTaskSchema(DocumentSchema):
    """A task that is due, and by which step of the reminder plan; a review of criteria is of no athlete."""

    task_id = _id()
    kind = fields.Choice((*KINDS, "criteria_review"), required=True)
    athlete_id = _id(allow_none=True)
    episode_id = _id(allow_none=True)
    decision_id = _id(allow_none=True)
    due_on = fields.Day(required=True)
    last_day = fields.Day(required=True)
    step = fields.Text(required=True, pattern=_STEP)
    overdue = fields.Flag(required=True)
    href = _href()


class ToldTestSchema(DocumentSchema):
    """A test, asked for by an administrator."""

    webhook_id = _id()
    href = _href()


DATA: Mapping[str, type[DocumentSchema]] = {
    DECISION_MADE: ToldDecisionSchema,
    DECISION_WITHDRAWN: ToldWithdrawalSchema,
    SIGN_OFF_RECORDED: ToldSignOffSchema,
    FOLLOW_UP_ANSWERED: ToldFollowUpSchema,
    CRITERIA_PUBLISHED: ToldVersionSchema,
    TASK_DUE: ToldTaskSchema,
    WEBHOOK_TEST: ToldTestSchema,
}
"""What `data` holds, by the type of the message."""


def _message(type_: str, data: type[DocumentSchema]) -> type[DocumentSchema]:
    told = {
        "__doc__": f"A message to a webhook. {data.__doc__}",
        "type": fields.Choice((type_,), required=True),
        "timestamp": fields.Moment(required=True),
        "data": nested(data, required=True),
    }
    return type(f"{data.__name__.removesuffix('Schema')}MessageSchema", (DocumentSchema,), told)


MESSAGES: Mapping[str, type[DocumentSchema]] = {type_: _message(type_, data) for type_, data in DATA.items()}
"""The shape of each message, by its type."""
