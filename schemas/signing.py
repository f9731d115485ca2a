"""Sign-offs: what a named professional decides, with or without a decision of the service."""

from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow.validate import Length

from schemas import fields
from schemas.decision import sha256
from schemas.document import DocumentSchema, list_of, nested
from schemas.rules import Broken, RuledSchema, all_of, none_of

AGREE, STRICTER, OVERRIDE, DEFER = "agree", "stricter", "override", "defer"
DETERMINATIONS = (AGREE, STRICTER, OVERRIDE, DEFER)
PARTICIPATION = ("none", "modified_training", "full_training", "restricted_competition", "competition")

MOST_OVERRIDDEN, MOST_INFORMED = 50, 20

NEEDED: Mapping[str, tuple[str, ...]] = {
    AGREE: (),
    STRICTER: ("position", "rationale"),
    OVERRIDE: ("position", "criteria_overridden", "rationale", "conditions", "valid_until", "informed"),
    DEFER: ("rationale",),
}
# What goes with nothing but an override, and what a professional who defers does not set.
REFUSED: Mapping[str, tuple[str, ...]] = {
    AGREE: ("criteria_overridden",),
    STRICTER: ("criteria_overridden",),
    OVERRIDE: (),
    DEFER: ("criteria_overridden", "position", "valid_until"),
}


_TO = {AGREE: "agree", STRICTER: "be stricter", OVERRIDE: "override", DEFER: "defer"}
_NAMED_BY_OVERRIDE = {"criteria_overridden": "the criteria that it overrides", "informed": "who was informed of it"}


class PositionSchema(DocumentSchema):
    """Where the athlete stands from now on, as a named professional says."""

    stage = fields.name(required=True)
    participation = fields.Choice(PARTICIPATION, required=True)


class PositionSignOffSchema(RuledSchema):
    """A position that a named professional sets without a decision.

    Above what a decision supports it needs an end date, `valid_until`, and so does competing at a stage before the
    last. Who rests (participation none) may stand anywhere below the last stage, and keep that one where it had no end.
    """

    position = nested(PositionSchema, required=True)
    conditions = fields.Text()
    valid_until = fields.Day()
    informed = list_of(
        fields.Text(most=200), validate=Length(max=MOST_INFORMED, error="out_of_range: at most {max} are read")
    )
    rationale = fields.Text(required=True)

    def rules(self, _loaded: Mapping[str, Any], _sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for nothing more."""
        return iter(())


class SignOffSchema(PositionSignOffSchema):
    """What a named professional makes of a decision; the digest says which one was seen.

    `criteria_overridden` names every criterion that holds, and what holds beside them, as `holds` says in `about`.
    """

    decision_digest = sha256(required=True)
    determination = fields.Choice(DETERMINATIONS, required=True)
    position = nested(PositionSchema)
    criteria_overridden = list_of(
        fields.ref(),
        validate=Length(max=MOST_OVERRIDDEN, error="out_of_range: at most {max} are read"),
    )
    rationale = fields.Text()

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for what the determination needs, and refuse what it can't have."""
        if "determination" not in loaded:
            return
        said = loaded["determination"]
        yield from all_of(sent, NEEDED[said], f"needed to {_TO[said]}")
        # An empty list says nothing, and forms send it.
        there = [name for name in REFUSED[said] if sent.get(name) != []]
        yield from none_of(sent, there, f"does not go with {said}")
        for name, what in _NAMED_BY_OVERRIDE.items():
            if said == OVERRIDE and loaded.get(name) == []:
                yield Broken((name,), f"missing: an override names {what}")
