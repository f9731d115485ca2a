"""The examples of a criteria set (criteria_sets/ID/VERSION.examples.yaml).

The shape of an entry of the record is not looked at here: an example is derived first, and then read like any file
of entries. What is expected is closed: outcomes, hold kinds and codes are those of the engine.
"""

from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any

from marshmallow import INCLUDE, Schema, ValidationError, fields
from marshmallow.validate import Length

from schemas.decision import HOLD_CODES, HOLD_KINDS, OUTCOMES
from schemas.document import DocumentSchema, list_of, nested
from schemas.faults import ShapeFault
from schemas.faults import load as load_shape
from schemas.fields import Choice, Moment, Text, name, slug
from schemas.keyed import Keyed
from schemas.reason import REASON_CODES
from schemas.rules import Broken, RuledSchema, all_of, none_of

_, HOLD = OUTCOMES
TOP = ("athlete", "episode", "entries")


class Plain(fields.Field[dict[str, Any]]):
    """A map that is read later, as it stands."""

    default_error_messages = {
        "required": "missing: this field is required",
        "null": "wrong_type: null is no answer; leave the field out instead",
        "type": "wrong_type: a map is wanted",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self.make_error("type")
        return value


class Entry(Plain):
    """An entry of the record: a map with one key, its kind."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> dict[str, Any]:
        entry = super()._deserialize(value, attr, data)
        if len(entry) != 1 or not isinstance(next(iter(entry.values())), dict):
            message = "wrong_type: an entry is a map with one key, its kind, such as battery: {...}"
            raise ValidationError(message)
        return entry


class Hold(fields.Field[list[str]]):
    """A hold as a verdict has it: [kind, code, about]."""

    default_error_messages = {
        "hold": "wrong_type: a hold is written [kind, code, about], such as [finding_open, finding_open, limp]",
        "kind": "unknown_name: {value!r} is no kind of hold; they are {choices}",
        "code": "unknown_name: {value!r} is no code of a hold; they are {choices}",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> list[str]:
        match value:
            case [str(kind), str(code), str(_)]:
                pass
            case _:
                raise self.make_error("hold")
        if kind not in HOLD_KINDS:
            raise self.make_error("kind", value=kind, choices=", ".join(HOLD_KINDS))
        if code not in HOLD_CODES:
            raise self.make_error("code", value=code, choices=", ".join(HOLD_CODES))
        return list(value)


class ExpectSchema(RuledSchema):
    """What the engine must answer for a stage."""

    stage = name(required=True)
    outcome = Choice(OUTCOMES, required=True, allow_none=True)
    hold_because = list_of(Choice(HOLD_KINDS))
    reasons = Keyed(slug(), Choice(REASON_CODES))
    holds = list_of(Hold())
    at = Moment()

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse holds beside another outcome than hold."""
        if "outcome" in loaded and loaded["outcome"] != HOLD:
            held = [key for key in ("hold_because", "holds") if sent.get(key)]
            yield from none_of(sent, held, "the outcome is no hold; leave this empty, or take it out")


class MeasurementChangeSchema(DocumentSchema):
    """A measurement that is laid over another: its test and side, and any other key."""

    class Meta:
        """What it changes is read later."""

        unknown = INCLUDE

    test = name(required=True)
    side = Choice(("left", "right"))


class ChangeSchema(DocumentSchema):
    """What is laid over the example that this one starts from; any other key is one of its last battery."""

    class Meta:
        """What it changes is read later."""

        unknown = INCLUDE

    measurements = list_of(nested(MeasurementChangeSchema))
    without = list_of(
        Text(
            pattern=r"[a-z][a-z0-9_]*(/left|/right)?", wanted="write a test, or a test and its side: side_hop_time/left"
        )
    )
    before = list_of(Entry())
    then = list_of(Entry())
    athlete = Plain()
    episode = Plain()


class ExampleSchema(RuledSchema):
    """One example: whole, or a change of another."""

    id = slug(required=True)
    title = Text(required=True)
    athlete = Plain()
    episode = Plain()
    entries = list_of(Entry(), validate=Length(min=1, error="missing: one entry at least is wanted"))
    origin = slug(data_key="from", attribute="from")
    change = nested(ChangeSchema)
    expect = list_of(
        nested(ExpectSchema),
        required=True,
        validate=Length(min=1, error="missing: an example expects one answer at least"),
    )

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse an example that is neither whole nor a change of another."""
        if "from" in sent:
            return none_of(sent, TOP, "this example starts from another; put the difference under change")
        change = none_of(sent, ("change",), "a change needs an example that it starts from; name it under from")
        whole = all_of(sent, TOP, "an example that starts from no other has athlete, episode and entries")
        return chain(change, whole)


class _ExamplesSchema(Schema):
    entries = list_of(nested(ExampleSchema), required=True)


def load_examples_file(document: Any) -> tuple[list[dict[str, Any]], list[ShapeFault]]:
    """Return the examples as written and no fault, or none and every fault of their shape."""
    loaded, faults = load_shape(_ExamplesSchema(), {"entries": document})
    if faults:
        return [], [ShapeFault(path[1:], code, detail) for path, code, detail in faults]
    examples: list[dict[str, Any]] = loaded["entries"]
    return examples, []
