"""Which evidence serves a criterion: the measurement, its reference, its baseline, the medication that goes with it."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from service.domain.catalogue import MEDICATION, OPPOSITE, PAIN_AT_REST, SIDES, CatalogueTest
from service.domain.codes import (
    BEFORE_SETBACK,
    GAVE_WAY,
    MASKED,
    MET,
    MISSING_REFERENCE,
    MISSING_TEST,
    PAIN_BEYOND_LIMIT,
    RANK,
    REFERENCE_UNRELIABLE,
    SETUP_DIFFERS,
    TOO_FEW_TRIALS,
    TOO_OLD,
    UNANSWERED,
)
from service.domain.criteria import CriteriaSet, Criterion
from service.domain.evidence import (
    PREVIOUSLY_INJURED,
    SYMPTOMATIC,
    UNKNOWN,
    Evidence,
    Measurement,
    Occasion,
)
from service.domain.numbers import Pair
from service.domain.record import GIVING_WAY, MEASURED, NOT_DONE, PAIN, UNABLE

_UNUSABLE = (PREVIOUSLY_INJURED, SYMPTOMATIC)


Use = tuple[str, Any]
"""A piece of evidence that a reading rests on: its role and what it is."""


class Reading(NamedTuple):
    """What a criterion came to: the code, the figure in the threshold's unit, what it rests on.

    `measured` is None where nothing was compared. `against` is other or baseline in a comparison.
    """

    code: str
    measured: Pair | None = None
    uses: tuple[Use, ...] = ()
    against: str | None = None

    def figure(self) -> tuple[str | None, str | None]:
        """Return the figure in lowest terms as text, two Nones without one."""
        if self.measured is None:
            return None, None
        numerator, denominator = self.measured.lowest_terms()
        return str(numerator), str(denominator)


class Reference(NamedTuple):
    """What a measurement is compared with: met, or the code that says why it is no reference.

    A value can come with reference_unreliable. `is_stopped` says that this side could not give a value, or gave it
    with a stop; `is_untold` that a baseline might match if today's setup were answered.
    """

    code: str
    value: Pair | None = None
    measurement: Measurement | None = None
    is_stopped: bool = False
    is_untold: bool = False


class Case:
    """One evidence under one criteria set, with what several criteria ask of both."""

    def __init__(self, evidence: Evidence, criteria: CriteriaSet) -> None:
        self.evidence = evidence
        self.criteria = criteria
        facts = evidence.facts
        self.other_unknown = facts.other_side == UNKNOWN
        self.other_symptomatic = facts.other_side == SYMPTOMATIC or evidence.other_side_open

        self._values: dict[Measurement, Pair | None] = {}
        medication = criteria.catalogue.questions[MEDICATION]
        self._quiet_medication = frozenset(medication.answers) - medication.masks_pain

    def other_unusable(self, one: Measurement) -> bool:
        """Tell whether the other side was no healthy one when this was measured, or is none now."""
        evidence = self.evidence
        is_injured = evidence.other_side_open or evidence.other_side_was_open(one.on)
        return is_injured or evidence.facts.other_side in _UNUSABLE

    def stops(self, one: Measurement) -> tuple[str, ...]:
        """Return gave_way, pain_beyond_limit, both or none: what makes a measurement a stop.

        A test that the set does not know counts as loading: its pain can't be discarded either.
        """
        is_painful = one.pain is not None and one.pain > self.criteria.pain_stay
        if not one.ended_by and not is_painful:
            return ()
        by_pain = PAIN in one.ended_by or (is_painful and self.is_loading(one.test))
        found = (GAVE_WAY,) if GIVING_WAY in one.ended_by else ()
        return (*found, PAIN_BEYOND_LIMIT) if by_pain else found

    def stop(self, one: Measurement) -> str | None:
        """Return the stop that a criterion reading the measurement tells, None where there is none."""
        return next(iter(self.stops(one)), None)

    def was_shown(self, test: str) -> bool:
        """Tell whether a test was ever attempted, on any side."""
        return any((test, side) in self.evidence.attempts for side in (*SIDES, None))

    def latest(self, test: CatalogueTest, side: str | None) -> Measurement | None:
        """Return the latest attempt at a test on a side (or by the person)."""
        found = self.evidence.attempts.get((test.id, side if test.is_sided else None))
        return found[-1] if found else None

    def staleness(self, criterion: Criterion, occasion: Occasion) -> str | None:
        """Return why an occasion no longer serves a criterion, None where it does."""
        if occasion.cancelled:
            return BEFORE_SETBACK
        if criterion.within_days is None:
            return None if occasion is self.evidence.judged else TOO_OLD
        return TOO_OLD if (self.evidence.today - occasion.on).days > criterion.within_days else None

    def attempted_lately(self, criterion: Criterion, test: CatalogueTest, side: str | None) -> bool:
        """Tell whether a test was attempted within the criterion's days and after the last setback."""
        one = self.latest(test, side)
        return one is not None and self.staleness(criterion, occasion_of(one)) is None

    def masking(self, answers: Sequence[str]) -> str | None:
        """Return unanswered or masked where the medication answers do not let pain be read."""
        if not answers:
            return UNANSWERED
        return MASKED if any(self.masks(answer) for answer in answers) else None

    def masks(self, answer: str) -> bool:
        """Tell whether a medication masks pain; one that the set does not know may, and so counts as masking."""
        return answer not in self._quiet_medication

    def masking_of(self, occasion: Occasion) -> str | None:
        """Return `masking` of an occasion's own medication answer."""
        return self.masking(occasion.answers.get(MEDICATION, ()))

    def worst_answer(self, question: str, answers: Sequence[Any]) -> Any:
        """Return the worst of several answers to a question, None of none.

        None also where one of them is no answer of the set's: how bad that is nobody can tell, so it is not read.
        """
        known = self.criteria.catalogue.questions[question]
        return known.worst(answers) if all(map(known.takes, answers)) else None

    def morning_rise(self, occasion: Occasion) -> tuple[int | None, int | None]:
        """Return pain at rest on the morning after an occasion, and at its start: the worse, the lower."""
        morning = occasion.morning.get(PAIN_AT_REST)
        start = occasion.answers.get(PAIN_AT_REST)
        return max(morning) if morning else None, min(start) if start else None

    def was_loaded(self, occasion: Occasion) -> bool:
        """Tell whether a loading test was attempted on an involved side or by the person."""
        return any(self.is_loading(one.test) for one in occasion.attempts)

    def is_loading(self, test: str) -> bool:
        """Tell whether a test is loading; one that the set does not know counts as such."""
        return self.is_known_loading(test) or not self.knows(test)

    def is_known_loading(self, test: str) -> bool:
        """Tell whether the set says that a test is loading: what a stop makes wait for can only be shown by such."""
        known = self.criteria.catalogue.tests.get(test)
        return known is not None and known.is_loading

    def knows(self, test: str) -> bool:
        """Tell whether the set knows a test: the record may hold tests of an older version, or of another set."""
        return test in self.criteria.catalogue.tests

    def opposite(self, one: Measurement) -> Measurement | None:
        """Return what was sent of the other side in the same occasion."""
        return occasion_of(one).measurements.get((one.test, OPPOSITE[one.side])) if one.side else None

    def opposite_was_sent(self, one: Measurement) -> bool:
        """Tell whether the other side was measured too, or sent as unable or not done."""
        other = self.opposite(one)
        return other is not None and other.result in (MEASURED, UNABLE, NOT_DONE)

    def value(self, test: CatalogueTest, one: Measurement) -> Pair | None:
        """Return a measurement's summary in the test's unit, None with too few valid trials."""
        if one not in self._values:
            self._values[one] = _value(test, one)
        return self._values[one]

    def reference(self, test: CatalogueTest, one: Measurement, *, divides: bool) -> "Reference":
        """Return the other side's value beside a measurement, with the code that says what is wrong with it."""
        other = self.opposite(one)
        if other is None or not other.is_attempt:
            return Reference(MISSING_REFERENCE)
        if other.result == UNABLE:
            return Reference(REFERENCE_UNRELIABLE, measurement=other, is_stopped=True)
        is_stopped = bool(other.ended_by) or (other.pain or 0) > self.criteria.pain_stay
        value = self.value(test, other)
        if value is None:
            return Reference(TOO_FEW_TRIALS, measurement=other, is_stopped=is_stopped)
        if divides and not value.numerator:
            return Reference(REFERENCE_UNRELIABLE, measurement=other, is_stopped=True)
        if not _same_setup(test, one, other):
            return Reference(REFERENCE_UNRELIABLE if is_stopped else SETUP_DIFFERS, measurement=other)
        return Reference(REFERENCE_UNRELIABLE if is_stopped else MET, value, other, is_stopped=is_stopped)

    def baseline(self, test: CatalogueTest, one: Measurement, *, divides: bool) -> "Reference":
        """Return the latest valid baseline value for a measurement, or the code that says why there is none."""
        found = Reference(MISSING_REFERENCE)
        for base in self.evidence.baselines.get((test.id, one.side), ()):
            value = self.value(test, base)
            if (
                value is None
                or self.stop(base) is not None
                or (divides and not value.numerator)
                or (self.evidence.today - base.on).days > self.criteria.baseline_days
            ):
                continue
            setup = _setup_across(test, one, base)
            if setup == MET:
                return Reference(MET, value, base)
            found = Reference(SETUP_DIFFERS, is_untold=found.is_untold or setup == UNANSWERED)
        return found


