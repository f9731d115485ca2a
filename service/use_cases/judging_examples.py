"""The examples of a criteria set judged by the engine: what it answers otherwise than they expect, cause by cause."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from schemas.entries import EvaluationSchema
from schemas.faults import load, pointer
from service.criteria_files import Example, Failing
from service.domain.codes import PASS, kind_of
from service.domain.criteria import CriteriaSet
from service.domain.errors import InvalidDocumentError
from service.domain.judge import Verdict
from service.use_cases.evaluate import evaluate
from service.use_cases.reading_entries import Clock

TOO_LONG = "judging the examples takes too long; from here on they were not judged: shorten them, or take some out"
OUTCOME, HOLD_BECAUSE, HOLDS, REASONS = "outcome", "hold_because", "holds", "reasons"

Expected = Mapping[str, Any]


def failing_examples(
    examples: Sequence[Example], criteria: CriteriaSet, *, is_late: Callable[[], bool]
) -> Iterator[Failing]:
    """Yield what examples fail by: their shape, what the catalogue has not, and what the engine answers otherwise.

    Args:
        examples: the examples of the set.
        criteria: the set.
        is_late: tells that judging has taken long enough; what is left is then one failure.
    """
    for example in examples:
        if is_late():
            yield Failing(TOO_LONG, example.id, example.fault((), TOO_LONG))
            return
        body = {key: example.document[key] for key in ("athlete", "episode", "entries")}
        file, shape = load(EvaluationSchema(), body)
        for fault in shape:
            yield Failing(fault.detail, example.id, example.fault((), f"{pointer(fault.path)}: {fault.detail}"))
        for position, expected in enumerate(example.expect) if file is not None else ():
            if expected["stage"] not in criteria.gates:
                continue  # `example_faults` says so, with the stages that there are
            if is_late():
                yield Failing(TOO_LONG, example.id, example.fault(("expect", position), TOO_LONG))
                return
            yield from _of_expectation(example, position, file, criteria)


def _of_expectation(
    example: Example, position: int, file: Mapping[str, Any], criteria: CriteriaSet
) -> Iterator[Failing]:
    expected = example.expect[position]
    place = ("expect", position)
    try:
        found = evaluate(file, criteria, stage=expected["stage"], clock=Clock(), as_of=expected.get("at"))
    except InvalidDocumentError as error:
        for one in error.errors:
            yield Failing(one.detail, example.id, example.fault(place, f"{one.pointer}: {one.detail}"))
        return
    answered = {OUTCOME: None} if found is None else _answer(found.verdict, expected)
    wrong = next((key for key, answer in answered.items() if key in expected and answer != expected[key]), None)
    if wrong is None:
        return
    said = f"{example.id} expects {_differing(wrong, expected, answered)}"
    causes = {} if found is None else _causes(found.verdict, expected)
    for cause, what in causes.items() or [(said.removeprefix(example.id), "no criterion is named for it")]:
        yield Failing(cause, example.id, example.fault((*place, wrong), f"{said}: {what}; mend one of them"))


def _answer(verdict: Verdict, expected: Expected) -> dict[str, Any]:
    """Return what the engine answers, in the shape of an expectation."""
    codes = {key: code for key, _part_of, _status, code, *_ in verdict[REASONS]}
    return {
        **{key: verdict[key] for key in (OUTCOME, HOLD_BECAUSE, HOLDS)},
        REASONS: {key: codes.get(key) for key in expected.get(REASONS, {})},
    }


def _differing(key: str, expected: Expected, answered: Expected) -> str:
    """Say what is answered otherwise; of reasons, those alone."""
    wanted, answer = expected[key], answered[key]
    if key == REASONS:
        wanted = {name: code for name, code in wanted.items() if answer[name] != code}
        answer = {name: answer[name] for name in wanted}
    return f"{key} {wanted}, the engine answers {answer}"


def _causes(verdict: Verdict, expected: Expected) -> dict[str, str]:
    """Return by what an expectation fails, with words for it: each criterion and each hold on its own."""
    kinds = () if expected[OUTCOME] == PASS else verdict[HOLD_BECAUSE]
    extra = set(verdict[HOLD_BECAUSE]) - set(expected.get(HOLD_BECAUSE, kinds))
    reasons = expected.get(REASONS, {})
    criteria = {
        name: f"{name} is {code}"
        for name, part_of, _status, code, _numerator, _denominator, is_excepted in verdict[REASONS]
        if (name in reasons and reasons[name] != code)
        or (name not in reasons and part_of is None and not is_excepted and kind_of(code) in extra)
    }
    return criteria | dict(_causes_by_hold(verdict, expected, extra))


def _causes_by_hold(verdict: Verdict, expected: Expected, extra: set[str]) -> Iterator[tuple[str, str]]:
    """Yield what holds beside the criteria: unexpectedly, or not although it is expected."""
    wanted = expected.get(HOLDS)
    for kind, code, about in verdict[HOLDS]:
        if [kind, code, about] not in (wanted or ()) and (wanted is not None or kind in extra):
            yield f"{code} {about}", f"{about} holds ({code})"
    for kind, code, about in wanted or ():
        if [kind, code, about] not in verdict[HOLDS]:
            yield f"{code} {about}", f"{about} does not hold ({code})"
