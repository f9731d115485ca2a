"""A battery as it is shown: what was sent, with figures as text, and what became of it.

It documents and tests what is written; nothing is written through it.
"""

from schemas import fields, query_fields
from schemas.athlete import INVOLVED_SIDES, OTHER_SIDES, SEXES, SIDES
from schemas.battery import CONFIRMED, KINDS, SinceLastSchema
from schemas.decision import sha256
from schemas.document import DocumentSchema, list_of, nested
from schemas.history import BriefDecisionSchema, cautions
from schemas.measurements import EVERY_BECAUSE, INVALID_BECAUSE, RESULTS
from schemas.reason import Figure, count, rating

STATES = ("standing", "superseded", "void")
MOST_REVISION = 1_000_000


class BatteryQuerySchema(DocumentSchema):
    """Which battery: the latest revision of a ref, or the one asked for."""

    ref = query_fields.ref(required=True)
    revision = query_fields.WholeText(least=1, most=MOST_REVISION)


class SentTrialSchema(DocumentSchema):
    """One attempt."""

    value = Figure()
    valid = fields.Flag()
    invalid_because = fields.Choice(INVALID_BECAUSE)


class SentMeasurementSchema(DocumentSchema):
    """One test on one side, or of the person."""

    test = fields.name(required=True)
    side = fields.Choice(SIDES)
    result = fields.Choice(RESULTS, required=True)
    because = fields.Choice(EVERY_BECAUSE)
    unit = fields.ref()
    trials = list_of(nested(SentTrialSchema))
    value = Figure()
    trials_summarised = count()
    pain = rating()
    instability = rating()
    setup = fields.Answers()


class SentQuantitySchema(DocumentSchema):
    """A number and its unit."""

    value = Figure(required=True)
    unit = fields.ref(required=True)


class SentLegLengthSchema(DocumentSchema):
    """The length of one leg or of both, and when it was measured."""

    left = nested(SentQuantitySchema)
    right = nested(SentQuantitySchema)
    measured_on = fields.Day(required=True)


class SentBodyMassSchema(SentQuantitySchema):
    """The body mass, and when it was measured."""

    measured_on = fields.Day(required=True)


class SentAthleteSchema(DocumentSchema):
    """What was told of the person; the ref is not there once it is erased."""

    ref = fields.ref()
    birth_year = count()
    birth_month = count()
    sex = fields.Choice(SEXES)
    dominant_leg = fields.Choice(SIDES)
    leg_length = nested(SentLegLengthSchema)
    body_mass = nested(SentBodyMassSchema)


class SentEpisodeSchema(DocumentSchema):
    """The episode with the facts that were in force; the ref is not there once it is erased."""

    ref = fields.ref()
    condition = fields.name(required=True)
    involved_side = fields.Choice(INVOLVED_SIDES, required=True)
    onset_on = fields.DayOrMonth(required=True)
    other_side = fields.Choice(OTHER_SIDES, required=True)
    recurrence_of = query_fields.Id()


class NamedBatterySchema(DocumentSchema):
    """A battery by our id."""

    id = query_fields.Id(required=True)


class SentBatterySchema(DocumentSchema):
    """A battery in the shape in which it is posted; figures are text, and batteries that it names are told by id."""

    kind = fields.Choice(KINDS, required=True)
    ref = fields.ref()
    occasion = fields.ref()
    athlete = nested(SentAthleteSchema, required=True)
    episode = nested(SentEpisodeSchema)
    target_stage = fields.name()
    performed_at = fields.Moment(required=True)
    tester = fields.ref()
    session_check = fields.Answers()
    referral = fields.Answers(fields.Flag())
    since_last = nested(SinceLastSchema)
    setup = fields.Answers()
    measurements = list_of(nested(SentMeasurementSchema), required=True)
    supersedes = nested(NamedBatterySchema)
    follows = nested(NamedBatterySchema)
    confirmed = list_of(fields.Choice(CONFIRMED))


class ShownBatterySchema(DocumentSchema):
    """A battery on record: what was sent, what became of it, and the decisions made of it."""

    id = query_fields.Id(required=True)
    athlete_id = query_fields.Id(required=True)
    episode_id = query_fields.Id(required=True, allow_none=True)
    state = fields.Choice(STATES, required=True)
    superseded_by = query_fields.Id(required=True, allow_none=True)
    revision = count(required=True)
    created = list_of(fields.Choice(("athlete", "episode")), required=True)
    posted_by = query_fields.Id(required=True)
    recorded_at = fields.Moment(required=True)
    performed_on = fields.Day(required=True)
    digest = sha256(required=True)
    battery = nested(SentBatterySchema, required=True)
    decisions = list_of(nested(BriefDecisionSchema), required=True)
    cautions = cautions(required=True)