def _value(test: CatalogueTest, one: Measurement) -> Pair | None:
    if one.trials_valid < test.trials.minimum or not one.values:
        return None
    if one.summarised is not None:
        return test.in_unit(Pair(one.values[0]), one.unit)
    return test.in_unit(test.summarise(one.values[: test.trials.scored]), one.unit)


def none_left(codes: Sequence[str]) -> str:
    """Return the code where none is left: before_setback or too_old if there was one, else missing_test."""
    return min(codes, key=RANK.__getitem__) if codes else MISSING_TEST


def occasion_of(one: Measurement) -> Occasion:
    """Return the occasion of a measurement that is no baseline."""
    assert one.occasion is not None
    return one.occasion


def _same_setup(test: CatalogueTest, one: Measurement, other: Measurement) -> bool:
    """Tell whether two sides of one occasion have equal answers on what the test must match; absent on both matches."""
    return all(one.setup.get(key) == other.setup.get(key) for key in test.must_match)


def _setup_across(test: CatalogueTest, now: Measurement, base: Measurement) -> str:
    """Return met where a measurement matches a baseline's setup, setup_differs where it does not.

    What was absent at the baseline never matches. What is absent now only is unanswered: it may be the same setup, and
    leaving an answer out must not take a baseline away.
    """
    answers = [(now.setup.get(key), base.setup.get(key)) for key in test.must_match]
    if any(then is None or (today is not None and today != then) for today, then in answers):
        return SETUP_DIFFERS
    return UNANSWERED if any(today is None for today, _then in answers) else MET
