"""An athlete and an episode as they are shown.

It documents and tests what is written; nothing is written through it.
"""

from schemas import fields, query_fields
from schemas.appending import ENTRY_KINDS
from schemas.athlete import INVOLVED_SIDES, OTHER_SIDES, SEXES, SIDES
from schemas.decision import sha256
from schemas.document import DocumentSchema, list_of, nested
from schemas.entries import RESOLUTIONS
from schemas.history import BriefDecisionSchema, cautions
from schemas.reason import count
from schemas.sent_battery import SentBodyMassSchema, SentLegLengthSchema
from schemas.signing import DETERMINATIONS, PARTICIPATION
from schemas.tasks import TaskSchema

LAPSE = "lapse"


class AthleteQuerySchema(DocumentSchema):
    """Which athlete."""

    ref = query_fields.ref(required=True)


class WhoSchema(DocumentSchema):
    """Who recorded something, as they signed it."""

    id = query_fields.Id(required=True)
    display_name = fields.Text(required=True)
    profession = fields.Text(required=True, allow_none=True)


class ShownPositionSchema(DocumentSchema):
    """Where a named professional has put the athlete; an end date lapses by itself.

    The determination is that of the decision which was signed off; a position without a decision has none.
    """

    stage = fields.name(required=True, allow_none=True)
    participation = fields.Choice(PARTICIPATION, required=True, allow_none=True)
    until = fields.Day(required=True, allow_none=True)
    lapsed = fields.Flag(required=True)
    determination = fields.Choice(DETERMINATIONS, required=True, allow_none=True)
    set_at = fields.Moment(required=True, allow_none=True)
    set_by = nested(WhoSchema, required=True, allow_none=True)
    conditions = fields.Text(required=True, allow_none=True)


class ShownResolutionSchema(DocumentSchema):
    """What closed a finding, and who says so; the rationale is not there once it is erased."""

    as_ = fields.Choice(RESOLUTIONS, required=True, data_key="as", attribute="as")
    on = fields.Day(required=True)
    by = nested(WhoSchema, required=True)
    rationale = fields.Text(required=True, allow_none=True)
    entry_id = query_fields.Id(required=True)


class ShownFindingSchema(DocumentSchema):
    """A finding: open as long as nothing has resolved it."""

    finding = fields.name(required=True)
    raised_on = fields.Day(required=True)
    raised_by = query_fields.Id(required=True)
    resolved = nested(ShownResolutionSchema, required=True, allow_none=True)


class EpisodeFactsSchema(DocumentSchema):
    """An episode: its facts in force, the position, and beside it what the decisions on record support.

    `step_back_proposed` says that they support less than the position.
    """

    id = query_fields.Id(required=True)
    ref = fields.ref(required=True, allow_none=True)
    condition = fields.name(required=True, allow_none=True)
    involved_side = fields.Choice(INVOLVED_SIDES, required=True, allow_none=True)
    onset_on = fields.DayOrMonth(required=True, allow_none=True)
    other_side = fields.Choice(OTHER_SIDES, required=True, allow_none=True)
    recurrence_of = query_fields.Id(required=True, allow_none=True)
    closed_on = fields.Day(required=True, allow_none=True)
    position = nested(ShownPositionSchema, required=True, allow_none=True)
    supported_stage = fields.name(required=True, allow_none=True)
    step_back_proposed = fields.Flag(required=True)
    open_tasks = list_of(nested(TaskSchema), required=True)
    latest_decision = nested(BriefDecisionSchema, required=True, allow_none=True)


class EpisodeOfAthleteSchema(EpisodeFactsSchema):
    """An episode as it stands with its athlete."""

    open_findings = list_of(nested(ShownFindingSchema), required=True)


class ShownExceptionSchema(DocumentSchema):
    """A waiver of one criterion at one stage; the reason is not there once it is erased."""

    id = query_fields.Id(required=True)
    stage = fields.name(required=True)
    criterion = fields.slug(required=True)
    until = fields.Day(required=True)
    in_force = fields.Flag(required=True)
    reason = fields.Text(required=True, allow_none=True)
    by = nested(WhoSchema, required=True)
    recorded_at = fields.Moment(required=True)


class TimelineEntrySchema(DocumentSchema):
    """One entry in one plain sentence; `counts` is false where it is void or superseded.

    A `lapse` is no entry: it is computed, of the day on which a position ended by its date, and null is what it lacks.
    """

    id = query_fields.Id(required=True, allow_none=True)
    sequence = count(required=True, allow_none=True)
    kind = fields.Choice((*ENTRY_KINDS, LAPSE), required=True)
    occurred_at = fields.Moment(required=True)
    occurred_on = fields.Day(required=True)
    recorded_at = fields.Moment(required=True, allow_none=True)
    by = nested(WhoSchema, required=True, allow_none=True)
    counts = fields.Flag(required=True)
    sentence = fields.Text(required=True)


class ShownEpisodeSchema(EpisodeFactsSchema):
    """An episode with all that happened in it, oldest first, and the cautions of the decisions shown."""

    athlete_id = query_fields.Id(required=True)
    findings = list_of(nested(ShownFindingSchema), required=True)
    exceptions = list_of(nested(ShownExceptionSchema), required=True)
    timeline = list_of(nested(TimelineEntrySchema), required=True)
    cautions = cautions(required=True)


class ShownAthleteSchema(DocumentSchema):
    """An athlete with every episode, the latest onset first, and the cautions of the decisions shown."""

    id = query_fields.Id(required=True)
    ref = fields.ref(required=True, allow_none=True)
    birth_year = count(required=True, allow_none=True)
    birth_month = count(required=True, allow_none=True)
    sex = fields.Choice(SEXES, required=True, allow_none=True)
    dominant_leg = fields.Choice(SIDES, required=True, allow_none=True)
    leg_length = nested(SentLegLengthSchema, required=True, allow_none=True)
    body_mass = nested(SentBodyMassSchema, required=True, allow_none=True)
    entries = count(required=True)
    head_digest = sha256(required=True, allow_none=True)
    erased_at = fields.Moment(required=True, allow_none=True)
    episodes = list_of(nested(EpisodeOfAthleteSchema), required=True)
    cautions = cautions(required=True)
