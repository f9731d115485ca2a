"""What holds a gate beside its criteria: findings, not today, scope, stops, what was not answered, swapped sides."""

from collections.abc import Iterator

from service.domain import record
from service.domain.catalogue import MEDICATION, PAIN_AT_REST
from service.domain.codes import (
    AGE_UNKNOWN,
    DEFERRED,
    FINDING_OPEN,
    NOT_ASSESSED,
    NOT_MET,
    NOT_TODAY,
    OUTSIDE_SCOPE,
    PAIN_BEYOND_LIMIT,
    SIDES_UNCONFIRMED,
    UNANSWERED,
)
from service.domain.criteria import Gate, NotTodayRule, ReferralQuestion
from service.domain.evidence import Evidence, Measurement, Occasion
from service.domain.judging import Judging
from service.domain.numbers import HUNDRED, Pair
from service.domain.readings import occasion_of

Hold = tuple[str, str, str]


def holds_of(judging: Judging, gate: Gate) -> Iterator[Hold]:
    """Yield everything beside the criteria that holds a gate, in any order and perhaps twice."""
    for finding in judging.evidence.findings:
        yield FINDING_OPEN, FINDING_OPEN, finding.question
    yield from _outside_scope(judging)
    yield from _unanswered_screen(judging, gate)
    if gate.reads_loading:
        yield from _not_today(judging, gate)
        yield from stops(judging, gate)
    elif gate.reads:
        yield from standing_stops(judging, gate, own=judging.evidence.judged)
    yield from _sides_unconfirmed(judging, gate)


def _outside_scope(judging: Judging) -> Iterator[Hold]:
    criteria, evidence = judging.criteria, judging.evidence
    if evidence.facts.condition not in criteria.conditions:
        yield OUTSIDE_SCOPE, OUTSIDE_SCOPE, "conditions"
    if evidence.facts.is_bilateral and not criteria.accepts_bilateral:
        yield OUTSIDE_SCOPE, OUTSIDE_SCOPE, "bilateral"
    if criteria.age_at_least is None and criteria.age_at_most is None:
        return
    if evidence.ages is None:
        yield OUTSIDE_SCOPE, AGE_UNKNOWN, "age"
    elif not _fits(evidence.ages, criteria.age_at_least, criteria.age_at_most):
        yield OUTSIDE_SCOPE, OUTSIDE_SCOPE, "age"


def _fits(ages: tuple[int, int], at_least: int | None, at_most: int | None) -> bool:
    """Tell whether the youngest age fits the minimum and the oldest the maximum."""
    return (at_least is None or ages[0] >= at_least) and (at_most is None or ages[1] <= at_most)


def _unanswered_screen(judging: Judging, gate: Gate) -> Iterator[Hold]:
    evidence = judging.evidence
    for question in screen_due(judging):
        yield NOT_ASSESSED, UNANSWERED, question.id
    if gate.asks and (evidence.judged is None or not evidence.judged.since_last_told):
        yield NOT_ASSESSED, UNANSWERED, "since_last"


def screen_due(judging: Judging) -> Iterator[ReferralQuestion]:
    """Yield the questions of the referral screen that are still to be answered: once, and after each re-injury."""
    evidence = judging.evidence
    answered = {question for one in evidence.occasions if not one.before_reinjury for question in one.referral}
    for question in judging.criteria.referral:
        if question.id not in answered and applies(question, evidence):
            yield question


def applies(question: ReferralQuestion, evidence: Evidence) -> bool:
    """Tell whether a question of the referral screen applies today; either of two ages that fits asks it."""
    if question.is_by_age and evidence.ages is not None:
        youngest, oldest = evidence.ages
        if question.age_at_most is not None and youngest > question.age_at_most:
            return False
        if question.age_at_least is not None and oldest < question.age_at_least:
            return False
    if question.days_since_onset is None:
        return True
    since = max(
        record.last_day(evidence.facts.onset_on),
        evidence.reinjured_on or record.last_day(evidence.facts.onset_on),
    )
    return (evidence.today - since).days <= question.days_since_onset


def _not_today(judging: Judging, gate: Gate) -> Iterator[Hold]:
    judged = judging.evidence.judged
    for rule in judging.criteria.not_today:
        if rule.question is not None:
            yield from _not_today_answer(judging, rule, rule.question)
        elif _happened_lately(judging.evidence, rule):
            yield NOT_TODAY, NOT_TODAY, str(rule.event)
    for one in judged.measurements.values() if judged is not None else ():
        if one.result == record.DEFERRED and one.test in gate.reads:
            yield NOT_TODAY, DEFERRED, one.test


def _not_today_answer(judging: Judging, rule: NotTodayRule, question: str) -> Iterator[Hold]:
    """Yield the hold of an answer at the start, or on the morning after.

    Not answered at the start, or with an answer that the set does not know, holds too.
    """
    judged = judging.evidence.judged
    start = judged.answers.get(question, ()) if judged is not None else ()
    morning = judged.morning.get(question, ()) if judged is not None else ()
    if judging.worst_answer(question, start) is None:
        yield NOT_ASSESSED, UNANSWERED, question
    if any(rule.forbids(answer) for answer in (*start, *morning)):
        yield NOT_TODAY, NOT_TODAY, question


def _happened_lately(evidence: Evidence, rule: NotTodayRule) -> bool:
    """Tell whether the event was reported, or seen in a trial of another occasion, within the rule's days."""
    return any(
        one.kind == rule.event
        and (one.occasion is None or one.occasion is not evidence.judged)
        and (evidence.today - one.on).days <= (rule.within_days or 0)
        for one in evidence.events
    )


