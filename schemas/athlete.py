"""The athlete and the episode of a battery."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from marshmallow import post_load
from marshmallow.validate import Range

from schemas import fields
from schemas.document import DocumentSchema, nested
from schemas.rules import Broken, RuledSchema, all_of

LEFT, RIGHT, BOTH = "left", "right", "both"
SIDES = (LEFT, RIGHT)
INVOLVED_SIDES = (LEFT, RIGHT, BOTH)
OTHER_SIDES = ("healthy", "previously_injured", "symptomatic", "unknown")
SEXES = ("female", "male", "other")

ABOVE_ZERO = Range(min=Decimal(0), min_inclusive=False, error="out_of_range: a number above zero is wanted")


class QuantitySchema(DocumentSchema):
    """A number above zero and its unit."""

    value = fields.Number(required=True, validate=ABOVE_ZERO)
    unit = fields.ref(required=True)


class LegLengthSchema(RuledSchema):
    """The length of one leg or of both, and when it was measured."""

    left = nested(QuantitySchema)
    right = nested(QuantitySchema)
    measured_on = fields.Day(required=True)

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for a leg."""
        if not any(side in sent for side in SIDES):
            yield Broken((LEFT,), "missing: the length of the left or of the right leg is required")


class BodyMassSchema(QuantitySchema):
    """The body mass, and when it was measured."""

    measured_on = fields.Day(required=True)


class AthleteSchema(RuledSchema):
    """The person tested."""

    ref = fields.ref(required=True)
    new = fields.Flag()
    birth_year = fields.Whole(least=1900, most=2100)
    birth_month = fields.Whole(least=1, most=12)
    sex = fields.Choice(SEXES)
    dominant_leg = fields.Choice(SIDES)
    leg_length = nested(LegLengthSchema)
    body_mass = nested(BodyMassSchema)

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for the year where there is a month."""
        if "birth_month" in sent:
            yield from all_of(sent, ("birth_year",), "a birth_month goes with a birth_year")


class EpisodeSchema(DocumentSchema):
    """One injury of the athlete."""

    ref = fields.ref(required=True)
    new = fields.Flag()
    condition = fields.name(required=True)
    involved_side = fields.Choice(INVOLVED_SIDES, required=True)
    onset_on = fields.DayOrMonth(required=True)
    other_side = fields.Choice(OTHER_SIDES, required=True)
    recurrence_of = fields.ref(allow_none=True)

    @post_load
    def _leave_out_null(self, episode: dict[str, Any], **_: object) -> dict[str, Any]:
        return {key: value for key, value in episode.items() if value is not None}
