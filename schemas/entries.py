"""A file of record entries, as it is evaluated and as the examples of a criteria set give it."""

from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import fields as marshmallow_fields
from marshmallow.validate import Length

from schemas import fields
from schemas.athlete import INVOLVED_SIDES, OTHER_SIDES, AthleteSchema, EpisodeSchema
from schemas.battery import (
    ASSESSMENT,
    CONFIRMED,
    NEEDED_BY_KIND,
    SETBACK_KINDS,
    BatteryWithoutAthleteSchema,
)
from schemas.document import DocumentSchema, list_of, nested
from schemas.rules import Broken, RuledSchema, none_of, one_of, part

ENTRIES = "entries"
MOST_ENTRIES = 5000
RESOLUTIONS = ("ruled_out", "confirmed", "released")

RECLASSIFIED, CORRECTED, CLOSED = "reclassified", "corrected", "closed"
FACTS_OF_EVENT = {
    RECLASSIFIED: ("condition",),
    CORRECTED: ("involved_side", "onset_on", "other_side"),
    CLOSED: ("cause",),
}
EVERY_FACT = tuple(fact for facts in FACTS_OF_EVENT.values() for fact in facts)
ENTRY_KINDS = ("battery", "event", "finding_resolution", "exception", "confirmation", "void")


def looks_like_entries(document: object) -> bool:
    """Tell whether a document is meant as a file of entries, not as one battery."""
    return isinstance(document, Mapping) and ENTRIES in document


class KnownAthleteSchema(AthleteSchema):
    """The athlete of a file; one file has one athlete, so a ref is not needed."""

    ref = fields.ref()


class KnownEpisodeSchema(EpisodeSchema):
    """An episode of a file; the one that is judged needs no ref."""

    ref = fields.ref()


class EpisodeOrRef(marshmallow_fields.Field[Any]):
    """An episode of the file: its ref, or the whole episode."""

    default_error_messages = {
        "null": "wrong_type: null is no answer; leave the field out instead",
        "type": "wrong_type: an episode, or the ref of one, is wanted",
    }

    _ref = fields.ref()
    _episode = nested(KnownEpisodeSchema)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> Any:
        if isinstance(value, str):
            return self._ref.deserialize(value, attr, data)
        if isinstance(value, Mapping):
            return self._episode.deserialize(value, attr, data)
        raise self.make_error("type")


class EntryName(marshmallow_fields.Field[str | int]):
    """An entry of the file: the ref of a battery, or a position from 1."""

    default_error_messages = {
        "required": "missing: this field is required",
        "null": "wrong_type: null is no answer; leave the field out instead",
    }

    _ref = fields.ref()
    _position = fields.Whole(
        least=1,
        most=MOST_ENTRIES,
        error_messages={"type": "wrong_type: the ref of a battery, or a position from 1, is wanted"},
    )

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str | int:
        if isinstance(value, str):
            return str(self._ref.deserialize(value, attr, data))
        return int(self._position.deserialize(value, attr, data))


class EntryBatterySchema(BatteryWithoutAthleteSchema):
    """A battery of a file, which gives athlete and episode once for all."""

    needed_by_kind = NEEDED_BY_KIND | {ASSESSMENT: ((), "")}

    athlete = nested(KnownAthleteSchema)
    episode = EpisodeOrRef()


class DatedSchema(RuledSchema):
    """What has a date, or a moment where that is known."""

    episode = EpisodeOrRef()
    on = fields.Day()
    at = fields.Moment()

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for a date or a moment."""
        return one_of(sent, ("on", "at"))


class EventSchema(DatedSchema):
    """What happened to the episode, or what became known of it."""

    kind = fields.Choice((*SETBACK_KINDS, *FACTS_OF_EVENT), required=True)
    condition = fields.name()
    involved_side = fields.Choice(INVOLVED_SIDES)
    onset_on = fields.DayOrMonth()
    other_side = fields.Choice(OTHER_SIDES)
    cause = fields.Text()

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for the facts that the kind brings, and refuse others."""
        yield from super().rules(loaded, sent)
        if "kind" not in loaded:
            return
        kind = loaded["kind"]
        own = FACTS_OF_EVENT.get(kind, ())
        yield from none_of(sent, (fact for fact in EVERY_FACT if fact not in own), f"an event {kind} does not say this")
        if own and not any(fact in sent for fact in own):
            yield Broken((own[0],), f"missing: an event {kind} needs {', or '.join(('this', *own[1:]))}")


