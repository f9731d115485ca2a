"""Criteria governance: versions adopted, drafts, what is in force, and what can be sent for a gate."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import fields as marshmallow_fields

from schemas import fields, query_fields
from schemas.athlete import INVOLVED_SIDES
from schemas.catalogue import MOST_POINTS
from schemas.decision import CautionSchema
from schemas.document import DocumentSchema, list_of, nested
from schemas.problem import MOST_LINES
from schemas.rules import Broken, RuledSchema, all_of, none_of, one_of
from schemas.strict_json import MOST_BYTES

STATES = ("in_force", "coming", "replaced", "retired", "withdrawn", "not_adopted")
NEEDS = ("asked", "choice", "otherwise", "shown")
MOST_COUNTED = 100_000
DIGEST = r"sha256:[0-9a-f]{64}"

_UNREADABLE = re.compile("[\0\ud800-\udfff]")


class Written(fields.Text):
    """A text as it was written, every blank and every line's end of it."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(most=MOST_BYTES, **settings)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str:
        if not isinstance(value, str):
            raise self.make_error("type")
        if not 1 <= len(value) <= self.most:
            raise self.make_error("length", most=self.most)
        if _UNREADABLE.search(value):
            raise self.make_error("pattern", wanted="text holds neither U+0000 nor half of a character")
        return value


def version(**settings: Any) -> fields.Whole:
    """Return a field for the number of a version."""
    return fields.Whole(least=1, most=MOST_POINTS, **settings)


class VersionNameSchema(DocumentSchema):
    """A version of a set by its name."""

    id = fields.slug(required=True)
    version = version(required=True)


class PublishSchema(DocumentSchema):
    """From which day a version judges, and in whose place: the set that it `replaces` is retired from that day."""

    in_force_from = fields.Day(required=True)
    replaces = fields.slug()


class AdoptSchema(VersionNameSchema, PublishSchema):
    """A version that ships with the service, from which day it judges, and in whose place."""


class TextSchema(DocumentSchema):
    """A set as people write it, in YAML, and its examples."""

    source = Written(required=True)
    examples = Written(required=True)


class NewDraftSchema(RuledSchema):
    """What a draft starts from: a version, or a text."""

    origin = nested(VersionNameSchema, data_key="from", attribute="from")
    id = fields.slug()
    version = version()
    source = Written()
    examples = Written()

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse none and both; a text brings its examples."""
        yield from one_of(sent, ("from", "source"))
        if "source" in sent:
            yield from all_of(sent, ("examples",), "a set has examples; send them with its source")
        else:
            yield from none_of(sent, ("examples",), "the examples of that version are copied; take these out")


class RetireSchema(DocumentSchema):
    """From which day a version judges no more, and why; the day may lie in the past."""

    retired_from = fields.Day(required=True)
    reason = fields.Text(required=True)


class TemplateQuerySchema(RuledSchema):
    """Which gate of which version, and which side is injured or of which episode."""

    version = query_fields.WholeText(least=1, most=MOST_POINTS)
    stage = query_fields.name()
    involved_side = query_fields.Choice(INVOLVED_SIDES)
    episode = query_fields.Id()

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Take the side from the episode."""
        if "episode" in sent:
            yield from none_of(sent, ("involved_side",), "the episode says which side is injured; take this out")


def _day_or_null() -> fields.Day:
    return fields.Day(required=True, allow_none=True)


def _text_or_null() -> fields.Text:
    return fields.Text(required=True, allow_none=True)


class BriefVersionSchema(DocumentSchema):
    """A version and what it is on this day."""

    id = fields.slug(required=True)
    version = version(required=True)
    digest = fields.Text(required=True, pattern=DIGEST)
    state = fields.Choice(STATES, required=True)
    in_force_from = _day_or_null()
    retired_from = _day_or_null()
    retired_because = _text_or_null()


class StageNameSchema(DocumentSchema):
    """A stage."""

    id = fields.name(required=True)
    title = fields.Text(required=True)


class AboutSetSchema(DocumentSchema):
    """What is shown wherever a set is shown: for whom it is, its limits, its caution."""

    title = fields.Text(required=True)
    intended_user = fields.Text(required=True)
    population = fields.Text(required=True)
    limits = fields.Text(required=True)
    conditions = list_of(fields.name(), required=True)
    stages = list_of(nested(StageNameSchema), required=True)
    caution = nested(CautionSchema, required=True)


class VersionSchema(AboutSetSchema, BriefVersionSchema):
    """A version of a criteria set.

    `fits_as_well` lists other sets in force for the same condition: while there is one, a battery must name its set.
    """

    published_at = fields.Moment(required=True, allow_none=True)
    published_by = _text_or_null()
    retired_by = _text_or_null()
    has_source = fields.Flag(required=True)
    fits_as_well = list_of(fields.slug(), required=True)