def stops(judging: Judging, gate: Gate) -> Iterator[Hold]:
    """Yield the stops of the judged occasion, and what still stands of the others."""
    judged = judging.evidence.judged
    for one in judged.attempts if judged is not None else ():
        for code in judging.stops(one):
            yield NOT_MET, code, one.test
    if _is_bad_morning_open(judging):
        yield NOT_MET, PAIN_BEYOND_LIMIT, PAIN_AT_REST
    yield from standing_stops(judging, gate, own=judged)


def standing_stops(judging: Judging, gate: Gate, *, own: Occasion | None) -> Iterator[Hold]:
    """Yield the stops for pain of other occasions that no later quiet attempt of the same class has lifted."""
    evidence = judging.evidence
    everything = (*evidence.occasions, *evidence.later)
    for place, occasion in enumerate(everything):
        if occasion is own:
            continue
        for one in occasion.attempts:
            if (
                PAIN_BEYOND_LIMIT in judging.stops(one)
                and _concerns(judging, gate, one.test)
                and not any(_lifts(judging, later, one) for later in everything[place + 1 :])
            ):
                yield NOT_MET, PAIN_BEYOND_LIMIT, one.test


def _concerns(judging: Judging, gate: Gate, test: str) -> bool:
    """Tell whether a gate reads the test, or another of its classes.

    A test that the set does not know may be of any class: it concerns every gate that reads a loading test. A set of
    today then can't lose a stop of yesterday because its version no longer has the test.
    """
    known = judging.criteria.catalogue.tests.get(test)
    return gate.reads_loading if known is None else test in gate.reads or bool(known.classes & gate.classes)


def _lifts(judging: Judging, later: Occasion, stopped: Measurement) -> bool:
    """Tell whether a later occasion shows the stopped test, or one of its classes, done quietly on that side.

    Quiet is a valid trial, no stop, unmasked, and where the test is loading its pain answered: what was not asked is
    not known to be quiet.
    """
    if judging.masking_of(later) is not None:
        return False
    for one in later.attempts:
        if not one.values or stopped.side not in (None, one.side):
            continue
        is_answered = one.pain is not None or not judging.is_loading(one.test)
        if is_answered and _is_alike(judging, one.test, stopped.test) and judging.stop(one) is None:
            return True
    return False


def _is_alike(judging: Judging, test: str, stopped: str) -> bool:
    """Tell whether a test can show what a stopped one left open: itself, or one of its classes.

    The stop of a test that the set does not know ends with any loading test that it knows, since the test itself may
    no longer be offered; a test that the set does not know shows nothing of another.
    """
    known, other = judging.criteria.catalogue.tests.get(test), judging.criteria.catalogue.tests.get(stopped)
    if test == stopped or known is None:
        return test == stopped
    return known.is_loading if other is None else bool(known.classes & other.classes)


def _is_bad_morning_open(judging: Judging) -> bool:
    """Tell whether pain rose too far on the morning after loading, and no later quiet morning has followed."""
    evidence = judging.evidence
    is_open = False
    for occasion in (*evidence.occasions, *evidence.later):
        if not judging.was_loaded(occasion):
            continue
        morning, start = judging.morning_rise(occasion)
        if morning is None:
            continue
        if morning - (start or 0) > judging.criteria.rise_stay:
            is_open = True
        elif judging.masking(occasion.morning.get(MEDICATION, ())) is None and _was_surely_loaded(judging, occasion):
            is_open = False
    return is_open


def _was_surely_loaded(judging: Judging, occasion: Occasion) -> bool:
    """Tell whether an occasion had a loading test that the set knows: after another a quiet morning shows nothing."""
    return any(judging.is_known_loading(one.test) for one in occasion.attempts)


def _sides_unconfirmed(judging: Judging, gate: Gate) -> Iterator[Hold]:
    """Yield the occasions read by a two-sided criterion in which left and right look swapped."""
    if judging.evidence.facts.is_bilateral or not gate.compares:
        return
    for occasion in _compared_in(judging, gate):
        if not occasion.sides_confirmed and _look_swapped(judging, gate, occasion):
            yield NOT_ASSESSED, SIDES_UNCONFIRMED, occasion.on.isoformat()


def _compared_in(judging: Judging, gate: Gate) -> list[Occasion]:
    found: dict[int, Occasion] = {}
    side = judging.evidence.facts.involved[0]
    for one in gate.compares:
        latest = judging.latest(one.test, side)
        if latest is not None and judging.staleness(one, occasion_of(latest)) is None:
            found[id(latest.occasion)] = occasion_of(latest)
    return list(found.values())


def _look_swapped(judging: Judging, gate: Gate, occasion: Occasion) -> bool:
    involved, opposite = judging.evidence.facts.involved[0], judging.evidence.facts.opposite
    compared = better = 0
    for test in gate.compared:
        one = occasion.measurements.get((test.id, involved))
        other = occasion.measurements.get((test.id, opposite))
        if one is None or other is None:
            continue
        if not judging.other_symptomatic and (other.pain or 0) > (one.pain or 0):
            return True
        value, reference = judging.value(test, one), judging.value(test, other)
        if value is not None and reference is not None:
            compared += 1
            above, below = (value, reference) if test.higher_is_better else (reference, value)
            better += _is_much_better(above, below, judging.criteria.sides_index)
    return 0 < min(judging.criteria.sides_tests, compared) <= better


def _is_much_better(above: Pair, below: Pair, index: Pair) -> bool:
    """Tell whether 100 x above / below is at or over the index, without dividing: below may be 0."""
    return bool(above.numerator) and above.times(Pair(HUNDRED)).compare(below.times(index)) >= 0
