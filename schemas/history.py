"""Decisions in short, how the history is asked for, and what verification answers."""

from collections.abc import Iterator, Mapping
from typing import Any

from schemas import fields, query_fields
from schemas.decision import (
    HOLD_KINDS,
    OUTCOMES,
    STANDINGS,
    CautionSchema,
    CriteriaVersionSchema,
    StandingSchema,
    sha256,
)
from schemas.document import DocumentSchema, list_of, nested
from schemas.keyed import Keyed
from schemas.reason import count
from schemas.rules import Broken, RuledSchema, all_of

UNMET = ("not_met", "not_assessed")
RESULTS = ("identical", "same_verdict", "differs", "erased")
STATES = ("matches", "differs", "not_compared")
MOST_VERSION = 1_000_000


def cautions(**settings: Any) -> Keyed:
    """Return a field for the cautions of the decisions shown, by the digest of the criteria set of each."""
    return Keyed(sha256(), nested(CautionSchema), **settings)


class BriefDecisionSchema(DocumentSchema):
    """A decision in short; its caution stands in `cautions`, under the digest of its criteria set."""

    id = query_fields.Id(required=True)
    battery_id = query_fields.Id(required=True, allow_none=True)
    athlete_id = query_fields.Id(required=True)
    athlete_ref = fields.ref(required=True, allow_none=True)
    episode_id = query_fields.Id(required=True)
    episode_ref = fields.ref(required=True, allow_none=True)
    condition = fields.name(required=True)
    target_stage = fields.name(required=True)
    outcome = fields.Choice(OUTCOMES, required=True)
    hold_because = list_of(fields.Choice(HOLD_KINDS), required=True)
    standing = nested(StandingSchema, required=True)
    criteria_set = nested(CriteriaVersionSchema, required=True)
    as_of = fields.Moment(required=True)
    decided_at = fields.Moment(required=True)
    signed = fields.Flag(required=True)


class DecisionPageSchema(DocumentSchema):
    """A page of the decision history, newest first, with the cautions of its decisions."""

    items = list_of(nested(BriefDecisionSchema), required=True)
    next = fields.Text(required=True, allow_none=True)
    cautions = cautions(required=True)


class DecisionsQuerySchema(query_fields.PageQuerySchema, RuledSchema):
    """Which decisions; days are the organisation's, and `to` is the last one."""

    athlete = query_fields.Id()
    athlete_ref = query_fields.ref()
    episode = query_fields.Id()
    outcome = query_fields.Choice(OUTCOMES)
    hold_because = query_fields.Choice(HOLD_KINDS)
    stage = query_fields.name()
    condition = query_fields.name()
    criteria_set = query_fields.slug()
    version = query_fields.WholeText(least=1, most=MOST_VERSION)
    criterion = query_fields.slug()
    status = query_fields.Choice(UNMET)
    state = query_fields.Choice(STANDINGS)
    signed = query_fields.FlagText()
    from_ = query_fields.Day(data_key="from")
    to = query_fields.Day()

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for the set of a version and for the criterion of a status, and for days in their order."""
        if "version" in sent:
            yield from all_of(sent, ("criteria_set",), "a version is one of a set; name it as well")
        if "status" in sent:
            yield from all_of(sent, ("criterion",), "a status is one of a criterion; name it as well")
        yield from in_order(loaded, "from_", "to")


def in_order(loaded: Mapping[str, Any], first: str, last: str) -> Iterator[Broken]:
    """Ask for two days in their order."""
    if first in loaded and last in loaded and loaded[first] > loaded[last]:
        yield Broken((last,), f"conflicts: {loaded[last]} lies before {loaded[first]}, where the days begin")


class ChainSchema(DocumentSchema):
    """Whether the athlete's record holds, and where it does not, the first entry from which on."""

    intact = fields.Flag(required=True)
    entries = count(required=True)
    first_broken = count(required=True, allow_none=True)


class StateSchema(DocumentSchema):
    """Whether the stored state, by which decisions are listed and found, is what the record says.

    matches: it is; differs: `differences` names the fields of the decision (`outcome`, `hold_because`, `target_stage`,
    `state`, `stands_until`, `set_id`, `version`...), `unmet_criteria/` and a criterion, `row` where the decision is
    stored or on record alone, or `head`, where the record ends; not_compared: the record itself does not hold.
    """

    result = fields.Choice(STATES, required=True)
    differences = list_of(fields.Text(), required=True)


class VerificationSchema(DocumentSchema):
    """Whether a decision follows from the record as it is kept.

    identical: verdict and words are the same; same_verdict: the words are those of a newer release; differs: it does
    not follow, and `differences` says what; erased: nothing of it is left but its digests.
    """

    decision_id = query_fields.Id(required=True)
    result = fields.Choice(RESULTS, required=True)
    differences = list_of(fields.Text(), required=True)
    chain = nested(ChainSchema, required=True)
    state = nested(StateSchema, required=True)
    caution = nested(CautionSchema, required=True, allow_none=True)
