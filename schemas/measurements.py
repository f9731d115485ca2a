"""What was measured: the trials of one test on one side or of the person."""

from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import post_load
from marshmallow.validate import Length

from schemas import fields
from schemas.athlete import SIDES
from schemas.document import list_of, nested
from schemas.rules import Broken, RuledSchema, all_of, none_of, one_of

MEASURED, UNABLE = "measured", "unable"
BECAUSE = {
    UNABLE: ("pain", "giving_way", "could_not"),
    "not_done": ("time", "no_equipment", "refused"),
    "deferred": ("not_safe_today",),
}
RESULTS = (MEASURED, *BECAUSE)
EVERY_BECAUSE = tuple(because for causes in BECAUSE.values() for because in causes)
INVALID_BECAUSE = ("balance", "extra_hop", "technique", "tester", "pain", "giving_way")

# More than any test takes; what one test takes is the catalogue's to say.
MOST_TRIALS = 100
MOST_SUMMARISED = 20
MOST_RATING = 10

_ONLY_TRIAL = "/trials/0/value"


class TrialSchema(RuledSchema):
    """One attempt; it loads to its value, or to why it is invalid and the value if there was one."""

    value = fields.Number()
    valid = fields.Flag(load_default=True)
    invalid_because = fields.Choice(INVALID_BECAUSE)

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for the value of a valid trial and for the cause of an invalid one."""
        if "valid" not in loaded:
            return
        if loaded["valid"]:
            yield from all_of(sent, ("value",), "a valid trial has a value")
            yield from none_of(
                sent, ("invalid_because",), "only a trial with valid: false is invalid because of something"
            )
        else:
            causes = ", ".join(INVALID_BECAUSE)
            yield from all_of(sent, ("invalid_because",), f"an invalid trial says because of what: {causes}")

    @post_load
    def _leave_out_valid(self, trial: dict[str, Any], **_: object) -> dict[str, Any]:
        return {key: value for key, value in trial.items() if key != "valid"}


class MeasurementSchema(RuledSchema):
    """One test on one side or of the person; it always loads with `result` and with a list of `trials`."""

    test = fields.name(required=True)
    side = fields.Choice(SIDES)
    result = fields.Choice(RESULTS, load_default=MEASURED)
    because = fields.Choice(EVERY_BECAUSE)
    unit = fields.ref()
    trials = list_of(
        nested(TrialSchema), validate=Length(max=MOST_TRIALS, error="too_many_trials: at most {max} trials are read")
    )
    value = fields.Number()
    trials_summarised = fields.Whole(least=1, most=MOST_SUMMARISED)
    pain = fields.Whole(least=0, most=MOST_RATING)
    instability = fields.Whole(least=0, most=MOST_RATING)
    setup = fields.Answers()

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for what the result needs, and refuse what it can't have."""
        if "result" not in loaded:
            return
        if loaded["result"] == MEASURED:
            yield from _measured(loaded, sent)
        else:
            yield from _not_measured(loaded, sent)

    @post_load
    def _to_trials(self, measurement: dict[str, Any], **_: object) -> dict[str, Any]:
        if "value" in measurement:
            measurement["trials"] = [{"value": measurement.pop("value")}]
        measurement.setdefault("trials", [])
        return measurement


def _measured(loaded: Mapping[str, Any], sent: Mapping[str, Any]) -> Iterator[Broken]:
    yield from one_of(sent, ("value", "trials"))
    yield from none_of(sent, ("because",), "a measured result needs no cause; say the result, or leave this out")
    if loaded.get("trials") == []:
        yield Broken(("trials",), "missing: a measured result has at least one trial")
    if "value" not in sent:
        yield from none_of(sent, ("trials_summarised",), "this goes with one value that sums up several trials")


def _not_measured(loaded: Mapping[str, Any], sent: Mapping[str, Any]) -> Iterator[Broken]:
    result = loaded["result"]
    listed = ", ".join(BECAUSE[result])
    yield from none_of(sent, ("value", "trials", "trials_summarised"), f"a result {result} has no value and no trials")
    yield from all_of(sent, ("because",), f"a result {result} says why: {listed}")
    if result != UNABLE:
        tried = "what was not tried has no rating; where it was tried, or clearly could not be done, send unable"
        yield from none_of(sent, ("pain", "instability"), tried)
    if "because" in loaded and loaded["because"] not in BECAUSE[result]:
        yield Broken(("because",), f"unknown_name: {loaded['because']!r} is not on the list for {result}: {listed}")


def sent_place(where: str, document: object) -> str:
    """Return the place of a fault as its sender wrote it: a single `value` is loaded as the only trial.

    Args:
        where: a JSON pointer in fragment form.
        document: the body as it was sent.

    >>> sent_place("#/measurements/0/trials/0/value", {"measurements": [{"value": 22}]})
    '#/measurements/0/value'
    """
    short = where.removesuffix(_ONLY_TRIAL)
    return f"{short}/value" if short != where and _has(document, f"{short}/value") else where


def _has(document: object, where: str) -> bool:
    """Tell whether something stands at a JSON pointer of a document; ids have nothing that a pointer escapes."""
    for key in where.split("/")[1:]:
        if isinstance(document, list) and key.isdecimal() and int(key) < len(document):
            document = document[int(key)]
        elif isinstance(document, Mapping) and key in document:
            document = document[key]
        else:
            return False
    return True
