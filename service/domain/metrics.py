"""The metrics: what each criterion comes to on the evidence, as a Reading with exact figures."""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import NamedTuple

from service.domain import record
from service.domain.answers import answer, event_count, morning_rise
from service.domain.codes import (
    MET,
    MISSING_REFERENCE,
    MISSING_TEST,
    NOT_MET,
    RANK,
    REFERENCE_UNRELIABLE,
    SETUP_DIFFERS,
    SHORT,
    STATUS,
    TOO_FEW_TRIALS,
    UNABLE,
)
from service.domain.comparing import compare, unless_masked, worse, worst_of
from service.domain.criteria import (
    COUNT,
    DIFFERENCE,
    FAILED_LANDINGS,
    INDEX,
    PERCENT_OF_BASELINE,
    RISE,
    VALUE,
    WORST_INSTABILITY,
    WORST_PAIN,
    Criterion,
)
from service.domain.evidence import Measurement
from service.domain.numbers import Pair
from service.domain.readings import Case, Reading, Reference, Use, none_left, occasion_of
from service.domain.sessions import session_count, session_pain, session_rise

LANDINGS = ("balance", "extra_hop")


class Taken(NamedTuple):
    """A measurement that serves a criterion, its value in the test's unit, and what the reading rests on so far."""

    measurement: Measurement
    value: Pair
    uses: tuple[Use, ...]


def read(case: Case, criterion: Criterion) -> Reading:
    """Return what a plain criterion comes to; of two involved sides the worse."""
    if criterion.subject == "test" and not criterion.test.is_sided:
        return _of_test(case, criterion, None)
    if criterion.subject in ("test", "tests"):
        of_side = _of_test if criterion.subject == "test" else _of_tests
        sides = case.evidence.facts.involved
        if len(sides) == 1:
            return of_side(case, criterion, sides[0])
        return worse(criterion, [of_side(case, criterion, side) for side in sides])
    return _SUBJECTS[criterion.subject, criterion.metric](case, criterion)


# One test on one side, or of the person


def _of_test(case: Case, criterion: Criterion, side: str | None) -> Reading:
    test = criterion.test
    one = case.latest(test, side)
    if one is None:
        return Reading(MISSING_TEST)
    uses = (("person" if side is None else "involved", one),)
    code = case.staleness(criterion, occasion_of(one)) or case.stop(one)
    if code is not None:
        return Reading(code, None, uses)
    if one.result == record.UNABLE:
        return Reading(UNABLE, None, uses)
    value = case.value(test, one)
    if value is None:
        return Reading(TOO_FEW_TRIALS, None, uses)
    reading = _METRICS[criterion.metric](case, criterion, Taken(one, value, uses))
    return unless_masked(reading, case.masking_of(occasion_of(one))) if test.is_pain else reading


def _value(_case: Case, criterion: Criterion, taken: Taken) -> Reading:
    return compare(criterion, criterion.in_threshold_unit(taken.value), taken.uses)


def _failed_landings(_case: Case, criterion: Criterion, taken: Taken) -> Reading:
    one = taken.measurement
    if one.summarised is not None or len(one.values) < criterion.test.trials.scored:
        return Reading(TOO_FEW_TRIALS, None, taken.uses)
    failed = sum(cause in LANDINGS for cause in one.invalid)
    return compare(criterion, Pair(Decimal(failed)), taken.uses)


def _percent_of_baseline(case: Case, criterion: Criterion, taken: Taken) -> Reading:
    base = case.baseline(criterion.test, taken.measurement, divides=True)
    return Reading(base.code, None, taken.uses) if base.value is None else _against_baseline(criterion, taken, base)


def _two_sided(case: Case, criterion: Criterion, taken: Taken) -> Reading:
    base = case.baseline(criterion.test, taken.measurement, divides=criterion.metric == INDEX)
    reading = _with_reference(case, criterion, taken, base)
    if base.is_untold and reading.code in (MET, MISSING_REFERENCE):
        return Reading(SETUP_DIFFERS, None, reading.uses)
    return reading


def _with_reference(case: Case, criterion: Criterion, taken: Taken, base: Reference) -> Reading:
    if case.evidence.facts.is_bilateral:
        if base.value is None:
            return Reading(MISSING_REFERENCE, None, taken.uses)
        return _against_baseline(criterion, taken, base)
    if case.other_unknown and not case.other_unusable(taken.measurement):
        return Reading(REFERENCE_UNRELIABLE, None, taken.uses)
    other = case.reference(criterion.test, taken.measurement, divides=criterion.metric == INDEX)
    if other.measurement is not None:
        taken = Taken(taken.measurement, taken.value, (*taken.uses, ("other", other.measurement)))
    if case.other_unusable(taken.measurement):
        return _beside_unusable(case, criterion, taken, other, base)
    if other.code != MET:
        return Reading(other.code, None, taken.uses)
    return _against_both(criterion, taken, other, base)


