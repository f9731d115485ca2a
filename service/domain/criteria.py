"""A criteria set as the engine reads it, made from a resolved document."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from service.domain.canonical import canonical, digest
from service.domain.catalogue import (
    Catalogue,
    CatalogueTest,
    read_catalogue,
    read_quantity,
)
from service.domain.errors import TARGET_STAGE, UnknownStageError
from service.domain.numbers import ONE, Pair
from service.domain.units import NO_UNIT, PER_CENT, factor

VALUE, INDEX, DIFFERENCE = "value", "limb_symmetry_index", "side_difference"
PERCENT_OF_BASELINE, FAILED_LANDINGS = "percent_of_baseline", "failed_landings"
WORST_PAIN, WORST_INSTABILITY, RISE, COUNT = "worst_pain", "worst_instability", "rise", "count"

TWO_SIDED = frozenset({INDEX, DIFFERENCE})
IN_PER_CENT = frozenset({INDEX, PERCENT_OF_BASELINE})

COMPARATORS = ("at_least", "at_most", "is")
WITHOUT_REFERENCE, WITHOUT_EQUIPMENT = "without_reference", "without_equipment"
DOSES = ("minutes", "efforts")

_PLAIN = Pair(ONE)


@dataclass(frozen=True, slots=True, eq=False)
class Criterion:
    """One requirement: a subject, a metric, and (unless it is only shown) a comparator with its threshold.

    `tests` are the tests it reads, in order; `class_name` the class that named them. `after` are the tests of the
    class that a rise comes after. `unit` is the threshold's; `scale` turns a metric in the test's unit into it.
    `answer` is what `is` asks, `dose` how long a session must be, in minutes or efforts.
    """

    id: str
    subject: str
    metric: str
    tests: tuple[CatalogueTest, ...]
    class_name: str | None
    sessions: tuple[str, ...]
    events: tuple[str, ...]
    question: str | None
    after_named: str | None
    after: tuple[CatalogueTest, ...]
    comparator: str | None
    threshold: Pair | None
    answer: Any
    unit: str
    scale: Pair
    within_days: int | None
    take: str | None
    dose: int | None
    dose_unit: str | None
    without_reference: str | None
    without_equipment: str | None

    @property
    def is_class(self) -> bool:
        """Tell whether its tests were named by a class."""
        return self.class_name is not None

    @property
    def test(self) -> CatalogueTest:
        """Return the one test of a criterion whose subject is `test`."""
        return self.tests[0]

    @property
    def is_two_sided(self) -> bool:
        """Tell whether it compares with the other side."""
        return self.metric in TWO_SIDED

    @property
    def larger_is_worse(self) -> bool:
        """Tell whether a larger figure is the worse one: by the comparator, else by the test."""
        if self.comparator is not None:
            return self.comparator == "at_most"
        return self.metric == DIFFERENCE or (
            self.metric == VALUE and bool(self.tests) and not self.test.higher_is_better
        )

    def meets(self, measured: Pair) -> bool:
        """Tell whether a figure in the threshold's unit is on the right side of it, or on it."""
        if self.threshold is None:
            return True
        side = measured.compare(self.threshold)
        return side >= 0 if self.comparator == "at_least" else side <= 0

    def in_threshold_unit(self, measured: Pair) -> Pair:
        """Return a metric in the test's unit (a ratio for per cent) in the threshold's unit."""
        return measured if self.scale is _PLAIN else measured.times(self.scale)


@dataclass(frozen=True, slots=True)
class Group:
    """Alternatives: `needed` of the parts must be met; `word` is all or any."""

    id: str
    word: str
    parts: tuple[str, ...]
    needed: int
    without_reference: str | None
    without_equipment: str | None


@dataclass(frozen=True, slots=True)
class ReferralQuestion:
    """A question of the referral screen and when it applies (always, by age, or by days since onset)."""

    id: str
    ask: str
    action: str
    age_at_least: int | None
    age_at_most: int | None
    days_since_onset: int | None

    @property
    def is_by_age(self) -> bool:
        """Tell whether it is asked at some ages only."""
        return self.age_at_least is not None or self.age_at_most is not None


@dataclass(frozen=True, slots=True)
class NotTodayRule:
    """What forbids testing today: an answer (`is_`, or a score above or at least a limit), or a recent event."""

    question: str | None
    event: str | None
    is_: Any
    above: int | None
    at_least: int | None
    within_days: int | None

    def forbids(self, answer: Any) -> bool:
        """Tell whether an answer to the rule's question forbids testing; a word is neither above nor below a score."""
        if self.above is not None or self.at_least is not None:
            if isinstance(answer, bool) or not isinstance(answer, int):
                return False
            return answer > self.above if self.above is not None else answer >= (self.at_least or 0)
        return type(answer) is type(self.is_) and bool(answer == self.is_)