class FindingResolutionSchema(DatedSchema):
    """What became of a finding."""

    finding = fields.name(required=True)
    as_ = fields.Choice(RESOLUTIONS, required=True, data_key="as", attribute="as")


class ExceptionSchema(DocumentSchema):
    """A dated waiver of one criterion at one stage."""

    episode = EpisodeOrRef()
    stage = fields.name(required=True)
    criterion = fields.slug(required=True)
    at = fields.Moment(required=True)
    until = fields.Day(required=True)
    reason = fields.Text()


class ConfirmationSchema(DocumentSchema):
    """A doubt about a battery that was cleared."""

    episode = EpisodeOrRef()
    battery = fields.ref(required=True)
    confirms = list_of(
        fields.Choice(CONFIRMED),
        required=True,
        validate=Length(min=1, max=len(CONFIRMED), error=f"out_of_range: what is confirmed? {', '.join(CONFIRMED)}"),
    )
    at = fields.Moment(required=True)


class VoidSchema(DocumentSchema):
    """An entry made in error."""

    episode = EpisodeOrRef()
    entry = EntryName(required=True)
    at = fields.Moment(required=True)
    reason = fields.Text()


class EntrySchema(RuledSchema):
    """One entry: an object whose one key names its kind."""

    error_messages = {
        "unknown": f"unknown_field: the one key of an entry names its kind: {', '.join(ENTRY_KINDS)}",
        "type": "wrong_type: an object is wanted",
    }

    battery = nested(EntryBatterySchema)
    event = nested(EventSchema)
    finding_resolution = nested(FindingResolutionSchema)
    exception = nested(ExceptionSchema)
    confirmation = nested(ConfirmationSchema)
    void = nested(VoidSchema)

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for one key."""
        if not sent:
            yield Broken((), f"missing: the one key of an entry names its kind: {', '.join(ENTRY_KINDS)}")
        if len(sent) > 1:
            kinds = ", ".join(str(kind) for kind in sent)
            yield Broken((), f"conflicts: an entry has one key; make an entry each of {kinds}")


class EvaluationSchema(RuledSchema):
    """A file of entries of one athlete, judged for one episode."""

    athlete = nested(KnownAthleteSchema, required=True)
    episode = nested(KnownEpisodeSchema, required=True)
    criteria_set = fields.slug()
    criteria_version = fields.Whole(least=1, most=1_000_000)
    target_stage = fields.name()
    as_of = fields.Moment()
    entries = list_of(
        nested(EntrySchema),
        required=True,
        validate=[
            Length(min=1, error="missing: at least one entry is wanted"),
            Length(max=MOST_ENTRIES, error="out_of_range: at most {max} entries are read"),
        ],
    )

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse a second athlete, and a second battery of the same ref."""
        entries = sent.get(ENTRIES)
        if isinstance(entries, list):
            yield from _other_athletes(fields.composed(part(sent, "athlete", "ref")), entries)
            yield from _refs_taken(entries)


def _other_athletes(known: object, entries: list[object]) -> Iterator[Broken]:
    for position, entry in enumerate(entries):
        ref = fields.composed(part(entry, "battery", "athlete", "ref"))
        known = ref if known is None else known
        if ref is not None and ref != known:
            place = (ENTRIES, position, "battery", "athlete", "ref")
            yield Broken(place, f"conflicts: one athlete is judged at a time, and the one before is {known}")


def _refs_taken(entries: list[object]) -> Iterator[Broken]:
    seen: list[object] = []
    for position, entry in enumerate(entries):
        ref = fields.composed(part(entry, "battery", "ref"))
        if ref is not None and ref in seen and part(entry, "battery", "supersedes") is None:
            place = (ENTRIES, position, "battery", "ref")
            yield Broken(place, "duplicate: an earlier battery has this ref; give another, or say what this supersedes")
        seen.append(ref)
