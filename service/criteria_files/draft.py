"""A criteria set as written, beside the catalogue: what its criteria read."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from schemas.criterion import COMPARATORS, GROUPS, LOADING
from service.criteria_files.catalogue import Catalogue
from service.criteria_files.reading import CriteriaFile

ROUTES = ("without_reference", "without_equipment")
TWO_SIDED = ("limb_symmetry_index", "side_difference")

Criterion = dict[str, Any]


@dataclass(frozen=True)
class Draft:
    """A set whose shape is right, its file and the catalogue."""

    document: dict[str, Any]
    file: CriteriaFile
    catalogue: Catalogue

    @property
    def criteria(self) -> dict[str, Criterion]:
        """The set's criteria by name."""
        criteria: dict[str, Criterion] = self.document["criteria"]
        return criteria

    def of_class(self, group: str) -> set[str]:
        """Return the tests of a class that the set names itself; a class brings no new test in."""
        return {name for name in named_tests(self.document) if is_of_class(self.catalogue.tests.get(name), group)}

    def tests_of(self, criterion: Criterion) -> set[str]:
        """Return the tests that a plain criterion reads."""
        tests = criterion.get("tests", [])
        if isinstance(tests, str):
            return self.of_class(tests)
        return {*tests, *([criterion["test"]] if "test" in criterion else [])}

    def reached(self, names: Iterable[str]) -> set[str]:
        """Return the criteria so named and all that they lead to, by parts and by routes."""
        found: set[str] = set()
        waiting = list(names)
        while waiting:
            name = waiting.pop()
            if name in found or name not in self.criteria:
                continue
            found.add(name)
            criterion = self.criteria[name]
            waiting += [*parts(criterion), *(criterion[route] for route in ROUTES if route in criterion)]
        return found

    def with_parts(self, name: str) -> list[Criterion]:
        """Return a criterion and its parts."""
        criterion = self.criteria.get(name, {})
        return [criterion, *(self.criteria[part] for part in parts(criterion) if part in self.criteria)]


def is_of_class(test: dict[str, Any] | None, group: str) -> bool:
    """Tell whether a test of the catalogue belongs to a class, `loading` included."""
    if test is None:
        return False
    return bool(test["loading"]) if group == LOADING else group in test.get("classes", ())


def is_group(criterion: Criterion) -> bool:
    """Tell whether a criterion is made of others."""
    return any(key in criterion for key in GROUPS)


def is_only_shown(criterion: Criterion) -> bool:
    """Tell whether a criterion has no threshold of its own and is no group."""
    return not is_group(criterion) and not any(key in criterion for key in COMPARATORS)


def parts(criterion: Criterion) -> list[str]:
    """Return the names of a group's parts."""
    return [part for key in GROUPS for part in criterion.get(key, ())]


def named_tests(document: dict[str, Any]) -> list[str]:
    """Return the tests that a set's criteria name themselves, each once, in the order of the file."""
    return list(dict.fromkeys(_named_tests(document)))


def _named_tests(document: dict[str, Any]) -> Iterator[str]:
    for criterion in document["criteria"].values():
        if "test" in criterion:
            yield criterion["test"]
        if isinstance(criterion.get("tests"), list):
            yield from criterion["tests"]