class WholeVersionSchema(VersionSchema):
    """A version of a criteria set with its whole resolved document, whose SHA-256 is the digest."""

    document = marshmallow_fields.Dict(required=True)


class CriteriaSetAnswerSchema(AboutSetSchema):
    """A criteria set: its text is that of the version in force, else of the greatest."""

    on = fields.Day()
    id = fields.slug(required=True)
    version_in_force = version(required=True, allow_none=True)
    versions = list_of(nested(BriefVersionSchema), required=True)


class ShippedSchema(AboutSetSchema):
    """A version that ships with the service and is not adopted."""

    id = fields.slug(required=True)
    version = version(required=True)
    digest = fields.Text(required=True, pattern=DIGEST)
    state = fields.Choice(("not_adopted",), required=True)


class CriteriaSetsSchema(DocumentSchema):
    """Every set of the organisation on this day, and what ships and is not adopted."""

    on = fields.Day(required=True)
    items = list_of(nested(CriteriaSetAnswerSchema), required=True)
    shipped = list_of(nested(ShippedSchema), required=True)
    next = fields.Text(required=True, allow_none=True)


class BriefDraftSchema(VersionNameSchema):
    """A draft without its text."""

    revision = fields.Whole(least=1, most=MOST_LINES, required=True)
    etag = fields.Text(required=True)
    edited_by = query_fields.Id(required=True)
    edited_at = fields.Moment(required=True)


class DraftSchema(BriefDraftSchema):
    """A draft of a criteria set; it may have faults."""

    source = Written(required=True)
    examples = marshmallow_fields.String(required=True)


class FaultSchema(DocumentSchema):
    """A fault or a warning: the file, the line, the path inside it, and what mends it."""

    file = fields.Text(required=True)
    line = fields.Whole(least=1, most=MOST_LINES, required=True)
    path = fields.Text(required=True)
    detail = marshmallow_fields.String(required=True)


class CheckSchema(VersionNameSchema):
    """What the check of a draft found."""

    etag = fields.Text(required=True)
    sound = fields.Flag(required=True)
    faults = list_of(nested(FaultSchema), required=True)
    warnings = list_of(nested(FaultSchema), required=True)
    examples = fields.Whole(least=0, most=MOST_COUNTED, required=True, allow_none=True)
    expectations = fields.Whole(least=0, most=MOST_COUNTED, required=True, allow_none=True)


class MeasurableSchema(DocumentSchema):
    """A test: how it is done and what can be sent of it. `units` are converted exactly into `unit`."""

    id = fields.name(required=True)
    title = fields.Text(required=True)
    quantity = fields.Text(required=True)
    unit = fields.Text(required=True)
    units = list_of(fields.Text(), required=True)
    sides = list_of(fields.Text(), required=True)
    better = fields.Text(required=True)
    loading = fields.Flag(required=True)
    trials = marshmallow_fields.Dict(required=True)
    protocol = fields.Text(required=True)
    setup = list_of(marshmallow_fields.Dict(), required=True)
    classes = list_of(fields.name())
    possible = marshmallow_fields.Dict()
    plausible = marshmallow_fields.Dict()
    after = list_of(fields.name())
    rest_days = fields.Whole(least=0, most=MOST_COUNTED)
    measurement_error = marshmallow_fields.Dict()
    sources = list_of(fields.slug())
    see = list_of(fields.slug())
    evidence = fields.Text()


class NeededTestSchema(MeasurableSchema):
    """A test and how the gate needs it.

    `asked`: without it a criterion is not assessed. `choice`: one of several ways of which some are enough.
    `otherwise`: only in place of another test, before another, or for the pain that it brings. `shown`: in no verdict.
    """

    need = fields.Choice(NEEDS, required=True)


class TemplateSchema(DocumentSchema):
    """What to send for a gate; `battery` is a body whose nulls are to be filled in, or left out.

    `need` says of each of the `tests` whether its measurements are asked or only shown; those needed `otherwise` are
    not in the body.
    """

    criteria_set = marshmallow_fields.Dict(required=True)
    stage = marshmallow_fields.Dict(required=True)
    questions = marshmallow_fields.Dict(required=True)
    referral = list_of(marshmallow_fields.Dict(), required=True)
    sessions = list_of(marshmallow_fields.Dict(), required=True)
    tests = list_of(nested(NeededTestSchema), required=True)
    battery = marshmallow_fields.Dict(required=True)
