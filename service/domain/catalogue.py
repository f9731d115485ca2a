"""The test catalogue: tests, questions and kinds of session, as a resolved criteria set carries them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.domain.numbers import EXACT, ONE, Pair
from service.domain.units import NO_UNIT, convert

LEFT, RIGHT, BOTH = "left", "right", "both"
SIDES = (LEFT, RIGHT)
OPPOSITE = {LEFT: RIGHT, RIGHT: LEFT}

PAIN_AT_REST = "pain_at_rest"
MEDICATION = "medication_24h"

LOADING = "loading"
WHOLE_QUANTITIES = frozenset({"count", "score", "pain"})
AVERAGES = frozenset({"mean", "median"})


@dataclass(frozen=True, slots=True)
class Bound:
    """One end of a range, in the unit of what it bounds: at_least, above, at_most or below."""

    word: str
    limit: Pair
    text: str

    @property
    def is_lower(self) -> bool:
        """Tell whether it bounds from below."""
        return self.word in ("at_least", "above")

    def holds(self, value: Pair) -> bool:
        """Tell whether the value is on the right side of this end."""
        side = value.compare(self.limit)
        return side > 0 if self.word == "above" else side < 0 if self.word == "below" else self._touches(side)

    def _touches(self, side: int) -> bool:
        return side >= 0 if self.word == "at_least" else side <= 0


@dataclass(frozen=True, slots=True)
class Trials:
    """How many valid trials are needed, how many are scored and taken, and how they are summarised."""

    minimum: int
    scored: int
    maximum: int
    summary: str


@dataclass(frozen=True, slots=True)
class CatalogueTest:
    """A physical test or a score of the trade; `unit` is its UCUM unit, values below are in it."""

    id: str
    title: str
    quantity: str
    unit: str
    higher_is_better: bool
    is_sided: bool
    is_loading: bool
    classes: frozenset[str]
    trials: Trials
    possible: tuple[Bound, ...]
    plausible: tuple[Bound, ...]
    must_match: tuple[str, ...]
    retest_class: str
    rest_days: int | None
    after: tuple[str, ...]
    protocol: str

    @property
    def is_whole(self) -> bool:
        """Tell whether a single trial is a whole number."""
        return self.quantity in WHOLE_QUANTITIES

    @property
    def is_pain(self) -> bool:
        """Tell whether the test itself is a rating of pain."""
        return self.quantity == "pain"

    def belongs_to(self, name: str) -> bool:
        """Tell whether the test is of a class; `loading` is asked like one."""
        return self.is_loading if name == LOADING else name in self.classes

    def in_unit(self, value: Pair, unit: str | None) -> Pair:
        """Return a value sent in a unit (none: the test's own) in the test's unit."""
        return value if unit is None else convert(value, unit, self.unit)

    def summarise(self, values: Sequence[Decimal]) -> Pair:
        """Return the summary of the scored values, in the unit they have."""
        if self.trials.summary == "best":
            return Pair(max(values) if self.higher_is_better else min(values))
        if self.trials.summary == "median":
            return _median(sorted(values))
        total = values[0]
        for value in values[1:]:
            total = EXACT.add(total, value)
        return Pair(total, Decimal(len(values)) if self.trials.summary == "mean" else ONE)


def _median(ordered: Sequence[Decimal]) -> Pair:
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return Pair(ordered[middle])
    return Pair(EXACT.add(ordered[middle - 1], ordered[middle]), Decimal(2))


@dataclass(frozen=True, slots=True)
class Question:
    """A question with closed answers; those of the session check stand from best to worst."""

    id: str
    title: str
    ask: str
    asked_in: str
    answers: tuple[bool | str, ...]
    scale: tuple[int, int] | None
    is_about_pain: bool
    masks_pain: frozenset[str]

    def takes(self, answer: object) -> bool:
        """Tell whether the answer is on the list or on the scale; True is no 1."""
        if self.scale is not None:
            is_whole = isinstance(answer, int) and not isinstance(answer, bool)
            return is_whole and self.scale[0] <= answer <= self.scale[1]  # type: ignore[operator]
        return any(answer is one or (isinstance(one, str) and answer == one) for one in self.answers)

    @property
    def wanted(self) -> str:
        """Return the list of answers for a message."""
        if self.scale is not None:
            return f"a whole number from {self.scale[0]} to {self.scale[1]}"
        return ", ".join(str(one).lower() if isinstance(one, bool) else one for one in self.answers)

    def worst(self, answers: Sequence[Any]) -> Any:
        """Return the worst of several answers, None of none."""
        if len(answers) <= 1:
            return answers[0] if answers else None
        return max(answers) if self.scale is not None else max(answers, key=self.answers.index)


@dataclass(frozen=True, slots=True)
class SessionKind:
    """A kind of training session; a higher rank is a harder kind, `takes` is minutes or efforts."""

    id: str
    title: str
    takes: str
    rank: int


@dataclass(frozen=True, slots=True)
class Catalogue:
    """What a battery can say: tests, questions and session kinds by id."""

    tests: Mapping[str, CatalogueTest]
    questions: Mapping[str, Question]
    sessions: Mapping[str, SessionKind]


def read_quantity(value: Any, unit: str = NO_UNIT) -> Pair:
    """Return a quantity of a resolved document as a Pair in the unit: `{"value", "unit"}`, whole number or text."""
    if isinstance(value, Mapping):
        return convert(Pair(Decimal(value["value"])), value["unit"], unit)
    return Pair(Decimal(value))


def quantity_text(value: Any) -> str:
    """Return a quantity of a resolved document for people: `1.5 cm`, `10`."""
    return f"{value['value']} {value['unit']}" if isinstance(value, Mapping) else str(value)


def read_catalogue(document: Mapping[str, Any]) -> Catalogue:
    """Return the catalogue that stands in a resolved criteria set."""
    return Catalogue(
        tests={key: _read_test(key, one) for key, one in document["tests"].items()},
        questions={key: _read_question(key, one) for key, one in document["questions"].items()},
        sessions={
            key: SessionKind(key, one["title"], one["takes"], one["rank"]) for key, one in document["sessions"].items()
        },
    )


def _read_test(key: str, one: Mapping[str, Any]) -> CatalogueTest:
    return CatalogueTest(
        id=key,
        title=one["title"],
        quantity=one["quantity"],
        unit=one["unit"],
        higher_is_better=one["better"] == "higher",
        is_sided=one["sides"] == "each",
        is_loading=one["loading"],
        classes=frozenset(one.get("classes", ())),
        trials=Trials(**one["trials"]),
        possible=_read_bounds(one.get("possible", {}), one["unit"]),
        plausible=_read_bounds(one.get("plausible", {}), one["unit"]),
        must_match=tuple(one.get("must_match", ())),
        retest_class=one["retest_class"],
        rest_days=one.get("rest_days"),
        after=tuple(one.get("after", ())),
        protocol=one["protocol"],
    )


def _read_bounds(document: Mapping[str, Any], unit: str) -> tuple[Bound, ...]:
    return tuple(Bound(word, read_quantity(limit, unit), quantity_text(limit)) for word, limit in document.items())


def _read_question(key: str, one: Mapping[str, Any]) -> Question:
    answers = one["answers"]
    is_scale = isinstance(answers, Mapping)
    return Question(
        id=key,
        title=one["title"],
        ask=one["ask"],
        asked_in=one["asked_in"],
        answers=() if is_scale else tuple(answers),
        scale=(answers["at_least"], answers["at_most"]) if is_scale else None,
        is_about_pain=one.get("pain", False),
        masks_pain=frozenset(one.get("masks_pain", ())),
    )
