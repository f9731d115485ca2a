"""A criteria set from its file: resolved, with its warnings, or every fault at once."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain, islice
from pathlib import Path
from typing import Any

from schemas.criteria_set import CriteriaSetSchema
from schemas.faults import load as load_shape
from service.criteria_files.catalogue import read_catalogue
from service.criteria_files.doubts import warnings
from service.criteria_files.draft import Draft
from service.criteria_files.reading import MOST_FAULTS, CriteriaFile, in_order, read
from service.criteria_files.resolving import resolved
from service.criteria_files.structure import structure_faults
from service.criteria_files.thresholds import threshold_faults
from service.domain.errors import CriteriaFaultsError, Fault


@dataclass(frozen=True)
class LoadedSet:
    """A set without faults: its resolved document, the check's warnings, and where its parts stand."""

    document: dict[str, Any]
    warnings: tuple[Fault, ...]
    file: CriteriaFile = field(repr=False)


def load_set(path: Path, catalogue_folder: Path) -> LoadedSet:
    """Return the set of a file, resolved with the catalogue.

    Raises:
        CriteriaFaultsError: every fault of the set and of the catalogue. Names and units are compared once the
            shape of all files is right.
    """
    catalogue, faults = read_catalogue(catalogue_folder)
    file, value, found = read(path)
    document: Any = None
    if not found:
        document, shape = load_shape(CriteriaSetSchema(), value)
        found = file.shape_faults(shape)
    if found or catalogue is None:
        raise CriteriaFaultsError(in_order([*faults, *found]))
    draft = Draft(document, file, catalogue)
    crossed = in_order(islice(_crossed(draft), MOST_FAULTS))
    if crossed:
        raise CriteriaFaultsError(crossed)
    return LoadedSet(resolved(draft), tuple(in_order(warnings(draft))), file)


def _crossed(draft: Draft) -> Iterator[Fault]:
    for place, detail in chain(structure_faults(draft), threshold_faults(draft)):
        yield draft.file.fault(place, detail)
