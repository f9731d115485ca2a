"""What stands behind a code without a figure: the reading, the answer or the side that it comes from, in words."""

from collections.abc import Iterator, Sequence
from typing import Any

from service.domain.catalogue import MEDICATION, PAIN_AT_REST
from service.domain.codes import (
    FINDING_OPEN,
    GAVE_WAY,
    MASKED,
    NOT_TODAY,
    PAIN_BEYOND_LIMIT,
    REFERENCE_UNRELIABLE,
    UNANSWERED,
)
from service.domain.criteria import RISE, WORST_INSTABILITY, Criterion
from service.domain.evidence import Measurement, Occasion, Session
from service.domain.judging import Judging
from service.domain.readings import Reading, occasion_of
from service.domain.record import GIVING_WAY, UNABLE
from service.domain.words import answer_text, code_text, hold_statement, inside, listed, referral_of, title_of

OTHER_SIDE_UNKNOWN = "the other side is stated as unknown; say whether it is healthy, previously injured or symptomatic"

_STOPS = (GAVE_WAY, PAIN_BEYOND_LIMIT)


def because(judging: Judging, one: Criterion, reading: Reading) -> str:
    """Return what a code without a figure says of a criterion, with the reading behind it where there is one."""
    code = reading.code
    found: list[str] = []
    if code in _STOPS:
        found = [_stop(judging, used, code) for used in _tried(reading) if code in judging.stops(used)]
    elif code == UNANSWERED:
        found = list(_unanswered(judging, one, reading))
    elif code == MASKED:
        found = list(_masked(judging, one, reading))
    elif code == REFERENCE_UNRELIABLE:
        found = [_unreliable(judging, reading)]
    return listed(list(dict.fromkeys(found))) or code_text(one, code)


def hold_text(judging: Judging, code: str, about: str) -> str:
    """Return the sentence of a hold, with the answer or the reading behind it."""
    if code in _STOPS:
        return f"Stopped: {listed(list(dict.fromkeys(_stopped(judging, code, about))))}."
    if code == NOT_TODAY:
        found = list(dict.fromkeys(_forbidden(judging, about)))
        if found:
            return f"Not today: {listed(found)}."
    return hold_statement(code, about, judging.criteria)


def hold_action(judging: Judging, code: str, about: str) -> str | None:
    """Return what an open finding asks to be done, None for every other hold and a question of another set."""
    question = referral_of(about, judging.criteria) if code == FINDING_OPEN else None
    return None if question is None else question.action


def must_state_other_side(judging: Judging, reading: Reading) -> bool:
    """Tell whether a reading lacks nothing but a word about the other side."""
    is_unreliable = reading.code == REFERENCE_UNRELIABLE and judging.other_unknown
    return is_unreliable and not judging.other_unusable(reading.uses[0][1])


def unanswered(judging: Judging, one: Measurement, rating: str) -> bool:
    """Tell whether a rating of a measurement can't be read: not given, or pain beside medication."""
    return getattr(one, rating) is None or (rating == "pain" and judging.masking_of(occasion_of(one)) is not None)


def rating_of(one: Criterion) -> str:
    """Return which rating of a measurement a criterion over several tests reads."""
    return "instability" if one.metric == WORST_INSTABILITY else "pain"


# Stops


def _tried(reading: Reading) -> list[Measurement]:
    return [one for role, one in reading.uses if role in ("involved", "person") and isinstance(one, Measurement)]


def _place(judging: Judging, one: Measurement) -> str:
    title = inside(title_of(one.test, judging.criteria))
    return title if one.side is None else f"{title}, {one.side}"


def _stop(judging: Judging, one: Measurement, code: str) -> str:
    where = _place(judging, one)
    if code == GAVE_WAY:
        return f"the joint gave way in {where}"
    limit = judging.criteria.pain_stay
    if one.pain is not None and one.pain > limit:
        return f"pain {one.pain} in {where}, the limit is {limit}"
    return f"pain ended {where}" + ("" if one.pain is None else f" (pain {one.pain})")


def _stopped(judging: Judging, code: str, about: str) -> Iterator[str]:
    occasions = (*judging.evidence.occasions, *judging.evidence.later)
    if about == PAIN_AT_REST:
        yield _bad_morning(judging, occasions)
        return
    stopped = [
        one for occasion in occasions for one in occasion.attempts if one.test == about and code in judging.stops(one)
    ]
    latest = max((one.on for one in stopped), default=None)
    for one in stopped:
        if one.on == latest:
            yield _stop(judging, one, code) + _dated(judging, one)


