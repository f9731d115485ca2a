"""A criterion's arithmetic, line by line, so that a pocket calculator can follow it.

The figures put in are exact: a quotient that does not end stands as a fraction, `(19 / 3)`.
"""

from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal

from service.domain.catalogue import MEDICATION, PAIN_AT_REST, CatalogueTest
from service.domain.codes import BELOW_BASELINE, MET, SETUP_DIFFERS, STATUS
from service.domain.criteria import (
    COUNT,
    DIFFERENCE,
    FAILED_LANDINGS,
    INDEX,
    PERCENT_OF_BASELINE,
    WORST_INSTABILITY,
    WORST_PAIN,
    Criterion,
    Group,
)
from service.domain.evidence import Measurement, Occasion, Session, Setback
from service.domain.judging import Judging
from service.domain.metrics import LANDINGS, ratio_or_difference
from service.domain.numbers import Pair, ends, figure, number
from service.domain.readings import Reading, occasion_of
from service.domain.reasons import FORMULAS
from service.domain.telling import because
from service.domain.units import factor
from service.domain.words import (
    EVENT_WORDS,
    METRIC_WORDS,
    answer_text,
    capital,
    label,
    listed,
    required,
    title_of,
    with_unit,
)

_COMPARED = (INDEX, DIFFERENCE, PERCENT_OF_BASELINE)
_RATIOS = (INDEX, PERCENT_OF_BASELINE)
_ROLES = {"involved": "Involved side", "other": "Other side", "baseline": "Baseline", "person": "Athlete"}


def working(judging: Judging, key: str) -> list[str]:
    """Return how a criterion came to its figure and its status; the parts of a group have a working of their own."""
    one = judging.criteria.criteria[key]
    if isinstance(one, Group):
        return _of_group(judging, one)
    reading = judging.reading(one)
    return [*_WORKINGS[one.subject](judging, one, reading), *_ended(judging, one, reading)]


def not_attempted(judging: Judging, criterion: Criterion) -> list[str]:
    """Return what the judged occasion says of a criterion's tests that were not attempted there: `left: not done`."""
    judged = judging.evidence.judged
    found = []
    for test in criterion.tests:
        for side in judging.evidence.facts.involved if test.is_sided else (None,):
            sent = judged.measurements.get((test.id, side)) if judged is not None else None
            if sent is not None and not sent.is_attempt:
                places = [*([test.title] if len(criterion.tests) > 1 else []), *([side] if side else [])]
                found.append(": ".join([", ".join(places), _result(sent)] if places else [_result(sent)]))
    return found


def _of_group(judging: Judging, one: Group) -> list[str]:
    statuses = [(label(part, judging.criteria), STATUS[judging.part(part).code]) for part in one.parts]
    judged = judging.plain(one.id)
    return [
        *(f"{capital(name)}: {status.replace('_', ' ')}." for name, status in statuses),
        f"{judged.met} of {len(one.parts)} met, {one.needed} needed: {judged.status.replace('_', ' ')}.",
    ]


def _ended(judging: Judging, criterion: Criterion, reading: Reading) -> Iterator[str]:
    """Yield the comparison with the threshold, or why there is none."""
    if reading.measured is not None and criterion.threshold is not None:
        yield _comparison(criterion, reading, criterion.threshold, _put_in_again(judging, criterion, reading))
    elif reading.measured is not None:
        yield "Only shown: nothing is required."
    elif criterion.comparator == "is":
        status = STATUS[reading.code].replace("_", " ")
        yield f"Required is {answer_text(criterion.answer)}: {status}."
    elif reading.code != MET:
        yield f"No figure is judged: {because(judging, criterion, reading)}."


def _comparison(criterion: Criterion, reading: Reading, threshold: Pair, put_in: str) -> str:
    """Return the comparison; the margin starts from the line above, not from its rounded end."""
    measured = reading.measured
    assert measured is not None
    is_floor = criterion.comparator == "at_least"
    margin = measured.minus(threshold) if is_floor else threshold.minus(measured)
    limit = _exact(threshold)
    sum_ = f"{put_in} - {limit}" if is_floor else f"{limit} - {put_in}"
    baseline = ", of the baseline" if reading.code == BELOW_BASELINE else ""
    return (
        f"{_figure(measured, criterion.unit)}; {required(criterion)} is asked: "
        f"{STATUS[reading.code].replace('_', ' ')}{baseline}. "
        f"Margin = {sum_} = {_figure(margin, criterion.unit)}."
    )


