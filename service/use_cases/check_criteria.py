"""Check a criteria set: its file, its examples, and whether the engine answers them as they expect."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from schemas.entries import EvaluationSchema
from schemas.faults import load, pointer
from service.criteria_files import (
    Example,
    LoadedSet,
    differing,
    example_faults,
    examples_beside,
    load_examples,
    load_set,
    misnamed,
)
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.errors import CriteriaFaultsError, Fault, InvalidDocumentError
from service.use_cases.evaluate import evaluate
from service.use_cases.reading_entries import Clock

TOO_LONG = "judging the examples takes too long; from here on they were not judged: shorten them, or take some out"


@dataclass(frozen=True, slots=True)
class Checked:
    """A criteria set that has passed its check: the set, its warnings, how many expectations its examples meet."""

    criteria: CriteriaSet
    warnings: tuple[Fault, ...]
    examples: int
    expectations: int


def check_criteria(path: Path, catalogue: Path, *, is_late: Callable[[], bool] = lambda: False) -> Checked:
    """Return a set that has passed its check.

    Args:
        path: the set's file.
        catalogue: the folder of its catalogue.
        is_late: tells that judging examples has taken long enough; what is left of them is then a fault.

    Raises:
        CriteriaFaultsError: every fault of the set's file; then of its name, of its examples, and every expectation
            that fails.
    """
    loaded = load_set(path, catalogue)
    criteria = read_criteria_set(loaded.document)
    faults = list(_name_faults(loaded, path))
    warnings = loaded.warnings
    examples: list[Example] = []
    try:
        warnings = (*_release_doubts(loaded, path), *warnings)
        examples = _examples(path)
    except CriteriaFaultsError as error:
        faults += error.faults
    else:
        faults += example_faults(loaded.document, examples, str(examples_beside(path)))
    for example in examples:
        if is_late():
            faults.append(example.fault((), TOO_LONG))
            break
        faults += _failures(example, criteria, is_late)
    if faults:
        raise CriteriaFaultsError(faults, warnings=warnings)
    return Checked(criteria, warnings, len(examples), sum(len(one.expect) for one in examples))


def _name_faults(loaded: LoadedSet, path: Path) -> Iterator[Fault]:
    detail = misnamed(loaded.document, path)
    if detail:
        is_other_set = path.parent.resolve().name != loaded.document["id"]
        yield loaded.file.fault(("id",) if is_other_set else ("version",), detail)


def _release_doubts(loaded: LoadedSet, path: Path) -> Iterator[Fault]:
    """Warn of a released version that was changed: what is judged by it stays as it was released."""
    detail = differing(loaded.document, path)
    if detail:
        yield loaded.file.fault(("version",), detail)


def _examples(path: Path) -> list[Example]:
    beside = examples_beside(path)
    if not beside.exists():
        detail = "a set has examples beside it; write at least one for each stage, criterion and question"
        raise CriteriaFaultsError([Fault(str(beside), 1, "#", detail)])
    return load_examples(beside)


def _failures(example: Example, criteria: CriteriaSet, is_late: Callable[[], bool]) -> Iterator[Fault]:
    body = {key: example.document[key] for key in ("athlete", "episode", "entries")}
    file, shape = load(EvaluationSchema(), body)
    for fault in shape:
        yield example.fault((), f"{pointer(fault.path)}: {fault.detail}")
    for place, expected in enumerate(example.expect) if file is not None else ():
        if expected["stage"] not in criteria.gates:
            continue  # `example_faults` says so, with the stages that there are
        if is_late():
            yield example.fault(("expect", place), TOO_LONG)
            return
        try:
            answered = _answer(file, criteria, expected)
        except InvalidDocumentError as error:
            for one in error.errors:
                yield example.fault(("expect", place), f"{one.pointer}: {one.detail}")
            return
        for key, answer in answered.items():
            if key in expected and answer != expected[key]:
                detail = f"{example.id} expects {key} {expected[key]}, the engine answers {answer}; mend one of them"
                yield example.fault(("expect", place, key), detail)


def _answer(file: Mapping[str, Any], criteria: CriteriaSet, expected: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the engine answers, in the shape of an expectation."""
    at: datetime | None = expected.get("at")
    found = evaluate(file, criteria, stage=expected["stage"], clock=Clock(), as_of=at)
    if found is None:
        return {"outcome": None}
    verdict = found.verdict
    codes = {key: code for key, _part_of, _status, code, *_ in verdict["reasons"]}
    return {
        "outcome": verdict["outcome"],
        "hold_because": verdict["hold_because"],
        "holds": verdict["holds"],
        "reasons": {key: codes.get(key) for key in expected.get("reasons", {})},
    }
