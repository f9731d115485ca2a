"""Check a criteria set: its file, its examples, and whether the engine answers them as they expect."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from service.criteria_files import (
    Example,
    LoadedSet,
    differing,
    example_faults,
    examples_beside,
    load_examples,
    load_set,
    misnamed,
    told_once,
)
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.errors import CriteriaFaultsError, Fault
from service.use_cases.judging_examples import failing_examples


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
        CriteriaFaultsError: every fault of the set's file; then of its name, of its examples, and every cause by which
            expectations fail.
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
    faults += told_once(failing_examples(examples, criteria, is_late=is_late))
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
