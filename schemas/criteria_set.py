"""A criteria set as people write it (criteria_sets/ID/VERSION.yaml); one criterion: `schemas.criterion`."""

from collections.abc import Iterator, Mapping
from typing import Any

from schemas.battery import SETBACK_KINDS
from schemas.catalogue import MOST_DAYS, MOST_POINTS
from schemas.criterion import CriterionSchema
from schemas.document import DocumentSchema, list_of, nested
from schemas.fields import Answer, Choice, Flag, Text, Whole, name, slug
from schemas.keyed import Keyed, TextOr
from schemas.quantities import Quantity
from schemas.rules import Broken, RuledSchema, all_of, none_of, one_of
from schemas.support import SupportedSchema

OLDEST = 120
WORST_PAIN = 10
ANSWERED = ("is", "above", "at_least")


def _days(**settings: Any) -> Whole:
    return Whole(least=0, most=MOST_DAYS, required=True, **settings)


class AgeSchema(DocumentSchema):
    """Whole years, from and to."""

    at_least = Whole(least=0, most=OLDEST)
    at_most = Whole(least=0, most=OLDEST)


class ScopeSchema(DocumentSchema):
    """Whom the set is for."""

    conditions = list_of(name(), required=True)
    age = nested(AgeSchema)
    adult_from = Whole(least=1, most=OLDEST)
    bilateral = Flag(required=True)


class BaselineSchema(SupportedSchema):
    """How long a baseline is good for."""

    valid_days = _days()


class FollowUpSchema(SupportedSchema):
    """When the morning after is asked, and until when."""

    after_days = _days()
    within_days = _days()


class SidesCheckSchema(SupportedSchema):
    """From where left and right look swapped."""

    index = Quantity(required=True)
    tests = Whole(least=1, most=MOST_POINTS, required=True)


class StandsSchema(SupportedSchema):
    """How long a pass stands."""

    pass_days = _days()


class BandsSchema(DocumentSchema):
    """Up to where a step up is allowed, and up to where one may stay."""

    step_up = Whole(least=0, most=WORST_PAIN, required=True)
    stay = Whole(least=0, most=WORST_PAIN, required=True)


class PainRuleSchema(SupportedSchema):
    """The set's pain rule."""

    during = nested(BandsSchema, required=True)
    next_morning_rise = nested(BandsSchema, required=True)


class SinceOnsetSchema(DocumentSchema):
    """Days since onset or the last re-injury."""

    at_most = _days()


class WhenSchema(RuledSchema):
    """Whom, or how long, a referral question is asked."""

    age = nested(AgeSchema)
    days_since_onset = nested(SinceOnsetSchema)

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse none and both."""
        return one_of(sent, ("age", "days_since_onset"))


class ReferralSchema(SupportedSchema):
    """A question of the referral screen."""

    id = name(required=True)
    ask = Text(required=True)
    action = Text(required=True)
    when = nested(WhenSchema)


class NotTodaySchema(SupportedSchema):
    """What makes loading tests wait for another day."""

    question = name()
    exactly = Answer(data_key="is", attribute="is")
    above = Whole(least=0, most=MOST_POINTS)
    at_least = Whole(least=0, most=MOST_POINTS)
    event = Choice(SETBACK_KINDS)
    within_days = Whole(least=0, most=MOST_DAYS)

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse a rule that is neither of a question and its answer nor of an event and its days."""
        yield from super().rules(loaded, sent)
        yield from one_of(sent, ("question", "event"))
        if "event" in sent:
            yield from all_of(sent, ("within_days",), "say how many days back the event counts")
            yield from none_of(sent, ANSWERED, "an event has no answer; take it out")
        elif "question" in sent:
            yield from one_of(sent, ANSWERED)
            yield from none_of(sent, ("within_days",), "the session check of the day is read; take it out")


class LineSchema(SupportedSchema):
    """A line for people that names what it rests on."""

    text = Text(required=True)


class StageSchema(DocumentSchema):
    """One stage: the criteria asked for entry to it, by name, and what goes on in it."""

    id = name(required=True)
    title = Text(required=True)
    asks = list_of(slug(), required=True)
    shows = list_of(slug())
    may_continue = list_of(TextOr(LineSchema), required=True)
    not_yet = list_of(TextOr(LineSchema), required=True)
    on_pass = list_of(TextOr(LineSchema))


class IntervalSchema(DocumentSchema):
    """After how many days to test again, and for how many days that is a good time."""

    after_days = _days()
    window_days = _days()


class BoundsSchema(DocumentSchema):
    """The earliest and the latest day of a retest."""

    earliest_days = _days()
    latest_days = _days()


class RetestSchema(SupportedSchema):
    """When to test again, by what was unmet."""

    not_today = nested(IntervalSchema, required=True)
    pain = nested(IntervalSchema, required=True)
    not_done = nested(IntervalSchema, required=True)
    mobility = nested(IntervalSchema, required=True)
    hops = nested(IntervalSchema, required=True)
    strength = nested(IntervalSchema, required=True)
    sessions = nested(IntervalSchema, required=True)
    referral_outcome = nested(IntervalSchema, required=True)
    after_override = nested(IntervalSchema, required=True)
    bounds = nested(BoundsSchema, required=True)


class CautionSchema(DocumentSchema):
    """The banner that travels with every decision."""

    code = name(required=True)
    text = Text(required=True)
    points = list_of(Text(), required=True)


class CriteriaSetSchema(DocumentSchema):
    """One version of a criteria set."""

    id = slug(required=True)
    version = Whole(least=1, most=MOST_POINTS, required=True)
    engine = Whole(least=1, most=1, required=True)
    title = Text(required=True)
    intended_user = Text(required=True)
    population = Text(required=True)
    limits = Text(required=True)
    scope = nested(ScopeSchema, required=True)
    acceptance = Choice(("simple",), required=True)
    baseline = nested(BaselineSchema, required=True)
    follow_up = nested(FollowUpSchema, required=True)
    sides_check = nested(SidesCheckSchema, required=True)
    stands = nested(StandsSchema, required=True)
    pain_rule = nested(PainRuleSchema, required=True)
    referral = list_of(nested(ReferralSchema), required=True)
    not_today = list_of(nested(NotTodaySchema), required=True)
    criteria = Keyed(slug(), nested(CriterionSchema), required=True)
    stages = list_of(nested(StageSchema), required=True)
    retest = nested(RetestSchema, required=True)
    caution = nested(CautionSchema, required=True)
