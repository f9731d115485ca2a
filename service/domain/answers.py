"""What criteria of events and of questions come to."""

from decimal import Decimal
from typing import Any

from service.domain.catalogue import MEDICATION
from service.domain.codes import AWAITING_RESPONSE, IS_NOT, MET, MISSING_TEST, TOO_OLD, UNANSWERED
from service.domain.comparing import compare, unless_masked
from service.domain.criteria import Criterion
from service.domain.evidence import Occasion
from service.domain.numbers import ONE, Pair
from service.domain.readings import Case, Reading, Use


def event_count(case: Case, criterion: Criterion) -> Reading:
    """Return the number of events of the named kinds, giving way in a trial included."""
    found = [
        one
        for one in case.evidence.events
        if one.kind in criterion.events
        and (criterion.within_days is None or (case.evidence.today - one.on).days <= criterion.within_days)
    ]
    return compare(criterion, Pair(Decimal(len(found))), tuple(("event", one) for one in found))


def answer(case: Case, criterion: Criterion) -> Reading:
    """Return the answer to a question in the judged occasion; an older answer never stands in for it."""
    occasion = case.evidence.judged
    if occasion is None:
        return Reading(MISSING_TEST)
    code = case.staleness(criterion, occasion)
    if code is not None:
        return Reading(code)
    assert criterion.question is not None
    answer = case.worst_answer(criterion.question, occasion.answers.get(criterion.question, ()))
    uses = (("answer", (criterion.question, answer, occasion)),)
    if answer is None:
        return Reading(UNANSWERED, None, uses)
    reading = _answered(criterion, answer, uses)
    is_about_pain = case.criteria.catalogue.questions[criterion.question].is_about_pain
    return unless_masked(reading, case.masking_of(occasion)) if is_about_pain else reading


def _answered(criterion: Criterion, answer: Any, uses: tuple[Use, ...]) -> Reading:
    if criterion.comparator == "is":
        return Reading(MET if _is(answer, criterion.answer) else IS_NOT, None, uses)
    if criterion.comparator is None and not _is_score(answer):
        return Reading(MET, None, uses)
    return compare(criterion, Pair(Decimal(answer)), uses)


def _is(answer: object, wanted: object) -> bool:
    return type(answer) is type(wanted) and answer == wanted


def _is_score(answer: object) -> bool:
    return isinstance(answer, int) and not isinstance(answer, bool)


def morning_rise(case: Case, criterion: Criterion) -> Reading:
    """Return by how much pain at rest rose on the morning after the latest occasion with a test of the class."""
    occasion = next((one for one in reversed(case.evidence.occasions) if _reads(criterion, one)), None)
    if occasion is None:
        return Reading(MISSING_TEST)
    morning, start = case.morning_rise(occasion)
    uses = (("answer", (criterion.question, (start, morning), occasion)),)
    code = case.staleness(criterion, occasion)
    if code is not None:
        return Reading(code, None, uses)
    if morning is None:
        is_over = (case.evidence.as_of_on - occasion.on).days > case.criteria.follow_up_days
        return Reading(TOO_OLD if is_over else AWAITING_RESPONSE, None, uses)
    if start is None:
        return Reading(UNANSWERED, None, uses)
    reading = compare(criterion, Pair(Decimal(morning - start), ONE), uses)
    return unless_masked(reading, case.masking(occasion.morning.get(MEDICATION, ())))


def _reads(criterion: Criterion, occasion: Occasion) -> bool:
    wanted = {test.id for test in criterion.after}
    return any(one.test in wanted for one in occasion.attempts)
