"""What is added to an athlete's record beside batteries, and what is answered."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from marshmallow.validate import Length

from schemas import fields
from schemas.battery import CONFIRMED, SETBACK_KINDS
from schemas.decision import CautionSchema, DataQualitySchema, DecisionSchema, sha256
from schemas.document import DocumentSchema, list_of, nested
from schemas.entries import EVERY_FACT, FACTS_OF_EVENT, RESOLUTIONS, EventSchema
from schemas.query_fields import Id
from schemas.rules import Broken, RuledSchema, all_of, none_of, one_of

REF_CHANGED = "ref_changed"
DEFAULT, FULL = "default", "full"
SCOPES = (DEFAULT, FULL)
ENTRY_KINDS = (
    "battery",
    "decision",
    "sign_off",
    "finding_resolution",
    "event",
    "exception",
    "confirmation",
    "consent",
    "void",
    "erasure",
)


class PostedEventSchema(EventSchema):
    """What happened to the episode, what became known of it, or how it is called from now on.

    Kinds: giving_way, setback, re_injury, reclassified, corrected and closed, each with a date (`on`) or, where it is
    known, a moment (`at`); ref_changed with the new `ref`.
    """

    class Meta(DocumentSchema.Meta):
        """The address names the episode."""

        exclude = ("episode",)

    kind = fields.Choice((*SETBACK_KINDS, *FACTS_OF_EVENT, REF_CHANGED), required=True)
    ref = fields.ref()

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for the facts that the kind brings, and refuse others."""
        if loaded.get("kind") == REF_CHANGED:
            yield from all_of(sent, ("ref",), "an event ref_changed brings the new ref")
            yield from none_of(sent, ("on", "at"), "a ref changes when this is recorded")
            yield from none_of(sent, EVERY_FACT, "an event ref_changed does not say this")
        else:
            yield from super().rules(loaded, sent)
            yield from none_of(sent, ("ref",), "only an event ref_changed brings a ref")


class RefChangeSchema(DocumentSchema):
    """How the athlete is called from now on."""

    kind = fields.Choice((REF_CHANGED,), required=True)
    ref = fields.ref(required=True)


class PostedResolutionSchema(RuledSchema):
    """What became of a finding, and why; without a date or a moment it is so from now on."""

    as_ = fields.Choice(RESOLUTIONS, required=True, data_key="as", attribute="as")
    on = fields.Day()
    at = fields.Moment()
    rationale = fields.Text(required=True)

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterable[Broken]:
        """Take a date or a moment, not both."""
        return one_of(sent, ("on", "at")) if "on" in sent and "at" in sent else ()


class PostedExceptionSchema(DocumentSchema):
    """A dated waiver of one criterion at one stage; `criteria_set` is needed only where several sets fit."""

    stage = fields.name(required=True)
    criterion = fields.slug(required=True)
    until = fields.Day(required=True)
    reason = fields.Text(required=True)
    criteria_set = fields.slug()


class PostedConfirmationSchema(DocumentSchema):
    """A doubt about a battery that was cleared: a person has looked again."""

    confirms = list_of(
        fields.Choice(CONFIRMED),
        required=True,
        validate=Length(min=1, max=len(CONFIRMED), error=f"out_of_range: what is confirmed? {', '.join(CONFIRMED)}"),
    )


class PostedVoidSchema(DocumentSchema):
    """Why an entry was made in error."""

    reason = fields.Text(required=True)


class ErasureSchema(DocumentSchema):
    """What is erased: `default` takes away refs, names and free text, `full` all that was recorded as well.

    The reason stays in the record, so it names nobody.
    """

    scope = fields.Choice(SCOPES, required=True)
    reason = fields.Text(most=200, required=True)


class StoredEvidenceSchema(DocumentSchema):
    """Which gate is judged on what is stored; `criteria_version` only asserts which version is in force."""

    target_stage = fields.name(required=True)
    criteria_set = fields.slug()
    criteria_version = fields.Whole(least=1, most=1_000_000)


class AddedSchema(DocumentSchema):
    """An entry that was added to the record, and the decisions that no longer stand because of it."""

    id = Id(required=True)
    kind = fields.Choice(ENTRY_KINDS, required=True)
    athlete_id = Id(required=True)
    episode_id = Id(required=True, allow_none=True)
    occurred_at = fields.Moment(required=True)
    recorded_at = fields.Moment(required=True)
    digest = sha256(required=True)
    withdrawn = list_of(Id(), required=True)
    caution = nested(CautionSchema)


class StoredBatterySchema(DocumentSchema):
    """A battery that was kept and not judged."""

    battery_id = Id(required=True)
    athlete_id = Id(required=True)
    episode_id = Id(required=True, allow_none=True)
    created = list_of(fields.Choice(("athlete", "episode")), required=True)
    data_quality = list_of(nested(DataQualitySchema), required=True)
    performed_at = fields.Moment(required=True)
    recorded_at = fields.Moment(required=True)
    digest = sha256(required=True)
    withdrawn = list_of(Id(), required=True)


class PostedBatterySchema(DocumentSchema):
    """A decision, or, where nothing was judged, the battery that was kept."""

    # One of these is the whole answer; the OpenAPI document says so.
    one_of = True
    decision = nested(DecisionSchema)
    stored = nested(StoredBatterySchema)

    def load(self, data: Any, **settings: Any) -> Any:
        """Load an answer as what it is."""
        is_judged = isinstance(data, Mapping) and "outcome" in data
        return (DecisionSchema if is_judged else StoredBatterySchema)().load(data, **settings)
