"""Why a criterion is met, not met or not assessed: figures, what was read, and the codes."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import fields as marshmallow_fields

from schemas import fields
from schemas.athlete import INVOLVED_SIDES
from schemas.criterion import COMPARATORS, GROUPS, METRICS, SUBJECTS, NamedTests
from schemas.document import DocumentSchema, list_of, nested
from schemas.measurements import EVERY_BECAUSE, MOST_RATING, RESULTS
from schemas.rules import Broken, RuledSchema, one_of
from schemas.support import EVIDENCE

STATUSES = ("met", "not_met", "not_assessed")
REASON_CODES = (
    "before_setback",
    "too_old",
    "gave_way",
    "pain_beyond_limit",
    "unable",
    "missing_test",
    "too_few_trials",
    "reference_unreliable",
    "setup_differs",
    "missing_reference",
    "awaiting_response",
    "below_baseline",
    "below",
    "above",
    "is_not",
    "unanswered",
    "masked",
    "undecided",
    "too_few_met",
    "met",
)
ROUTES = ("without_reference", "without_equipment")
SUBJECT_KEYS = (*SUBJECTS, *GROUPS)
ROLES = ("involved", "other", "baseline", "person", "leg_length", "session", "event", "answer")

MOST_WHOLE = 2**53 - 1

_FIGURE = re.compile(r"-?(0|[1-9]\d*)(\.\d*[1-9])?|[a-z][a-z0-9_]*", re.ASCII)


def count(**settings: Any) -> fields.Whole:
    """Return a field for a whole number that is not negative."""
    return fields.Whole(least=0, most=MOST_WHOLE, **settings)


def integer(**settings: Any) -> fields.Text:
    """Return a field for a whole number as text."""
    return fields.Text(pattern=r"-?(0|[1-9]\d*)", wanted="a whole number as text is wanted", **settings)


def rating(**settings: Any) -> fields.Whole:
    """Return a field for pain or instability, from 0 to 10."""
    return fields.Whole(least=0, most=MOST_RATING, **settings)


def rise(**settings: Any) -> fields.Whole:
    """Return a field for a change of a rating."""
    return fields.Whole(least=-MOST_RATING, most=MOST_RATING, **settings)


class Figure(marshmallow_fields.Field[str | bool]):
    """An exact decimal as text, or an answer: true, false or a word of the catalogue."""

    default_error_messages = {
        "required": "missing: this field is required",
        "null": "wrong_type: null is no figure here",
        "type": "wrong_type: a figure is text, an answer is text, true or false",
        "text": "bad_text: neither the one text of a number nor a word of the catalogue",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str | bool:
        if isinstance(value, bool):
            return value
        if not isinstance(value, str):
            raise self.make_error("type")
        if not _FIGURE.fullmatch(value):
            raise self.make_error("text")
        return value


class FigureSchema(DocumentSchema):
    """A figure: its exact text and unit; a quotient that does not end also has its two whole numbers.

    Of the comparator `is`, the value is the answer itself.
    """

    value = Figure(required=True)
    unit = fields.ref(allow_none=True)
    numerator = integer()
    denominator = integer()


class ThresholdSchema(DocumentSchema):
    """What is required."""

    comparator = fields.Choice(COMPARATORS, required=True)
    value = Figure(required=True)
    unit = fields.ref(allow_none=True)


class InputSchema(DocumentSchema):
    """One thing that was read for a reason: a side's trials, a session, an event or an answer."""

    role = fields.Choice(ROLES, required=True)
    side = fields.Choice(INVOLVED_SIDES, allow_none=True)
    test = fields.name()
    kind = fields.name()
    question = fields.name()
    result = fields.Choice(RESULTS)
    because = fields.Choice(EVERY_BECAUSE)
    value = Figure(allow_none=True)
    unit = fields.ref(allow_none=True)
    trials_used = count()
    trials_invalid = count()
    pain = rating()
    instability = rating()
    minutes = count()
    efforts = count()
    worst_pain = rating()
    next_morning_rise = rise()
    medication = fields.Text()
    answer = fields.Answer(allow_none=True)
    start = fields.Answer(allow_none=True)
    morning = fields.Answer(allow_none=True)
    battery_id = fields.ref()
    entries = list_of(fields.ref())
    performed_at = fields.Moment()
    on = fields.Day()


class SubjectSchema(RuledSchema):
    """A criterion, and what it is about under the key that it has in the set."""

    criterion = fields.slug(required=True)
    test = fields.name()
    tests = NamedTests()
    sessions = list_of(fields.name())
    events = list_of(fields.name())
    question = fields.name()
    all = list_of(fields.slug())
    any = list_of(fields.slug())
    metric = fields.Choice(METRICS, allow_none=True)

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for one subject."""
        return one_of(sent, SUBJECT_KEYS)


class ShownSchema(SubjectSchema):
    """What was computed or answered, and decides nothing."""

    measured = nested(FigureSchema, required=True, allow_none=True)
    inputs = list_of(nested(InputSchema))
    carried_from = fields.Day(allow_none=True)
    formula = fields.Text(allow_none=True)
    statement = fields.Text(required=True)
    sources = list_of(fields.Text())
    see = list_of(fields.Text())


class ReasonSchema(SubjectSchema):
    """Why one criterion is met, not met or not assessed."""

    part_of = fields.slug(required=True, allow_none=True)
    route = fields.Choice(ROUTES, required=True, allow_none=True)
    status = fields.Choice(STATUSES, required=True)
    code = fields.Choice(REASON_CODES, required=True)
    required = fields.Flag(required=True)
    measured = nested(FigureSchema, required=True, allow_none=True)
    threshold = nested(ThresholdSchema, required=True, allow_none=True)
    margin = nested(FigureSchema, required=True, allow_none=True)
    inputs = list_of(nested(InputSchema), required=True)
    carried_from = fields.Day(required=True, allow_none=True)
    excepted = fields.Flag(required=True)
    formula = fields.Text(required=True, allow_none=True)
    statement = fields.Text(required=True)
    evidence = fields.Choice(EVIDENCE, required=True, allow_none=True)
    grade = fields.Text(required=True, allow_none=True)
    sources = list_of(fields.Text(), required=True)
    see = list_of(fields.Text(), required=True)
    work_on = fields.Text(required=True, allow_none=True)
    working = list_of(fields.Text())
