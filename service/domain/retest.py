"""When to test again: one visit at which the gate can pass, what can be done sooner, and the question next morning."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Any, NamedTuple

from service.domain.catalogue import MEDICATION, PAIN_AT_REST, CatalogueTest
from service.domain.codes import (
    AWAITING_RESPONSE,
    FINDING_OPEN,
    GAVE_WAY,
    MET,
    NOT_ASSESSED,
    NOT_MET,
    NOT_TODAY,
    OUTSIDE_SCOPE,
    PAIN_BEYOND_LIMIT,
    STATUS,
)
from service.domain.criteria import COUNT, RISE, WORST_INSTABILITY, WORST_PAIN, Criterion, Group
from service.domain.judging import Judging
from service.domain.words import inside, retest_because

NOT_DONE, PAIN, SESSIONS, REFERRAL_OUTCOME = "not_done", "pain", "sessions", "referral_outcome"
SOONER = (SESSIONS, REFERRAL_OUTCOME, NOT_DONE)

_STOPS = (GAVE_WAY, PAIN_BEYOND_LIMIT)
_RATINGS = (WORST_PAIN, WORST_INSTABILITY, RISE)
_CLASS_OF_HOLD = {
    FINDING_OPEN: REFERRAL_OUTCOME,
    NOT_TODAY: NOT_TODAY,
    NOT_MET: PAIN,
    NOT_ASSESSED: NOT_DONE,
}


class Unmet(NamedTuple):
    """Something that holds: the class of its interval, its name, the tests that must be done again for it."""

    interval: str
    about: str
    tests: Sequence[CatalogueTest] = ()


def propose_retest(judging: Judging, verdict: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the retest that a hold proposes.

    Returns:
        `{after_days, due_on, window_days, because, sooner: [{about, interval, after_days}]}`, or None where the
        verdict is a pass or testing again would change nothing.
    """
    unmet = list(_unmet(judging, verdict))
    if not unmet:
        return None
    rule = judging.criteria.retest
    longest = max(unmet, key=lambda one: rule.classes[one.interval][0])
    days, window = rule.classes[longest.interval]
    rested, resting = max(
        ((_rest_left(judging, test), test.title) for one in unmet for test in one.tests), default=(0, "")
    )
    because = retest_because(longest.interval, longest.about, judging.criteria)
    if rested > days:
        days, because = rested, f"the joint rests between maximal tests: {inside(resting)}"
    days = min(max(days, rule.earliest_days), rule.latest_days)
    return {
        "after_days": days,
        "due_on": (judging.evidence.today + timedelta(days=days)).isoformat(),
        "window_days": window,
        "because": because,
        "sooner": [
            {"about": one.about, "interval": one.interval, "after_days": rule.classes[one.interval][0]}
            for one in unmet
            if one.interval in SOONER and rule.classes[one.interval][0] < days
        ],
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


def _unmet(judging: Judging, verdict: Mapping[str, Any]) -> Iterator[Unmet]:
    for kind, _code, about in verdict["holds"]:
        if kind != OUTSIDE_SCOPE:
            yield Unmet(_CLASS_OF_HOLD[kind], about)
    for key, part_of, status, _code, _numerator, _denominator, excepted in verdict["reasons"]:
        if part_of is None and status != MET and not excepted:
            judged = judging.asked(key)
            yield from _leaves(judging, judged.target or key, key)


def _leaves(judging: Judging, key: str, about: str) -> Iterator[Unmet]:
    one = judging.criteria.criteria[key]
    if isinstance(one, Group):
        for part in one.parts:
            yield from _leaves(judging, part, about)
        return
    code = judging.reading(one).code
    if code not in (MET, AWAITING_RESPONSE):
        yield Unmet(_interval(one, code), about, [test for test in one.tests if test.rest_days is not None])


def _interval(one: Criterion, code: str) -> str:
    if one.subject == "sessions" and (one.metric == COUNT or STATUS[code] == NOT_ASSESSED):
        return SESSIONS
    if STATUS[code] == NOT_ASSESSED:
        return NOT_DONE
    if code in _STOPS or one.metric in _RATINGS or one.subject == "events":
        return PAIN
    return NOT_TODAY if one.subject == "question" else one.test.retest_class


def _rest_left(judging: Judging, test: CatalogueTest) -> int:
    """Return after how many days from today a maximal test may be repeated."""
    dates = [one.on for (name, _), attempts in judging.evidence.attempts.items() if name == test.id for one in attempts]
    return (max(dates) - judging.evidence.today).days + (test.rest_days or 0) if dates else 0
