"""What a set may well do but probably did not mean: the warnings of the check."""

from collections.abc import Iterator

from schemas.strict_yaml import Place
from service.criteria_files.draft import TWO_SIDED, Criterion, Draft, named_tests
from service.domain.errors import Fault

PAIN = "pain"


def warnings(draft: Draft) -> Iterator[Fault]:
    """Give every warning about a set without faults."""
    tests = draft.catalogue.files["tests"]
    for name in named_tests(draft.document):
        if "measurement_error" not in draft.catalogue.tests[name]:
            detail = "no standard error of measurement is given; add measurement_error where one is published"
            yield tests.fault((name,), detail)
    for place, detail in (*_without_route(draft), *_without_pain(draft), *_given_up(draft)):
        yield draft.file.fault(place, detail)


def _asked(draft: Draft) -> list[str]:
    return list(dict.fromkeys(name for stage in draft.document["stages"] for name in stage["asks"]))


def _without_route(draft: Draft) -> Iterator[tuple[Place, str]]:
    for name in _asked(draft):
        two_sided = any(criterion.get("metric") in TWO_SIDED for criterion in draft.with_parts(name))
        if two_sided and "without_reference" not in draft.criteria[name]:
            detail = (
                "two sides are compared, and nobody with both sides involved or an unusable other side can meet "
                "this without a baseline; name what is judged instead under without_reference"
            )
            yield ("criteria", name), detail


def _without_pain(draft: Draft) -> Iterator[tuple[Place, str]]:
    for position, stage in enumerate(draft.document["stages"]):
        read = {
            test
            for name in draft.reached(stage["asks"])
            for test in draft.tests_of(draft.criteria[name])
            if draft.catalogue.tests[test]["loading"]
        }
        asks_pain = any(_is_of_pain(draft, one) for name in stage["asks"] for one in draft.with_parts(name))
        if read and not asks_pain:
            detail = f"the stage reads loading tests ({', '.join(sorted(read))}) and asks no pain; ask it"
            yield ("stages", position, "asks"), detail


def _is_of_pain(draft: Draft, criterion: Criterion) -> bool:
    if criterion.get("metric") in ("worst_pain", "rise"):
        return True
    if draft.catalogue.questions.get(criterion.get("question", ""), {}).get(PAIN):
        return True
    return any(draft.catalogue.tests[test]["quantity"] == PAIN for test in draft.tests_of(criterion))


def _given_up(draft: Draft) -> Iterator[tuple[Place, str]]:
    """Give the tests whose last stage is not the set's last one."""
    last: dict[str, tuple[int, int]] = {}
    stages = draft.document["stages"]
    for position, stage in enumerate(stages):
        for order, name in enumerate(stage["asks"]):
            for test in _named(draft, name):
                last[test] = (position, order)
    for test, (position, order) in last.items():
        if position < len(stages) - 1:
            detail = f"{test} is asked for the last time here; ask it at the later stages too if it still matters there"
            yield ("stages", position, "asks", order), detail


def _named(draft: Draft, name: str) -> set[str]:
    return {
        test
        for criterion in draft.with_parts(name)
        if not isinstance(criterion.get("tests"), str)
        for test in draft.tests_of(criterion)
    }
