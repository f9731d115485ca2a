"""The decision as it is answered. It documents and tests what is written; nothing is written through it.

What only a store has (ids, standing, digests of the record, times of deciding) is optional, so that an evaluation
fits too.
"""

from typing import Any

from schemas import fields
from schemas.document import DocumentSchema, list_of, nested
from schemas.reason import ReasonSchema, ShownSchema, count

OUTCOMES = ("pass", "hold")
HOLD_KINDS = ("finding_open", "not_today", "outside_scope", "not_met", "not_assessed", "awaiting_response")
HOLD_CODES = (
    "finding_open",
    "not_today",
    "deferred",
    "outside_scope",
    "age_unknown",
    "gave_way",
    "pain_beyond_limit",
    "unanswered",
    "sides_unconfirmed",
)
DATA_QUALITY = (
    "new_athlete",
    "new_episode",
    "implausible",
    "summarised_by_sender",
    "trial_numbers_differ",
    "not_shown_before",
    "adult_figures",
    "not_read",
    "corrected_away",
)
WITHDRAWAL_CODES = (
    "evidence_gone",
    "facts_changed",
    "finding_open",
    "reference_lost",
    "exception_ended",
    "set_back",
    "event_counted",
    "stopped",
    "late_evidence",
)
STANDINGS = ("void", "superseded", "withdrawn", "expired", "standing")


def sha256(**settings: Any) -> fields.Text:
    """Return a field for a SHA-256."""
    return fields.Text(pattern=r"sha256:[0-9a-f]{64}", wanted="sha256: and 64 hex digits are wanted", **settings)


class HoldSchema(DocumentSchema):
    """What holds the gate whatever its criteria say."""

    kind = fields.Choice(HOLD_KINDS, required=True)
    code = fields.Choice(HOLD_CODES, required=True)
    about = fields.Text(required=True)
    statement = fields.Text(required=True)
    action = fields.Text(required=True, allow_none=True)


class DataQualitySchema(DocumentSchema):
    """Something about the evidence that a reader should know."""

    code = fields.Choice(DATA_QUALITY, required=True)
    detail = fields.Text(required=True)


class NextStepsSchema(DocumentSchema):
    """What ends the hold without testing, what to train, what may go on, what has to wait.

    `stage` is the stage whose lines may_continue and not_yet are, null where no stage's lines fit.
    """

    now = list_of(fields.Text(), required=True)
    work_on = list_of(fields.Text(), required=True)
    stage = fields.name(required=True, allow_none=True)
    may_continue = list_of(fields.Text(), required=True)
    not_yet = list_of(fields.Text(), required=True)
    on_pass = list_of(fields.Text(), required=True)


class SoonerSchema(DocumentSchema):
    """What can be done before the retest: a criterion or a question in words, by which interval, from which date."""

    about = fields.ref(required=True)
    interval = fields.name(required=True)
    what = fields.Text(required=True)
    after_days = count(required=True)
    due_on = fields.Day(required=True)


class RetestSchema(DocumentSchema):
    """When to test again: one visit at which the gate can pass, the tests of it, and what can be done sooner."""

    id = fields.ref()
    after_days = count()
    due_on = fields.Day(required=True)
    window_days = count(required=True)
    because = fields.Text(required=True)
    tests = list_of(fields.name())
    sooner = list_of(nested(SoonerSchema))


class FollowUpSchema(DocumentSchema):
    """What to ask the morning after."""

    id = fields.ref()
    due_on = fields.Day(required=True)
    window_days = count(required=True)
    asks = list_of(fields.name(), required=True)


class CautionSchema(DocumentSchema):
    """The banner that travels with every decision."""

    code = fields.ref(required=True)
    text = fields.Text(required=True)
    points = list_of(fields.Text(), required=True)


class CriteriaVersionSchema(DocumentSchema):
    """The criteria set and version that was judged by."""

    id = fields.slug(required=True)
    version = count(required=True)
    digest = sha256(required=True)


class UsedSchema(DocumentSchema):
    """A battery that the decision rests on."""

    battery_id = fields.ref()
    performed_at = fields.Moment(required=True)


class WithdrawalSchema(DocumentSchema):
    """Why a decision was withdrawn, and what to do now; late_evidence: something of before it was recorded after it."""

    code = fields.Choice(WITHDRAWAL_CODES, required=True)
    detail = fields.Text(required=True)


class StandingSchema(DocumentSchema):
    """What has become of the decision since; a withdrawn one, shown by itself, says why."""

    state = fields.Choice(STANDINGS, required=True)
    until = fields.Day(required=True, allow_none=True)
    awaiting_sign_off = fields.Flag(required=True)
    because = nested(WithdrawalSchema)


class DecisionSchema(DocumentSchema):
    """A decision: pass or hold for one gate, with every reason.

    `battery_id` is null where stored evidence was judged. `withdrawn` stands in the answer to a post: the decisions
    that no longer stand because of it.
    """

    id = fields.ref()
    athlete_id = fields.ref()
    episode_id = fields.ref()
    battery_id = fields.ref(allow_none=True)
    created = list_of(fields.Choice(("athlete", "episode")))
    outcome = fields.Choice(OUTCOMES, required=True)
    hold_because = list_of(fields.Choice(HOLD_KINDS), required=True)
    target_stage = fields.name(required=True)
    supported_stage = fields.name(required=True, allow_none=True)
    standing = nested(StandingSchema)
    summary = fields.Text(required=True)
    holds = list_of(nested(HoldSchema), required=True)
    reasons = list_of(nested(ReasonSchema), required=True)
    shown = list_of(nested(ShownSchema), required=True)
    data_quality = list_of(nested(DataQualitySchema), required=True)
    next_steps = nested(NextStepsSchema, required=True)
    retest = nested(RetestSchema, required=True, allow_none=True)
    follow_up = nested(FollowUpSchema, required=True, allow_none=True)
    caution = nested(CautionSchema, required=True)
    criteria_set = nested(CriteriaVersionSchema, required=True)
    as_of = fields.Moment(required=True)
    through = count(required=True)
    used = list_of(nested(UsedSchema), required=True)
    engine = count(required=True)
    service_version = fields.Text(required=True)
    digest = sha256()
    previous_digest = sha256(allow_none=True)
    performed_at = fields.Moment(allow_none=True)
    decided_at = fields.Moment()
    withdrawn = list_of(fields.ref())