@dataclass(frozen=True, slots=True)
class Gate:
    """What entry to a stage asks, and all that follows from it once: computed when the set is read.

    `members` are the criteria asked with their parts and routes; `reads` the tests of all these; `classes` the
    classes of these tests (`loading` is no class); `compares` the two-sided ones and `compared` their tests.
    """

    id: str
    title: str
    asks: tuple[str, ...]
    shows: tuple[str, ...]
    members: frozenset[str]
    reads: frozenset[str]
    classes: frozenset[str]
    reads_loading: bool
    compares: tuple[Criterion, ...]
    compared: tuple[CatalogueTest, ...]
    document: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class RetestRule:
    """When to test again: for each class days after and window in days, inside the bounds."""

    classes: Mapping[str, tuple[int, int]]
    earliest_days: int
    latest_days: int


@dataclass(frozen=True, eq=False)
class CriteriaSet:
    """A criteria set: what decides, ready to be read by the engine; `document` is the resolved whole."""

    id: str
    version: int
    engine: int
    document: Mapping[str, Any]
    digest: str
    catalogue: Catalogue
    criteria: Mapping[str, Criterion | Group]
    gates: Mapping[str, Gate]
    referral: tuple[ReferralQuestion, ...]
    not_today: tuple[NotTodayRule, ...]
    conditions: frozenset[str]
    age_at_least: int | None
    age_at_most: int | None
    accepts_bilateral: bool
    baseline_days: int
    follow_up_after: int
    follow_up_days: int
    sides_index: Pair
    sides_tests: int
    pass_days: int
    pain_stay: int
    rise_stay: int
    adult_from: int | None
    retest: "RetestRule"

    @cached_property
    def stages(self) -> tuple[str, ...]:
        """Return the stages in their order."""
        return tuple(self.gates)

    def gate(self, stage: str | None, *, pointer: str = TARGET_STAGE) -> Gate:
        """Return the gate of a stage; `pointer` is where it was named.

        Raises:
            UnknownStageError: no stage was named, or the set has none of that name.
        """
        if stage is None or stage not in self.gates:
            raise UnknownStageError(stage, self.stages, pointer=pointer)
        return self.gates[stage]


def read_criteria_set(document: Mapping[str, Any]) -> CriteriaSet:
    """Return the criteria set of a resolved document that has passed its check."""
    catalogue = read_catalogue(document["catalogue"])
    criteria = {key: _read_criterion(key, one, catalogue) for key, one in document["criteria"].items()}
    age = document["scope"].get("age", {})
    return CriteriaSet(
        id=document["id"],
        version=document["version"],
        engine=document["engine"],
        document=document,
        digest=digest(canonical(document)),
        catalogue=catalogue,
        criteria=criteria,
        gates={one["id"]: _read_gate(one, criteria) for one in document["stages"]},
        referral=tuple(_read_referral(one) for one in document["referral"]),
        not_today=tuple(_read_rule(one) for one in document["not_today"]),
        conditions=frozenset(document["scope"]["conditions"]),
        age_at_least=age.get("at_least"),
        age_at_most=age.get("at_most"),
        accepts_bilateral=document["scope"]["bilateral"],
        baseline_days=document["baseline"]["valid_days"],
        follow_up_after=document["follow_up"]["after_days"],
        follow_up_days=document["follow_up"]["within_days"],
        sides_index=read_quantity(document["sides_check"]["index"], PER_CENT),
        sides_tests=document["sides_check"]["tests"],
        pass_days=document["stands"]["pass_days"],
        pain_stay=document["pain_rule"]["during"]["stay"],
        rise_stay=document["pain_rule"]["next_morning_rise"]["stay"],
        adult_from=document["scope"].get("adult_from"),
        retest=_read_retest(document["retest"]),
    )


