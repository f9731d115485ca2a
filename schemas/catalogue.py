"""The catalogue's files: tests, questions, kinds of session and publications, each a map keyed by id."""

from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import Schema, fields
from marshmallow.validate import Length

from schemas.document import DocumentSchema, list_of, nested
from schemas.faults import ShapeFault
from schemas.faults import load as load_shape
from schemas.fields import Choice, Flag, Text, Whole, name, slug
from schemas.keyed import Keyed
from schemas.quantities import Quantity, Statistic
from schemas.rules import Broken, RuledSchema
from schemas.support import SupportedSchema, citations

QUANTITIES = ("time", "length", "force", "count", "score", "pain")
CLASSES = ("hops", "impact", "strength", "range")
RETEST_CLASSES = ("mobility", "hops", "strength", "pain")
PUBLICATION_KINDS = ("trial", "cohort", "cross_sectional", "measurement", "consensus", "review")
MOST_TRIALS = 20
MOST_DAYS = 3650
MOST_POINTS = 1000


class LimitsSchema(RuledSchema):
    """From where (at_least, or above without the value itself) to where (at_most, or below)."""

    at_least = Quantity()
    above = Quantity()
    at_most = Quantity()
    below = Quantity()

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse two kinds of the same end, and a range without ends."""
        for one, other in (("at_least", "above"), ("at_most", "below")):
            if one in sent and other in sent:
                yield Broken((other,), f"conflicts: {one} stands here too; keep one of them")
        if not sent:
            yield Broken((), "missing: a range has at_least or above, at_most or below")


class TrialsSchema(RuledSchema):
    """How many trials a side needs, how many count, how many there may be, and what is made of them."""

    minimum = Whole(least=1, most=MOST_TRIALS, required=True)
    scored = Whole(least=1, most=MOST_TRIALS, required=True)
    maximum = Whole(least=1, most=MOST_TRIALS, required=True)
    summary = Choice(("best", "mean", "median", "total"), required=True)

    def rules(self, loaded: Mapping[str, Any], _sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse numbers that no side could satisfy."""
        numbers = [loaded[key] for key in ("minimum", "scored", "maximum") if key in loaded]
        if numbers != sorted(numbers):
            yield Broken((), "out_of_range: minimum may not exceed scored, nor scored maximum; put them in order")


class MeasurementErrorSchema(DocumentSchema):
    """A published standard error of measurement."""

    sem = Statistic(required=True)
    source = slug(required=True)


class CatalogueTestSchema(SupportedSchema):
    """One test of the trade."""

    title = Text(required=True)
    quantity = Choice(QUANTITIES, required=True)
    unit = Text(required=True, most=16)
    better = Choice(("higher", "lower"), required=True)
    sides = Choice(("each", "none"), required=True)
    loading = Flag(required=True)
    classes = list_of(Choice(CLASSES))
    trials = nested(TrialsSchema, required=True)
    symmetry = Flag(required=True)
    possible = nested(LimitsSchema, required=True)
    plausible = nested(LimitsSchema)
    must_match = list_of(name())
    retest_class = Choice(RETEST_CLASSES, required=True)
    rest_days = Whole(least=1, most=MOST_DAYS)
    after = list_of(name())
    measurement_error = nested(MeasurementErrorSchema)
    index_error = nested(MeasurementErrorSchema)
    protocol = Text(required=True)
    see = citations()


class AnswersList(fields.Field[Any]):
    """The closed answers of a question: true and false, words, or whole numbers from at_least to at_most."""

    default_error_messages = {
        "required": "missing: this field is required",
        "null": "wrong_type: null is no answer; leave the field out instead",
        "type": "wrong_type: a list of answers is wanted, or at_least and at_most",
        "kinds": "wrong_type: answers are true and false, or two or more words, each once",
        "order": "out_of_range: at_least must be below at_most",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> Any:
        if isinstance(value, dict):
            return self._range(value)
        if not isinstance(value, list):
            raise self.make_error("type")
        words = [answer for answer in value if isinstance(answer, str)]
        truths = [answer for answer in value if isinstance(answer, bool)]
        repeated = len(set(map(str, value))) != len(value)
        if repeated or len(value) not in (len(words), len(truths)) or len(value) <= 1:
            raise self.make_error("kinds")
        return list(value)

    def _range(self, value: dict[str, Any]) -> Any:
        loaded = PointsSchema().load(value)
        if loaded["at_least"] >= loaded["at_most"]:
            raise self.make_error("order")
        return loaded


class PointsSchema(DocumentSchema):
    """The whole numbers that answer a question."""

    at_least = Whole(least=0, most=MOST_POINTS, required=True)
    at_most = Whole(least=0, most=MOST_POINTS, required=True)


class QuestionSchema(RuledSchema):
    """One question with closed answers."""

    title = Text(required=True)
    ask = Text(required=True)
    asked_in = Choice(("session_check", "since_last", "setup"), required=True)
    answers = AnswersList(required=True)
    pain = Flag()
    masks_pain = list_of(Text())

    def rules(self, loaded: Mapping[str, Any], _sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse a masking answer that cannot be given, and a question about pain without a number."""
        if "answers" not in loaded:
            return
        answers = loaded["answers"]
        for position, answer in enumerate(loaded.get("masks_pain", ())):
            if answer not in answers:
                mend = f"{answer!r} is no answer of this question; name one of its answers"
                yield Broken(("masks_pain", position), f"unknown_name: {mend}")
        if loaded.get("pain") and isinstance(answers, list):
            mend = "a question about pain is answered by a number; give answers at_least and at_most"
            yield Broken(("answers",), f"conflicts: {mend}")


class SessionKindSchema(DocumentSchema):
    """One kind of session."""

    title = Text(required=True)
    takes = Choice(("minutes", "efforts"), required=True)
    description = Text(required=True)


class PublicationSchema(DocumentSchema):
    """One publication that is cited somewhere."""

    citation = Text(required=True)
    doi = Text(most=200, pattern=r"10\.\d{4,9}/\S+", wanted="a DOI begins with 10. and has a slash")
    kind = Choice(PUBLICATION_KINDS, required=True)
    status = Choice(("verified", "memory"), required=True)
    figures = list_of(slug(), validate=Length(min=1, error="missing: an empty list names no figure; leave it out"))
    note = Text()


def _file(key: Text, schema: type[DocumentSchema]) -> Schema:
    """Return the schema of a file that is a map keyed by id."""
    return Schema.from_dict({"entries": Keyed(key, nested(schema), required=True)})()


FILES = {
    "tests": _file(name(), CatalogueTestSchema),
    "questions": _file(name(), QuestionSchema),
    "sessions": _file(name(), SessionKindSchema),
    "sources": _file(slug(), PublicationSchema),
}


def load_catalogue_file(part: str, document: Any) -> tuple[dict[str, Any] | None, list[ShapeFault]]:
    """Return a part of the catalogue (tests, questions, sessions, sources) keyed by id, or every fault of its shape."""
    loaded, faults = load_shape(FILES[part], {"entries": document})
    if faults:
        return None, [ShapeFault(path[1:], code, detail) for path, code, detail in faults]
    entries: dict[str, Any] = loaded["entries"]
    return entries, []
