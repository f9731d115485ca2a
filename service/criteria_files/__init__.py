"""Criteria files: file -> criteria set, resolved, or every fault with its place."""

from service.criteria_files.catalogue import Catalogue, load_catalogue
from service.criteria_files.deriving import derive
from service.criteria_files.examples import Example, example_faults, examples_beside, load_examples
from service.criteria_files.releases import Released, load_released, released, write_released
from service.criteria_files.sets import LoadedSet, load_set

__all__ = [
    "Catalogue",
    "Example",
    "LoadedSet",
    "Released",
    "derive",
    "example_faults",
    "examples_beside",
    "load_catalogue",
    "load_examples",
    "load_released",
    "load_set",
    "released",
    "write_released",
]