def _read_criterion(key: str, one: Mapping[str, Any], catalogue: Catalogue) -> Criterion | Group:
    routes = {route: one.get(route) for route in (WITHOUT_REFERENCE, WITHOUT_EQUIPMENT)}
    for word in ("all", "any"):
        if word in one:
            needed = len(one[word]) if word == "all" else one.get("needed", 1)
            return Group(key, word, tuple(one[word]), needed, **routes)
    tests = _tests_of(one.get("tests", [one["test"]] if "test" in one else []), catalogue)
    comparator = next((word for word in COMPARATORS if word in one), None)
    is_compared = comparator in {"at_least", "at_most"}
    unit = _unit_of(one, comparator, tests)
    return Criterion(
        id=key,
        subject=next(word for word in ("test", "tests", "sessions", "events", "question") if word in one),
        metric=one["metric"],
        tests=tests,
        class_name=one["tests"] if isinstance(one.get("tests"), str) else None,
        sessions=tuple(one.get("sessions", ())),
        events=tuple(one.get("events", ())),
        question=one.get("question"),
        after_named=one.get("after"),
        after=_tests_of(one.get("after", []), catalogue),
        comparator=comparator,
        threshold=read_quantity(one[comparator], unit) if comparator and is_compared else None,
        answer=one.get("is"),
        unit=unit,
        scale=_scale(one["metric"], tests, unit),
        within_days=one.get("within_days"),
        take=one.get("take"),
        dose=next((one[dose] for dose in DOSES if dose in one), None),
        dose_unit=next((dose for dose in DOSES if dose in one), None),
        **routes,
    )


def _tests_of(named: Any, catalogue: Catalogue) -> tuple[CatalogueTest, ...]:
    if isinstance(named, str):
        return tuple(test for _, test in sorted(catalogue.tests.items()) if test.belongs_to(named))
    return tuple(catalogue.tests[key] for key in named)


def _unit_of(one: Mapping[str, Any], comparator: str | None, tests: tuple[CatalogueTest, ...]) -> str:
    if comparator and isinstance(one[comparator], Mapping):
        return str(one[comparator]["unit"])
    if one["metric"] in IN_PER_CENT:
        return PER_CENT
    in_test_unit = one["metric"] in {VALUE, DIFFERENCE} and tests
    return tests[0].unit if in_test_unit else NO_UNIT


def _scale(metric: str, tests: tuple[CatalogueTest, ...], unit: str) -> Pair:
    if metric in IN_PER_CENT:
        return factor(NO_UNIT, unit)
    if metric in {VALUE, DIFFERENCE} and tests and tests[0].unit != unit:
        return factor(tests[0].unit, unit)
    return _PLAIN


def _read_gate(one: Mapping[str, Any], criteria: Mapping[str, Criterion | Group]) -> Gate:
    members = frozenset(_with_parts_and_routes(one["asks"], criteria))
    plain = [one for one in (criteria[key] for key in sorted(members)) if isinstance(one, Criterion)]
    reads = {test.id: test for criterion in plain for test in (*criterion.tests, *criterion.after)}
    return Gate(
        id=one["id"],
        title=one["title"],
        asks=tuple(one["asks"]),
        shows=tuple(one.get("shows", ())),
        members=members,
        reads=frozenset(reads),
        classes=frozenset(name for test in reads.values() for name in test.classes),
        reads_loading=any(test.is_loading for test in reads.values()),
        compares=tuple(one for one in plain if one.is_two_sided),
        compared=tuple({one.test.id: one.test for one in plain if one.is_two_sided}.values()),
        document=one,
    )


def _with_parts_and_routes(asked: Any, criteria: Mapping[str, Criterion | Group]) -> Iterator[str]:
    for key in asked:
        one = criteria[key]
        yield key
        if isinstance(one, Group):
            yield from one.parts
        for route in (one.without_reference, one.without_equipment):
            if route is not None:
                yield route
                target = criteria[route]
                yield from target.parts if isinstance(target, Group) else ()


def _read_referral(one: Mapping[str, Any]) -> ReferralQuestion:
    when = one.get("when", {})
    age = when.get("age", {})
    return ReferralQuestion(
        id=one["id"],
        ask=one["ask"],
        action=one["action"],
        age_at_least=age.get("at_least"),
        age_at_most=age.get("at_most"),
        days_since_onset=when.get("days_since_onset", {}).get("at_most"),
    )


def _read_rule(one: Mapping[str, Any]) -> NotTodayRule:
    return NotTodayRule(
        question=one.get("question"),
        event=one.get("event"),
        is_=one.get("is"),
        above=one.get("above"),
        at_least=one.get("at_least"),
        within_days=one.get("within_days"),
    )


def _read_retest(document: Mapping[str, Any]) -> RetestRule:
    classes = {key: one for key, one in document.items() if isinstance(one, Mapping) and "after_days" in one}
    return RetestRule(
        classes={key: (one["after_days"], one["window_days"]) for key, one in classes.items()},
        earliest_days=document["bounds"]["earliest_days"],
        latest_days=document["bounds"]["latest_days"],
    )


def subject_of(one: Mapping[str, Any]) -> dict[str, Any]:
    """Return the subject of a criterion's document under its own key, as a decision shows it."""
    keys = ("test", "tests", "sessions", "events", "question", "all", "any")
    return {key: one[key] for key in keys if key in one}