def _dated(judging: Judging, one: Measurement) -> str:
    return "" if one.occasion is judging.evidence.judged else f" on {one.on}"


def _bad_morning(judging: Judging, occasions: Sequence[Occasion]) -> str:
    limit = judging.criteria.rise_stay
    worst = [(*judging.morning_rise(one), one.on) for one in occasions if judging.was_loaded(one)]
    start, morning, on = next(
        (start or 0, morning, on)
        for morning, start, on in reversed(worst)
        if morning is not None and morning - (start or 0) > limit
    )
    return f"pain at rest rose from {start} to {morning} on the morning after {on}, a rise of {limit} is the limit"


# Not today


def _forbidden(judging: Judging, about: str) -> Iterator[str]:
    judged = judging.evidence.judged
    known = judging.criteria.catalogue.questions.get(about)
    if judged is None or known is None:
        return
    given = [*judged.answers.get(about, ()), *judged.morning.get(about, ())]
    for rule in judging.criteria.not_today:
        if rule.question == about:
            for answer in given:
                if rule.forbids(answer):
                    yield f"{inside(known.title)} {answer_text(answer)}{_limit(rule.above, rule.at_least)}"


def _limit(above: int | None, at_least: int | None) -> str:
    if above is not None:
        return f", above {above} is too much"
    return "" if at_least is None else f", {at_least} or more is too much"


# Not answered, masked


def _title(judging: Judging, question: str) -> str:
    return inside(judging.criteria.catalogue.questions[question].title)


def _unanswered(judging: Judging, one: Criterion, reading: Reading) -> Iterator[str]:
    rating = rating_of(one)
    for _role, used in reading.uses:
        if isinstance(used, Measurement):
            if one.subject == "tests" and getattr(used, rating) is None:
                yield f"{rating} was not answered in {_place(judging, used)}"
            if rating == "pain" and not occasion_of(used).answers.get(MEDICATION):
                yield _no_medication(judging, occasion_of(used).on)
        elif isinstance(used, Session):
            yield from _unanswered_session(judging, one, used)
        else:
            yield from _unanswered_question(judging, used)


def _no_medication(judging: Judging, on: object) -> str:
    return f"{_title(judging, MEDICATION)} was not answered on {on}"


def _unanswered_session(judging: Judging, one: Criterion, used: Session) -> Iterator[str]:
    title = inside(judging.criteria.catalogue.sessions[used.kind].title)
    if used.worst_pain is None and one.metric != RISE:
        yield f"pain was not answered in {title} of {used.on}"
    if not used.medication:
        yield f"{_title(judging, MEDICATION)} was not answered for {title} of {used.on}"


def _unanswered_question(judging: Judging, used: tuple[str, Any, Occasion]) -> Iterator[str]:
    question, answer, occasion = used
    if isinstance(answer, tuple) and answer[0] is None:
        yield f"{_title(judging, question)} was not answered at the start on {occasion.on}"
    elif answer is None:
        yield f"{_title(judging, question)} was not answered on {occasion.on}"
    elif isinstance(answer, tuple):
        yield f"{_title(judging, MEDICATION)} was not answered on the morning after {occasion.on}"
    else:
        yield _no_medication(judging, occasion.on)


def _masked(judging: Judging, one: Criterion, reading: Reading) -> Iterator[str]:
    for _role, used in reading.uses:
        if isinstance(used, Measurement):
            given = occasion_of(used).answers.get(MEDICATION, ())
        elif isinstance(used, Session):
            given = list(used.medication)
        else:
            given = (used[2].morning if one.metric == RISE else used[2].answers).get(MEDICATION, ())
        taken = [answer_text(answer) for answer in given if judging.masks(answer)]
        if taken:
            yield f"{_title(judging, MEDICATION)} ({listed(taken)}) masks pain"


# The other side


def _unreliable(judging: Judging, reading: Reading) -> str:
    if must_state_other_side(judging, reading):
        return OTHER_SIDE_UNKNOWN
    other = next(one for role, one in reading.uses if role == "other")
    return f"the other side is no reference: {_trouble(judging, other)}"


def _trouble(judging: Judging, other: Measurement) -> str:
    if GIVING_WAY in other.ended_by:
        return "the joint gave way"
    if (other.pain or 0) > judging.criteria.pain_stay:
        return f"pain {other.pain}, the limit is {judging.criteria.pain_stay}"
    if other.ended_by:
        return "pain ended the test"
    return "it could not be done" if other.result == UNABLE else "its value is 0"
