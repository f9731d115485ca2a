"""The body of a battery as it is posted."""

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

from marshmallow.validate import Length

from schemas import fields
from schemas.athlete import AthleteSchema, EpisodeSchema
from schemas.document import DocumentSchema, list_of, nested
from schemas.measurements import MOST_RATING, MeasurementSchema
from schemas.rules import Broken, RuledSchema, all_of, none_of, one_of

ASSESSMENT, BASELINE, FOLLOW_UP = "assessment", "baseline", "follow_up"
KINDS = (ASSESSMENT, BASELINE, FOLLOW_UP)
SETBACK_KINDS = ("giving_way", "setback", "re_injury")
CONFIRMED = ("sides",)

MOST_MEASUREMENTS = 200
MOST_SESSIONS = 100
MOST_EVENTS = 50
MINUTES_A_DAY = 24 * 60
MOST_EFFORTS = 1000

JUDGED = ("criteria_set", "criteria_version", "target_stage", "confirmed")
NOT_OF_KIND = {
    ASSESSMENT: (("follows",), "only a follow-up follows a battery"),
    BASELINE: (
        ("episode", "referral", "since_last", "follows", *JUDGED),
        "a baseline is taken without an injury and is not judged",
    ),
    FOLLOW_UP: (
        ("occasion", "referral", "setup", "measurements", *JUDGED),
        "a follow-up answers session_check and since_last only",
    ),
}
NEEDED_BY_KIND = {
    ASSESSMENT: (("episode",), "an assessment belongs to an episode"),
    BASELINE: ((), ""),
    FOLLOW_UP: (("follows",), "a follow-up names the battery that it follows"),
}


def at_most(most: int, what: str) -> Length:
    """Return the validator of a list's length."""
    return Length(max=most, error=f"out_of_range: at most {{max}} {what} are read")


class BatteryNameSchema(RuledSchema):
    """A battery by our id or by the sender's ref."""

    id = fields.ref()
    ref = fields.ref()

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for one name."""
        return one_of(sent, ("id", "ref"))


class ReportedEventSchema(DocumentSchema):
    """Something that happened since this was last asked."""

    kind = fields.Choice(SETBACK_KINDS, required=True)
    on = fields.Day(required=True)


class SessionSchema(DocumentSchema):
    """One exercise or training session; the catalogue knows whether its kind has minutes or efforts."""

    kind = fields.name(required=True)
    on = fields.Day(required=True)
    minutes = fields.Whole(least=1, most=MINUTES_A_DAY)
    efforts = fields.Whole(least=1, most=MOST_EFFORTS)
    worst_pain = fields.Whole(least=0, most=MOST_RATING)
    next_morning_rise = fields.Whole(least=-MOST_RATING, most=MOST_RATING)
    medication = fields.name()


class SinceLastSchema(DocumentSchema):
    """What happened since this was last asked: an empty list is an answer, an absent one is none."""

    events = list_of(nested(ReportedEventSchema), validate=at_most(MOST_EVENTS, "events"))
    sessions = list_of(nested(SessionSchema), validate=at_most(MOST_SESSIONS, "sessions"))


class BatteryWithoutAthleteSchema(RuledSchema):
    """What a battery says in every place where it stands."""

    needed_by_kind: ClassVar[Mapping[str, tuple[tuple[str, ...], str]]] = NEEDED_BY_KIND

    kind = fields.Choice(KINDS, required=True)
    ref = fields.ref()
    occasion = fields.Text(
        most=fields.REF_LENGTH,
        pattern=r"[A-Za-z0-9_.-]{1,64}",
        wanted="an occasion has letters, digits, underscores, points and hyphens",
    )
    criteria_set = fields.slug()
    criteria_version = fields.Whole(least=1, most=1_000_000)
    target_stage = fields.name()
    performed_at = fields.Moment(required=True)
    tester = fields.ref()
    session_check = fields.Answers()
    referral = fields.Answers(fields.Flag())
    since_last = nested(SinceLastSchema)
    setup = fields.Answers()
    measurements = list_of(
        nested(MeasurementSchema), load_default=list, validate=at_most(MOST_MEASUREMENTS, "measurements")
    )
    supersedes = nested(BatteryNameSchema)
    follows = nested(BatteryNameSchema)
    confirmed = list_of(fields.Choice(CONFIRMED), validate=at_most(len(CONFIRMED), "confirmations"))

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for what the kind needs, refuse what it can't have, and refuse a measurement sent twice."""
        yield from _sent_twice(sent.get("measurements"))
        if "kind" in loaded:
            yield from all_of(sent, *self.needed_by_kind[loaded["kind"]])
            yield from none_of(sent, *NOT_OF_KIND[loaded["kind"]])


class BatterySchema(BatteryWithoutAthleteSchema):
    """The body of a battery as it is posted."""

    problem = "invalid_battery"

    athlete = nested(AthleteSchema, required=True)
    episode = nested(EpisodeSchema)


def _sent_twice(measurements: object) -> Iterator[Broken]:
    """Compare what was sent, because positions shift once a faulty measurement is left out."""
    if not isinstance(measurements, list):
        return
    seen: set[tuple[str, str]] = set()
    for position, measurement in enumerate(measurements):
        if not isinstance(measurement, Mapping) or not isinstance(measurement.get("test"), str):
            continue
        place = (measurement["test"].strip(), str(measurement.get("side")))
        if place in seen:
            message = "duplicate: this test was sent before for this side; all its trials belong to one measurement"
            yield Broken(("measurements", position), message)
        seen.add(place)
