"""What criteria of sessions come to: worst pain, the next morning, days trained."""

from decimal import Decimal

from service.domain.codes import AWAITING_RESPONSE, BEFORE_SETBACK, MET, MISSING_TEST, NOT_MET, STATUS, TOO_OLD
from service.domain.comparing import compare, worst_of
from service.domain.criteria import Criterion
from service.domain.evidence import Session
from service.domain.numbers import Pair
from service.domain.readings import Case, Reading, none_left


def _sessions_taken(case: Case, criterion: Criterion) -> tuple[list[Session], str]:
    """Return the sessions that `take` names, or none and why."""
    named = [one for one in case.evidence.sessions if one.kind in criterion.sessions]
    asked = [one for one in named if _has_dose(criterion, one)]
    lately = [one for one in asked if _session_staleness(case, criterion, one) is None]
    if not lately:
        return [], none_left([_session_staleness(case, criterion, one) or MISSING_TEST for one in asked])
    if criterion.take == "hardest":
        ranks = case.criteria.catalogue.sessions
        highest = max(ranks[one.kind].rank for one in lately)
        lately = [one for one in lately if ranks[one.kind].rank == highest]
    on = max(one.on for one in lately)
    return [one for one in named if one.on > on or (one.on == on and one in lately)], MET


def _has_dose(criterion: Criterion, one: Session) -> bool:
    return criterion.dose is None or (one.dose is not None and one.dose >= criterion.dose)


def _session_staleness(case: Case, criterion: Criterion, one: Session) -> str | None:
    if one.cancelled:
        return BEFORE_SETBACK
    days = criterion.within_days
    return TOO_OLD if days is not None and (case.evidence.today - one.on).days > days else None


def session_pain(case: Case, criterion: Criterion) -> Reading:
    """Return the worst pain of the sessions taken."""
    taken, code = _sessions_taken(case, criterion)
    if not taken:
        return Reading(code)
    uses = tuple(("session", one) for one in taken)
    masking = [case.masking(one.medication) for one in taken]
    return worst_of(criterion, [one.worst_pain for one in taken], uses, masking)


def session_rise(case: Case, criterion: Criterion) -> Reading:
    """Return the worst rise on the mornings after the sessions taken."""
    taken, code = _sessions_taken(case, criterion)
    if not taken:
        return Reading(code)
    uses = tuple(("session", one) for one in taken)
    masking = [case.masking(one.medication) for one in taken]
    reading = worst_of(criterion, [one.next_morning_rise for one in taken], uses, masking)
    if STATUS[reading.code] != NOT_MET and any(one.next_morning_rise is None for one in taken):
        return Reading(AWAITING_RESPONSE, None, uses)
    return reading


def session_count(case: Case, criterion: Criterion) -> Reading:
    """Return the number of days with a session as asked, all of whose sessions of these kinds were tolerated."""
    named = [one for one in case.evidence.sessions if one.kind in criterion.sessions]
    stay = case.criteria.pain_stay
    not_tolerated = {one.on for one in named if one.worst_pain is None or one.worst_pain > stay}
    counted = [
        one
        for one in named
        if _has_dose(criterion, one)
        and _session_staleness(case, criterion, one) is None
        and one.on not in not_tolerated
    ]
    days = len({one.on for one in counted})
    return compare(criterion, Pair(Decimal(days)), tuple(("session", one) for one in counted))
