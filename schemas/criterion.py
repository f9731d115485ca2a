"""One criterion of a set: a subject, a metric and a limit; or a group of criteria; or something only shown."""

from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import fields
from marshmallow.validate import Length

from schemas.battery import SETBACK_KINDS
from schemas.catalogue import CLASSES, MOST_DAYS, MOST_POINTS
from schemas.document import list_of
from schemas.fields import Answer, Choice, Text, Whole, name, slug
from schemas.quantities import Quantity
from schemas.rules import Broken, RuledSchema
from schemas.support import EVIDENCE, citations, support

LOADING = "loading"
TEST_CLASSES = (LOADING, *CLASSES)
SUBJECTS = ("test", "tests", "sessions", "events", "question")
GROUPS = ("all", "any")
COMPARATORS = ("at_least", "at_most", "is")
PAIN_AT_REST = "pain_at_rest"

METRICS: dict[str, tuple[str, ...]] = {
    "value": ("test", "question"),
    "limb_symmetry_index": ("test",),
    "side_difference": ("test",),
    "percent_of_baseline": ("test",),
    "failed_landings": ("test",),
    "worst_pain": ("tests", "sessions"),
    "worst_instability": ("tests",),
    "rise": ("question", "sessions"),
    "count": ("sessions", "events"),
}
TAKING = ("worst_pain", "rise")
ONLY_SESSIONS = ("take", "minutes", "efforts")
ONLY_PLAIN = (*COMPARATORS, "metric", "within_days", "after", *ONLY_SESSIONS)
ASKED_NEED = ("evidence", "grade", "why", "work_on")


class NamedTests(fields.Field[Any]):
    """A list of tests, or a class of them in one word."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> Any:
        if isinstance(value, str):
            return Choice(TEST_CLASSES).deserialize(value, attr, data)
        return _names(name()).deserialize(value, attr, data)


def _names(inner: fields.Field[Any]) -> fields.List[Any]:
    some = Length(min=1, error="missing: one name at least is wanted")
    return list_of(inner, validate=some)


class CriterionSchema(RuledSchema):
    """One criterion, kept under its name."""

    test = name()
    tests = NamedTests()
    sessions = _names(name())
    events = _names(Choice(SETBACK_KINDS))
    question = name()
    all = _names(slug())
    any = _names(slug())
    needed = Whole(least=1, most=MOST_POINTS)
    metric = Choice(METRICS)
    take = Choice(("latest", "hardest"))
    minutes = Whole(least=1, most=MOST_POINTS)
    efforts = Whole(least=1, most=MOST_POINTS)
    after = Choice(TEST_CLASSES)
    at_least = Quantity()
    at_most = Quantity()
    exactly = Answer(data_key="is", attribute="is")
    within_days = Whole(least=0, most=MOST_DAYS)
    without_reference = slug()
    without_equipment = slug()
    evidence = Choice(EVIDENCE)
    sources = citations()
    see = citations()
    grade = Choice(("A", "B", "C"))
    why = Text()
    work_on = Text()

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse keys that do not go together."""
        kinds = [key for key in (*SUBJECTS, *GROUPS) if key in sent]
        if not kinds:
            listed = ", ".join(SUBJECTS)
            yield Broken((), f"missing: a criterion has one subject ({listed}) or is a group (all, any)")
        for key in kinds[1:]:
            mend = f"{kinds[0]} stands here too; a criterion has one subject or is one group"
            yield Broken((key,), f"conflicts: {mend}")
        if kinds and kinds[0] in GROUPS:
            yield from _group_rules(sent, kinds[0])
        elif kinds:
            yield from _plain_rules(sent)
            yield from _metric_rules(loaded, sent, kinds[0])
        if "sources" in sent or any(key in sent for key in COMPARATORS):
            yield from support(sent)


def _group_rules(sent: Mapping[str, Any], group: str) -> Iterator[Broken]:
    for key in ONLY_PLAIN:
        if key in sent:
            yield Broken((key,), f"conflicts: a group has no {key}; give it to its parts")
    if "needed" in sent and group == "all":
        yield Broken(("needed",), "conflicts: all needs every part; write any, or take needed out")


def _plain_rules(sent: Mapping[str, Any]) -> Iterator[Broken]:
    if "needed" in sent:
        yield Broken(("needed",), "conflicts: only a group (any) has needed; take it out")
    comparators = [key for key in COMPARATORS if key in sent]
    for key in comparators[1:]:
        yield Broken((key,), f"conflicts: {comparators[0]} stands here too; keep one comparator")
    for key in ASKED_NEED if comparators else ():
        if key not in sent:
            yield Broken((key,), f"missing: a criterion with a threshold says its {key}")
    if not comparators and "why" not in sent:
        yield Broken(("why",), "missing: a criterion that is only shown says why")
    if "metric" not in sent:
        yield Broken(("metric",), "missing: a criterion names its metric")


def _metric_rules(loaded: Mapping[str, Any], sent: Mapping[str, Any], subject: str) -> Iterator[Broken]:
    metric = loaded.get("metric")
    if metric is None:
        return
    if subject not in METRICS[metric]:
        goes = " or ".join(METRICS[metric])
        mend = f"{metric} goes with {goes}, not with {subject}; choose another metric or subject"
        yield Broken(("metric",), f"conflicts: {mend}")
        return
    if "is" in sent and (subject, metric) != ("question", "value"):
        yield Broken(("is",), "conflicts: is goes with the value of a question; write at_least or at_most")
    yield from _session_rules(sent, subject, metric)
    yield from _rise_rules(sent, rises=(subject, metric) == ("question", "rise"))


def _session_rules(sent: Mapping[str, Any], subject: str, metric: str) -> Iterator[Broken]:
    if subject in ("sessions", "events") and "within_days" not in sent:
        yield Broken(("within_days",), f"missing: say how many days back {subject} count")
    if "minutes" in sent and "efforts" in sent:
        yield Broken(("efforts",), "conflicts: minutes stands here too; keep the one that the sessions take")
    for key in ONLY_SESSIONS:
        if key in sent and subject != "sessions":
            yield Broken((key,), f"conflicts: {key} goes with sessions; take it out")
    if subject == "sessions" and metric in TAKING and "take" not in sent:
        yield Broken(("take",), f"missing: say which sessions {metric} is taken of, latest or hardest")
    if subject == "sessions" and metric not in TAKING and "take" in sent:
        yield Broken(("take",), "conflicts: a count takes every session; take it out")


def _rise_rules(sent: Mapping[str, Any], *, rises: bool) -> Iterator[Broken]:
    if "after" in sent and not rises:
        yield Broken(("after",), "conflicts: after goes with the rise of a question; take it out")
    if rises and "after" not in sent:
        yield Broken(("after",), "missing: say after which class of tests the rise is asked, such as hops")
    if rises and sent["question"] != PAIN_AT_REST:
        mend = f"only {PAIN_AT_REST} is asked before and on the morning after; name it"
        yield Broken(("question",), f"conflicts: {mend}")