def _beside_unusable(case: Case, criterion: Criterion, taken: Taken, other: Reference, base: Reference) -> Reading:
    """Return the reading where the other side is no healthy reference.

    Short even against it is not met; otherwise the baseline alone decides.
    """
    if other.value is not None:
        reading = _against_both(criterion, taken, other, base)
        if reading.code in SHORT:
            return reading
    elif base.value is None and not other.is_stopped and other.code in (TOO_FEW_TRIALS, SETUP_DIFFERS):
        return Reading(other.code, None, taken.uses)
    if base.value is None or not case.opposite_was_sent(taken.measurement):
        return Reading(MISSING_REFERENCE, None, taken.uses)
    return _against_baseline(criterion, taken, base)


def _against_both(criterion: Criterion, taken: Taken, other: Reference, base: Reference) -> Reading:
    """Return the comparison with the other side, or with the baseline where its margin is as small or smaller."""
    assert other.value is not None
    measured = ratio_or_difference(criterion, taken.value, other.value)
    side = compare(criterion, measured, taken.uses, "other")
    if base.value is None:
        return side
    against_base = _against_baseline(criterion, taken, base)
    assert against_base.measured is not None
    order = measured.compare(against_base.measured)
    side_is_smaller = order > 0 if criterion.larger_is_worse else order < 0
    return side._replace(uses=against_base.uses) if side_is_smaller else against_base


def _against_baseline(criterion: Criterion, taken: Taken, base: Reference) -> Reading:
    assert base.value is not None
    measured = ratio_or_difference(criterion, taken.value, base.value)
    return compare(criterion, measured, (*taken.uses, ("baseline", base.measurement)), "baseline")


def ratio_or_difference(criterion: Criterion, value: Pair, reference: Pair) -> Pair:
    """Return how a value stands to its reference, by the test's direction, in the threshold's unit."""
    higher = criterion.test.higher_is_better
    if criterion.metric == DIFFERENCE:
        deficit = reference.minus(value) if higher else value.minus(reference)
        return criterion.in_threshold_unit(deficit)
    return criterion.in_threshold_unit(value.over(reference) if higher else reference.over(value))


# The worst over several tests


def _of_tests(case: Case, criterion: Criterion, side: str) -> Reading:
    found: list[Measurement] = []
    left_out: list[str] = []
    for test in criterion.tests:
        one = case.latest(test, side)
        code = MISSING_TEST if one is None else case.staleness(criterion, occasion_of(one))
        if one is not None and code is None:
            found.append(one)
        elif code is not None and not (criterion.is_class and code == MISSING_TEST):
            left_out.append(code)
    if not found:
        return Reading(none_left(left_out))
    uses = tuple(("person" if one.side is None else "involved", one) for one in found)
    reading = _worst_of_tests(case, criterion, found, uses)
    if left_out and not criterion.is_class and STATUS[reading.code] != NOT_MET:
        return Reading(none_left(left_out), None, uses)
    return reading


def _worst_of_tests(case: Case, criterion: Criterion, found: Sequence[Measurement], uses: tuple[Use, ...]) -> Reading:
    stops = [code for code in map(case.stop, found) if code is not None]
    if stops:
        return Reading(min(stops, key=RANK.__getitem__), None, uses)
    if criterion.metric == WORST_INSTABILITY:
        return worst_of(criterion, [one.instability for one in found], uses, [])
    masking = [case.masking_of(occasion_of(one)) for one in found]
    return worst_of(criterion, [one.pain for one in found], uses, masking)


_OfValue = Callable[[Case, Criterion, Taken], Reading]
_METRICS: dict[str, _OfValue] = {
    VALUE: _value,
    FAILED_LANDINGS: _failed_landings,
    INDEX: _two_sided,
    DIFFERENCE: _two_sided,
    PERCENT_OF_BASELINE: _percent_of_baseline,
}
_SUBJECTS: dict[tuple[str, str], Callable[[Case, Criterion], Reading]] = {
    ("sessions", WORST_PAIN): session_pain,
    ("sessions", RISE): session_rise,
    ("sessions", COUNT): session_count,
    ("events", COUNT): event_count,
    ("question", VALUE): answer,
    ("question", RISE): morning_rise,
}
