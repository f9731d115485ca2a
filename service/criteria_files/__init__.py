"""Criteria files: file -> criteria set, resolved, or every fault with its place.

What is named here is imported when it is first used: `evaluate` reads a released version, and the YAML reader with its
schemas would take a third of its time.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.criteria_files.catalogue import Catalogue, load_catalogue
    from service.criteria_files.deriving import derive
    from service.criteria_files.examples import (
        Example,
        Failing,
        example_faults,
        examples_beside,
        load_examples,
        told_once,
    )
    from service.criteria_files.releases import Released, differing, load_released, misnamed, released, write_released
    from service.criteria_files.sets import LoadedSet, load_set

__all__ = [
    "Catalogue",
    "Example",
    "Failing",
    "LoadedSet",
    "Released",
    "derive",
    "differing",
    "example_faults",
    "examples_beside",
    "load_catalogue",
    "load_examples",
    "load_released",
    "load_set",
    "misnamed",
    "released",
    "told_once",
    "write_released",
]

_FILES = {
    "catalogue": ("Catalogue", "load_catalogue"),
    "deriving": ("derive",),
    "examples": ("Example", "Failing", "example_faults", "examples_beside", "load_examples", "told_once"),
    "releases": ("Released", "differing", "load_released", "misnamed", "released", "write_released"),
    "sets": ("LoadedSet", "load_set"),
}
_FILE_OF = {name: file for file, names in _FILES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Return what is named here, from its file."""
    if name not in _FILE_OF:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(f"{__name__}.{_FILE_OF[name]}"), name)
