"""When to test again: one visit at which the gate can pass, what can be done sooner, and the question next morning."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

from service.domain.catalogue import MEDICATION, PAIN_AT_REST, CatalogueTest
from service.domain.codes import (
    ABOVE,
    AWAITING_RESPONSE,
    FINDING_OPEN,
    GAVE_WAY,
    MASKED,
    MET,
    NOT_ASSESSED,
    NOT_MET,
    NOT_TODAY,
    OUTSIDE_SCOPE,
    PAIN_BEYOND_LIMIT,
    SIDES_UNCONFIRMED,
    STATUS,
    UNANSWERED,
)
from service.domain.criteria import COUNT, RISE, WORST_INSTABILITY, WORST_PAIN, Criterion, Group
from service.domain.evidence import Measurement
from service.domain.judging import Judging
from service.domain.numbers import ZERO, Pair
from service.domain.telling import must_state_other_side, rating_of, unanswered
from service.domain.words import about_text, inside, referral_of, retest_because

NOT_DONE, PAIN, SESSIONS, REFERRAL_OUTCOME = "not_done", "pain", "sessions", "referral_outcome"
SOONER = (SESSIONS, REFERRAL_OUTCOME, NOT_DONE)
SINCE_LAST = "since_last"

_STOPS = (GAVE_WAY, PAIN_BEYOND_LIMIT)
_RATINGS = (WORST_PAIN, WORST_INSTABILITY, RISE)
_CLASS_OF_HOLD = {
    FINDING_OPEN: REFERRAL_OUTCOME,
    NOT_TODAY: NOT_TODAY,
    NOT_MET: PAIN,
    NOT_ASSESSED: NOT_DONE,
}


class Unmet(NamedTuple):
    """Something that holds: the class of its interval, its name, what it is in words.

    `tests` must be done again for it; `earliest` is after how many days it can be met at all.
    """

    interval: str
    about: str
    what: str
    tests: Sequence[CatalogueTest] = ()
    earliest: int = 0


class Wait(NamedTuple):
    """After how many days something unmet can be shown, and why not before."""

    days: int
    because: str
    of: Unmet


def propose_retest(judging: Judging, verdict: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the retest that a hold proposes.

    Returns:
        `{after_days, due_on, window_days, because, tests, sooner: [{about, interval, what, after_days, due_on}]}`:
        `tests` are those to be done again. None where the verdict is a pass, testing again would change nothing, or
        nothing need be tested again.
    """
    unmet = list(_unmet(judging, verdict))
    waits = [_wait(judging, one) for one in unmet]
    if not waits:
        return None
    longest = max(waits, key=lambda one: one.days)
    return {
        "after_days": longest.days,
        "due_on": _due_on(judging, longest.days),
        "window_days": judging.criteria.retest.classes[longest.of.interval][1],
        "because": longest.because,
        "tests": sorted({test.id for one in unmet for test in one.tests}),
        "sooner": list(_sooner(judging, waits, longest.days)),
    }


def propose_follow_up(judging: Judging) -> dict[str, Any] | None:
    """Return the question for the morning after an occasion with a loading test, None where nothing is left to ask."""
    evidence, criteria = judging.evidence, judging.criteria
    occasion = evidence.judged
    if occasion is None or not judging.was_loaded(occasion):
        return None
    asks = [question for question in (PAIN_AT_REST, MEDICATION) if question not in occasion.morning]
    if not asks or (evidence.as_of_on - occasion.on).days > criteria.follow_up_days:
        return None
    due_on = occasion.on + timedelta(days=criteria.follow_up_after)
    window = criteria.follow_up_days - criteria.follow_up_after
    return {"due_on": due_on.isoformat(), "window_days": window, "asks": asks}


def unmet_readings(judging: Judging, verdict: Mapping[str, Any]) -> Iterator[Criterion]:
    """Yield the plain criteria that are not met or not assessed: parts of groups, and those judged by a route."""
    for key, part_of, status, _code, _numerator, _denominator, excepted in verdict["reasons"]:
        if part_of is None and status != MET and not excepted:
            yield from _leaves(judging, judging.asked(key).target or key)


def is_mended_at_once(code: str, about: str, judging: Judging) -> bool:
    """Tell whether a hold ends with a word today: a question that needs no testing, or the sides confirmed."""
    return code == SIDES_UNCONFIRMED or (
        code == UNANSWERED and (about == SINCE_LAST or referral_of(about, judging.criteria) is not None)
    )


# When


def _wait(judging: Judging, one: Unmet) -> Wait:
    rule = judging.criteria.retest
    days, because = rule.classes[one.interval][0], retest_because(one.interval, one.what)
    maximal = [test for test in one.tests if test.rest_days is not None]
    rested, resting = max(((_rest_left(judging, test), test.title) for test in maximal), default=(0, ""))
    if rested > days:
        days, because = rested, f"the joint rests between maximal tests: {inside(resting)}"
    days = min(max(days, rule.earliest_days), rule.latest_days)
    return Wait(max(days, one.earliest), because, one)


