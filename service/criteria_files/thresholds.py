"""What each criterion reads and what it is compared with: names, sides, units, answers."""

from collections.abc import Iterator, Sequence
from typing import Any

from schemas.strict_yaml import Place
from service.criteria_files.amounts import ZERO, in_unit, misfit
from service.criteria_files.catalogue import Catalogue
from service.criteria_files.citations import citation_faults
from service.criteria_files.draft import Criterion, Draft
from service.criteria_files.reading import unknown
from service.domain.units import NO_UNIT, PER_CENT

Found = Iterator[tuple[Place, str]]

INDEX = "limb_symmetry_index"
RATIOS = (INDEX, "percent_of_baseline")
SIDED = (INDEX, "side_difference", "failed_landings")
OF_TEST_UNIT = ("value", "side_difference")
LIMITS = AT_LEAST, AT_MOST = "at_least", "at_most"


def threshold_faults(draft: Draft) -> Found:
    """Give every fault of what criteria and not-today rules read and compare with, and of what they cite."""
    for name, criterion in draft.criteria.items():
        for place, detail in _criterion_faults(draft, criterion):
            yield ("criteria", name, *place), detail
    for position, rule in enumerate(draft.document["not_today"]):
        if "question" in rule:
            for place, detail in _question_faults(draft.catalogue, rule):
                yield ("not_today", position, *place), detail
    yield from citation_faults(draft.document, draft.catalogue.sources)


def _criterion_faults(draft: Draft, criterion: Criterion) -> Found:
    if "test" in criterion:
        yield from _test_faults(draft.catalogue, criterion)
    elif "question" in criterion and criterion["metric"] == "value":
        yield from _question_faults(draft.catalogue, criterion)
    else:
        yield from _limit_faults(criterion, NO_UNIT)
    yield from _list_faults(draft, criterion)
    yield from _session_faults(draft.catalogue, criterion)
    yield from _direction_faults(draft.catalogue, criterion)


def _direction_faults(catalogue: Catalogue, criterion: Criterion) -> Found:
    """Refuse a criterion that a worse result would meet and a better one not."""
    wanted = _wanted(catalogue, criterion)
    for limit in LIMITS:
        if limit in criterion and wanted not in (None, limit):
            yield (limit,), f"this way round a worse result would pass; ask {wanted}"


def _wanted(catalogue: Catalogue, criterion: Criterion) -> str | None:
    """Return the limit that a better result meets, None where neither is better."""
    metric = criterion.get("metric")
    if metric in RATIOS:
        return AT_LEAST
    if metric == "count":
        return AT_LEAST if "sessions" in criterion else AT_MOST
    if metric != "value":
        return AT_MOST if metric else None
    if "question" in criterion:
        return AT_MOST if catalogue.questions.get(criterion["question"], {}).get("pain") else None
    test = catalogue.tests.get(criterion.get("test", ""))
    return None if test is None else AT_LEAST if test["better"] == "higher" else AT_MOST


def _test_faults(catalogue: Catalogue, criterion: Criterion) -> Found:
    test = catalogue.tests.get(criterion["test"])
    if test is None:
        yield ("test",), unknown("test", criterion["test"], catalogue.tests)
        return
    metric = criterion["metric"]
    if metric in SIDED and test["sides"] != "each":
        yield ("metric",), f"{metric} compares or reads one side, and this test has no sides; choose another metric"
    elif metric == INDEX and not test["symmetry"]:
        yield ("metric",), "this test allows no index (symmetry: false); use side_difference or value"
    elif metric in RATIOS:
        yield from _ratio_faults(test, metric)
    yield from _limit_faults(criterion, _unit_of(metric, test))


def _ratio_faults(test: dict[str, Any], metric: str) -> Found:
    """Refuse a ratio of values that may be negative, or that may divide by zero where less is better."""
    possible = test["possible"]
    if "above" in possible:
        low, includes = possible["above"], False
    else:
        low, includes = possible.get("at_least"), True
    side = -1 if low is None else in_unit(low, test["unit"]).compare(ZERO)
    if side < 0:
        yield ("metric",), f"{metric} is a ratio, and this test's values may be negative; use side_difference or value"
    elif side == 0 and includes and test["better"] == "lower":
        yield ("metric",), f"{metric} divides by this test's value, which may be 0; use side_difference or value"


def _unit_of(metric: str, test: dict[str, Any]) -> str:
    if metric in RATIOS:
        return PER_CENT
    return str(test["unit"]) if metric in OF_TEST_UNIT else NO_UNIT


def _limit_faults(criterion: Criterion, unit: str) -> Found:
    for key in LIMITS:
        mend = misfit(criterion[key], unit) if key in criterion else None
        if mend:
            yield (key,), mend


def _question_faults(catalogue: Catalogue, rule: dict[str, Any]) -> Found:
    """Check a rule or a criterion on the answer to a question of the session check."""
    asked = {name: found for name, found in catalogue.questions.items() if found["asked_in"] == "session_check"}
    if rule["question"] not in asked:
        yield ("question",), unknown("question of the session check", rule["question"], asked)
        return
    answers = asked[rule["question"]]["answers"]
    if "is" in rule and not _is_answer(rule["is"], answers):
        yield ("is",), f"{_written(rule['is'])} is no answer to {rule['question']}; write one of {_listed(answers)}"
    for key in (*LIMITS, "above"):
        if key in rule:
            detail = _answer_limit(rule[key], answers)
            if detail:
                yield (key,), detail


def _answer_limit(limit: Any, answers: Any) -> str | None:
    if isinstance(answers, list):
        return f"the answers are no numbers; write is, with one of {_listed(answers)}"
    if not _is_answer(limit, answers):
        return f"the answers are whole numbers; write a bare one from {_listed(answers)}"
    return None


def _is_answer(answer: Any, answers: Any) -> bool:
    """Tell whether an answer can be given; true is not 1."""
    if isinstance(answers, list):
        return any(answer == one and type(answer) is type(one) for one in answers)
    whole = isinstance(answer, int) and not isinstance(answer, bool)
    return whole and answers["at_least"] <= answer <= answers["at_most"]


def _written(answer: Any) -> str:
    return str(answer).lower() if isinstance(answer, bool) else str(answer)


def _listed(answers: Any) -> str:
    if isinstance(answers, list):
        return ", ".join(_written(answer) for answer in answers)
    return f"{answers['at_least']} to {answers['at_most']}"


def _list_faults(draft: Draft, criterion: Criterion) -> Found:
    tests = criterion.get("tests", ())
    if not isinstance(tests, str):
        yield from _names(("tests",), "test", tests, draft.catalogue.tests)
    yield from _names(("sessions",), "kind of session", criterion.get("sessions", ()), draft.catalogue.sessions)
    for key, group in (("tests", tests), ("after", criterion.get("after"))):
        if isinstance(group, str) and not draft.of_class(group):
            yield (key,), f"the set names no test of the class {group}; name one in a criterion, or name tests here"


def _names(place: Place, kind: str, names: Sequence[str], known: Any) -> Found:
    for position, name in enumerate(names):
        if name not in known:
            yield (*place, position), unknown(kind, name, known)


def _session_faults(catalogue: Catalogue, criterion: Criterion) -> Found:
    for unit in ("minutes", "efforts"):
        if unit not in criterion:
            continue
        for name in criterion["sessions"]:
            taken = catalogue.sessions.get(name, {}).get("takes", unit)
            if taken != unit:
                yield (unit,), f"{name} takes {taken}, not {unit}; ask {taken}, or name other sessions"