def _put_in_again(judging: Judging, criterion: Criterion, reading: Reading) -> str:
    """Return the figure as it goes into the margin; a quotient that does not end as the formula that gave it."""
    assert reading.measured is not None
    if criterion.metric not in _RATIOS or ends(reading.measured.lowest_terms()[1]):
        return _exact(reading.measured)
    uses: dict[str | None, Measurement] = dict(reading.uses)
    value = judging.value(criterion.test, uses["person" if "person" in uses else "involved"])
    other = judging.value(criterion.test, uses[reading.against])
    assert value is not None
    assert other is not None
    above, below = (value, other) if criterion.test.higher_is_better else (other, value)
    put_in = f"100 x {_exact(above)} / {_exact(below)}"
    return put_in if criterion.comparator == "at_least" else f"({put_in})"


# One test


def _of_test(judging: Judging, criterion: Criterion, reading: Reading) -> Iterator[str]:
    yield from _not_attempted(judging, criterion)
    yield from _both_sides(judging, criterion)
    uses = dict(reading.uses)
    one = uses.get("involved", uses.get("person"))
    if one is None:
        return
    for role, evidence in uses.items():
        yield from _trials(criterion.test, _ROLES[role], evidence)
    yield from _missing_other(judging, criterion, one)
    if criterion.metric in _COMPARED:
        for role in ("other", "baseline"):
            yield from _formula(judging, criterion, one, uses.get(role), role)
        if "other" in uses and "baseline" in uses:
            yield f"What decides is the {'baseline' if reading.against == 'baseline' else 'other side'}."
    elif criterion.metric == FAILED_LANDINGS:
        failed = sum(cause in LANDINGS for cause in one.invalid)
        yield f"Trials invalid because of balance or an extra hop: {failed}."
    elif reading.measured is not None and criterion.unit != criterion.test.unit:
        value = judging.value(criterion.test, one)
        assert value is not None
        yield _converted(value, criterion.test.unit, criterion.unit)
    yield from _setup(criterion.test, reading, uses)
    yield from _age(judging, criterion, [occasion_of(one)])
    if criterion.test.is_pain:
        yield from _medication(judging, occasion_of(one).on, occasion_of(one).answers.get(MEDICATION, ()))


def _not_attempted(judging: Judging, criterion: Criterion) -> Iterator[str]:
    for sent in not_attempted(judging, criterion):
        yield f"{capital(sent)}."


def _both_sides(judging: Judging, criterion: Criterion) -> Iterator[str]:
    if judging.evidence.facts.is_bilateral and criterion.tests and criterion.tests[0].is_sided:
        yield "Both sides are involved: each was judged, and the worse stands here."


def _missing_other(judging: Judging, criterion: Criterion, one: Measurement) -> Iterator[str]:
    if not criterion.is_two_sided or judging.evidence.facts.is_bilateral:
        return
    other = judging.opposite(one)
    if other is None:
        yield "Other side: nothing was sent."
    elif not other.is_attempt:
        yield f"Other side: {_result(other)}."


def _result(one: Measurement) -> str:
    because = f" ({answer_text(one.because)})" if one.because is not None else ""
    return f"{answer_text(one.result)}{because} on {one.on}"


def _trials(test: CatalogueTest, role: str, one: Measurement) -> Iterator[str]:
    """Yield the trials of a measurement, which of them count, and their summary in the test's unit."""
    head = f"{role}, {one.side}" if one.side is not None else role
    unit = one.unit or test.unit
    if not one.values:
        yield f"{head}: {_result(one)}; no valid trial{_invalid(one)}."
        return
    if one.summarised is not None:
        value = with_unit(number(one.values[0]), unit)
        yield f"{head}, {one.on}: {value}, which the sender says sums up {one.summarised} trials."
    else:
        values = with_unit(", ".join(number(value) for value in one.values), unit)
        yield f"{head}, {one.on}: valid {values}{_invalid(one)}.{_counted(test, one)}"
    if one.trials_valid >= test.trials.minimum:
        yield from _summary(test, one, unit)


def _invalid(one: Measurement) -> str:
    causes = ", ".join(answer_text(cause) for cause in one.invalid)
    return f"; {len(one.invalid)} invalid ({causes})" if causes else ""


def _counted(test: CatalogueTest, one: Measurement) -> str:
    if len(one.values) < test.trials.minimum:
        return f" At least {test.trials.minimum} are needed."
    return f" The first {test.trials.scored} count." if len(one.values) > test.trials.scored else ""


def _summary(test: CatalogueTest, one: Measurement, unit: str) -> Iterator[str]:
    scored = one.values[: test.trials.scored]
    value = Pair(scored[0]) if one.summarised is not None else test.summarise(scored)
    if len(scored) > 1:
        yield _summed_up(test, scored, value, unit)
    if unit != test.unit:
        yield _converted(value, unit, test.unit)