def _sooner(judging: Judging, waits: Sequence[Wait], last: int) -> Iterator[dict[str, Any]]:
    """Yield what can be done before the retest, each thing once, and none before its own tests have rested."""
    told: set[str] = set()
    for days, _because, one in waits:
        if one.interval in SOONER and days < last and one.what not in told:
            told.add(one.what)
            due_on = _due_on(judging, days)
            yield {
                "about": one.about,
                "interval": one.interval,
                "what": one.what,
                "after_days": days,
                "due_on": due_on,
            }


def _due_on(judging: Judging, days: int) -> str:
    return (judging.evidence.today + timedelta(days=days)).isoformat()


def _rest_left(judging: Judging, test: CatalogueTest) -> int:
    """Return after how many days from today a maximal test may be repeated."""
    dates = [one.on for (name, _), attempts in judging.evidence.attempts.items() if name == test.id for one in attempts]
    return (max(dates) - judging.evidence.today).days + (test.rest_days or 0) if dates else 0


# What


def _unmet(judging: Judging, verdict: Mapping[str, Any]) -> Iterator[Unmet]:
    for kind, code, about in verdict["holds"]:
        if kind != OUTSIDE_SCOPE and not is_mended_at_once(code, about, judging):
            tests = _tests_of_hold(judging, verdict, code, about)
            what = about_text(about, judging.criteria)
            yield Unmet(_CLASS_OF_HOLD[kind], about, what, tests, _after_event(judging, about))
    for one in unmet_readings(judging, verdict):
        code = judging.reading(one).code
        if code != AWAITING_RESPONSE and not must_state_other_side(judging, judging.reading(one)):
            yield _unmet_criterion(judging, one, code)


def _tests_of_hold(judging: Judging, verdict: Mapping[str, Any], code: str, about: str) -> list[CatalogueTest]:
    """Return the tests to be done again for a hold: giving way cancels all that its occasion has shown."""
    named = judging.criteria.gate(verdict["stage"]).reads if code == GAVE_WAY else (about,)
    known = judging.criteria.catalogue.tests
    return [known[name] for name in sorted(named) if name in known]


def _after_event(judging: Judging, about: str) -> int:
    """Return from which day on a reported event no longer forbids testing."""
    return max(
        (
            _days_until(judging, event.on, rule.within_days or 0)
            for rule in judging.criteria.not_today
            for event in judging.evidence.events
            if rule.event == about == event.kind
        ),
        default=0,
    )


def _leaves(judging: Judging, key: str) -> Iterator[Criterion]:
    one = judging.criteria.criteria[key]
    if isinstance(one, Group):
        parts = [judging.criteria.criteria[part] for part in one.parts]
        open_ = [part for part in parts if isinstance(part, Criterion) and judging.reading(part).code != MET]
        told = [part for part in open_ if must_state_other_side(judging, judging.reading(part))]
        # A word about the other side may be enough for the group: then its other parts need not be tested.
        yield from told if len(parts) - len(open_) + len(told) >= one.needed else open_
    else:
        yield one


def _unmet_criterion(judging: Judging, one: Criterion, code: str) -> Unmet:
    is_test = one.subject == "test" and STATUS[code] == NOT_ASSESSED
    what = inside(one.test.title) if is_test else about_text(one.id, judging.criteria)
    return Unmet(_interval(one, code), one.id, what, _again(judging, one, code), _earliest(judging, one))


def _interval(one: Criterion, code: str) -> str:
    if one.subject == "sessions" and (one.metric == COUNT or STATUS[code] == NOT_ASSESSED):
        return SESSIONS
    if STATUS[code] == NOT_ASSESSED:
        return NOT_DONE
    if code in _STOPS or one.metric in _RATINGS or one.subject == "events":
        return PAIN
    return NOT_TODAY if one.subject == "question" else one.test.retest_class


def _again(judging: Judging, one: Criterion, code: str) -> list[CatalogueTest]:
    """Return the tests whose reading must be done again: of a worst rating only those that are in its way."""
    if one.subject != "tests":
        return list(one.tests)
    used = [read for _role, read in judging.reading(one).uses]
    if code in (UNANSWERED, MASKED):
        wrong = {read.test for read in used if unanswered(judging, read, rating_of(one))}
    elif code == ABOVE:
        wrong = {read.test for read in used if _is_too_high(one, read)}
    elif code in _STOPS:
        wrong = {read.test for read in used if judging.stop(read) is not None}
    else:
        wrong = {test.id for test in one.tests} - {read.test for read in used}
    return [test for test in one.tests if test.id in wrong]


def _is_too_high(one: Criterion, read: Measurement) -> bool:
    rating = getattr(read, rating_of(one))
    return rating is None or not one.meets(Pair(ZERO + rating))


def _earliest(judging: Judging, one: Criterion) -> int:
    """Return after how many days a count can be met: the last event too many is behind, the missing days are done."""
    if one.metric != COUNT or one.threshold is None:
        return 0
    allowed = int(one.threshold.numerator // one.threshold.denominator)
    if one.subject == "sessions":
        reached = judging.reading(one).measured
        assert reached is not None
        return max(allowed - int(reached.numerator), 0)
    dates = sorted((read.on for _role, read in judging.reading(one).uses), reverse=True)
    return _days_until(judging, dates[allowed], one.within_days) if one.within_days and allowed < len(dates) else 0


def _days_until(judging: Judging, on: date, within_days: int) -> int:
    """Return after how many days a date lies further back than it may count."""
    return (on - judging.evidence.today).days + within_days + 1
