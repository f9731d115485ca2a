"""The catalogue's four files: read together, every fault at once."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from schemas.catalogue import FILES, load_catalogue_file
from schemas.strict_yaml import Place
from service.criteria_files.amounts import in_unit, misfit
from service.criteria_files.citations import citation_faults
from service.criteria_files.reading import CriteriaFile, in_order, read, unknown
from service.domain.errors import CriteriaFaultsError, Fault
from service.domain.units import NO_UNIT, PER_CENT, UNITS

DIMENSIONS = {"time": "time", "length": "length", "force": "force"}
LOADED_CLASSES = ("hops", "impact")
ALWAYS_ASKED = ("pain_at_rest", "medication_24h", "since_last")

Entries = Mapping[str, dict[str, Any]]
Amounts = list[tuple[Place, Any, str]]


@dataclass(frozen=True)
class Catalogue:
    """Every test, question, kind of session (in rising order) and publication, keyed by id."""

    tests: Entries
    questions: Entries
    sessions: Entries
    sources: Entries
    files: Mapping[str, CriteriaFile] = field(repr=False)


def load_catalogue(folder: Path) -> Catalogue:
    """Return the catalogue of a folder.

    Raises:
        CriteriaFaultsError: every fault of its files.
    """
    catalogue, faults = read_catalogue(folder)
    if catalogue is None:
        raise CriteriaFaultsError(in_order(faults))
    return catalogue


def read_catalogue(folder: Path) -> tuple[Catalogue | None, list[Fault]]:
    """Return the catalogue and no fault, or None and every fault."""
    parts: dict[str, Entries] = {}
    files: dict[str, CriteriaFile] = {}
    faults: list[Fault] = []
    for part in FILES:
        file, value, found = read(folder / f"{part}.yaml")
        if not found:
            entries, shape = load_catalogue_file(part, value)
            found = file.shape_faults(shape)
            parts[part] = entries or {}
        files[part] = file
        faults += found
    if faults:
        return None, faults
    catalogue = Catalogue(**parts, files=files)
    faults = list(_faults(catalogue))
    return (None, faults) if faults else (catalogue, [])


def _faults(catalogue: Catalogue) -> Iterator[Fault]:
    tests, questions = catalogue.files["tests"], catalogue.files["questions"]
    for place, detail in citation_faults(catalogue.tests, catalogue.sources):
        yield tests.fault(place, detail)
    for name in ALWAYS_ASKED:
        if name not in catalogue.questions:
            yield questions.fault((), f"the question {name} is missing; the engine reads it, so define it")
    for name, test in catalogue.tests.items():
        for place, detail in _test_faults(test, catalogue):
            yield tests.fault((name, *place), detail)


def _test_faults(test: dict[str, Any], catalogue: Catalogue) -> Iterator[tuple[Place, str]]:
    yield from _name_faults(test, catalogue)
    wanted = DIMENSIONS.get(test["quantity"])
    unit = test["unit"]
    if unit not in UNITS or (UNITS[unit].dimension != wanted if wanted else unit != NO_UNIT):
        right = [code for code in UNITS if UNITS[code].dimension == wanted] or [f'"{NO_UNIT}"']
        yield ("unit",), f"{unit} is no unit of a {test['quantity']}; write one of {', '.join(right)}"
        return
    wrong = list(_unit_faults(test))
    yield from wrong or _range_faults(test)
    if test["symmetry"] and test["sides"] != "each":
        yield ("symmetry",), "a test without sides has no symmetry; write false, or sides: each"
    for position, group in enumerate(test.get("classes", ())):
        if group in LOADED_CLASSES and not test["loading"]:
            yield ("classes", position), f"a test of the class {group} loads; write loading: true, or take it out"


def _name_faults(test: dict[str, Any], catalogue: Catalogue) -> Iterator[tuple[Place, str]]:
    setup = [name for name, question in catalogue.questions.items() if question["asked_in"] == "setup"]
    for position, name in enumerate(test.get("must_match", ())):
        if name not in setup:
            yield ("must_match", position), unknown("setup question", name, setup)
    for position, name in enumerate(test.get("after", ())):
        if name not in catalogue.tests:
            yield ("after", position), unknown("test", name, catalogue.tests)


def _amounts(test: dict[str, Any]) -> Amounts:
    """Return every quantity of a test with its place and the unit wanted of it."""
    amounts: Amounts = [
        ((key, end), amount, test["unit"])
        for key in ("possible", "plausible")
        for end, amount in test.get(key, {}).items()
    ]
    for key, unit in (("measurement_error", test["unit"]), ("index_error", PER_CENT)):
        if key in test:
            amounts.append(((key, "sem"), test[key]["sem"], unit))
    return amounts


def _unit_faults(test: dict[str, Any]) -> Iterator[tuple[Place, str]]:
    for place, amount, unit in _amounts(test):
        mend = misfit(amount, unit)
        if mend:
            yield place, mend


def _range_faults(test: dict[str, Any]) -> Iterator[tuple[Place, str]]:
    for key in ("possible", "plausible"):
        ends = test.get(key, {})
        low = ends.get("at_least", ends.get("above"))
        high = ends.get("at_most", ends.get("below"))
        if low is None or high is None:
            continue
        if in_unit(low, test["unit"]).compare(in_unit(high, test["unit"])) >= 0:
            yield (key,), "the range is empty; its lower end must lie below its upper end"