def _summed_up(test: CatalogueTest, scored: Sequence[Decimal], value: Pair, unit: str) -> str:
    texts = [number(one) for one in scored]
    if test.trials.summary in ("mean", "total"):
        total = " + ".join(texts)
        put_in = f"({total}) / {len(texts)}" if test.trials.summary == "mean" else total
        return f"{capital(test.trials.summary)} = {put_in} = {_figure(value, unit)}."
    best = "highest" if test.higher_is_better else "lowest"
    name = f"Best, the {best}," if test.trials.summary == "best" else "Median"
    return f"{name} of {', '.join(texts)}: {_figure(value, unit)}."


def _converted(value: Pair, unit: str, to: str) -> str:
    size = factor(unit, to)
    return f"In {to}: {_exact(value)} x {_exact(size)} = {_figure(value.times(size), to)}."


def _formula(
    judging: Judging, criterion: Criterion, one: Measurement, reference: Measurement | None, role: str
) -> Iterator[str]:
    """Yield the formula with the numbers put in, where both have a value."""
    if reference is None:
        return
    value, other = judging.value(criterion.test, one), judging.value(criterion.test, reference)
    if value is None or other is None:
        return
    divisor = other if criterion.test.higher_is_better else value
    if criterion.metric != DIFFERENCE and not divisor.numerator:
        yield f"{_ROLES[role]}: nothing can be divided by 0."
        return
    formula = FORMULAS[criterion.metric, criterion.test.higher_is_better]
    if role == "baseline":
        formula = formula.replace("uninvolved", "baseline")
    numbers = {word: _exact(other) for word in ("uninvolved", "baseline")}
    numbers |= {word: _exact(value) for word in ("involved", "now")}
    put_in = " ".join(numbers.get(word, word) for word in formula.split())
    if criterion.metric == DIFFERENCE and criterion.unit != criterion.test.unit:
        put_in = f"({put_in}) x {_exact(factor(criterion.test.unit, criterion.unit))}"
    measured = ratio_or_difference(criterion, value, other)
    name = capital(METRIC_WORDS[criterion.metric])
    yield f"{name} = {formula} = {put_in} = {_figure(measured, criterion.unit)}."


def _setup(test: CatalogueTest, reading: Reading, uses: dict[str, Measurement]) -> Iterator[str]:
    if reading.code != SETUP_DIFFERS or len(uses) == 1:
        return
    for key in test.must_match:
        answers = [answer_text(one.setup.get(key, "not told")) for one in uses.values()]
        if len(set(answers)) > 1:
            yield f"{capital(key)} differs: {', '.join(answers)}."


# Several tests


def _of_tests(judging: Judging, criterion: Criterion, reading: Reading) -> Iterator[str]:
    yield from _not_attempted(judging, criterion)
    yield from _both_sides(judging, criterion)
    found: list[Measurement] = [evidence for _, evidence in reading.uses]
    rating = "instability" if criterion.metric == WORST_INSTABILITY else "pain"
    for one in found:
        title = judging.criteria.catalogue.tests[one.test].title
        head = title if one.side is None else f"{title}, {one.side}"
        answer = getattr(one, rating)
        ended = f"; ended by {listed(sorted(map(answer_text, one.ended_by)))}" if one.ended_by else ""
        yield f"{head}, {one.on}: {rating} {'not answered' if answer is None else answer}{ended}."
    yield from _highest(getattr(one, rating) for one in found)
    occasions = {one.on: occasion_of(one) for one in found}
    yield from _age(judging, criterion, list(occasions.values()))
    if rating == "pain":
        for on, occasion in occasions.items():
            yield from _medication(judging, on, occasion.answers.get(MEDICATION, ()))


def _highest(answers: Iterator[int | None]) -> Iterator[str]:
    given = [answer for answer in answers if answer is not None]
    if len(given) > 1:
        yield f"The worst of {', '.join(map(str, given))}: {max(given)}."


# Sessions, events, questions


def _of_sessions(judging: Judging, criterion: Criterion, reading: Reading) -> Iterator[str]:
    kinds = listed([judging.criteria.catalogue.sessions[kind].title for kind in criterion.sessions], "or")
    dose = "" if criterion.dose is None else f" of {criterion.dose} {criterion.dose_unit} or more"
    found: list[Session] = [evidence for _, evidence in reading.uses]
    if not found:
        yield f"No session serves: {kinds}{dose}, since the last setback."
    for one in found:
        yield f"{judging.criteria.catalogue.sessions[one.kind].title}, {one.on}: {_told(judging, one)}."
    if criterion.within_days is not None:
        yield f"Only sessions{_since(judging, criterion)} count."
    if criterion.metric == COUNT:
        days = sorted({one.on.isoformat() for one in found})
        yield f"Days counted: {len(days)}."
        return
    is_pain = criterion.metric == WORST_PAIN
    yield from _highest(one.worst_pain if is_pain else one.next_morning_rise for one in found)


