"""The examples of a criteria set: read, derived, and counted against what the set asks."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from schemas.decision import OUTCOMES
from schemas.examples import load_examples_file
from schemas.strict_yaml import Place
from service.criteria_files.deriving import derive, misfits
from service.criteria_files.reading import MOST_FAULTS, CriteriaFile, in_order, read, unknown
from service.domain.errors import CriteriaFaultsError, Fault

Document = dict[str, Any]
Written = list[Document]

ENDING = ".examples.yaml"
PASSED, HELD = OUTCOMES
MET = "met"
MOST_LISTED = 5


@dataclass(frozen=True)
class Example:
    """One example, derived: `document` has athlete, episode, entries and expect."""

    id: str
    title: str
    document: Document = field(repr=False)
    position: int
    file: CriteriaFile = field(repr=False)

    @property
    def expect(self) -> list[Document]:
        """What the engine must answer."""
        expected: list[Document] = self.document["expect"]
        return expected

    def fault(self, place: Place, detail: str) -> Fault:
        """Return a fault at a place of this example as written, such as ("expect", 0)."""
        return self.file.fault((self.position, *place), detail)


class Failing(NamedTuple):
    """By what an example fails; examples of one cause are told as one fault."""

    cause: str
    example: str
    fault: Fault


def told_once(failing: Iterable[Failing]) -> list[Fault]:
    """Return a fault for each cause: that of the first example, with the names of the others."""
    groups: dict[str, list[Failing]] = {}
    for one in failing:
        groups.setdefault(one.cause, []).append(one)
    return [_told(group) for group in groups.values()]


def _told(group: Sequence[Failing]) -> Fault:
    first = group[0]
    others = list(dict.fromkeys(one.example for one in group if one.example != first.example))
    if not others:
        return first.fault
    listed = ", ".join(others[:MOST_LISTED]) + (", ..." if len(others) > MOST_LISTED else "")
    count = "1 more example fails" if len(others) == 1 else f"{len(others)} more examples fail"
    return first.fault._replace(detail=f"{first.fault.detail}; {count} likewise: {listed}")


def examples_beside(path: Path) -> Path:
    """Return where the examples of a set's file stand.

    >>> examples_beside(Path("lateral-ankle-sprain/1.yaml")).name
    '1.examples.yaml'
    """
    return path.with_name(f"{path.stem}{ENDING}")


def load_examples(path: Path) -> list[Example]:
    """Return the examples of a file, each derived into a whole file of entries.

    Raises:
        CriteriaFaultsError: every fault of their shape; then of their names; then of their changes.
    """
    file, value, faults = read(path)
    written: Written = []
    if not faults:
        written, shape = load_examples_file(value)
        faults = file.shape_faults(shape) or _name_faults(written, file)
    if faults:
        raise CriteriaFaultsError(in_order(faults))
    documents, faults = _derived(written, file)
    if faults:
        raise CriteriaFaultsError(in_order(faults))
    return [
        Example(one["id"], one["title"], {**documents[one["id"]], "expect": one["expect"]}, position, file)
        for position, one in enumerate(written)
    ]


def _name_faults(written: Written, file: CriteriaFile) -> list[Fault]:
    faults: list[Fault] = []
    origins = {one["id"]: one.get("from") for one in written}
    is_each_once = len(origins) == len(written)
    seen: set[str] = set()
    for position, one in enumerate(written):
        name, origin = one["id"], one.get("from")
        if name in seen:
            faults.append(file.fault((position, "id"), f"{name} stands twice; give each example its own id"))
        seen.add(name)
        if origin is not None and origin not in origins:
            faults.append(file.fault((position, "from"), unknown("example", origin, origins)))
        elif is_each_once and _circles(name, origins):
            detail = f"{name} starts from itself by way of {origin}, a circle; start from a whole example"
            faults.append(file.fault((position, "from"), detail))
    return faults


def _circles(name: str, origins: dict[str, str | None]) -> bool:
    """Tell whether an example's chain leads back to it."""
    seen: set[str] = set()
    origin = origins[name]
    while origin is not None and origin != name and origin not in seen:
        seen.add(origin)
        origin = origins.get(origin)
    return origin == name


def _derived(written: Written, file: CriteriaFile) -> tuple[dict[str, Document], list[Fault]]:
    """Return each example's document by id, whatever their order in the file, or the faults of their changes."""
    documents = {one["id"]: _whole(one) for one in written if "from" not in one}
    failing: list[Failing] = []
    waiting = [(position, one) for position, one in enumerate(written) if "from" in one]
    while waiting and not failing:
        later = []
        for position, one in waiting:
            base = documents.get(one["from"])
            if base is None:
                later.append((position, one))
                continue
            change = one.get("change", {})
            found = misfits(base, change) if change else ()
            failing += [
                Failing(detail, one["id"], file.fault((position, "change", *place), detail)) for place, detail in found
            ]
            documents[one["id"]] = derive(base, change)
        waiting = later
    return documents, told_once(failing)


def _whole(one: Document) -> Document:
    return {key: one[key] for key in ("athlete", "episode", "entries")}


def example_faults(document: Document, examples: Sequence[Example], file: str) -> list[Fault]:
    """Return what the examples name that the set has not, and what of the set has no example.

    Args:
        document: the resolved document of the set.
        examples: its examples.
        file: the name of their file, where the missing ones belong.
    """
    wrong = (fault for example in examples for fault in _unknown_names(document, example))
    faults = told_once(islice(wrong, MOST_FAULTS))
    missing = (*_stages_without(document, examples), *_criteria_without(document, examples))
    faults += [Fault(file, 1, "#", detail) for detail in (*missing, *_screens_without(document, examples))]
    return in_order(faults)


def _unknown_names(document: Document, example: Example) -> Iterator[Failing]:
    stages = [stage["id"] for stage in document["stages"]]
    for position, expected in enumerate(example.expect):
        if expected["stage"] not in stages:
            detail = unknown("stage", expected["stage"], stages)
            yield Failing(detail, example.id, example.fault(("expect", position, "stage"), detail))
        for name in expected.get("reasons", {}):
            if name not in document["criteria"]:
                detail = unknown("criterion", name, document["criteria"])
                yield Failing(detail, example.id, example.fault(("expect", position, "reasons", name), detail))


def _expected(examples: Sequence[Example], outcome: str) -> Iterator[Document]:
    for example in examples:
        yield from (expected for expected in example.expect if expected["outcome"] == outcome)


def _stages_without(document: Document, examples: Sequence[Example]) -> Iterator[str]:
    passed = {expected["stage"] for expected in _expected(examples, PASSED)}
    for stage in document["stages"]:
        if stage["id"] not in passed:
            yield f"no example passes the stage {stage['id']}; add one"


def _criteria_without(document: Document, examples: Sequence[Example]) -> Iterator[str]:
    held = {
        name
        for expected in _expected(examples, HELD)
        for name, code in expected.get("reasons", {}).items()
        if code != MET
    }
    asked = dict.fromkeys(name for stage in document["stages"] for name in stage["asks"])
    for name in asked:
        if name not in held:
            yield f"no example is held by the criterion {name}; add one whose reasons name it with its code"


def _screens_without(document: Document, examples: Sequence[Example]) -> Iterator[str]:
    held = {about for expected in _expected(examples, HELD) for _, _, about in expected.get("holds", ())}
    for question in document["referral"]:
        if question["id"] not in held:
            yield f"no example is held by the referral question {question['id']}; add one whose holds name it"
    for rule in document["not_today"]:
        about = rule.get("question", rule.get("event"))
        if about not in held:
            yield f"no example is held by the not-today rule on {about}; add one whose holds name it"