def _told(judging: Judging, one: Session) -> str:
    takes = judging.criteria.catalogue.sessions[one.kind].takes
    pain = "not answered" if one.worst_pain is None else one.worst_pain
    rise = "not answered" if one.next_morning_rise is None else one.next_morning_rise
    dose = "length not told" if one.dose is None else f"{one.dose} {takes}"
    return f"{dose}; pain {pain}; rise the next morning {rise}; medication {_medicine(judging, one.medication)}"


def _of_events(judging: Judging, criterion: Criterion, reading: Reading) -> Iterator[str]:
    found: list[Setback] = [evidence for _, evidence in reading.uses]
    for one in found:
        test = f" in {title_of(one.test, judging.criteria)}" if one.test is not None else ""
        yield f"{capital(EVENT_WORDS[one.kind])}{test}, {one.on}."
    kinds = listed([EVENT_WORDS[kind] for kind in criterion.events], "or")
    yield f"Reports of {kinds}{_since(judging, criterion)}: {len(found)}."


def _of_question(judging: Judging, criterion: Criterion, reading: Reading) -> Iterator[str]:
    for _, (question, answer, occasion) in reading.uses:
        title = judging.criteria.catalogue.questions[question].title
        if isinstance(answer, tuple):
            yield from _rise(judging, answer, occasion)
        else:
            yield f"{title}, {occasion.on}: {'not answered' if answer is None else answer_text(answer)}."
            if judging.criteria.catalogue.questions[question].is_about_pain:
                yield from _medication(judging, occasion.on, occasion.answers.get(MEDICATION, ()))
        yield from _age(judging, criterion, [occasion])


def _rise(judging: Judging, answer: tuple[int | None, int | None], occasion: Occasion) -> Iterator[str]:
    start, morning = answer
    title = judging.criteria.catalogue.questions[PAIN_AT_REST].title
    before = "not answered" if start is None else start
    after = "not answered" if morning is None else morning
    yield f"{title}: {before} at the start on {occasion.on}, {after} on the morning after."
    if start is not None and morning is not None:
        yield f"Rise = {morning} - {start} = {morning - start}."
        yield from _medication(judging, None, occasion.morning.get(MEDICATION, ()))


# What goes with them


def _age(judging: Judging, criterion: Criterion, occasions: Sequence[Occasion]) -> Iterator[str]:
    today = judging.evidence.today
    for one in occasions:
        days = (today - one.on).days
        told = f"{one.on} lies {days} {'day' if days == 1 else 'days'} before {today}"
        if one.cancelled:
            yield f"{told}, and a setback came after it."
        elif criterion.within_days is not None:
            yield f"{told}; at most {criterion.within_days} are allowed."
        elif one is not judging.evidence.judged:
            yield f"{told}; it must be of the judged occasion."


def _since(judging: Judging, criterion: Criterion) -> str:
    if criterion.within_days is None:
        return ""
    return f" within {criterion.within_days} days before {judging.evidence.today}"


def _medication(judging: Judging, on: object, answers: Sequence[str]) -> Iterator[str]:
    when = "on the morning after" if on is None else f"on {on}"
    yield f"Medication {when}: {_medicine(judging, answers)}."


def _medicine(judging: Judging, answers: Sequence[str]) -> str:
    if not answers:
        return "not answered"
    masks = ", which masks pain" if any(judging.masks(answer) for answer in answers) else ""
    return f"{', '.join(map(answer_text, answers))}{masks}"


def _figure(value: Pair, unit: str) -> str:
    """Return a figure with its unit; one that does not end is said to be rounded."""
    _, below = value.lowest_terms()
    return with_unit(figure(value), unit) + ("" if ends(below) else " (rounded)")


def _exact(value: Pair) -> str:
    """Return a number as it is put into a formula: a quotient that does not end as a fraction."""
    above, below = value.lowest_terms()
    return figure(value) if ends(below) else f"({above} / {below})"


_WORKINGS: dict[str, Callable[[Judging, Criterion, Reading], Iterator[str]]] = {
    "test": _of_test,
    "tests": _of_tests,
    "sessions": _of_sessions,
    "events": _of_events,
    "question": _of_question,
}
